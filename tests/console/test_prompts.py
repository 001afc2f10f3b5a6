"""Dialogues: what may come of which keys, what makes them void, what they say before an order is given."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, timedelta, timezone
from pathlib import Path

import pictures
import pytest

from controller.console import prompt as dialogue
from controller.console.loadform import FRESH, LAST
from controller.console.promptopen import KINDS, REASON_TAKEN, open_prompt
from controller.console.prompttypes import ENERGY, Prompt, Step, Wanted
from controller.service.foreseen import foreseen
from controller.words import REFUSALS, Say
from profiles.loader import LIBRARY

NAMED = (
    "enter", "esc", "backspace", "tab", "up", "down", "left", "right", "home", "end", "page up", "page down", "delete",
    "insert", "f1", "f10", "ctrl a", "ctrl l", "meta s", "shift tab", "begin paste", "end paste",
)  # fmt: skip
LETTERS = tuple(chr(code) for code in range(32, 127))
NIGHT2 = {"who": "night2", "verb": "resume", "target": "A08", "console": "c9", "age_s": 6.2}


def energy(wanted: Wanted) -> bool:
    return wanted.verb in ENERGY and "item" not in wanted.args


def typed(step: Step, keys, scene, now_s=1.0) -> Step:
    """Feed keys one by one: a text letter by letter, a tuple as named keys."""
    for key in keys:
        assert step.prompt is not None, step
        step = dialogue.pressed(step.prompt, key, scene, now_s)
    return step


def opened(kind, scene, target=None, **over) -> Step:
    step = open_prompt(kind, scene, 0.0, target, **over)
    assert step.prompt is not None, step.said
    return step


def hall(**over):
    """A bath where every order has a circuit that would take it; A12 is blocked by night1."""
    task = pictures.plan()
    task["steps"][3] |= {"order": True, "task": "acid change"}
    clamp = pictures.alarm("A05", "open_string", latched=True, active=False, seen=True)
    circuits = [
        pictures.circuit("A01", "idle"),
        pictures.circuit("A02", "running", load=pictures.load(plan="task")),
        pictures.circuit("A03", "complete"),
        pictures.idle("A04"),
        pictures.circuit("A05", "tripped", alarms=(clamp,)),
        pictures.circuit("A08", "held"),
        pictures.circuit("A09", "held"),
        pictures.circuit("A12", "held", blocked="night1", may={"resume": "BLOCKED by night1"}),
    ]
    fitting = {"plans": {pictures.PLAN: pictures.plan(), "task": task}, "start_items": ["polarity", "nobody there"]}
    return pictures.scene(pictures.seen(pictures.picture(circuits, **(fitting | over))), circuit="A08", zone=UTC)


TARGETS = {"start": "A01", "resume": "A08", "done": "A02", "reset": "A05", "unblock": "A12"}


def as_seen(scene, **over):
    return replace(scene, baths=tuple(replace(each, **over) for each in scene.baths))


def with_circuits(scene, change):
    """The scene with each circuit changed by a function."""
    seen = scene.baths[0]
    circuits = tuple(change(each) for each in seen.picture.circuits)
    return replace(scene, baths=(replace(seen, picture=seen.picture.model_copy(update={"circuits": circuits})),))


# -- nothing flows by one key


@pytest.mark.parametrize("kind", KINDS)
def test_no_key_and_no_key_with_enter_gives_an_energy_order(kind):
    """Every key of a keyboard, alone, with Enter before or behind it, in every dialogue of every circuit."""
    scene = hall(alarms=(pictures.alarm("A", "emergency_stop", latched=True, active=False, seen=True),))
    names = [each.name for each in scene.baths[0].picture.circuits]
    opened_count = 0
    for name in names:
        for key in (*NAMED, *LETTERS):
            for keys in ((key,), (key, "enter"), ("enter", key), ("enter", "enter"), (key, key)):
                step = open_prompt(kind, scene, 0.0, name, item=1)
                opened_count += step.prompt is not None
                for each in keys:
                    assert not any(energy(wanted) for wanted in step.wanted)
                    if step.prompt is None:
                        break
                    step = dialogue.pressed(step.prompt, each, scene, 0.5)
                assert not any(energy(wanted) for wanted in step.wanted), (kind, name, keys)
    assert opened_count > 0


@pytest.mark.parametrize("verb", sorted(ENERGY))
def test_name_of_one_letter_is_not_typed_by_one_key(verb):
    """A circuit or bath whose name is one letter is confirmed by order and name."""
    one = {"start": "idle", "resume": "held", "done": "running", "reset": "tripped", "unblock": "held"}[verb]
    plan = pictures.plan()
    plan["steps"][3]["order"] = True
    circuit = pictures.circuit("7", one, blocked="night1" if verb == "unblock" else None)
    scene = pictures.scene(pictures.picture([circuit], plans={pictures.PLAN: plan}))
    step = opened(verb, scene, "7")
    assert typed(step, ("7", "enter"), scene).wanted == ()
    done = typed(opened(verb, scene, "7"), (*f"{verb} 7", "enter"), scene)
    assert [(wanted.verb, wanted.target) for wanted in done.wanted] == [(verb, "7")]


@pytest.mark.parametrize("verb", sorted(ENERGY))
def test_typed_name_gives_exactly_one_order(verb):
    """The name letter by letter, case ignored, and Enter: one order, with the revision that was in view."""
    scene, name = hall(), TARGETS[verb]
    step = opened(verb, scene, name)
    while step.prompt is not None and step.prompt.stage == "told":
        step = typed(step, (*"a12", "enter"), scene)
    done = typed(step, (*name.lower(), "enter"), scene)
    assert done.prompt is None
    assert [(w.bath, w.verb, w.target, w.seen_revision) for w in done.wanted] == [("A", verb, name, 7)]


def test_random_keys_over_random_scenes():
    """2,000 sequences: nothing raises, and energy orders come only of the whole name typed key by key."""
    chance = random.Random(20260317)
    given = void = orders = 0
    for turn in range(2000):
        scene = pictures.any_scene(chance) if turn % 2 else hall()
        names = [each.name for _, each in scene.circuits()] or ["A01"]
        name = chance.choice(names)
        step = open_prompt(chance.choice(KINDS), scene, 0.0, name, item=chance.randint(0, 3))
        line = ""
        for _ in range(chance.randint(1, 14)):
            if step.prompt is None:
                break
            now = step.prompt
            dialogue.rows(now, scene, chance.randint(40, 120), chance.randint(1, 30))
            wanted_line = now.neighbours[0] if now.stage == "told" and now.neighbours else now.phrase
            keys = (*wanted_line, "enter") if chance.random() < 0.3 else (chance.choice((*NAMED, *"aA01278 beshx")),)
            if chance.random() < 0.1:
                before, step = step, dialogue.burst(now, f"{now.phrase}\n", scene, 1.0)
                assert step.wanted == ()
                line = line if step.prompt == before.prompt else ""
                continue
            for key in keys:
                if step.prompt is None:
                    break
                stage = step.prompt
                step = dialogue.pressed(stage, key, scene, 1.0)
                if any(energy(wanted) for wanted in step.wanted):
                    assert key == "enter"
                    assert line.split() == stage.phrase.casefold().split()
                    assert len(line) > 1
                    assert {wanted.target for wanted in step.wanted} == set(stage.targets)
                    given += 1
                orders += len(step.wanted)
                line = _line_after(line, key)
        void += step.prompt is None and not step.wanted
    assert given > 50
    assert orders > given
    assert void > 50


def _line_after(line: str, key: str) -> str:
    """What stands in a line of text after a key, by a rule of this test's own."""
    if key == "enter":
        return ""
    if key == "backspace":
        return line[:-1]
    return line + key.casefold() if len(key) == 1 else line


