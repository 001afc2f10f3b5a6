"""The hall: forty circuits and all bath lines on a small terminal, each in its place, nothing abnormal hidden."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import pytest
from pictures import alarm, any_scene, circuit, forty, idle, picture, reading, scene, seen, special

from controller.console import hall


def page(shown, width=80, height=18):
    return [each.text for each in hall.rows(shown, width, height)]


def at(shown, **over):
    return replace(shown, place=replace(shown.place, **over))


def bath_line(one, **over):
    return page(scene(seen(one, **over)))[0]


def test_forty_circuits_and_all_bath_lines_fit_the_smallest_terminal():
    """Eighteen rows: four baths of ten, four to a row, and the selected circuit in two lines."""
    lines = page(forty())
    assert len(lines) == 18
    assert [line[:6] for line in lines[::4]][:4] == ["Bath A", "Bath B", "Bath C", "Bath D"]
    text = "\n".join(lines)
    assert all(f"{bath}{number:02d}" in text for bath in "ABCD" for number in range(1, 11))
    assert lines[1] == "  A01 71%             A02 71%           !3A03 71%             A04 start by 03:10"
    assert lines[2] == "  A05 free            A06 to unload 1:52*2A07>66% 44%hot      A08 held 0:41"
    assert lines[3] == "*2A09 held? ?12s    #2A10 BLOCKED night1"
    assert lines[16].startswith("A07 second charge: reduced to 44 % since 00:17")


def test_wide_terminal_shows_alarms_whole_and_the_next_to_end():
    """Six to a row, below them the first alarms with all their words, and who ends next."""
    lines = page(forty(), 120, 34)
    assert "A06" in lines[1]
    assert "A07" in lines[2]
    text = " ".join(" ".join(lines).split())
    assert "only then hands: clamps first. A clamp that arced is replaced. Then unblock" in text
    assert "A01 ends 09:22, in 7:07" in text
    assert text.count(" ends ") >= 6


def test_places_never_move():
    """Whatever happens to the circuits, each keeps its row and column, with the filter too."""

    def places(shown):
        return {
            name: (row, line.index(name))
            for row, line in enumerate(page(shown))
            for name in re.findall(r"[ABCD]\d\d", line if line[:1] in " *!#~" else "")
        }

    quiet = scene(*(picture([circuit(f"{b}{n:02d}") for n in range(1, 11)], bath=b) for b in "ABCD"), circuit="A07")
    loud, filtered = forty(), at(forty(), only_abnormal=True)
    assert places(quiet) == places(loud)
    assert places(filtered).items() <= places(loud).items()
    assert set(places(filtered)) == {"A03", "A07", "A08", "A09", "A10"}


def test_a_circuit_that_becomes_normal_leaves_its_place_blank_under_the_filter():
    """Filtered away is blank, not closed up."""
    shown = scene(picture([circuit("A01"), circuit("A02", percent=44), circuit("A03")]), circuit="", only_abnormal=True)
    assert page(shown)[1] == "                      A02 71% 44%hot"


def test_selected_is_marked_behind_its_name():
    """The selection is one character, and belongs to a circuit."""
    lines = page(at(forty(), bath="B", circuit="B03"))
    assert "B03>71%" in lines[5]
    assert "A07 66%" in lines[2]


@pytest.mark.parametrize(
    ("inputs", "part"),
    [
        ({}, "water 31.2 C  flow 42  level air hood ok  H2 3 %LEL"),
        ({"airflow": reading(0.0)}, "level hood ok  NO AIR"),
        ({"hood_closed": reading(0.0)}, "level air ok  HOOD OPEN"),
        ({"level": reading(-1.0)}, "air hood ok  LEVEL LOW"),
        ({"emergency_stop_ok": reading(0.0)}, "EMERGENCY STOP"),
        ({"emergency_stop_ok": reading(1.0, 9_000)}, "e-stop ?9s"),
        ({"airflow": reading(1.0, 9_000)}, "level hood ok  air ?9s"),
        ({"airflow": reading(None, quality="lost")}, "level hood ok  air --"),
        ({"level": None, "flow_L_min": None, "hydrogen_percent_LEL": None}, "water 31.2 C  air hood ok "),
        ({"water_C": [reading(31.0, 9_000)]}, "water ?9s C"),
    ],
)
def test_bath_line_tells_inputs(inputs, part):
    """What is well stands together; what is not, is old or unread stands apart; what is not there is not named."""
    assert part in bath_line(picture(inputs=inputs))


def test_bath_line_ends_with_its_clock_and_names_power():
    """12 A at 299 V of one circuit are 3.6 kW; one unread circuit and the sum is not told."""
    line = bath_line(picture([circuit(), idle("A02")]))
    assert line.endswith("H2 3 %LEL  3.6 kW     02:14:31")
    assert len(line) == 80
    assert "kW" not in bath_line(picture([circuit(), circuit("A02", age_s=9)]))


def test_purge_is_told_with_minutes_done_and_due():
    """The purge stands on the bath's line, in its own style."""
    (first, *_) = hall.rows(scene(picture(purge_left_s=350.0)), 80, 18)
    assert "PURGE 4:10 of 10:00" in first.text
    (span,) = first.spans
    assert first.text[span[0] : span[1]] == "PURGE 4:10 of 10:00"
    assert span[2] == "waits"
    assert "PURGE" not in bath_line(picture(purge_left_s=0.0))


