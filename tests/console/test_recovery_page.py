"""The recovery list after a restart: what it says of each circuit, which answer it waits for, when it is over."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC

import pictures
import pytest

from controller.console import prompt as dialogue
from controller.console import recovery
from controller.console.prompttypes import Wanted
from controller.console.scene import OrderLine

ZERO = "2026-03-17T01:31:42Z"
TO = "2026-03-17T01:31:40Z"
NOT_READ = "its values are not fresh (link down)"
BLOCKED = "BLOCKED by night1: somebody works on the string"


def away(*names, **over):
    circuits = {name: {"unsure_Ah": 0.03, "zero_utc": ZERO} for name in names}
    return {"from_utc": "2026-03-17T01:20:11Z", "to_utc": TO, "away_s": 689.0, "circuits": circuits | over}


def found(purge_s=0.0, cursor=0, orders=(), **over):
    """Bath A after 11 min 29 s: A01 and A02 well, A07 warm, A09 mute, A12 blocked, A13 not of the list."""
    circuits = [
        pictures.circuit("A01", "held"),
        pictures.circuit("A02", "held"),
        pictures.circuit("A07", "held", percent=68.0, hot_C=52.0),
        pictures.unconfirmed("A09", may={"resume": NOT_READ}),
        pictures.circuit("A12", "held", blocked="night1", may={"resume": BLOCKED}),
        pictures.circuit("A13", "held"),
    ]
    if purge_s:
        why = {"resume": f"bath not purged, {purge_s / 60.0:.1f} min left"}
        circuits = [each.model_copy(update={"may": why}) for each in circuits]
    what = away("A01", "A02", "A07", "A12", A09={})
    one = pictures.picture(circuits, **({"recovery": what, "purge_left_s": purge_s} | over))
    return pictures.scene(one, page="recovery", cursor=cursor, zone=UTC, orders=orders)


def text_of(scene, width=80, height=18):
    return [row.text for row in recovery.rows(scene, width, height)]


def typed(step, keys, scene):
    for key in keys:
        step = dialogue.pressed(step.prompt, key, scene, 1.0)
    return step


def test_says_what_is_known_of_each_circuit():
    """When the controller was away, charge and its doubt, zero read back, heat now, the rule, the answer waited for."""
    rows = text_of(found())
    assert rows[0] == "RECOVERY bath A, controller was away 01:20:11 to 01:31:40 (11 min 29 s)"
    assert rows[1].startswith("air 61 min of 10, H2 3 %LEL, hood shut, water 31.2 C: orders are taken")
    one = next(row for row in rows if row.startswith("A01"))
    assert one == "A01>step 4/6  144.0 +-0.03  yes 01:31:42   42.1  may resume, 41 of 120  A 2     ".rstrip()
    warm = next(row for row in rows if row.startswith("A07"))
    assert "52.0  may, reduced to 68 %" in warm
    assert warm.endswith("a07")
    mute = next(row for row in rows if row.startswith("A09"))
    assert "+- ?" in mute
    assert "NO ANSWER" in mute
    assert "?12s" in mute
    assert mute.endswith("look")
    block = next(row for row in rows if row.startswith("A12"))
    assert "no: BLOCKED by night1" in block
    assert block.endswith("-")
    assert not any(row.startswith("A13") for row in rows)


def test_before_the_purge_it_says_when_orders_begin():
    """Done and due of the purge, the moment of the first order; no dialogue opens before."""
    scene = found(purge_s=350.0)
    whole = " ".join(" ".join(text_of(scene)).split())
    assert "PURGE 4:10 of 10:00" in whole
    assert "no order before 02:20:21" in whole
    for cursor in range(5):
        step = recovery.pressed(found(purge_s=350.0, cursor=cursor), "enter", 0.0)
        assert (step.prompt, step.wanted) == (None, ())
        assert "not purged" in step.said


def test_one_typed_answer_for_all_that_may():
    """Enter on one that may: bath and count for all of those, the blocked neighbour named first; no others."""
    scene = found(cursor=1)
    step = recovery.pressed(scene, "enter", 0.0)
    assert step.prompt.targets == ("A01", "A02")
    done = typed(step, (*"a12", "enter", *"a 2", "enter"), scene)
    assert done.wanted == tuple(Wanted("A", "resume", name, {"told": "A12"}, 7) for name in ("A01", "A02"))


def test_single_answer_for_the_rest():
    """One that may, reduced: by its own name; one that may not: the reason."""
    step = recovery.pressed(found(cursor=2), "enter", 0.0)
    assert step.prompt.targets == ("A07",)
    assert NOT_READ in recovery.pressed(found(cursor=4), "enter", 0.0).said
    assert "BLOCKED" in recovery.pressed(found(cursor=3), "enter", 0.0).said


@pytest.mark.parametrize("key", ["x", "X"])
def test_leaving_held_is_written_down(key):
    """`x` sends a note on that circuit and no other order."""
    step = recovery.pressed(found(cursor=3), key, 0.0)
    assert step.wanted == (Wanted("A", "note", "A12", {"text": "left held at recovery"}),)


def test_no_other_key_does_anything():
    """Nothing in the list acts by itself, and no key alone resumes."""
    for key in (*"abcdefghijklmnopqrstuvwyz0123456789 ", "tab", "right", "insert"):
        step = recovery.pressed(found(), key, 0.0)
        assert (step.prompt, step.wanted) == (None, ())
    assert recovery.pressed(found(), "enter", 0.0).wanted == ()


def note(name, text="note by night1: left held at recovery", accepted=True, time_utc="2026-03-17T01:40:00Z"):
    return OrderLine(time_utc, "note", name, "night1", text, accepted, bath="A")


def test_list_is_wanted_until_each_circuit_has_an_answer():
    """Resumed, ended or left held with a note: then it is over; one without an answer keeps it."""
    names = ("A01", "A02", "A07", "A09", "A12")
    assert recovery.wanted(found())
    notes = tuple(note(name) for name in names)
    assert not recovery.wanted(found(orders=notes))
    for missing in range(len(notes)):
        assert recovery.wanted(found(orders=notes[:missing] + notes[missing + 1 :]))
    for state in ("running", "stopped", "complete", "idle"):
        one = pictures.picture([pictures.circuit("A01", state)], recovery=away("A01"))
        assert not recovery.wanted(pictures.scene(one))
    for state in ("held", "tripped", "unknown"):
        one = pictures.picture([pictures.circuit("A01", state)], recovery=away("A01"))
        assert recovery.wanted(pictures.scene(one))
    assert not recovery.wanted(pictures.forty())


@pytest.mark.parametrize(
    "line",
    [
        note("A01", accepted=False), note("A01", accepted=None), note("A01", text="note by night1: acid low"),
        note("A01", time_utc="2026-03-17T01:31:39Z"), note("A01", time_utc="soon"), note("A13"),
        replace(note("A01"), verb="hold"), replace(note("A01"), bath="B"), replace(note("A01"), bath=""),
    ],
)  # fmt: skip
def test_other_orders_are_no_answer(line):
    """Refused, not answered yet, another text, from before the restart, another circuit, order, bath."""
    one = pictures.picture([pictures.circuit("A01", "held"), pictures.circuit("A13", "held")], recovery=away("A01"))
    assert recovery.wanted(pictures.scene(one, orders=(line,)))
    assert not recovery.wanted(pictures.scene(one, orders=(line, note("A01"))))


def test_answered_circuit_is_not_asked_again():
    """It says which answer it got, and leaves the group."""
    scene = found(orders=(note("A02"),), cursor=1)
    assert "left" in recovery.pressed(scene, "enter", 0.0).said
    assert next(row for row in text_of(scene) if row.startswith("A02")).endswith("left")
    assert next(row for row in text_of(scene) if row.startswith("A01")).endswith("a01")
    step = recovery.pressed(found(orders=(note("A02"),), cursor=0), "enter", 0.0)
    assert step.prompt.targets == ("A01",)


def test_silent_service_takes_no_answer():
    """What was true before the silence is no ground for current."""
    scene = pictures.scene(pictures.seen(found().baths[0].picture, silent_s=60.0), page="recovery")
    step = recovery.pressed(scene, "enter", 0.0)
    assert (step.prompt, step.wanted) == (None, ())
    assert step.said
    whole = " ".join(text_of(scene))
    assert "A 2" not in whole
    assert "AIR NOT KNOWN" in whole


def test_gap_that_is_not_known():
    """No last moment on record: said as such."""
    rows = text_of(found(recovery=away("A01") | {"from_utc": None, "away_s": None}))
    assert "away -- to 01:31:40 (how long is not known)" in rows[0].replace("away - to", "away -- to")
    rows = text_of(found(recovery=away("A01") | {"away_s": 7200.0}))
    assert "(2:00 h)" in rows[0]


def test_ten_circuits_scroll_with_the_cursor():
    """Two baths of ten: the one at the cursor is in sight, the rest is counted."""
    baths = []
    for bath in "AB":
        names = [f"{bath}{n:02d}" for n in range(1, 11)]
        circuits = [pictures.circuit(name, "held", may={"resume": NOT_READ}) for name in names]
        baths.append(pictures.picture(circuits, bath=bath, recovery=away(*names)))
    for cursor in range(20):
        scene = pictures.scene(*baths, page="recovery", cursor=cursor)
        for height in (5, 18):
            rows = text_of(scene, 80, height)
            assert len(rows) <= height
            chosen = f"{'AB'[cursor // 10]}{cursor % 10 + 1:02d}>"
            assert sum(row.startswith(chosen) for row in rows) == 1
    assert recovery.length(scene) == 20


def test_recovery_of_any_scene_at_any_size():
    """Likely or not: never raises, never wider, never more rows."""
    chance = random.Random(34)
    for _ in range(300):
        scene = pictures.any_scene(chance, page="recovery")
        baths = []
        for seen in scene.baths:
            if seen.picture is None:
                baths.append(seen)
                continue
            names = [each.name for each in seen.picture.circuits if chance.random() < 0.5]
            what = away(*names, gone={}) | {
                "away_s": chance.choice([None, 0.0, 1e300]),
                "to_utc": chance.choice([TO, "?"]),
            }
            raw = seen.picture.model_copy(update={"recovery": recovery_of(what)})
            baths.append(replace(seen, picture=raw))
        scene = replace(scene, baths=tuple(baths))
        width, height = chance.randint(40, 300), chance.randint(1, 100)
        rows = recovery.rows(scene, width, height)
        assert len(rows) <= height
        assert all(len(row.text) <= width for row in rows)
        recovery.wanted(scene)
        step = recovery.pressed(scene, chance.choice(["enter", "x", "a"]), 0.0)
        assert all(wanted.verb == "note" for wanted in step.wanted)


def recovery_of(what):
    return pictures.picture([], recovery=what).recovery