@pytest.mark.parametrize("verb", sorted(ENERGY))
def test_paste_and_scanner_confirm_nothing(verb):
    """A burst at a typed confirmation is dropped whole, with its length said; the dialogue stays as it was."""
    scene, name = hall(), TARGETS[verb]
    step = opened(verb, scene, name)
    for text in (f"{name}\n", f"{name}\r", "a12\n" + name.lower() + "\n", "s\n" * 5000):
        after = dialogue.burst(step.prompt, text, scene, 1.0)
        assert after.wanted == ()
        assert after.prompt is not None
        assert after.prompt.typed == ""
        assert after.said == f"pasted {len(text)} characters, ignored"
    assert typed(Step(after.prompt), ("enter",), scene).wanted == ()


@pytest.mark.parametrize("kind", ["hold", "block", "unload"])
def test_paste_gives_no_order_where_enter_would(kind):
    """A line end inside a paste is not the Enter of a person."""
    scene = hall()
    step = opened(kind, scene, "A03")
    after = dialogue.burst(step.prompt, "\n", scene, 1.0)
    assert after.wanted == ()
    assert after.prompt == step.prompt


@pytest.mark.parametrize("keys", ["", "a09", "a0", "a088", "b08", "resume a08", "a 08"])
def test_wrong_name_is_refused(keys):
    """Empty, another circuit's, too short, too long: said, nothing sent, and the line begins anew."""
    scene = hall()
    step = opened("resume", scene, "A08")
    step = typed(step, (*"a12", "enter"), scene)
    after = typed(step, (*keys, "enter"), scene)
    assert after.wanted == ()
    assert "nothing was sent" in after.said
    assert after.prompt is not None
    assert after.prompt.typed == ""
    assert typed(after, (*"A08", "enter"), scene).wanted[0].verb == "resume"


def test_backspace_takes_a_letter_away():
    """A slip of the finger can be mended."""
    scene = hall()
    step = typed(opened("reset", scene, "A05"), (*"a06", "backspace", "5", "enter"), scene)
    assert [wanted.target for wanted in step.wanted] == ["A05"]


def two_baths(**over):
    """Bath A and bath B, each with an X01; A's is selected."""
    baths = [
        pictures.picture([pictures.circuit("X01", "held"), pictures.circuit(f"{name}02")], bath=name) for name in "AB"
    ]
    return pictures.scene(*baths, bath="A", circuit="X01", **over)


def test_no_namesake_of_another_bath_is_taken():
    """The named bath's circuit, else the selected bath's; where that has none, or is gone, none at all."""
    scene = two_baths()
    assert opened("hold", scene).prompt.bath == "A"
    assert opened("hold", scene, "X01", bath="B").prompt.bath == "B"
    for gone in (
        replace(scene, baths=scene.baths[1:]),
        replace(scene, baths=(replace(scene.baths[0], picture=None), scene.baths[1])),
    ):
        for kind in ("resume", "block", "note", "unblock"):
            assert open_prompt(kind, gone, 0.0).prompt is None
            assert open_prompt(kind, gone, 0.0, "X01").prompt is None
        held = open_prompt("hold", gone, 0.0).prompt
        assert held is None or held.bath == "A"
    assert open_prompt("hold", scene, 0.0, "B02").prompt is None


@pytest.mark.parametrize("kind", ["hold", "block", "resume", "note"])
def test_title_names_the_bath_where_there_are_more(kind):
    """`RESUME X01 of bath B`; with one bath alone its name is left out."""
    scene = two_baths()
    step = opened(kind, scene, "X01", bath="B")
    assert "X01 of bath B" in dialogue.rows(step.prompt, scene, 80, 18)[0].text
    alone = replace(scene, baths=scene.baths[:1])
    assert "of bath" not in dialogue.rows(opened(kind, alone).prompt, alone, 120, 18)[0].text


def test_bath_of_another_name_here_than_at_its_service():
    """The console's own name finds it; what is sent names the service's."""
    one = pictures.seen(
        pictures.picture([pictures.circuit("X01", "held"), pictures.circuit("X02", "held")]), name="north/A"
    )
    scene = pictures.scene(one, circuit="X01")
    assert typed(opened("hold", scene), ("b", "enter"), scene).wanted == (Wanted("north/A", "hold", "A"),)
    several = opened("resume all", scene).prompt
    assert (several.target, several.phrase) == ("A", "north/A 2")
    note = typed(opened("note bath", scene), (*"hums", "enter"), scene).wanted
    assert note == (Wanted("north/A", "note", "A", {"text": "hums"}),)


