"""The alarms page: whole alarms, first what is first to be done; and what may be acknowledged."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import pictures
import pytest

from controller.console import alarms
from controller.console.prompttypes import Wanted
from controller.words import ALARMS, Say

WIDEST = 123456.789
"""Wider than any value a bath can have."""


def text_of(rows):
    return " ".join(row.text.strip() for row in rows)


def longer(text: str) -> str:
    """A language whose words take two fifths more room; named places stay as they are."""
    return " ".join(word if "{" in word else word + "m" * (2 * len(word) // 5 + 1) for word in text.split(" "))


def many(count=30, **over):
    """So many alarms, each of its own circuit, the oldest first."""
    circuits = [
        pictures.circuit(f"A{n:02d}", alarms=(pictures.alarm(f"A{n:02d}", since_ms=pictures.NOW_MS - 60_000 + n),))
        for n in range(1, count + 1)
    ]
    return pictures.scene(pictures.picture(circuits), page="alarms", **over)


def test_order_and_words_of_the_page():
    """New before seen, then priority, then the oldest; cause, what was done, what to do, who works there."""
    scene = pictures.forty()
    rows = alarms.rows(scene, 80, 18)
    heads = [row.text[1:16] for row in rows if re.match(r"[> ][*!~#]\d ", row.text)]
    assert [head[:2] + head[12:15] for head in heads] == ["*2A07", "*2A09", "#2A10", "!3A03"]
    whole = text_of(rows)
    assert "A07 probe 53.5 C, above 50.0" in whole
    assert "did: reduced, runs on. Do: LIVE, LOOK ONLY: flow, level, gassing" in whole
    assert "BLOCKED night1" in whole
    assert rows[0].text.startswith(">")


@pytest.mark.parametrize("code", sorted(ALARMS))
@pytest.mark.parametrize("say", [Say(), Say(longer)], ids=["plain", "longer"])
def test_every_alarm_is_whole_at_80_by_24(code, say):
    """Selected among others: circuit, cause with value and limit, did, do and caution, all on the screen."""
    one = pictures.alarm("A07", code, value=WIDEST, limit=WIDEST, priority=3)
    circuits = [pictures.circuit("A07", alarms=(one,), blocked="a-login-of-many-letters")]
    circuits += [
        pictures.circuit(f"B{n}", alarms=(pictures.alarm(f"B{n}", "open_string", priority=1),)) for n in range(9)
    ]
    scene = pictures.scene(pictures.picture(circuits), page="alarms", cursor=9, say=say)
    rows = alarms.rows(scene, 80, 18)
    at = next(number for number, row in enumerate(rows) if row.text.startswith(">"))
    block = [row.text for row in rows[at:]]
    whole = " ".join(" ".join(block).split())
    said = say.alarm(code, WIDEST, WIDEST)
    assert "A07" in block[0]
    for part in (said.cause, said.did, said.do):
        assert " ".join(part.split()) in whole, part
    assert "a-login-of-many-letters" in whole
    assert not any("~" in line[4:] for line in block)
    assert ("A", "A07", code) in [key[:3] for key in alarms.on_screen(scene, 80, 18)]


def test_only_mark_and_name_are_coloured():
    """Sentences carry no style; the word of a block does."""
    for row in alarms.rows(pictures.forty(), 80, 18):
        for first, last, style in row.spans:
            assert style in {"now", "soon", "shift", "waits"}
            assert re.fullmatch(r"[*!~#]\d|[A-Z]\d\d|BLOCKED", row.text[first:last])


@pytest.mark.parametrize(
    ("active", "acknowledged", "latched", "mark"),
    [
        (True, False, False, "*"), (False, False, False, "~"), (True, True, False, "!"), (False, True, True, "#"),
        (False, False, True, "*"), (True, True, True, "!"), (True, False, True, "*"),
    ],
)  # fmt: skip
def test_marks_follow_the_life_of_an_alarm(active, acknowledged, latched, mark):
    """New, gone unseen, seen, latched: each transition has its own mark in its own place."""
    one = pictures.alarm("A07", "probe_hold", active=active, latched=latched, seen=acknowledged, priority=2)
    scene = pictures.scene(pictures.picture([pictures.circuit("A07", alarms=(one,))]), page="alarms")
    assert alarms.rows(scene, 80, 18)[0].text[1:3] == f"{mark}2"


@pytest.mark.parametrize("height", [1, 2, 4, 7, 18, 34])
def test_scrolls_whole_alarms(height):
    """Whatever the cursor: the selected alarm is there, none is cut, what is hidden is counted."""
    scene = many()
    for cursor in (0, 1, 13, 29, 500, -4):
        here = replace(scene, place=replace(scene.place, cursor=cursor))
        rows = alarms.rows(here, 80, height)
        assert len(rows) <= height
        assert sum(row.text.startswith(">") for row in rows) == 1
        on = alarms.on_screen(here, 80, height)
        if height >= 4:
            chosen = f"A{max(0, min(cursor, 29)) + 1:02d}"
            assert ("A", chosen, "probe_derate") in [key[:3] for key in on]
            assert len(on) == sum(bool(re.match(r"[> ][*!~#]\d ", row.text)) for row in rows)
            above, below = (int(n) for n in re.findall(r"(\d+) (?:more above|below)", rows[-1].text))
            assert above + below + len(on) == 30
            assert "30 of them new" not in rows[-1].text


def test_what_is_not_whole_is_not_on_the_screen():
    """An alarm higher than the page is shown as far as it goes and does not count as seen."""
    scene = many(1)
    assert alarms.rows(scene, 80, 2)
    assert alarms.on_screen(scene, 80, 2) == []
    assert [key[:3] for key in alarms.on_screen(scene, 80, 3)] == [("A", "A01", "probe_derate")]


def test_old_news_says_its_age():
    """A bath that does not answer: its alarms stand with how old they are."""
    bath = pictures.seen(pictures.picture([pictures.circuit("A07", alarms=(pictures.alarm(),))]), silent_s=250.0)
    assert "A07 ?4m probe" in alarms.rows(pictures.scene(bath, page="alarms"), 80, 18)[0].text


def test_nothing_open():
    """An empty list says so."""
    scene = pictures.scene(pictures.picture())
    assert [row.text for row in alarms.rows(scene, 80, 18)] == ["no open alarm"]
    assert alarms.acknowledgement(scene, {}, 1.0).wanted == ()


def test_acknowledges_the_selected_alarm_after_a_second():
    """One alarm by its code, only when it has been on the screen for a second; never one that was not drawn."""
    scene = many(cursor=2)
    seen, alarm = scene.alarms()[2]
    key = alarms.key_of(seen, alarm)
    assert key[:3] == ("A", "A03", "probe_derate")
    circuit = seen.picture.circuit("A03")
    assert alarms.acknowledgement(scene, {key: 10.0}, 11.0).wanted == (
        Wanted("A", "acknowledge", "A03", {"alarm": "probe_derate"}, circuit.revision),
    )
    first, again = alarms.key_of(*scene.alarms()[0]), (*key[:3], key[3] - 1)
    for since in ({}, {key: 10.1}, {first: 0.0}, {("B", *key[1:]): 0.0}, {again: 0.0}):
        step = alarms.acknowledgement(scene, since, 11.0)
        assert step.wanted == ()
        assert step.said


def test_elsewhere_the_first_alarm_is_meant():
    """On every other page it is the one told above the page."""
    scene = replace(many(cursor=2), place=replace(many().place, page="hall", cursor=7))
    since = dict.fromkeys([alarms.key_of(*each) for each in scene.alarms()], 0.0)
    assert [wanted.target for wanted in alarms.acknowledgement(scene, since, 5.0).wanted] == ["A01"]


def test_no_second_acknowledgement():
    """What was seen already is not sent again, and a replay sends nothing."""
    one = pictures.alarm("A07", seen=True)
    scene = pictures.scene(pictures.picture([pictures.circuit("A07", alarms=(one,))]), page="alarms")
    since = dict.fromkeys([alarms.key_of(*each) for each in scene.alarms()], 0.0)
    assert "already" in alarms.acknowledgement(scene, since, 5.0).said
    assert alarms.acknowledgement(replace(many(), replay=True), since, 5.0).wanted == ()


def test_drawn_counts_what_the_whole_screen_shows():
    """Above every page the first alarm; on this page those drawn whole; in a small terminal only the first."""
    scene = many()
    first = alarms.key_of(*scene.alarms()[0])
    assert alarms.drawn(replace(scene, place=replace(scene.place, page="hall")), 80, 24) == [first]
    low = replace(scene, place=replace(scene.place, cursor=4))
    assert alarms.drawn(low, 80, 11) == [first]
    assert len(alarms.drawn(low, 80, 12)) > 1
    assert alarms.drawn(scene, 80, 24) == alarms.on_screen(scene, 80, 18)
    lost = replace(scene, baths=(*scene.baths, pictures.seen(None, name="B")), place=replace(scene.place, page="hall"))
    assert alarms.drawn(lost, 80, 24) == [first]
    assert alarms.drawn(pictures.scene(), 80, 24) == []


def test_any_scene_at_any_size():
    """Likely or not: never raises, never wider, never more rows."""
    chance = random.Random(31)
    for _ in range(300):
        scene = pictures.any_scene(chance, page="alarms")
        width, height = chance.randint(40, 300), chance.randint(1, 100)
        rows = alarms.rows(scene, width, height)
        assert len(rows) <= height
        assert all(len(row.text) <= width for row in rows)
        assert len(alarms.on_screen(scene, width, height)) <= alarms.length(scene)
        alarms.acknowledgement(scene, dict.fromkeys(alarms.drawn(scene, width, height), 0.0), 5.0)


def test_on_a_circuits_page_its_own_alarm_is_meant():
    """Whoever looks at A05 acknowledges A05's alarm or none, never that of the circuit told above every page."""
    first = pictures.alarm("A01", since_ms=1)
    own = pictures.alarm("A05", "open_string", latched=True)
    circuits = [
        pictures.circuit("A01", alarms=(first,)),
        pictures.circuit("A05", alarms=(own,)),
        pictures.circuit("A06"),
    ]
    for name, wanted in (("A05", ["A05"]), ("A06", [])):
        scene = pictures.scene(pictures.picture(circuits), page="circuit", circuit=name)
        since = dict.fromkeys(alarms.drawn(scene, 80, 24), 0.0)
        assert [each.target for each in alarms.acknowledgement(scene, since, 5.0).wanted] == wanted


