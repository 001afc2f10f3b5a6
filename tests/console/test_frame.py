"""The lines that every page has: path, clock, counts, services, the first thing to do, the keys."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta, timezone

import pytest
from pictures import PAGES, alarm, any_scene, circuit, forty, picture, scene, seen

from controller.console import frame
from controller.words import ALARMS

ZONE = timezone(timedelta(hours=1))


def top(shown, width=80):
    return [each.text for each in frame.top(shown, width)]


def keys(shown, width=80):
    return [each.text for each in frame.keys(shown, width)]


def first_to_do(*alarms, **over):
    return top(scene(picture([circuit("A07", alarms=alarms)]), **over))[2:]


def test_hall_line_has_path_clock_with_offset_and_counts():
    """The moment is the service's, in the terminal's zone; all alarms are counted, new ones apart."""
    (line, *_) = top(replace(forty(), zone=ZONE))
    assert line == "Hall 1               Tue 17 Mar 03:14:31 +01:00                    2 new  4 open"


@pytest.mark.parametrize(
    ("page", "path"),
    [
        ("hall", "Hall 1 "),
        ("bath", "Hall 1 / Bath A "),
        ("circuit", "Hall 1 / Bath A / A07 "),
        ("trend", "Hall 1 / Bath A / A07 / trend "),
        ("starts", "Hall 1 / Bath A / A07 / start list "),
        ("alarms", "Hall 1 / alarms "),
    ],
)
def test_path_says_how_deep(page, path):
    """Hall, bath, circuit, page."""
    shown = forty()
    assert top(replace(shown, place=replace(shown.place, page=page)))[0].startswith(path)


def test_filter_is_told():
    """Who sees only the abnormal must know it."""
    shown = forty()
    assert "only abnormal" in top(replace(shown, place=replace(shown.place, only_abnormal=True)))[0]


@pytest.mark.parametrize("width", [40, 60, 80, 120, 300])
@pytest.mark.parametrize("page", PAGES)
def test_demo_and_replay_stand_beside_the_path_on_every_page(page, width):
    """Nobody takes a virtual plant or a replay for the real one, however narrow the terminal."""
    virtual = picture(virtual=True, hall="a hall with a very long name indeed")
    assert "DEMO" in top(scene(virtual, page=page), width)[0]
    assert "REPLAY" in top(scene(virtual, page=page, replay=True), width)[0]
    assert "DEMO" not in top(scene(picture(), page=page), width)[0]


def test_demo_of_a_mixed_hall_names_its_baths():
    """A real bath beside a virtual one is not called a demo, and the virtual one is."""
    mixed = (picture(), picture([circuit("B01")], bath="B", virtual=True))
    assert "DEMO: B" in top(scene(*mixed))[0]
    assert "DEMO" not in top(scene(*mixed, page="bath", bath="A"))[0]
    assert "DEMO" in top(scene(*mixed, page="bath", bath="B"))[0]


def test_services_line():
    """Who answers, whether records and links are whole, and how many are blocked."""
    assert top(forty())[1] == "baths 4 of 4 answer | records ok  links 39 of 40 | blocked 1"


def test_records_in_trouble_are_named():
    """A bath that cannot write says why; of a silent one nobody knows it."""
    assert "RECORDS: A disk full" in top(scene(picture(record_trouble="disk full")))[1]
    assert "records ?" in top(scene(seen(picture(), silent_s=4.0)))[1]


def test_block_is_told_on_a_narrow_terminal():
    """What is well gives way; the block does not."""
    assert top(forty(), 40)[1] == "baths 4 of 4 answer | blocked 1"


def test_links_of_a_silent_bath_do_not_count():
    """A link that nobody has heard of for a while is not up."""
    assert (
        "baths 1 of 2 answer | records ?  links 1 of 2"
        in top(scene(seen(picture(), silent_s=4.0), picture([circuit("B01")], bath="B")))[1]
    )


def test_pace_of_a_virtual_plant():
    """How fast its time goes, or that it stands."""
    assert top(scene(picture(virtual=True, pace={"ratio": 300.0, "paused": False})))[1].endswith(" x300")
    assert top(scene(picture(virtual=True, pace={"ratio": 0.5, "paused": False})))[1].endswith(" x0.50")
    assert top(scene(picture(virtual=True, pace={"ratio": 300.0, "paused": True})))[1].endswith(" PAUSED")


def test_nothing_to_do_is_blank():
    """Normal is quiet."""
    assert first_to_do() == ["", ""]


def test_first_alarm_with_cause_value_limit_did_and_do():
    """The cause with value and limit; then the caution, whole even where what was done has no room beside it."""
    cause, did = first_to_do(alarm("A07"))
    assert cause == "*2 02:14 A07 probe 53.5 C, above 50.0"
    assert did == "   LIVE, LOOK ONLY: flow, level, gassing from outside; touch nothing"


def test_a_long_caution_is_never_cut():
    """Where what to do does not fit, the line says where it is read in full."""
    _, did = first_to_do(alarm("A07", "open_string", latched=True, value=0.1, limit=0.5))
    assert did == "   did: tripped, off ordered. What to do: a, alarms  k acknowledges"


def test_highest_then_oldest_new_alarm_is_first():
    """Neither a newer one of the same priority nor one that was seen pushes it away."""
    ones = (
        alarm("A07", "water_warm", priority=3),
        alarm("A07", "link_lost", since_ms=3, priority=2, value=None, limit=3.0),
        alarm("A07", "probe_hold", since_ms=2, priority=2),
        alarm("A07", "open_string", since_ms=1, priority=1, seen=True),
    )
    assert "hold level" in first_to_do(*ones)[0]


def test_seen_alarm_offers_no_acknowledgement():
    """What was acknowledged stays the first thing to do, without the key."""
    cause, did = first_to_do(alarm("A07", seen=True))
    assert cause.startswith("!2 ")
    assert "acknowledges" not in did


def test_a_hands_text_is_never_cut_to_hands_without_its_caution():
    """Where a text is cut, no hand is named before the caution's words; a live string's begins LIVE, LOOK ONLY."""
    order = ("zero read back", "block", "air on", "wait", "meter")
    for code, words in ALARMS.items():
        for width in range(40, 220, 3):
            _, did = (
                first_to_do(alarm("A07", code, value=1234.5, limit=1234.5))
                if width == 40
                else top(
                    scene(picture([circuit("A07", alarms=(alarm("A07", code, value=1234.5, limit=1234.5),))])), width
                )[2:]
            )
            assert len(did) <= max(80, width)
            if words.hands and "hands:" in did:
                assert all(step in did.partition("hands:")[0] for step in order), (code, width)


def test_silent_service_stands_before_all_alarms():
    """Line 3 names the bath and the moment; its alarms are old and say nothing."""
    lost = seen(picture([circuit("A07", alarms=(alarm("A07", priority=1),))]), silent_s=3.1)
    lines = top(scene(lost))[2:]
    assert lines[0] == "bath A: service silent since 02:14:31, nothing here is current"
    assert "watchdogs act" in lines[1]
    wide = top(scene(lost), 160)
    assert "nothing here is current; rectifier watchdogs act" in wide[2]


def test_silent_service_hides_no_new_alarm_of_another_bath():
    """The line below the silent service is the first new alarm of those that answer."""
    other = picture([circuit("B01", alarms=(alarm("B01"),))], bath="B")
    lines = top(scene(seen(picture(), silent_s=9.0), other))[2:]
    assert lines[0].startswith("bath A: service silent")
    assert lines[1].startswith("*2 02:14 B01 probe 53.5 C")


def test_service_that_never_answered_is_told():
    """Nothing is known of it, and that is said."""
    assert "has not answered yet" in top(scene(seen(None)))[2]


def test_clock_of_a_silent_service_stands():
    """The clock is that of the last cycle; no console's clock takes its place."""
    lines = [top(scene(seen(picture(), silent_s=silent)))[0] for silent in (0.1, 60.0, 7200.0)]
    assert len(set(lines)) == 1


