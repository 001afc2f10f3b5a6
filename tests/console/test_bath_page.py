"""The bath's table: how each circuit stands, in columns that hold, and the selected one told in two lines."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from pictures import alarm, any_scene, circuit, cooling, forty, idle, picture, reading, run, scene, seen, special

from controller.console import bath, hall, ordermenu
from controller.console import circuit as circuit_page


def page(shown, width=80, height=18):
    return [each.text for each in bath.rows(shown, width, height)]


def line_of(one, width=80, **over):
    """The row of a circuit alone in its bath."""
    return page(scene(seen(picture([one]), **over), circuit=""), width)[2]


def at(shown, **over):
    return replace(shown, place=replace(shown.place, **over))


def test_table_on_the_smallest_terminal():
    """Head, ten circuits, the bath's line above them and the selected one's sentence below, in eighteen rows."""
    lines = page(forty())
    assert lines[1:4] == [
        "    cir state    stp 0h     course    18.4h late     A  V/c hot C  left runs",
        "    A01 running  4/6 [=======.====>  :    ]       12.0 2.77  42.1  7:07",
        "    A02 running  4/6 [=======.====>  :    ]       12.0 2.77  42.1  7:07",
    ]
    assert lines[5] == "    A04 idle         [       :       :    ]        0.0 2.13  42.1  0:56 start"
    assert lines[7:12] == [
        "    A06 complete 6/6 [=======.=======.====]        0.0 2.13  31.1  1:52 unload",
        ">*2 A07 running  4/6 [=======.===>   :    ]        5.3 2.77  53.5 17:29 44%hot",
        "    A08 held     4/6 [=======.====>  :    ]        0.0 2.13  42.1  7:22 waits",
        " *2 A09 held?    4/6 [=======.====>  :    ]       ?12s ?12s  ?12s       zero",
        " #2 A10 BLOCKED  4/6 [=======.====>  :    ]        0.0 2.13  42.1       night1",
    ]
    assert lines[12].startswith("A07 second charge: reduced to 44 %")
    assert len(lines) == 14


@pytest.mark.parametrize("count", [14, 15])
def test_fourteen_circuits_fit(count):
    """With one more the bath's line gives way before a circuit does."""
    shown = scene(picture([circuit(f"A{number:02d}") for number in range(1, count + 1)]))
    lines = page(shown)
    assert len(lines) == 18
    assert all(f"A{number:02d}" in "\n".join(lines) for number in range(1, count + 1))
    assert lines[0].startswith("Bath A") == (count == 14)
    assert not any("below" in line for line in lines)


@pytest.mark.parametrize(
    ("one", "end"),
    [
        (cooling("A01"), "0:25 cool"),
        (circuit(state="tripped"), "reset"),
        (circuit(run=run(restart_left_ms=60_000)), "restart"),
        (idle("A01"), "42.1"),
        (circuit(blocked="a-login-of-many-letters"), "a-login~"),
        (circuit(current_A=reading(1e9)), "7:07"),
    ],
)
def test_last_columns(one, end):
    """What it waits for, or nothing."""
    assert line_of(one).endswith(end)


def test_a_number_that_does_not_fit_is_no_other_number():
    """A column never cuts a number; it says that it has none to show."""
    assert "1000000000" not in line_of(circuit(current_A=reading(1e9)))
    assert line_of(circuit(current_A=reading(1e9)))[48:54] == "     ?"


def test_missing_values_are_dashes_and_old_ones_ages():
    """No number stands where none was read in time."""
    assert line_of(circuit(current_A=reading(None, quality="lost")))[48:54] == "    --"
    assert line_of(circuit(age_s=240))[48:65] == "   ?4m  ?4m   ?4m"


def test_silent_bath_shows_nothing_current():
    """Every value is an age, every state has its question mark, nothing is counted down or waited for."""
    lines = page(scene(seen(picture(special()), silent_s=4.0), circuit="A07"))
    assert lines[0] == "Bath A  SILENT since 02:14:31, nothing here is current"
    for line in lines[2:12]:
        assert "?" in line
        assert not any(word in line for word in ("12.0", "42.1", "7:0", "44%", "waits", "unload", "start"))
    assert lines[11].endswith("night1")


def test_purge_stands_on_top():
    """The same line as in the hall, even where the table would need its row."""
    many = [circuit(f"A{number:02d}") for number in range(1, 16)]
    lines = page(scene(picture(many, purge_left_s=350.0)))
    assert "PURGE 4:10 of 10:00" in lines[0]
    assert len(lines) == 18
    assert "circuits below" in lines[15]