def test_what_is_gone_stands_behind_what_stands():
    """A gone alarm of high priority does not push a live trip from the first place."""
    gone = pictures.alarm("A08", "link_lost", priority=1, active=False, since_ms=1)
    live = pictures.alarm("A05", "open_string", priority=2, latched=True)
    circuits = [pictures.circuit("A08", alarms=(gone,)), pictures.circuit("A05", alarms=(live,))]
    scene = pictures.scene(pictures.picture(circuits), page="alarms")
    assert [alarm.target for _, alarm in scene.alarms()] == ["A05", "A08"]


def page_of(*found, height=18, **over):
    """The rows of the page for these alarms, and its scene."""
    names = sorted({each.target for each in found})
    circuits = [pictures.circuit(name, alarms=tuple(a for a in found if a.target == name)) for name in names]
    scene = pictures.scene(pictures.picture(circuits, **over), page="alarms")
    return [row.text for row in alarms.rows(scene, 80, height)], scene


def test_what_followed_stands_under_the_first_of_its_group():
    """Set in, below the earliest, which says how many they are; a group stands where its first one stands."""
    rows, scene = page_of(
        pictures.alarm("A05", "voltage_trip", priority=2, since_ms=3, first="link_lost"),
        pictures.alarm("A05", "link_lost", priority=2, since_ms=2),
        pictures.alarm("A05", "probe_derate", priority=3, since_ms=4, first="link_lost"),
        pictures.alarm("A06", "probe_hold", priority=2, since_ms=5),
    )
    assert [alarm.code for _, alarm in scene.alarms()] == ["link_lost", "voltage_trip", "probe_derate", "probe_hold"]
    heads = [row[:4] for row in rows if re.match(r"[> ] *[*!~#]\d ", row)]
    assert heads == [">*2 ", "   *", "   *", " *2 "]
    assert "FIRST of 3" in rows[0] + rows[1]
    assert sum("FIRST" in row for row in rows) == 1


