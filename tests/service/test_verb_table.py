"""The table of orders: one row for every rule, the same in README.md, and words for every verb."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller import words
from controller.core.bathorders import BATH_RULES
from controller.core.orders import RULES, TICK, TRIAL, WALK
from controller.core.types import Event, EventKind
from controller.service.protocol import VERBS
from controller.service.verbtable import BEGIN, END, markdown, rows
from controller.texts import verbs

ROOT = Path(__file__).parents[2]


def test_every_verb_has_a_rule_words_and_a_place_on_the_socket():
    """The four lists name the same verbs."""
    assert set(VERBS) == set(RULES) | set(BATH_RULES) == set(verbs.VERBS)


def test_readme_says_who_may_give_which_order_when():
    """README.md carries the table that the rules make, unchanged."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert text[text.index(BEGIN) : text.index(END) + len(END)] == markdown()


def test_every_rule_is_a_row():
    """Circuits' and the bath's, the lists' ticks and a trial; what is for both says so."""
    found = list(rows())
    assert len(found) == len(set(RULES) | set(BATH_RULES)) + len([TICK, WALK, TRIAL])
    by_verb = {verb.split(" ")[0]: (who, when) for verb, who, when, _ in reversed(found)}
    assert by_verb["hold"] == ("anybody", "running, held; the bath too")
    assert by_verb["round"] == ("technician", "the bath")
    assert by_verb["reset"] == ("technician, maintenance", "any but unknown; the bath too")
    assert by_verb["block"] == ("technician, maintenance", "always")
    assert by_verb["sign-off"] == ("quality", "complete, stopped")
    assert ("done walk= ok=", "technician", "held") in {row[:3] for row in found}
    assert ("load trial=", "engineer", "idle") in {row[:3] for row in found}


@pytest.mark.parametrize("verb", VERBS)
def test_an_order_that_is_accepted_has_its_sentence(verb):
    """The code that a rule tells is in the catalogue, for a circuit and for a bath."""
    told = {rule.told for rule in (RULES.get(verb), BATH_RULES.get(verb)) if rule is not None}
    assert told <= set(words.EVENTS)


def said(code, **data):
    return words.text(Event(code, "A", EventKind.ORDER, {"verb": "done", "who": "anna", **data}))


@pytest.mark.parametrize(("code", "data", "text"), [
    ("accepted", {"walk": 1, "ok": True, "item_text": "+ to red"},
     "meter walk, item 1 found right by anna: + to red"),
    ("accepted", {"walk": 1, "ok": False, "item_text": "+ to red", "reason": "battery 4"},
     "meter walk, item 1 found WRONG by anna: + to red; battery 4"),
    ("accepted", {"verb": "unblock", "by": "anna"}, "unblock by anna"),
    ("accepted", {"verb": "unblock", "by": "bert", "reason": "ill"},
     "unblock by anna, the block was bert's: ill"),
    ("round", {"skipped_text": ""}, "round by anna, every item looked at"),
    ("round", {"skipped_text": "smell", "reason": "cold"}, "round by anna, left out: smell; cold"),
    ("horn_test", {}, "horn test begun by anna: is it heard?"),
    ("horn_test", {"ok": True}, "horn test: heard by anna"),
    ("horn_test", {"ok": False}, "horn test: NOT heard by anna"),
    ("reading", {"what": "density", "position": 9, "value": 1.24, "unit": "kg/L", "temperature_C": 31.5,
                 "taken_minutes_ago": 5, "instrument": "H2"},
     "reading by anna: density of battery 9 1.24 kg/L at 31.5 C, 5 min before, instrument H2"),
])  # fmt: skip
def test_what_people_did_is_told_in_its_own_words(code, data, text):
    """Right and wrong, one's own block and another's, a whole round and one with gaps, a horn heard or not."""
    assert said(code, **data) == text