def test_task_done_is_of_the_step_that_was_seen():
    """The order carries the step's number, and a step that moved on voids the dialogue."""
    scene = hall()
    step = opened("done", scene, "A02")
    assert typed(step, (*"a02", "enter"), scene).wanted == (Wanted("A", "done", "A02", {"step": 4}, 7),)

    def on(each):
        run = each.run.model_copy(update={"step": 5}) if each.run is not None else None
        return each.model_copy(update={"run": run}) if each.name == "A02" else each

    assert "changed" in dialogue.expired(step.prompt, with_circuits(scene, on), 1.0)


@pytest.mark.parametrize(("kind", "stage", "names"), [("charge", "told", ("A12",)), ("rest", "name", ())])
def test_task_done_names_the_neighbours_where_current_follows(kind, stage, names):
    """As at a start: somebody stands at A12; where a rest follows nobody is asked for."""
    task = pictures.plan()
    task["steps"][3] |= {"order": True, "task": "acid change"}
    task["steps"][4] |= {"kind": kind}
    prompt = opened("done", hall(plans={pictures.PLAN: pictures.plan(), "task": task}), "A02").prompt
    assert (prompt.stage, prompt.neighbours) == (stage, names)


def test_dialogue_acts_on_its_own_circuit():
    """Selection, page and filter may change under an open dialogue: it names its circuit and acts on that one."""
    scene = hall()
    step = opened("reset", scene, "A05")
    moved = replace(scene, place=replace(scene.place, circuit="A01", bath="B", page="hall", only_abnormal=True))
    assert "RESET A05" in dialogue.rows(step.prompt, moved, 80, 18)[0].text
    assert typed(step, (*"a01", "enter"), moved).wanted == ()
    assert typed(step, (*"a05", "enter"), moved).wanted[0].target == "A05"


# -- void


@pytest.mark.parametrize("verb", sorted(ENERGY))
def test_dies_after_a_minute_without_a_key(verb):
    """59.9 s after its last key it lives; at 60 s it is void, and Enter then sends nothing."""
    scene, name = hall(), TARGETS[verb]
    step = opened(verb, scene, name)
    assert dialogue.expired(step.prompt, scene, 59.9) == ""
    later = dialogue.pressed(step.prompt, "a", scene, 59.0).prompt
    assert dialogue.expired(later, scene, 118.9) == ""
    assert "60 s" in dialogue.expired(later, scene, 119.0)
    whole = replace(step.prompt, stage="name", neighbours=(), typed=name)
    after = dialogue.pressed(whole, "enter", scene, 61.0)
    assert (after.prompt, after.wanted) == (None, ())
    assert after.said


CHANGES = {
    "revision": lambda each: each.model_copy(update={"revision": each.revision + 1}),
    "state": lambda each: each.model_copy(update={"state": "unknown"}),
    "block": lambda each: each.model_copy(update={"blocked_by": "night9"}),
    "new alarm": lambda each: each.model_copy(
        update={"alarms": (*each.alarms, pictures.alarm(each.name, "hood_open"))}
    ),
    "gone": lambda each: each.model_copy(update={"name": f"{each.name}x"}),
}


@pytest.mark.parametrize("change", sorted(CHANGES))
@pytest.mark.parametrize("verb", sorted(ENERGY))
def test_dies_when_its_circuit_changes(verb, change):
    """State, revision, block, alarms of its circuit, or the circuit itself: any change makes the typed name void."""
    scene, name = hall(), TARGETS[verb]
    step = opened(verb, scene, name)
    whole = replace(step.prompt, stage="name", neighbours=(), typed=name)
    other = with_circuits(scene, lambda each: CHANGES[change](each) if each.name == name else each)
    assert dialogue.expired(whole, other, 1.0)
    assert dialogue.pressed(whole, "enter", other, 1.0).wanted == ()
    assert dialogue.pressed(whole, "enter", scene, 1.0).wanted != ()


def test_another_circuit_changing_leaves_it_alive():
    """A dialogue does not die of what happens elsewhere."""
    scene = hall()
    step = opened("reset", scene, "A05")
    other = with_circuits(scene, lambda each: CHANGES["revision"](each) if each.name != "A05" else each)
    assert dialogue.expired(step.prompt, other, 1.0) == ""


def test_bath_alarm_makes_it_void():
    """What happens to the whole bath happens to its circuit."""
    scene = hall()
    step = opened("resume", scene, "A08")
    assert dialogue.expired(step.prompt, hall(alarms=(pictures.alarm("A", "hood_open"),)), 1.0)


@pytest.mark.parametrize("over", [{"attached": False}, {"silent_s": 30.0}, {"picture": None}])
def test_silent_service_makes_it_void(over):
    """Nobody resumes on an old picture; the hold may still be tried."""
    scene = hall()
    step, hold = opened("resume", scene, "A08"), opened("hold", scene, "A08")
    silent = as_seen(scene, **over)
    assert "does not answer" in dialogue.expired(step.prompt, silent, 1.0)
    assert dialogue.pressed(hold.prompt, "enter", silent, 1.0).wanted[0].verb == "hold"
    if over.get("picture", 1) is not None:
        assert open_prompt("resume", silent, 0.0, "A08").prompt is None


def test_block_and_note_do_not_die():
    """What makes safe, and what is only written, waits for the person."""
    scene = hall()
    for kind in ("hold", "block", "note", "unload", "load"):
        step = opened(kind, scene, {"unload": "A03", "load": "A04"}.get(kind, "A08"))
        changed = with_circuits(scene, CHANGES["revision"])
        assert dialogue.expired(step.prompt, changed, 1e6) == ""


# -- hold, block


def test_hold_takes_one_enter():
    """`s` then Enter: hold, for any revision of the circuit."""
    scene = hall()
    assert opened("hold", scene).prompt.target == "A08"
    step = typed(opened("hold", scene, "A02"), ("enter",), scene)
    assert step.wanted == (Wanted("A", "hold", "A02"),)