@pytest.mark.parametrize(
    ("first", "later"),
    [({"seen": True}, {}), ({}, {"priority": 1}), ({"active": False}, {}), ({"suppressed": True}, {}),
     ({"since_ms": 9}, {}), ({}, {"target": "A06"})],
)  # fmt: skip
def test_a_more_urgent_one_never_hides_under_the_first(first, later):
    """New under seen, 1 under 2, standing under gone, told under silent, older, of another circuit: on its own."""
    rows, _ = page_of(
        pictures.alarm("A05", "link_lost", **{"since_ms": 1, **first}),
        pictures.alarm(**{"target": "A05", "code": "voltage_trip", "since_ms": 2, "first": "link_lost", **later}),
    )
    assert not [row for row in rows if row.startswith("   *")]
    assert "FIRST" not in " ".join(rows)


def test_what_is_silent_is_counted_and_named_at_the_bottom():
    """Shelved with time, person and reason; suppressed and out of use by name; none is new, none can be chosen."""
    rows, scene = page_of(
        pictures.alarm("A01", "probe_hold"),
        pictures.alarm("B02", "probe_lost", shelved_until_ms=pictures.NOW_MS + 60_000, shelved_by="eva",
                       shelved_why="probe out, spare ordered"),
        pictures.alarm("A03", "current_warn", suppressed=True, value=15.9, limit=15.3),
        pictures.alarm("A04", "link_lost", out_of_use=True),
        height=30,
    )  # fmt: skip
    assert alarms.length(scene) == 1
    foot = " ".join(" ".join(rows[-6:]).split())
    assert re.search(r'shelved 1: B02 no valid probe, until \d\d:\d\d, eva "probe out, spare ordered"', foot)
    assert "suppressed 1, explained by another alarm or an empty place: A03 15.90 A flows" in foot
    assert "out of use 1: A04 no fresh readings" in foot
    assert [key[1] for key in alarms.on_screen(scene, 80, 30)] == ["A01"]


