"""Single keys and bursts: what a person typed is told apart from what was pasted or scanned."""

from __future__ import annotations

import pytest

from controller.console.strokes import QUIET_S, Strokes


def test_one_key_is_a_key():
    """A key alone in its read is a key."""
    assert Strokes().read(["s"], 1.0) == [("key", "s")]


def test_keys_that_are_no_letters_come_together():
    """Arrows held down arrive several at a time, and stay keys."""
    assert Strokes().read(["down", "down", "enter"], 1.0) == [("key", "down"), ("key", "down"), ("key", "enter")]


@pytest.mark.parametrize("keys", [["a", "0", "7"], ["b", "enter"], ["down", "a", "b"]])
def test_letters_together_are_a_burst(keys):
    """Letters in one read, or a letter with its Enter, were not typed by a person."""
    found = Strokes().read(keys, 1.0)
    assert [kind for kind, _ in found] == ["burst"]


def test_a_bracketed_paste_is_one_burst():
    """What stands between the marks is one text, over as many reads as it takes."""
    strokes = Strokes()
    assert strokes.read(["begin paste", "s", "enter"], 1.0) == []
    assert strokes.read(["a", "0", "7"], 1.1) == []
    assert strokes.read(["enter", "end paste"], 1.2) == [("burst", "s\na07\n")]


def test_keys_behind_a_paste_in_the_same_read():
    """A key that stands behind the paste's end still belongs to it."""
    found = Strokes().read(["begin paste", "x", "end paste", "s", "enter"], 1.0)
    assert [kind for kind, _ in found] == ["burst", "burst"]


def test_the_torn_end_of_a_burst_is_no_key():
    """A last Enter that comes by itself just behind a burst confirms nothing; later it is a key again."""
    strokes = Strokes()
    strokes.read(["a", "0", "7"], 1.0)
    assert strokes.read(["enter"], 1.0 + QUIET_S / 2)[0][0] == "burst"
    assert strokes.read(["enter"], 1.0 + 2 * QUIET_S) == [("key", "enter")]


def test_alt_is_escape_and_the_key():
    """Escape and a letter typed fast come as one: both are taken, in their order."""
    assert Strokes().read(["meta s"], 1.0) == [("key", "esc"), ("key", "s")]


def test_a_paste_is_bounded():
    """However much is pasted, no more than so much is kept."""
    strokes = Strokes()
    strokes.read(["begin paste"], 0.0)
    for _ in range(10):
        strokes.read(["x"] * 5000, 0.0)
    ((_, text),) = strokes.read(["end paste"], 0.0)
    assert len(text) == 20_000


def test_s_and_enter_in_one_read_are_the_hold():
    """On a line that lags both may come at once; they only take current away, so they count."""
    assert Strokes().read(["s", "enter"], 1.0) == [("key", "s"), ("key", "enter")]


def test_s_and_enter_within_a_paste_are_no_keys():
    """The piece of a longer paste that happens to be just that is no order."""
    strokes = Strokes()
    strokes.read(["x"] * 500, 1.0)
    assert [kind for kind, _ in strokes.read(["s", "enter"], 1.01)] == ["burst"]


def test_a_scanner_that_sends_letter_by_letter_is_a_burst():
    """Letters faster than fingers, each in a read of its own, with their Enter: all but the first are a burst."""
    strokes = Strokes()
    found = [strokes.read([key], 1.0 + 0.012 * at) for at, key in enumerate(["o", "2", "a", "0", "2", "enter"])]
    assert [kind for ((kind, _),) in found] == ["key", *["burst"] * 5]


def test_fingers_are_no_scanner():
    """A fast typist's letters are keys."""
    strokes = Strokes()
    found = [strokes.read([key], 1.0 + 0.045 * at) for at, key in enumerate(["a", "0", "7", "enter"])]
    assert [kind for ((kind, _),) in found] == ["key"] * 4


def test_hammering_behind_a_burst_gets_through():
    """Keys behind a burst do not make it longer: a person who hammers s is heard after the first moment."""
    strokes = Strokes()
    strokes.read(["a", "b", "c"], 1.0)
    kinds = [strokes.read(["s"], 1.0 + 0.1 * at)[0][0] for at in range(1, 5)]
    assert kinds == ["burst", "key", "key", "key"]


def test_a_paste_without_its_end_does_not_swallow_keys_for_ever():
    """A second later the paste is over, and the key that comes is a key."""
    strokes = Strokes()
    strokes.read(["begin paste", "x"], 1.0)
    assert strokes.read(["s"], 2.5) == [("burst", "x"), ("key", "s")]
