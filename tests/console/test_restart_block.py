"""A block by a restart: no page says that somebody works on the string, where nobody knows; its caution is whole."""

from __future__ import annotations

import pictures
import pytest

from controller import words
from controller.console import circuit as circuit_page
from controller.console import promptopen
from controller.console.sentence import told
from controller.core.types import Event, EventKind
from controller.texts.holders import NEW_HERE, UNREADABLE

CAUTION = "NOT ISOLATION: padlock, prove dead, meter"
HOLDERS = pytest.mark.parametrize("holder", [NEW_HERE, UNREADABLE])


def scene(holder, **more):
    seen = pictures.seen(pictures.picture([pictures.circuit("A12", "held", blocked=holder, **more)]))
    return pictures.scene(seen), seen


def refused(code, **data):
    return words.text(Event(code, "A12", EventKind.REFUSAL, data={"verb": "resume", "who": "anna", **data}))


@HOLDERS
def test_a_circuit_s_page_says_that_nobody_knows(holder):
    """In its first two rows at the least width, with the whole caution, and since no time that is not known."""
    place, _ = scene(holder)
    text = " ".join(row.text.strip() for row in circuit_page.rows(place, 80, 18)[:2])
    assert text == f"BLOCKED by {holder}: nobody knows if anybody works on it; maintenance looks first. {CAUTION}"


@HOLDERS
def test_a_bath_s_sentence_says_that_nobody_knows(holder):
    """Below the table, as many rows as the least screen gives it."""
    place, seen = scene(holder)
    text = " ".join(row.text.strip() for row in told(place, seen, seen.picture.circuits[0], 80, 9))
    assert text.startswith(
        f"A12 BLOCKED by {holder}: nobody knows if anybody works on it; maintenance looks first. {CAUTION}"
    )


@HOLDERS
def test_refusals_name_nobody_who_could_be_asked(holder):
    """Of the circuit itself, of its unblock, of a neighbour under its hood; to a person's block they are as ever."""
    unknown = "nobody knows whether somebody works"
    for code, data in (
        ("blocked", {"by": holder}), ("blocked_by_another", {"by": holder}),
        ("neighbour_blocked", {"neighbour": f"A12 by {holder}", "name": "A12"}),
    ):  # fmt: skip
        said, person = (
            refused(code, **{key: value.replace(holder, by) for key, value in data.items()})
            for by in (holder, "night1")
        )
        assert unknown in said
        assert "looks" in said or "look, then say so: told=A12" in said
        assert holder in said
        assert unknown not in person
        assert "night1" in person
    assert refused("blocked", by="night1").endswith("BLOCKED by night1: somebody works on the string")


@HOLDERS
def test_the_dialogues_say_the_same(holder):
    """A second block is refused on the spot; another circuit's start asks who looked, not who was told."""
    place, seen = scene(holder)
    said = promptopen.refusal("block", place, seen, seen.picture, seen.picture.circuits[0])
    assert said == f"BLOCKED by {holder}: nobody knows whether somebody works on the string; maintenance looks first"
    asked = place.say("orders.blocked_told", name="A12", who=holder)
    assert asked == f"A12 is BLOCKED by {holder}: looked whether anybody works there?"
    assert place.say("orders.blocked_told", name="A12", who="night1") == "A12 is BLOCKED by night1: told?"


@HOLDERS
def test_lifting_it_is_told_as_what_it_was(holder):
    """Nobody's block, lifted by maintenance with a reason."""
    data = {"verb": "unblock", "who": "anna", "by": holder, "reason": "looked at it"}
    assert words.text(Event("accepted", "A12", EventKind.ORDER, data=data)) == (
        f"unblock by anna, the block was by {holder}: looked at it"
    )
    person = words.text(Event("accepted", "A12", EventKind.ORDER, data={**data, "by": "bert"}))
    assert person == "unblock by anna, the block was bert's: looked at it"


def test_a_person_whose_name_begins_so_is_a_person():
    """Only a restart's own name has the colon."""
    assert refused("blocked", by="restarter").endswith("somebody works on the string")
    assert refused("blocked").endswith("somebody works on the string")