@pytest.mark.parametrize("name", ["A01", "A03", "A04", "A05"])
def test_nothing_to_hold_is_said_and_the_bath_can_still_be_held(name):
    """At zero, read back: it says so; Enter orders the hold all the same, `b` holds the bath."""
    scene = hall()
    step = opened("hold", scene, name)
    text = " ".join(row.text.strip() for row in dialogue.rows(step.prompt, scene, 80, 5))
    assert text.startswith(f"{name} is ")
    assert "at zero, read back: nothing to hold" in text
    assert "b hold bath A" in text
    assert ("e end the run" in text) == (name == "A05")
    assert typed(step, ("enter",), scene).wanted == (Wanted("A", "hold", name),)
    assert typed(step, ("b", "enter"), scene).wanted == (Wanted("A", "hold", "A"),)
    for unsure in (
        as_seen(scene, attached=False),
        with_circuits(scene, lambda c: c.model_copy(update={"link": "down"})),
    ):
        assert dialogue.rows(opened("hold", unsure, name).prompt, unsure, 80, 5)[0].text.startswith("STOP/HOLD")


def test_only_an_open_run_can_be_ended():
    """`e` without one says that there is none, and asks for no name; where nothing is sure it may be tried."""
    scene = hall()
    for name in ("A01", "A03", "A04"):
        step = typed(opened("hold", scene, name), "e", scene)
        assert step.prompt.stage == "ask"
        assert step.said == f"{name} has no open run to end"
    silent = as_seen(scene, attached=False)
    assert typed(opened("hold", silent, "A01"), "e", silent).prompt.stage == "end"


@pytest.mark.parametrize("key", ["e", "E"])
def test_end_of_a_run_needs_its_name(key):
    """An ended run cannot go on: `e` and Enter do nothing, `e`, the name and Enter end it; a minute voids it."""
    scene = hall()
    step = typed(opened("hold", scene, "A02"), (key, "enter"), scene)
    assert step.wanted == ()
    assert typed(step, (*"a02", "enter"), scene).wanted == (Wanted("A", "stop", "A02"),)
    assert dialogue.expired(step.prompt, scene, 61.0)


def test_hold_of_the_bath():
    """`b` and Enter hold every circuit of the bath; without a selected circuit that is what opens."""
    scene = hall()
    assert typed(opened("hold", scene, "A02"), ("b", "enter"), scene).wanted == (Wanted("A", "hold", "A"),)
    nothing = replace(scene, place=replace(scene.place, circuit=""))
    step = opened("hold", nothing)
    assert dialogue.rows(step.prompt, nothing, 80, 5)[0].text.startswith("HOLD BATH A")
    assert typed(step, ("enter",), nothing).wanted == (Wanted("A", "hold", "A"),)


def test_hold_opens_in_any_state():
    """The service says what it can hold; the key always answers."""
    scene = hall()
    for each in scene.baths[0].picture.circuits:
        assert open_prompt("hold", scene, 0.0, each.name).prompt is not None
    assert open_prompt("hold", pictures.scene(), 0.0).said


def test_letter_s_arms_the_hold_but_in_a_text():
    """In a confirmation the letter is text only where the name goes on with it."""
    scene = hall()
    assert not dialogue.takes_text(opened("hold", scene, "A02").prompt)
    assert not dialogue.takes_text(opened("reset", scene, "A05").prompt)
    assert dialogue.takes_text(opened("note", scene, "A05").prompt)
    form = opened("load", scene, "A04").prompt
    assert dialogue.takes_text(form)
    assert not dialogue.takes_text(replace(form, at=FRESH))
    odd = pictures.scene(pictures.picture([pictures.circuit("S1S", "held")]))
    step = opened("resume", odd, "S1S")
    assert dialogue.takes_text(step.prompt)
    assert not dialogue.takes_text(typed(step, "s", odd).prompt)
    assert dialogue.takes_text(typed(step, "s1", odd).prompt)


def test_block_says_what_it_does_and_takes_enter():
    """The caution whole and in order, that it is no isolation, who unblocks; then one Enter, for any revision."""
    scene = hall()
    step = opened("block", scene, "A02")
    text = " ".join(row.text.strip() for row in dialogue.rows(step.prompt, scene, 80, 18))
    at = [
        text.index(word) for word in ("NOT ISOLATION", "zero read back; block it", "air on", "wait", "meter", "hands")
    ]
    assert at == sorted(at)
    assert "hold first" in text
    assert "until night1 unblocks" in text
    assert typed(step, ("enter",), scene).wanted == (Wanted("A", "block", "A02"),)
    unsure = with_circuits(scene, lambda each: each.model_copy(update={"confirmed": False}))
    text = " ".join(row.text for row in dialogue.rows(step.prompt, unsure, 80, 18))
    assert "NOT READ BACK" in text
    assert open_prompt("block", scene, 0.0, "A12").prompt is None


# -- resume and start


def test_resume_says_what_the_person_must_know():
    """Held how long of what is allowed, cause, air, gas, hood, heat, who is blocked, what flows, who else is here."""
    scene = hall(prompts=[NIGHT2])
    step = opened("resume", scene, "A08")
    assert [row.text for row in dialogue.rows(step.prompt, scene, 80, 18)] == [
        "RESUME A08  held 0:41 of 2:00 allowed; cause local control, gone",
        "air 61 min of 10, H2 3 %LEL, hood shut; 42.1 C",
        "A12 is BLOCKED by night1: told?",
        # 0.5 + 37.0 Ah of this step, a pause, 21 Ah, and the 0.7 Ah owed at 6 A: 7:22 h from 02:14:31 on.
        "will flow: 3.0 A 10 min, then 12.0 A to 2.85 V/cell; 0.7 Ah more than planned,",
        "   for the hold; ends 09:36",
        "night2 has this prompt open too, since 6 s",
        "A12 told: type a12: _",
    ]


