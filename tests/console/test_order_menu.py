"""The orders page: what fits the circuit's state, what the service would refuse, what became of orders."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC

import pictures
import pytest

from controller.console import ordermenu
from controller.console.promptopen import open_prompt
from controller.console.scene import OrderLine


def at(*circuits, chosen=None, **over):
    first = circuits[0].name if chosen is None else chosen
    return pictures.scene(pictures.picture(circuits, **over), page="orders", circuit=first, zone=UTC)


def kinds(scene):
    return [entry.kind for entry in ordermenu.entries(scene)]


@pytest.mark.parametrize(
    ("circuit", "expected"),
    [
        (pictures.idle("A01"), ["block", "load", "note", "note bath"]),
        (pictures.circuit("A01", "idle"), ["block", "start", "note", "note bath"]),
        (pictures.circuit("A01"), ["hold", "block", "note", "note bath"]),
        (pictures.circuit("A01", "held"), ["hold", "block", "resume", "note", "note bath"]),
        (pictures.circuit("A01", "tripped"), ["block", "reset", "note", "note bath"]),
        (pictures.circuit("A01", "complete"), ["block", "unload", "note", "note bath"]),
        (pictures.circuit("A01", "held", blocked="night1"), ["hold", "unblock", "resume", "note", "note bath"]),
    ],
)
def test_orders_that_fit_the_state(circuit, expected):
    """No more and no less than what the circuit's state knows."""
    assert kinds(at(circuit)) == expected


def test_trip_is_left_in_the_order_of_its_steps():
    """Block, the key that acknowledges, reset; the hint opens nothing and says where the alarm is read."""
    new = pictures.alarm("A01", "open_string", latched=True, active=False)
    scene = at(pictures.circuit("A01", "tripped", alarms=(new,)))
    assert kinds(scene)[:3] == ["block", "acknowledge", "reset"]
    rows = " ".join(row.text.strip() for row in ordermenu.rows(scene, 80, 18))
    assert "2 acknowledge the alarm of A01: read it on a: alarms, then k" in rows
    step = open_prompt(ordermenu.chosen(scene, "2"), scene, 0.0)
    assert (step.prompt, step.wanted) == (None, ())
    assert "then k acknowledges" in step.said


@pytest.mark.parametrize(
    ("circuit", "label"),
    [
        (pictures.circuit("A01"), "hold A01, or end its run (s)"),
        (pictures.circuit("A01", run=None), "hold A01 (s)"),
        (pictures.circuit("A01", "idle", confirmed=False), "hold A01 (s)"),
        (pictures.circuit("A01", "idle"), ""),
        (pictures.circuit("A01", "complete"), ""),
        (pictures.circuit("A01", "tripped"), ""),
    ],
)
def test_hold_is_offered_where_there_is_something_to_hold(circuit, label):
    """Running, held, or not read back; the end of a run only where one is open."""
    assert [e.label for e in ordermenu.entries(at(circuit)) if e.kind == "hold"] == ([label] if label else [])


def test_followed_order_says_its_verb_once_and_its_bath_where_needed():
    """The service's own word in front of its sentence is not said again."""
    when = "2026-03-17T02:16:04+00:00"
    line = OrderLine(when, "hold", "X01", "night2", "hold by night2", True, "hold: zero read back (0.0 A), held", "B")
    no = OrderLine(when, "start", "X01", "night2", "start refused: hood open", False, bath="B")
    two = pictures.scene(pictures.picture(), pictures.picture(bath="B"), zone=UTC)
    one = pictures.scene(pictures.picture(), zone=UTC)
    assert ordermenu.followed_text(two, line) == "02:16:04 hold B/X01 night2: zero read back (0.0 A), held"
    assert ordermenu.followed_text(one, line) == "02:16:04 hold X01 night2: zero read back (0.0 A), held"
    assert ordermenu.followed_text(one, no) == "02:16:04 start X01 night2: refused: hood open"


def test_task_of_a_step_is_offered_while_it_waits():
    """`done` with the task's own words, only where the step waits for a person."""
    plan = pictures.plan()
    plan["steps"][3] |= {"order": True, "task": "acid change"}
    scene = at(pictures.circuit("A01"), plans={pictures.PLAN: plan})
    assert [entry.label for entry in ordermenu.entries(scene) if entry.kind == "done"] == ["done: step 4, acid change"]


def test_several_are_offered_where_several_may():
    """Two or more: by one dialogue; with their count."""
    circuits = [pictures.circuit(name, "held") for name in ("A01", "A02", "A03")]
    circuits.append(pictures.circuit("A04", "held", may={"resume": "hood open"}))
    assert "resume the 3 of bath A that may" in [entry.label for entry in ordermenu.entries(at(*circuits))]
    assert "resume all" not in kinds(at(*circuits[2:]))


