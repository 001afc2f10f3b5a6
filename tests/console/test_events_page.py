"""The events page: the record's rows in their order, found again, and never in the way of what is new."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta, timezone

import pictures

from controller.console import events
from controller.console.scene import EventLine

ZONE = timezone(timedelta(hours=1))


def event(number, kind="event", target="A07", who="night1", text="held"):
    return EventLine(f"2026-03-17T01:{number // 60:02d}:{number % 60:02d}.000Z", kind, "code", target, who, "", text)


LINES = (
    event(1, "order", "A07", "anna", "hold by anna"), event(2, "event", "A07", "", "held: local control"),
    event(3, "alarm", "A09", "", "no fresh readings for 3 s"), event(4, "refusal", "A08", "night1", "resume refused"),
    event(5, "order", "A08", "night1", "resume by night1"),
)  # fmt: skip


def scene(lines=LINES, **place):
    return replace(pictures.scene(pictures.picture(), zone=ZONE, **place), events=tuple(lines))


def texts(made, width=80, height=18):
    return [each.text for each in events.rows(made, width, height)]


def test_each_event_is_one_row_with_local_time_target_kind_who_and_text():
    """Newest last; nothing carries a style."""
    lines = texts(scene())
    assert lines[0] == "all kinds, all circuits".ljust(71) + "following"
    assert lines[1] == " 17 02:00:01 A07 order   anna      hold by anna"
    assert lines[-1] == ">17 02:00:05 A08 order   night1    resume by night1"
    assert not any(row.spans for row in events.rows(scene(), 80, 18))


def test_in_a_replay_what_a_refusal_or_an_alarm_asks_for_was_asked_then():
    """Only there, and only where a text may ask for something: what returned asks for nothing."""
    alarms = (replace(LINES[2], code="link_lost:new"), replace(LINES[2], code="link_lost:returned"))
    lines = texts(replace(scene((*LINES, *alarms)), replay=True))
    assert lines[4].endswith(" refusal night1    then: resume refused")
    assert "then: no fresh readings for 3 s" in lines[6]
    assert "".join(lines).count("then: ") == 2
    assert "then: " not in "".join(texts(scene((*LINES, *alarms))))


def test_list_follows_the_newest_until_it_is_scrolled():
    """At the end the newest stands in the last row; scrolled, the row stays and the newer ones are counted."""
    many = [event(number, text=f"number {number}") for number in range(100)]
    assert texts(scene(many))[-1].endswith("number 99")
    lines = texts(scene(many, top=12))
    assert lines[0].endswith(" 12 newer")
    assert lines[-1].endswith("number 87")
    assert len(lines) == 18
    assert texts(scene(many, top=1))[0].endswith(" 1 newer")
    assert texts(scene(many, top=10**6))[-1].endswith("number 0")


def test_filters_by_kind_circuit_and_words():
    """Each narrows the list; words are found in any column, in any order and case."""

    def found(**place):
        return [line.time_utc[17:19] for line in events.visible(scene(**place))]

    assert found() == ["01", "02", "03", "04", "05"]
    assert found(events_kind="order") == ["01", "05"]
    assert found(events_circuit="A08") == ["04", "05"]
    assert found(events_kind="order", events_circuit="A08") == ["05"]
    assert found(find="NIGHT1 resume") == ["04", "05"]
    assert found(find="nobody") == []
    assert "kind order, only A08" in texts(scene(events_kind="order", events_circuit="A08"))[0]
    assert "with 'anna'" in texts(scene(find="anna"))[0]


def test_f_goes_through_kinds_then_the_selected_circuit_and_back():
    """By one key every filter is reached, and all of them are left again."""
    made, seen = scene(circuit="A08"), []
    for _ in range(2 * len(events.KINDS)):
        place = events.filtered(made)
        assert place.top == 0
        seen.append((place.events_kind, place.events_circuit))
        made = replace(made, place=place)
    assert {(kind, circuit) for kind in events.KINDS for circuit in ("", "A08")} == set(seen)
    assert seen[-1] == ("", "")


def test_selected_is_the_row_with_the_mark():
    """Enter opens what the person sees marked."""
    assert events.selected(scene()) == LINES[-1]
    made = scene(top=2)
    assert events.selected(made) == LINES[2]
    assert texts(made)[-1].startswith(">17 02:00:03 A09")
    assert events.selected(scene(())) is None


def test_empty_list_says_why():
    """No events at all, or none that fits."""
    assert texts(scene(()))[1] == "no events here"
    assert texts(scene(find="nobody"))[1].startswith("no event fits")


def test_odd_texts_keep_the_columns():
    """Wide, combining and unknown characters fill one column each; a moment that is none shows dashes."""
    odd = EventLine("nonsense", "alarm", "c", "A\u200b07", "\u4e2d\u6587", "", "e\u0301 \x1b[2J \U0001f600 end")
    text = texts(scene([odd]))[1]
    assert text.isprintable()
    assert text.startswith(">-- ")
    assert "\x1b" not in text
    far = replace(odd, time_utc="0001-01-01T00:00:00.000Z")
    west = replace(scene([far]), zone=timezone(timedelta(hours=-5)))
    assert texts(west)[1].startswith(">-- ")


def test_any_size_never_raises_and_never_is_wider():
    """Whatever is selected or scrolled to, at any size."""
    chance = random.Random(3)
    for _ in range(300):
        lines = [event(number, text="x" * chance.randint(0, 300)) for number in range(chance.choice([0, 1, 30]))]
        made = replace(
            pictures.any_scene(chance, find=chance.choice(["", "x", "held"]), events_kind=chance.choice(["", "zzz"])),
            events=tuple(lines),
        )
        width, height = chance.randint(1, 300), chance.randint(1, 100)
        found = events.rows(made, width, height)
        assert len(found) <= height
        assert all(len(row.text) <= width for row in found)
