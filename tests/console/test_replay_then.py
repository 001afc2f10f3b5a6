"""In a replay nobody takes an advice for one of now: whatever asks for something, or foretells, says so of then."""

from __future__ import annotations

import re
from dataclasses import replace

import pictures
import pytest
from test_replay_console import replayed, view

from controller import words
from controller.console import layout, plainwords
from controller.console.then import of_then
from controller.words import Say

PAGES = ("hall", "bath", "circuit", "trend", "alarms", "starts")
SIZES = ((80, 24), (120, 40))
ASKS = re.compile(
    r"[Ww]aits for a person|No (?:start|resume|reset|unload) yet|Would end|Cool-down"
    r"|(?<!A0[78] )[Ee]nds (?:Mon|Tue|\d)|NOT ISOLATION|next to end|LIVE, LOOK ONLY"
    r"|nothing is missing|What it waits for|Its end cannot|is missing before"
)  # fmt: skip
"""How sentences begin that ask for something, or foretell."""

HOLD_REASON = {"resume": "hood open"}


def circuits():
    """A circuit in each state, with and without reasons why not, blocked, reduced, unread."""
    heat = pictures.alarm("A07", "probe_derate", value=53.5, limit=50.0)
    return {
        "running": pictures.circuit("A07"),
        "reduced": pictures.circuit("A07", percent=44, hot_C=53.5, alarms=(heat,)),
        "held": pictures.circuit("A07", "held"),
        "refused": pictures.circuit("A07", "held", may=HOLD_REASON),
        "tripped": pictures.circuit("A07", "tripped"),
        "cooling": pictures.cooling("A07"),
        "stopped": pictures.circuit("A07", "stopped"),
        "idle": pictures.circuit("A07", "idle"),
        "blocked": pictures.circuit("A07", "held", blocked="night1"),
        "unread": pictures.unconfirmed("A07"),
        "unknown": pictures.circuit("A07", "running", allowed_percent=0.0),
    }


def shown(circuit, page, width, height, *, replay):
    made = replayed([circuit, pictures.circuit("A08")]) if replay else pictures.picture([circuit])
    scene = replace(pictures.scene(made, page=page, circuit="A07"), replay=replay)
    return [row.text for row in layout.rows(scene, None, width, height)]


def flat(lines):
    """The rows as one text: a sentence may be broken over some."""
    return " ".join(line.strip() for line in lines)


@pytest.mark.parametrize("state", sorted(circuits()))
@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_advice_says_that_it_was_then(state, page, width, height):
    """Page by page, state by state: behind its word alone does a sentence of what to do, or of what will be, stand."""
    text = flat(shown(circuits()[state], page, width, height, replay=True))
    for found in ASKS.finditer(text):
        assert text[: found.start()].endswith("then: "), text[max(0, found.start() - 40) : found.end()]
    assert "Now " not in text


def test_the_search_finds_what_it_looks_for():
    """Live, the same states do ask and foretell, and never say `then`."""
    found = set()
    for circuit in circuits().values():
        text = flat([line for page in PAGES for line in shown(circuit, page, 120, 40, replay=False)])
        assert "then: " not in text
        found |= {each.group().split()[0] for each in ASKS.finditer(text)}
    assert found >= {"Waits", "No", "Would", "Cool-down", "Ends", "ends", "NOT", "next", "LIVE,", "Its"}


@pytest.mark.parametrize("code", sorted(words.ALARMS))
def test_no_alarm_s_advice_is_one_of_now(code):
    """Whatever an alarm asks for: no row of a page begins with LIVE, and no page has it without its word before it."""
    one = pictures.circuit("A07", "held", alarms=(pictures.alarm("A07", code),))
    begins = words.ALARMS[code].do.split(":")[0].split(",")[0][:24]
    for page in ("hall", "circuit", "alarms"):
        for width, height in (*SIZES, (57, 30)):
            lines = shown(one, page, width, height, replay=True)
            assert not any(line.lstrip(" >*~!#0123456789").startswith("LIVE") for line in lines)
            text = flat(lines)
            assert all(text[: at.start()].endswith("then: ") for at in re.finditer(r"\bLIVE, LOOK", text))
            asked = [text[: at.start()] for at in re.finditer(rf"(?<=[.:] ){re.escape(begins)}", text)]
            assert all(before.endswith(("then: ", "did: ")) for before in asked), (page, width)
        assert "then: " in flat(shown(one, "alarms", 80, 24, replay=True))


def test_a_replay_that_does_not_answer_asks_nobody_to_look_at_a_rectifier():
    """A process that stands still is no plant without its controller."""
    made = replayed()
    scene = replace(pictures.scene(pictures.seen(made, silent_s=60.0), page="circuit"), replay=True)
    top = [row.text for row in layout.rows(scene, None, 80, 24)][2:4]
    assert top == ["the replay does not answer; nothing here is live", ""]


def test_beside_a_live_bath_only_the_replayed_one_speaks_of_then():
    """Both on one console: each circuit's page and alarms as what they are."""
    heat = pictures.alarm("A07", "probe_derate", value=53.5, limit=50.0)
    old = replayed([pictures.circuit("A07", percent=44, alarms=(heat,))]).model_copy(update={"bath": "R"})
    live = pictures.picture([pictures.circuit("A07", percent=44, alarms=(heat,))])
    for bath, then in (("A", False), ("R", True)):
        scene = pictures.scene(live, old, page="circuit", bath=bath, circuit="A07")
        body = flat([row.text for row in layout.rows(scene, None, 120, 40)][4:])
        assert ("then: LIVE, LOOK ONLY" in body) == then
    alarms = flat([row.text for row in layout.rows(pictures.scene(live, old, page="alarms"), None, 120, 40)][4:])
    assert (alarms.count("LIVE, LOOK ONLY"), alarms.count("then: LIVE, LOOK ONLY")) == (2, 1)


def test_plain_lines_speak_of_then():
    """What is waited for, and what an alarm asks for, in the plain console's lines and its status."""
    one = pictures.circuit("A07", "tripped")
    made = pictures.picture([one]).model_copy(update={"replay": view()})
    scene = replace(pictures.scene(made, circuit="A07"), replay=True)
    (seen,) = scene.baths
    told = [line.text for line in plainwords.changes(scene, seen, None)]
    assert "state tripped, then: reset" in told
    assert any("To do then: off, zero read back" in line for line in told)
    status = [line.text for line in plainwords.status(scene, plainwords.parse("status A07", scene))]
    assert any("then: Waits for a person: reset." in line for line in status)


def test_a_scene_speaks_as_what_it_is():
    """A translation stays one, in a replay and back; nothing is said twice."""
    other = Say(lambda text: text.replace("then", "damals").replace("Waits", "Wartet"))
    assert of_then(other, replay=True)("bath.may", verb="x") == "damals: Wartet for a person: x."
    assert of_then(of_then(other, replay=True), replay=False) == other
    scene = replace(pictures.scene(pictures.picture()), replay=True)
    assert replace(scene, blink=False).say("bath.may", verb="x") == "then: Waits for a person: x."
    assert replace(scene, replay=False).say("bath.may", verb="x") == "Waits for a person: x."