def test_scrolled_table_keeps_its_head_and_tells_what_is_abnormal_outside():
    """The selected circuit is in the window, and each abnormal one outside it is named."""
    many = [circuit(f"A{n:02d}", percent=44 if n in {2, 29} else 100) for n in range(1, 31)]
    for chosen in range(1, 31):
        lines = page(scene(picture(many), circuit=f"A{chosen:02d}"))
        text = "\n".join(lines)
        assert len(lines) <= 18
        assert "cir state" in lines[0] or "cir state" in lines[1]
        assert f">   A{chosen:02d}" in text
        assert "A02" in text
        assert "A29" in text


def test_wide_terminal_adds_batch_charge_end_energy_and_reason():
    """Behind the table, whose columns do not move."""
    lines = page(forty(), 160, 34)
    assert lines[1].endswith("runs     batch        Ah      ends    kWh  why")
    assert lines[8].startswith(
        ">*2 A07 running  4/6 [=======.===>   :    ]        5.3 2.77  53.5 17:29 44%hot   K3107 "
    )
    assert lines[8].endswith("133.8     19:43   42.0  probe 53.5 C, above 50.0")
    assert lines[9].endswith("144.0             42.0  local control")


def test_long_names_and_many_steps_take_their_room_from_the_course():
    """Columns stay under their heads, and the row stays in the terminal."""
    shown = scene(picture([circuit("north-7"), circuit("A02")]))
    lines = page(shown)
    assert lines[1].index("hot C") + 5 == lines[2].index("42.1") + 4
    assert len(lines[2]) <= 80
    assert "north-7 running" in lines[2]


def test_bath_without_circuits_or_picture_says_so():
    """Nothing known is told, not left blank."""
    assert "no circuits" in page(scene(picture([])))[1]
    assert "no answer yet" in page(scene(seen(None)))[0]
    assert page(scene()) == ["no bath is attached"]


def test_styles_stand_on_marks_names_and_named_words_only():
    """No number and no sentence is coloured, but an age is."""
    rows = bath.rows(forty(), 160, 34)
    styled = {(each.text[first:last], style) for each in rows for first, last, style in each.spans}
    assert styled == {
        ("*2", "soon"), ("A07", "soon"), ("44%hot", "soon"), ("!3", "shift"), ("A03", "shift"), ("start", "waits"),
        ("waits", "waits"), ("A09", "soon"), ("held?", "shift"), ("?12s", "shift"), ("#2", "soon"), ("A10", "soon"),
        ("BLOCKED", "waits"), ("night1", "waits"),
    }  # fmt: skip


def test_bath_alarm_stands_on_the_bath_line():
    """An alarm of the bath itself has its mark before the bath's name."""
    assert page(scene(picture(alarms=(alarm("A", "water_warm", priority=3),))))[0].startswith("*3 Bath A")


def test_bath_never_fails_and_never_is_wider_or_longer():
    """Any scene, any terminal from 40x1 to 300x100."""
    chance = random.Random(11)
    for seed in range(250):
        shown = any_scene(random.Random(seed), page="bath")
        sizes = [(40, 1), (80, 18), (300, 100), (chance.randint(40, 300), chance.randint(1, 100))]
        for width, height in (*sizes, (chance.randint(40, 300), chance.randint(1, 8))):
            rows = bath.rows(at(shown, only_abnormal=seed % 2 == 0), width, height)
            assert len(rows) <= height
            assert all(len(each.text) <= width for each in rows)
            assert all(last <= len(each.text) for each in rows for _, last, _ in each.spans)


@pytest.mark.parametrize("name", ["hall", "bath", "circuit", "orders"])
def test_caution_is_whole_or_not_there(name):
    """A refusal that sends hands to a string stands there to its last word, or its page says where it is read."""
    why = "string reads 12.7 V, a formed battery. off, zero read back; block it, lock the rectifier off; "
    why += "air on; wait 10 min; meter; only then hands"
    one = circuit("A04", "idle", may={"start": why}, start_checks=[("string_volts", why)])
    others = [circuit(f"A{number:02d}") for number in range(5, 15)]
    shown = scene(picture([one, *others]), page=name, circuit="A04")
    pages = {"hall": hall, "bath": bath, "circuit": circuit_page, "orders": ordermenu}
    for width in (80, 120):
        for height in (6, 8, 12, 18, 34):
            text = " ".join(row.text.strip() for row in pages[name].rows(shown, width, height))
            if height >= 12:
                assert ("off, zero read back" in text) == ("only then hands" in text), (width, height)
            if height >= 18:
                assert "only then hands" in text
            assert "~" not in text.replace(" ~ ", " ")