def test_cause_that_stands_is_said():
    """An alarm of the hold's own cause that is still active is named with its value; one that is gone is gone."""
    hot = pictures.alarm("A08", "probe_hold", value=55.4, limit=55.0)
    run = pictures.run(held_since_ms=pictures.NOW_MS - 60_000, held_by="probe_hold")
    for active, words in ((True, "cause STANDS: probe 55.4 C, hold level 55.0"), (False, "cause probe hold, gone")):
        alarm = hot.model_copy(update={"active": active})
        scene = pictures.scene(pictures.picture([pictures.circuit("A08", "held", run=run, alarms=(alarm,))]))
        assert words in dialogue.rows(opened("resume", scene, "A08").prompt, scene, 120, 18)[0].text


def held_by(code, volts=230.0, **over):
    run = pictures.run(held_since_ms=pictures.NOW_MS - 60_000, held_by=code)
    one = pictures.circuit("A08", "held", run=run, voltage_V=pictures.reading(volts), **over)
    return pictures.scene(pictures.picture([one]))


@pytest.mark.parametrize("code", ["open_string", "rectifier_fault", "voltage_trip", "set_not_taken"])
def test_cause_that_only_current_shows_is_never_said_to_be_gone(code):
    """While no current flows the alarm's silence proves nothing; the clamp's volts are told beside it."""
    scene = held_by(code, volts=0.0)
    text = " ".join(row.text.strip() for row in dialogue.rows(opened("resume", scene).prompt, scene, 80, 18))
    assert "NOT PROVED gone: no current flows" in text
    assert f"{code.replace('_', ' ')}, gone" not in text
    assert ("an open string cannot show itself; string reads 0.0 V" in text) == (code == "open_string")


@pytest.mark.parametrize(
    ("volts", "warned"), [(0.0, True), (-0.3, True), (107.0, True), (108.0, False), (230.0, False), (None, False)]
)
def test_string_that_looks_open_has_a_line_of_its_own(volts, warned):
    """Below 1.0 V a cell after current flowed: said at resume and reset, for one circuit and for several."""
    scene = held_by("order", volts)
    lines = [row.text for row in dialogue.rows(opened("resume", scene).prompt, scene, 120, 18)]
    assert any(line.startswith("A08: THE STRING LOOKS OPEN") for line in lines) == warned
    two = [pictures.circuit(name, "held", voltage_V=pictures.reading(volts)) for name in ("A08", "A09")]
    scene = pictures.scene(pictures.picture(two))
    lines = [row.text for row in dialogue.rows(opened("resume all", scene).prompt, scene, 120, 18)]
    assert sum("THE STRING LOOKS OPEN" in line for line in lines) == (2 if warned else 0)


def test_fresh_string_held_before_its_first_charge_is_not_called_open():
    """It reads nothing by its nature; where the open clamp held it, it is warned of all the same."""
    for code, warned in (("order", False), ("open_string", True)):
        run = pictures.run(1, 0.0, held_since_ms=pictures.NOW_MS - 60_000, held_by=code, charge_Ah=0.0)
        one = pictures.circuit("A08", "held", run=run, voltage_V=pictures.reading(1.9))
        scene = pictures.scene(pictures.picture([one]))
        text = " ".join(row.text for row in dialogue.rows(opened("resume", scene).prompt, scene, 120, 18))
        assert ("LOOKS OPEN" in text) == warned
        assert "more than planned" not in text


def test_several_that_stand_for_an_unproved_cause_say_so():
    """One dialogue for many hides no clamp."""
    clamp = pictures.run(held_since_ms=pictures.NOW_MS - 60_000, held_by="open_string")
    two = [pictures.circuit("A08", "held"), pictures.circuit("A09", "held", run=clamp)]
    scene = pictures.scene(pictures.picture(two))
    text = " ".join(row.text.strip() for row in dialogue.rows(opened("resume all", scene).prompt, scene, 80, 18))
    assert "A09: cause open string, NOT PROVED gone" in text
    assert "A08: cause" not in text


def test_own_console_is_not_another():
    """Who else has it open: not this console itself."""
    scene = hall(prompts=[NIGHT2])
    step = opened("resume", scene, "A08")
    own = as_seen(scene, console="c9")
    assert not any("night2" in row.text for row in dialogue.rows(step.prompt, own, 80, 18))


def test_start_says_what_will_flow_and_when_people_are_needed():
    """One sentence of current, volts, time, first current; the end and each task by the hour; who is blocked."""
    plan = pictures.plan()
    plan["steps"][2] |= {"order": True, "task": "acid change"}
    scene = hall(plans={pictures.PLAN: plan})
    text = " ".join(row.text.strip() for row in dialogue.rows(opened("start", scene, "A01").prompt, scene, 80, 18))
    assert "will flow: 202.5 Ah in 6 steps, at most 15.0 A and 2.85 V/cell, some 18:24 h" in text
    assert "first current at once, 3.0 A" in text
    assert "after 6:54 h step 3, acid change" in text
    assert "at the end, after 18:24 h" in text
    assert "A12 is BLOCKED by night1" in text
    plan["steps"][0] |= {"kind": "rest", "current_A": 0.0}
    scene = hall(plans={pictures.PLAN: plan})
    text = " ".join(row.text.strip() for row in dialogue.rows(opened("start", scene, "A01").prompt, scene, 80, 18))
    assert "first current 15.0 A after a rest of 0:30" in text


@pytest.mark.parametrize("verb", ["start", "resume", "reset", "unload"])
def test_does_not_open_what_the_service_would_refuse(verb):
    """The service's own reason is said instead; a state that does not fit is, too."""
    name = {"start": "A01", "resume": "A08", "reset": "A05", "unload": "A03"}[verb]
    scene = with_circuits(hall(), lambda each: each.model_copy(update={"may": {verb: "hood open"}}))
    step = open_prompt(verb, scene, 0.0, name)
    assert step.prompt is None
    assert "hood open" in step.said
    assert "not while it is" in open_prompt(verb, hall(), 0.0, "A02").said