def test_latch_of_the_bath_is_offered():
    """The bath's own latch has no circuit: it is offered from each."""
    latch = pictures.alarm("A", "emergency_stop", latched=True, active=False)
    scene = at(pictures.circuit("A01"), alarms=(latch,))
    (entry,) = [entry for entry in ordermenu.entries(scene) if entry.kind == "reset bath"]
    assert "acknowledge first: emergency stop" in entry.refusal


def test_refused_orders_stand_with_their_reason_and_do_not_open():
    """The service's sentence beside the order; choosing it says it again and opens nothing."""
    scene = at(pictures.circuit("A01", "held", may={"resume": "extraction airflow not proved"}))
    rows = " ".join(row.text.strip() for row in ordermenu.rows(scene, 80, 18))
    assert "3 resume A01: not now, extraction airflow not proved" in rows
    assert ordermenu.chosen(scene, "3") == "resume"
    step = open_prompt(ordermenu.chosen(scene, "3"), scene, 0.0)
    assert (step.prompt, step.wanted) == (None, ())
    assert "extraction airflow not proved" in step.said


def test_every_entry_without_refusal_opens():
    """What is offered without a reason against it can be asked for."""
    chance = random.Random(8)
    opened = 0
    for _ in range(300):
        scene = pictures.any_scene(chance, page="orders", replay=False)
        found = scene.selected
        if found is None or not found[0].trusted:
            continue
        for entry in ordermenu.entries(scene):
            step = open_prompt(entry.kind, scene, 0.0)
            assert (step.prompt is None) == bool(entry.refusal), (entry, step.said)
            opened += 1
    assert opened > 100


def test_digits_arrows_and_enter_choose():
    """The digit of an entry, or Enter at the cursor; any other key chooses nothing."""
    scene = at(pictures.circuit("A01", "held"))
    assert [ordermenu.chosen(scene, key) for key in "12345"] == kinds(scene)
    assert ordermenu.chosen(scene, "6") == ordermenu.chosen(scene, "0") == ordermenu.chosen(scene, "x") == ""
    for cursor, kind in ((0, "hold"), (2, "resume"), (99, "note bath"), (-1, "hold")):
        assert ordermenu.chosen(replace(scene, place=replace(scene.place, cursor=cursor)), "enter") == kind
    assert ordermenu.chosen(pictures.scene(), "enter") == ""


def test_orders_are_followed_to_their_end():
    """Newest first: asked, read back, refused with the reason, each with who and when."""
    when = "2026-03-17T02:16:04+00:00"
    lines = (
        OrderLine(when, "hold", "A01", "night2", "hold by night2", True),
        OrderLine(when, "resume", "A08", "night1", "local control", False),
        OrderLine(when, "resume", "A07", "night1", "resume by night1", True, "read back 3.0 A, running"),
        OrderLine("no time", "block", "A09", "night1"),
    )
    scene = replace(at(pictures.circuit("A01")), orders=lines)
    rows = [row.text for row in ordermenu.rows(scene, 80, 18)]
    assert rows[rows.index("given lately, newest first:") + 1 :] == [
        "--:--:-- block A09 night1: asked ...",
        "02:16:04 resume A07 night1: read back 3.0 A, running",
        "02:16:04 resume A08 night1: refused: local control",
        "02:16:04 hold A01 night2: hold by night2",
    ]
    loud = OrderLine("2026-03-16T01:16:04Z", "block", "A08", "night1", "taken, but NOT kept", True, "0.0 A", kept=False)
    assert ordermenu.followed_text(scene, loud).endswith(" block A08 night1: taken, but NOT kept")


def test_cursor_stays_in_sight():
    """In a low terminal the chosen entry is among the rows."""
    scene = at(*(pictures.circuit(name, "held", may={"resume": "hood open " * 20}) for name in ("A01", "A02")))
    for cursor in range(ordermenu.length(scene)):
        here = replace(scene, place=replace(scene.place, cursor=cursor))
        for height in (4, 5, 8):
            assert any(row.text.startswith(">") for row in ordermenu.rows(here, 80, height)), (cursor, height)


def test_any_scene_fits_any_size():
    """Likely or not: never raises, never wider, never more rows."""
    chance = random.Random(32)
    for _ in range(300):
        scene = replace(pictures.any_scene(chance, page="orders"), orders=(OrderLine("", "", "", ""),) * 9)
        width, height = chance.randint(40, 300), chance.randint(1, 100)
        rows = ordermenu.rows(scene, width, height)
        assert len(rows) <= height
        assert all(len(row.text) <= width for row in rows)
        assert len(ordermenu.entries(scene)) <= 9
