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