def test_the_foot_never_takes_the_page():
    """At most a third of the rows, and the alarms that are told stand whole above it."""
    found = [pictures.alarm(f"A{n:02d}", "probe_lost", suppressed=True) for n in range(60)]
    for height in range(1, 40):
        rows, _ = page_of(pictures.alarm("B01", "probe_hold"), *found, height=height)
        assert len(rows) <= height
        foot = [row for row in rows if row.startswith(("suppressed", "  A"))]
        assert len(foot) <= height // 3
        assert rows[0].startswith(">*2")
        assert bool(foot) is (height >= 3)
    assert "suppressed 60" in " ".join(rows)


def test_only_silent_alarms_are_no_open_alarm():
    """The list says so, and still counts them."""
    rows, scene = page_of(pictures.alarm("A01", suppressed=True))
    assert rows[0] == "no open alarm"
    assert rows[1].startswith("suppressed 1")
    assert alarms.acknowledgement(scene, {}, 1.0).wanted == ()
    assert not scene.alarms()


def test_one_that_comes_and_goes_says_how_often():
    """It stands while it is gone for seconds; an escalated one says that nobody came."""
    rows, _ = page_of(pictures.alarm("A07", "current_warn", active=False, came_and_went=7, escalated=True))
    assert rows[0][1:3] == "*2"
    text = " ".join(" ".join(rows).split())
    assert "comes and goes, 7 times; nobody acknowledged it in its time" in text
    assert "its cause is gone" not in text
    rows, _ = page_of(pictures.alarm("A07", seen=True, escalated=True, came_and_went=3, active=False))
    assert rows[0][1:3] == "!2"
    assert "nobody acknowledged" not in " ".join(rows)


def test_a_flood_says_where_to_look():
    """At the first of each group."""
    rows, _ = page_of(pictures.alarm("A01"), flood=True)
    assert [row for row in rows if row.startswith("FLOOD: ")]
    assert not [row for row in page_of(pictures.alarm("A01"))[0] if "FLOOD" in row]