def test_every_neighbour_is_told_by_name():
    """Each blocked circuit of the bath is typed before the own name; the order carries them."""
    circuits = [pictures.circuit("A08", "held"), pictures.circuit("A12", "held", blocked="night1")]
    circuits.append(pictures.circuit("A13", "idle", blocked="day2"))
    scene = pictures.scene(pictures.picture(circuits))
    step = opened("resume", scene, "A08")
    assert typed(step, (*"a08", "enter"), scene).wanted == ()
    step = typed(step, (*"a12", "enter", *"a13", "enter", *"a08", "enter"), scene)
    assert step.wanted == (Wanted("A", "resume", "A08", {"told": "A12 A13"}, 7),)


def test_several_by_bath_and_count():
    """`A 2` resumes those that may, each with its own revision; the count must be right, the names are shown."""
    scene = hall()
    step = opened("resume all", scene, bath="A")
    assert "RESUME 2 of bath A: A08 A09" in dialogue.rows(step.prompt, scene, 80, 18)[0].text
    step = typed(step, (*"a12", "enter"), scene)
    for wrong in ("a 3", "a", "2", "a08", ""):
        assert typed(step, (*wrong, "enter"), scene).wanted == ()
    done = typed(step, (*"a 2", "enter"), scene)
    assert done.wanted == tuple(Wanted("A", "resume", name, {"told": "A12"}, 7) for name in ("A08", "A09"))
    other = with_circuits(scene, lambda each: CHANGES["revision"](each) if each.name == "A09" else each)
    assert dialogue.expired(step.prompt, other, 1.0)


PAST = "held 130 of 120 min allowed; the engineer with a reason"


def test_past_the_resume_limit_only_the_engineer_with_a_reason():
    """A technician is told; the engineer is asked for the reason first, then for the names."""
    late = with_circuits(hall(), lambda each: each.model_copy(update={"may": {"resume": PAST}}))
    refused = open_prompt("resume", late, 0.0, "A08")
    assert refused.prompt is None
    assert PAST in refused.said
    late = as_seen(late, roles=("engineer",))
    step = opened("resume", late, "A08")
    assert any(PAST in row.text for row in dialogue.rows(step.prompt, late, 80, 18))
    assert typed(step, ("enter",), late).wanted == ()
    keys = (*"plates rested", "enter", *"a12", "enter", *"a08", "enter")
    assert typed(step, keys, late).wanted[0].args == {"told": "A12", "reason": "plates rested"}


def test_reason_lifts_no_other_refusal_of_a_start():
    """Past the soak the engineer may; but not while something else stands as well."""
    soak = "soak is over: 190 min since the first was filled; the engineer with a reason"
    checks = [("soaked", soak), ("string_volts", "string 12.9 V")]

    def late(each):
        raw = each.model_dump() | {"may": {"start": soak}, "start_checks": checks}
        return type(each).model_validate(raw)

    scene = as_seen(with_circuits(hall(), late), roles=("engineer",))
    assert "12.9 V" in open_prompt("start", scene, 0.0, "A01").said
    checks.pop()
    assert opened("start", as_seen(with_circuits(hall(), late), roles=("engineer",)), "A01").prompt.stage == "reason"


def test_words_of_a_reason_stand_in_the_refusals_that_take_one():
    """The phrase that opens the reason's field is in exactly those sentences of the catalogue that a reason lifts."""
    found = {code for code, text in REFUSALS.items() if REASON_TAKEN in text}
    assert {"soak_long", "cool_down", "still_hot", "past_resume_limit", "blocked_by_another"} <= found
    assert found - {"no_reason"} == {"soak_long", "cool_down", "still_hot", "past_resume_limit", "blocked_by_another"}


def test_unblock_of_another_needs_maintenance_and_a_reason():
    """The own block by its name; another's by maintenance with a reason, kept in the order."""
    scene = as_seen(hall(), who="night2")
    assert "who alone lifts it" in open_prompt("unblock", scene, 0.0, "A12").said
    scene = as_seen(hall(), who="fitter", roles=("maintenance",))
    step = typed(opened("unblock", scene, "A12"), (*"went home", "enter", *"a12", "enter"), scene)
    assert step.wanted == (Wanted("A", "unblock", "A12", {"reason": "went home"}, 7),)


def test_reset_of_the_bath_itself():
    """A latch of the bath is reset by the bath's name; not before it is acknowledged."""
    latch = pictures.alarm("A", "emergency_stop", latched=True, active=False, seen=True)
    scene = hall(alarms=(latch,))
    step = typed(opened("reset bath", scene), (*"reset a", "enter"), scene)
    assert [(wanted.verb, wanted.target) for wanted in step.wanted] == [("reset", "A")]
    new = hall(alarms=(latch.model_copy(update={"acknowledged": False}),))
    assert "acknowledge first" in open_prompt("reset bath", new, 0.0).said


# -- texts


def test_note_is_cleaned():
    """Typed or pasted: control characters never leave the field, line ends are spaces, 500 characters at most."""
    scene = hall()
    step = typed(opened("note", scene, "A08"), "ok", scene)
    step = dialogue.burst(step.prompt, "\x1b[31mclamp\nwarm\x07 \u202eback", scene, 1.0)
    step = typed(step, ("enter",), scene)
    assert step.wanted == (Wanted("A", "note", "A08", {"text": "ok [31mclamp warm back"}),)
    step = dialogue.burst(opened("note", scene).prompt, "x" * 10_000, scene, 1.0)
    assert len(typed(step, ("enter",), scene).wanted[0].args["text"]) == 500
    empty = typed(opened("note", scene), (" ", "enter"), scene)
    assert (empty.wanted, empty.prompt is None) == ((), False)


def test_note_on_the_bath():
    """The bath has its own record."""
    scene = hall()
    step = typed(opened("note bath", scene), (*"fan belt", "enter"), scene)
    assert step.wanted == (Wanted("A", "note", "A", {"text": "fan belt"}),)


