"""What a service that ends now would take with it: blocks and circuits out of use of which the disk does not know."""

from __future__ import annotations

from dataclasses import replace

from leftkit import SETTINGS

from controller.core.bath import fresh_state
from controller.core.bathstate import BathState
from controller.service.holds import LONGEST_SAID, Holds


def bath(**first) -> BathState:
    """A bath whose first circuit is as said."""
    state = fresh_state(SETTINGS)
    return replace(state, circuits=(replace(state.circuits[0], **first), *state.circuits[1:]))


FREE, ANNA, BERT = bath(), bath(blocked_by="anna"), bath(blocked_by="bert")
UNUSED = bath(out_of_use="cracked lead")


def test_what_was_found_is_on_the_disk():
    """Blocks of before, and a restart's own, which the next start finds again."""
    assert Holds(ANNA).lost(ANNA, 0) == []
    assert Holds(UNUSED).lost(UNUSED, 0) == []


def test_a_state_counts_from_its_own_mark_on():
    """Given before mark 5: safe at 5, lost at 4, whatever was given since with the same blocks."""
    holds = Holds(FREE)
    holds.given(5, ANNA)
    holds.given(9, ANNA)
    assert len(holds._given) == 2
    assert holds.lost(ANNA, 4) == ["A01: blocked by anna"]
    assert holds.lost(ANNA, 5) == []


def test_a_state_that_nobody_gave_to_the_writer_is_lost():
    """A cycle that failed behind its decision."""
    assert Holds(FREE).lost(UNUSED, 99) == ["A01: out of use (cracked lead)"]


def test_what_was_lifted_is_not_lost():
    """The disk still has a block that nobody holds any more: the next start blocks too much, not too little."""
    assert Holds(ANNA).lost(FREE, 0) == []
    assert Holds(UNUSED).lost(FREE, 0) == []


def test_a_block_under_another_name_is_lost():
    """The disk says anna, who may lift it while bert works there."""
    holds = Holds(FREE)
    holds.given(3, ANNA)
    holds.given(6, FREE)
    holds.given(7, BERT)
    assert holds.lost(BERT, 5) == ["A01: blocked by bert"]
    assert holds.lost(BERT, 6) == ["A01: blocked by bert"]
    assert holds.lost(BERT, 7) == []


def test_another_reason_out_of_use_is_nothing_lost():
    """It stays out of use."""
    assert Holds(UNUSED).lost(bath(out_of_use="cracked lid"), 0) == []


def test_only_what_may_still_be_the_disk_s_is_remembered():
    """A disk that takes each state leaves one behind; one that takes none keeps all that differ."""
    holds = Holds(FREE)
    for mark in range(1, 9):
        holds.given(mark, (FREE, ANNA)[mark % 2])
    assert len(holds._given) == 9
    holds.forget(8)
    assert len(holds._given) == 1
    assert holds.lost(ANNA, 0) == ["A01: blocked by anna"]


def test_hostile_words_are_cleaned():
    """A reason is text from outside, and goes to a terminal."""
    (said,) = Holds(FREE).lost(bath(out_of_use="a\x1b[2Jb" + "x" * 999), 0)
    assert said.startswith("A01: out of use (a?[2Jb")
    assert len(said) == len("A01: out of use ()") + LONGEST_SAID
