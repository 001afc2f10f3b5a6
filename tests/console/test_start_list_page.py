"""The start list: the machine's items with values, persons' items one at a time, what is too old, what is missing."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC

import pictures
import pytest

from controller.console import prompt as dialogue
from controller.console import starts
from controller.console.prompttypes import Wanted
from controller.core.orders import RULES

ITEMS = ("polarity: red to +, black to -, 18 of 18 and both ends", "nobody at this bath; eyewash runs", "probe in 10")
CHECKS = tuple(check.__name__ for check in RULES["start"].checks)
OPEN = "item 1 of the start list is not ticked"


def tick(item, ok=True, minutes=5.0, reason=""):
    at_ms = pictures.NOW_MS - round(minutes * 60_000)
    return {"item": item, "ok": ok, "who": "night1", "at_ms": at_ms, "reason": reason}


def listed(refusals=None, ticks=(), may=OPEN, cursor=0, beside=(), **over):
    """Bath A with A01 loaded and idle; `refusals` by the name of a check."""
    bad = {"start_list_done": may} | (refusals or {})
    checks = [(name, bad.get(name, "")) for name in CHECKS]
    circuit = pictures.circuit(
        "A01", "idle", start_checks=checks, ticks=ticks, may={"start": may}, voltage_V=[0.2, "good", 0]
    )
    one = pictures.picture([circuit, *beside], **({"start_items": ITEMS} | over))
    return pictures.scene(one, page="starts", circuit="A01", cursor=cursor, zone=UTC)


def text_of(scene, width=80, height=18):
    return [row.text for row in starts.rows(scene, width, height)]


def test_machine_items_stand_first_with_their_values():
    """Every check of the core that holds, in words, with what was measured."""
    rows = text_of(listed())
    whole = " ".join(" ".join(rows).split())
    assert rows[1].startswith("  ok  in use, profile released, nothing waits for maintenance first, nobody")
    assert "no trip waits for its reset, values fresh" in whole
    for words in (
        "ok 18 batteries on 18 places, batch K3107",
        "ok air 61 min of 10, H2 3 %LEL, hood shut, water 31.2 C",
        "ok filled last 0:39 h ago, first 1:10 h ago; start by 03:10",
        "ok string 0.2 V at 0.0 A; fresh strings here 0.3 +- 3.0 V, a formed battery 12.7",
    ):
        assert words in whole
    assert whole.index("formed battery") < whole.index("[ ] 1 polarity")
    assert not any(row.startswith("  NO") for row in rows)


def test_every_check_of_the_core_has_words():
    """None shows as its bare name; each that fails shows its reason and NO, before those that hold."""
    for name in CHECKS[:-1]:
        rows = text_of(listed({name: f"because of {name}"}, may=f"because of {name}"))
        assert rows[1] == f"  NO  because of {name}"
        assert not {f"  ok  {other.replace('_', ' ')}" for other in CHECKS} & set(rows)


def test_unknown_check_is_shown_by_its_name():
    """A newer service's check is not hidden."""
    scene = listed()
    circuit = scene.baths[0].picture.circuits[0]
    raw = circuit.model_dump() | {"start_checks": [("moon_full", "")]}
    one = scene.baths[0].picture.model_copy(update={"circuits": (type(circuit).model_validate(raw),)})
    assert "  ok  moon full" in text_of(pictures.scene(one, page="starts", circuit="A01"))


def test_who_works_beside_is_named():
    """A blocked neighbour stands in the list."""
    rows = text_of(listed(beside=(pictures.circuit("A12", "held", blocked="night1"),)))
    assert "  ok  A12 is BLOCKED by night1: told?" in rows


def test_enter_ticks_the_one_item_at_the_cursor():
    """One item an Enter, with the revision in view; the cursor never reaches the machine's items."""
    for cursor, item in ((0, 1), (1, 2), (2, 3), (99, 3), (-5, 1)):
        scene = listed(cursor=cursor)
        step = starts.pressed(scene, "enter", 0.0)
        assert step.wanted == (Wanted("A", "done", "A01", {"item": item, "ok": True}, 7),)
        (marked,) = [row for row in text_of(scene) if row.startswith(">")]
        assert marked.startswith(f"> [ ] {item} ")
    assert starts.length(listed()) == 3