def test_unload_asks_for_a_reason_where_the_service_does():
    """After the cool-down one Enter; in it a reason; the caution stands there either way."""
    scene = hall()
    assert typed(opened("unload", scene, "A03"), ("enter",), scene).wanted == (Wanted("A", "unload", "A03", {}, 7),)
    why = "cool-down, 5 min left; unload with a reason"
    warm = with_circuits(scene, lambda each: each.model_copy(update={"may": {"unload": why}}))
    step = opened("unload", warm, "A03")
    text = " ".join(row.text.strip() for row in dialogue.rows(step.prompt, warm, 80, 18))
    assert why in text
    at = [text.index(word) for word in ("zero read back", "block", "air on", "wait", "meter", "hands", "middle link")]
    assert at == sorted(at)
    assert typed(step, ("enter",), warm).wanted == ()
    done = typed(step, (*"leak", "enter"), warm)
    assert done.wanted == (Wanted("A", "unload", "A03", {"reason": "leak"}, 7),)


def test_item_that_is_not_right_takes_a_reason():
    """The start list's `x`: the item, not right, and why; it lets nothing flow."""
    scene = hall()
    step = opened("refuse", scene, "A01", item=2)
    assert "item 2: nobody there" in dialogue.rows(step.prompt, scene, 80, 18)[0].text
    step = typed(step, (*"vent out", "enter"), scene)
    assert step.wanted[0].args == {"item": 2, "ok": False, "reason": "vent out"}


def test_go_and_find_end_in_a_text():
    """What to look for is no order."""
    scene = hall()
    assert typed(opened("go", scene), (*"a05", "enter"), scene).find == "a05"
    assert typed(opened("go", scene), ("enter",), scene).find is None
    assert typed(opened("find", scene), ("enter",), scene).find == ""


# -- load


def loading(scene, profile="starter-60", batch="K3107:1-11 K3108:12-18", fresh=(), first="70", last="39"):
    """Fill the form field by field, up to the summary or to the first field that is refused."""
    step = opened("load", scene, "A04")
    for key in (*profile, "enter", *batch, "enter", *fresh, "enter", *first, "enter", *last, "enter"):
        step = typed(step, (key,), scene)
        if step.said:
            break
    return step


def test_load_shows_what_it_sends_and_sends_it():
    """Five fields, a summary, one Enter more: the library's file, the list, how many, when filled."""
    scene = hall()
    step = loading(scene, first="70,5")
    assert step.wanted == ()
    text = " ".join(row.text for row in dialogue.rows(step.prompt, scene, 80, 18))
    assert "18 batteries up to place 18 of 18" in text
    assert "fresh" in text
    (wanted,) = typed(step, ("enter",), scene).wanted
    path = Path(wanted.args["profile"])
    assert (path.name, path.is_file()) == ("starter-60.toml", True)
    assert wanted == Wanted("A", "load", "A04", wanted.args)
    assert {key: value for key, value in wanted.args.items() if key != "profile"} == {
        "batch": "K3107:1-11 K3108:12-18", "batteries": 18, "continued": False, "first_filled_minutes_ago": 70.5,
        "last_filled_minutes_ago": 39.0,
    }  # fmt: skip


def test_load_takes_clock_times_of_this_terminal():
    """A clock time is the last one gone by, in the terminal's zone: shortly after midnight it may be yesterday's."""
    scene = replace(hall(), zone=timezone(timedelta(hours=1)))
    step = loading(scene, first="23:10", last="02:50")
    args = typed(step, ("enter",), scene).wanted[0].args
    assert args["first_filled_utc"] == "2026-03-16T22:10:00+00:00"
    assert args["last_filled_utc"] == "2026-03-17T01:50:00+00:00"


@pytest.mark.parametrize(
    ("over", "said", "at"),
    [
        ({"profile": ""}, "profile", 0),
        ({"batch": "K3107"}, "K3107", 1),
        ({"batch": "K1:1-4 K2:3-8"}, "taken", 1),
        ({"first": "soon"}, "05:10", 3),
        ({"last": "25:10"}, "05:10", 4),
        ({"first": "10", "last": "39"}, "before the first", 4),
    ],
)
def test_load_says_what_is_wrong_and_goes_there(over, said, at):
    """Nothing goes out; the field that is wrong is the one that is open."""
    step = loading(hall(), **over)
    assert step.wanted == ()
    assert said in step.said
    assert (step.prompt.stage, step.prompt.at) == ("form", at)


def test_load_names_the_library_and_refuses_what_is_not_there(tmp_path):
    """Under the field stand the library's names; a file that is missing or unusable is told by Enter, there."""
    scene = hall()
    step = opened("load", scene, "A04")
    text = " ".join(row.text.strip() for row in dialogue.rows(step.prompt, scene, 80, 18))
    for path in LIBRARY.glob("*.toml"):
        assert path.stem in text
    broken = tmp_path / "broken.toml"
    broken.write_text("name = 3\n")
    for profile, said in (
        ("starter-61", "library has no such name"),
        ("/no/such.toml", "no such file"),
        (str(broken), "broken"),
    ):
        wrong = typed(opened("load", scene, "A04"), (*profile, "enter"), scene)
        assert said in wrong.said
        assert (wrong.prompt.stage, wrong.prompt.at) == ("form", 0)
    assert typed(opened("load", scene, "A04"), (*"starter-60.toml", "enter"), scene).prompt.at == 1


def test_load_summary_says_what_would_flow_and_when_it_was_filled():
    """Charge, highest current and voltage of the profile's own file; fillings by the clock."""
    scene = hall()
    step = loading(scene)
    text = " ".join(row.text.strip() for row in dialogue.rows(step.prompt, scene, 80, 18))
    asks = step.prompt.foreseen
    assert asks == foreseen(LIBRARY / "starter-60.toml")
    assert asks.charge_Ah > 60.0
    assert f"{asks.charge_Ah:.1f} Ah, at most {asks.most_A:.1f} A and {asks.most_V_per_cell:.2f} V/cell" in text
    assert "filled: first 01:04 (70 min ago), last 01:35 (39 min ago)" in text


def test_draft_of_a_form_is_replaced_by_typing():
    """It opens at its first field; a letter replaces what stood there, Enter keeps it, backspace mends it."""
    scene = hall()
    draft = loading(scene, last="").prompt
    again = dialogue.reopened(opened("load", scene, "A04").prompt, draft)
    assert (again.at, again.fields) == (0, draft.fields)
    assert typed(Step(again), (*"ab",), scene).prompt.fields[0] == "ab"
    assert typed(Step(again), ("backspace", "x"), scene).prompt.fields[0] == "starter-6x"
    kept = typed(Step(again), ("enter", "K", "9"), scene).prompt
    assert kept.fields[:2] == ("starter-60", "K9")
    assert dialogue.burst(again, "K1", scene, 1.0).prompt.fields[0] == "K1"
    note = typed(opened("note", scene), (*"hums",), scene).prompt
    assert dialogue.reopened(opened("note", scene).prompt, note).typed == "hums"