def test_crowded_bath_line_keeps_faults_and_purge():
    """Where all does not fit, numbers give way and words stay."""
    bad = picture(
        purge_left_s=350.0, alarms=(alarm("A", "water_warm"),),
        inputs={"level": reading(-1.0), "hood_closed": reading(0.0), "airflow": reading(1.0, 9_000)},
    )  # fmt: skip
    line = bath_line(bad)
    assert line.startswith("*2 Bath A")
    for part in ("LEVEL LOW", "HOOD OPEN", "air ?9s", "PURGE 4:10 of 10:00"):
        assert part in line


def test_silent_bath_keeps_its_line_with_the_moment():
    """Its circuits keep their places and show ages only."""
    lines = page(scene(seen(picture(special()), silent_s=4.0), circuit="A07"))
    assert lines[0] == "Bath A  SILENT since 02:14:31, nothing here is current"
    assert "%" not in " ".join(lines[1:4])
    assert "A07>running? ?4s" in lines[2]
    assert "DOES NOT ANSWER since 02:14:31" in bath_line(picture(), attached=False)
    assert page(scene(seen(None)))[0] == "Bath A  no answer yet"


def test_no_bath_says_so():
    """An empty hall is told, not blank."""
    assert page(scene()) != [""]


def test_scrolled_hall_tells_what_is_abnormal_outside():
    """The window holds the selected circuit; each abnormal one outside it is named."""
    shown = at(forty(), bath="D", circuit="D10")
    lines = page(shown, 80, 9)
    assert any("D10>" in line for line in lines)
    assert lines[0].endswith("5 abnormal A03 A07 A08 A09 A10")
    down = page(at(forty(), circuit="A01"), 40, 4)
    assert "A01>" in "".join(down)
    assert "abnormal" in down[-1]
    assert down[-1].endswith("~") or "A10" in down[-1]


@pytest.mark.parametrize("height", range(3, 19))
@pytest.mark.parametrize("width", [80, 120])
def test_every_abnormal_circuit_is_shown_or_named(width, height):
    """However short the terminal and wherever the selection is, none of them is hidden untold."""
    shown = forty()
    for bath, one in shown.circuits():
        text = "\n".join(page(at(shown, bath=bath.name, circuit=one.name), width, height))
        assert f"{one.name}>" in text
        assert all(name in text for name in ("A03", "A07", "A08", "A09", "A10")), (one.name, text)


def test_long_names_widen_every_place():
    """A name is not cut while it fits: all places grow alike, and fewer stand beside each other."""
    shown = scene(picture([circuit("north-hall-07"), circuit("A02"), circuit("A03"), circuit("A04")]))
    assert hall.columns(80, hall.longest_name(shown)) == 2
    assert page(shown)[1] == "  north-hall-07>71%             A02 71%"


def test_every_mark_and_word_is_told_by_characters():
    """Without any colour each state, mark, derate, block and old value is still there."""
    text = "\n".join(page(forty()))
    for part in ("*2A07", "!3A03", "#2A10", "BLOCKED night1", "44%hot", "held 0:41", "held? ?12s", "cool-down 0:25"):
        assert part in text


def test_styles_stand_on_marks_names_and_named_words_only():
    """Sentences carry none, and a quiet hall has no colour at all."""
    quiet = scene(picture([circuit(), idle("A02"), circuit("A03", "complete")]))
    assert {each.spans for each in hall.rows(quiet, 80, 18)} == {()}
    rows = hall.rows(forty(), 120, 34)
    styled = {(each.text[first:last], style) for each in rows for first, last, style in each.spans}
    assert {style for _, style in styled} <= {"now", "soon", "waits", "shift"}
    assert styled == {
        ("*2", "soon"), ("A07", "soon"), ("44%hot", "soon"), ("!3", "shift"), ("A03", "shift"), ("held", "waits"),
        ("A09", "soon"), ("held?", "shift"), ("?12s", "shift"), ("#2", "soon"), ("A10", "soon"), ("BLOCKED", "waits"),
    }  # fmt: skip


def test_hall_never_fails_and_never_is_wider_or_longer():
    """Any scene, any terminal from 40x1 to 300x100."""
    chance = random.Random(7)
    for seed in range(250):
        shown = any_scene(random.Random(seed), page="hall")
        sizes = [(40, 1), (80, 18), (300, 100), (chance.randint(40, 300), chance.randint(1, 100))]
        for width, height in (*sizes, (chance.randint(40, 300), chance.randint(1, 8))):
            rows = hall.rows(shown, width, height)
            assert len(rows) <= height
            assert all(len(each.text) <= width for each in rows)
            assert all(last <= len(each.text) for each in rows for _, last, _ in each.spans)