def test_no_key_ticks_more_than_one_item():
    """There is no tick-all: every key gives at most one order, of the item at the cursor."""
    scene = listed(cursor=1)
    for key in (*"abcdefghijklmnopqrstuvwxyzABCXYZ0123456789 *+-", "enter", "tab", "ctrl a", "f1", "insert"):
        step = starts.pressed(scene, key, 0.0)
        assert len(step.wanted) <= 1
        assert all(wanted.args["item"] == 2 for wanted in step.wanted)
        assert bool(step.wanted) == (key == "enter")


@pytest.mark.parametrize("key", ["x", "X"])
def test_x_asks_for_the_reason(key):
    """Not right: the item at the cursor, and why."""
    scene = listed(cursor=1)
    step = starts.pressed(scene, key, 0.0)
    assert step.wanted == ()
    for letter in (*"vent out", "enter"):
        step = dialogue.pressed(step.prompt, letter, scene, 1.0)
    assert step.wanted == (Wanted("A", "done", "A01", {"item": 2, "ok": False, "reason": "vent out"}, 7),)


def test_ticks_show_who_and_when():
    """Right, not right with its reason, and what still misses one."""
    scene = listed(ticks=[tick(1), tick(2, ok=False, reason="vent out")])
    rows = text_of(scene)
    assert "> [x] 1 polarity: red to +, black to -, 18 of 18 and both ends   night1 02:09" in rows
    assert "  [-] 2 nobody at this bath; eyewash runs   NOT RIGHT: night1 02:09: vent out" in rows
    assert "  [ ] 3 probe in 10" in rows
    assert rows[-1] == "still missing: items 2 3"


@pytest.mark.parametrize(("minutes", "old"), [(29.9, False), (30.0, False), (30.1, True), (-1.0, True)])
def test_tick_of_half_an_hour_is_too_old(minutes, old):
    """Past 30 min it is shown as such and counts as missing."""
    rows = text_of(listed(ticks=[tick(1, minutes=minutes), tick(2), tick(3)]))
    assert any("[?] 1" in row for row in rows) == old
    assert any("too old" in row for row in rows) == old
    assert ("items 1" in rows[-1]) == old


def test_last_line_says_what_is_missing():
    """The service's own word: a machine item, persons' items, both, or that it may start."""
    ticks = [tick(item) for item in (1, 2, 3)]
    assert text_of(listed(ticks=ticks, may=""))[-1] == "A01 may start: o, then start"
    assert text_of(listed({"cause_gone": "hood open"}, ticks, may="hood open"))[-1] == "still missing: hood open"
    scene = listed({"cause_gone": "hood open", "start_list_done": OPEN}, may="hood open")
    assert text_of(scene)[-1] == "still missing: items 1 2 3; hood open"


def test_nothing_is_ticked_blind():
    """No order while the service is silent, in a replay, for a circuit that waits for no start, or without items."""
    scene = listed()
    silent = pictures.scene(pictures.seen(scene.baths[0].picture, silent_s=60.0), page="starts", circuit="A01")
    running = pictures.scene(pictures.picture(start_items=ITEMS), page="starts")
    for other in (silent, replace(scene, replay=True), running, listed(start_items=()), pictures.scene()):
        for key in ("enter", "x"):
            step = starts.pressed(other, key, 0.0)
            assert (step.wanted, step.prompt) == ((), None)
            assert step.said
    assert "running" in text_of(running)[0]


def test_long_lists_scroll_to_the_cursor():
    """The item at the cursor and the last line are always there; what is above is counted."""
    items = tuple(f"look at thing {n} " + "well " * 20 for n in range(20))
    for cursor in (0, 7, 19):
        rows = text_of(listed(cursor=cursor, start_items=items))
        assert len(rows) <= 18
        assert sum(row.startswith(">") for row in rows) == 1
        assert rows[-1].startswith(("still missing", "   "))
    assert any("more above" in row for row in rows)


def test_start_list_of_any_scene_at_any_size():
    """Likely or not: never raises, never wider, never more rows."""
    chance = random.Random(33)
    for _ in range(300):
        scene = pictures.any_scene(chance, page="starts")
        width, height = chance.randint(40, 300), chance.randint(1, 100)
        rows = starts.rows(scene, width, height)
        assert len(rows) <= height
        assert all(len(row.text) <= width for row in rows)
        starts.pressed(scene, chance.choice(["enter", "x", "a"]), 0.0)
    for width in (40, 80, 300):
        for height in range(1, 40):
            rows = starts.rows(listed(ticks=[tick(1), tick(2, minutes=90.0)]), width, height)
            assert len(rows) <= height
            assert all(len(row.text) <= width for row in rows)