def test_choice_of_the_form_takes_its_own_keys_only():
    """f, c and the arrows choose there; every other letter does nothing."""
    scene = hall()
    at = replace(opened("load", scene, "A04").prompt, at=FRESH)
    for key in LETTERS:
        chosen = dialogue.pressed(at, key, scene, 1.0).prompt.fields[FRESH]
        assert chosen == ("continued" if key in "cC" else "fresh"), key
    assert typed(Step(at), ("right",), scene).prompt.fields[FRESH] == "continued"
    assert typed(Step(at), ("c", "left"), scene).prompt.fields[FRESH] == "fresh"


def test_scanner_fills_the_form_field_by_field(tmp_path):
    """A burst fills the open field, its line end goes on; it neither reaches nor passes the summary."""
    scene = hall()
    own = tmp_path / "own.toml"
    own.write_bytes((LIBRARY / "starter-60.toml").read_bytes())
    step = opened("load", scene, "A04")
    for burst in (f"{own}\n", "K3107:1-11", "K3108:12-18\r"):
        step = dialogue.burst(step.prompt, burst, scene, 1.0)
    assert step.prompt.fields[:2] == (str(own), "K3107:1-11 K3108:12-18")
    assert step.prompt.at == FRESH
    assert dialogue.burst(step.prompt, "continued\n", scene, 1.0).said
    step = typed(step, ("c", "enter"), scene)
    for burst in ("70\n", "39\n", "\n", "\n"):
        step = dialogue.burst(step.prompt, burst, scene, 1.0)
    assert (step.prompt.stage, step.prompt.at) == ("form", LAST)
    step = typed(step, ("enter",), scene)
    assert step.prompt.stage == "summary"
    assert dialogue.burst(step.prompt, "\n", scene, 1.0).wanted == ()
    args = typed(step, ("enter",), scene).wanted[0].args
    assert (args["profile"], args["continued"]) == (str(own), True)


def test_load_form_moves_and_mends():
    """Arrows between fields, backspace in one, the choice by arrows, and back from the summary."""
    scene = hall()
    step = typed(opened("load", scene, "A04"), (*"ab", "backspace", "down", "down", "right", "up", "up", "c"), scene)
    assert step.prompt.fields == ("ac", "", "continued", "", "")
    back = typed(loading(scene), ("up",), scene)
    assert back.prompt.stage == "form"


def test_load_opens_on_an_empty_idle_circuit_only():
    """Another is told what stands there."""
    assert "K3107" in open_prompt("load", hall(), 0.0, "A01").said
    assert "not while it is held" in open_prompt("load", hall(), 0.0, "A08").said


# -- drawing


@pytest.mark.parametrize("kind", KINDS)
def test_rows_fit_any_place(kind):
    """Never wider nor more than asked for; the line that is typed in stays in sight."""
    scene = hall(prompts=[NIGHT2])
    for name in (each.name for each in scene.baths[0].picture.circuits):
        step = open_prompt(kind, scene, 0.0, name, item=1)
        if step.prompt is None:
            continue
        long = replace(step.prompt, typed="x" * 300 + "END") if step.prompt.stage in {"text", "reason"} else step.prompt
        for width in (40, 41, 80, 120, 300):
            for most in (1, 2, 3, 8, 18, 100):
                made = dialogue.rows(long, scene, width, most)
                assert 0 < len(made) <= most
                assert all(len(row.text) <= width for row in made)
                if long.stage in {"told", "name", "text", "reason"}:
                    assert made[-1].text.endswith("_")
                if long is not step.prompt:
                    assert made[-1].text.endswith("END_")
    assert dialogue.rows(opened("hold", scene).prompt, scene, 80, 0) == []


def test_caution_is_whole_in_a_longer_language():
    """With words two fifths longer the block's caution still stands there whole at 80x24."""
    scene = replace(hall(), say=Say(lambda text: text + " " + "lorem " * (len(text) // 15)))
    for kind, name in (("block", "A02"), ("unload", "A03")):
        text = " ".join(r.text.strip() for r in dialogue.rows(opened(kind, scene, name).prompt, scene, 80, 18))
        at = [text.index(word) for word in ("zero read back", "block it", "air on", "wait", "meter", "hands")]
        assert at == sorted(at)


def test_block_is_coloured_and_nothing_else():
    """The word alone carries a style."""
    scene = hall()
    spans = [span for row in dialogue.rows(opened("resume", scene, "A08").prompt, scene, 80, 18) for span in row.spans]
    assert spans == [(7, 14, "waits")]


def test_replay_takes_no_order():
    """What is shown is the past."""
    scene = replace(hall(), replay=True)
    for kind in KINDS:
        step = open_prompt(kind, scene, 0.0, "A08")
        assert (step.prompt is None) == (kind not in {"go", "find"})


def test_esc_leaves_everything():
    """At every stage: closed, nothing sent."""
    scene = hall()
    for kind in KINDS:
        for name in (each.name for each in scene.baths[0].picture.circuits):
            step = open_prompt(kind, scene, 0.0, name, item=1)
            if step.prompt is not None:
                assert dialogue.pressed(step.prompt, "esc", scene, 1.0) == Step(None)


def test_dialogue_names_its_order_for_others():
    """What is announced to other consoles is an order's verb and a target of the service."""
    scene = hall()
    assert opened("resume all", scene, bath="A").prompt.target == "A"
    assert opened("resume all", scene, bath="A").prompt.verb == "resume"
    assert opened("refuse", scene, "A01", item=1).prompt.verb == "done"
    assert isinstance(opened("hold", scene).prompt, Prompt)
    assert opened("go", scene).prompt.verb == ""