def test_said_never_hides_what_is_to_be_done_first():
    """What was said of the last key stands elsewhere: lines 3 and 4 belong to the first alarm."""
    first = top(scene(picture([circuit("A07", alarms=(alarm("A07"),))]), said="pasted 34 characters, ignored"))
    assert "LIVE, LOOK ONLY" in first[3]


def test_keys_follow_the_page():
    """Each page names its own keys, and every one the key that holds."""
    shown = forty()
    assert keys(shown) == [
        "Enter open  Esc back  h hall  t trend  a alarms  e events  g go to  f filter",
        "s STOP/HOLD  k acknowledge  o orders  n note  m mute  ? help  q leave",
    ]
    for page in PAGES:
        first, second = keys(replace(shown, place=replace(shown.place, page=page)), 40)
        assert first
        assert second.startswith("s STOP/HOLD")
    assert keys(replace(shown, place=replace(shown.place, page="starts")))[0].startswith("Enter tick  x refuse")


def test_keys_of_a_stepped_plant_and_of_a_replay():
    """A virtual plant's pace has keys; a replay has none that orders."""
    virtual = picture(virtual=True, pace={"ratio": 300.0, "paused": False})
    assert "Space , . pace" in keys(scene(virtual))[0]
    for page in PAGES:
        both = " ".join(keys(scene(virtual, page=page, replay=True), 200))
        assert not any(word in both for word in ("STOP", "acknowledge", "orders", "note", "tick", "refuse", "answer"))
        assert "[ ] event" in both


def test_mark_of_a_new_alarm_blinks_by_its_colour_only():
    """The unlit half has the same characters and only the name's style; one that was seen does not blink."""

    def styles(**over):
        return frame.top(scene(picture([circuit("A07", alarms=(alarm("A07", **over),))]), blink=False), 80)[2]

    assert styles().text.startswith("*2 ")
    assert styles().spans == ((9, 12, "soon"),)
    assert styles(seen=True).spans == ((0, 2, "soon"), (9, 12, "soon"))
    assert styles(priority=3).spans[0] == (0, 2, "shift")


def test_frame_always_has_its_rows_and_width():
    """Four lines above and two below, never wider than the terminal, whatever the scene."""
    for seed in range(400):
        shown = any_scene(random.Random(seed))
        for width in (40, 41, 57, 79, 80, 120, 161, 300):
            above, below = frame.top(shown, width), frame.keys(shown, width)
            assert (len(above), len(below)) == (4, 2)
            assert all(len(each.text) <= width for each in (*above, *below))
            assert all(last <= len(each.text) for each in above for _, last, _ in each.spans)


def test_shelved_alarms_are_counted_apart():
    """They are not open to a person and not new, and never out of sight; suppressed ones are on their page alone."""
    until = 60_000_000
    shown = scene(picture([circuit("A07", alarms=(alarm(), alarm("A07", "probe_lost", shelved_until_ms=until)))]))
    assert top(shown)[0].endswith("1 new  1 open  1 shelved")
    shown = scene(picture([circuit("A07", alarms=(alarm("A07", "probe_lost", suppressed=True),))]))
    assert top(shown)[0].endswith("0 new  0 open")
    assert [line.strip() for line in top(shown)[2:]] == ["", ""]
