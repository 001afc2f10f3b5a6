"""Which battery stands where, what a sign-off says of each, and what was read of it after the last current."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from controller.core.loadchecks import OUTCOMES
from controller.records.batchlist import Battery, listed, parse_batches
from controller.records.batteries import (
    Measured,
    Outcome,
    batteries_of,
    battery_cells,
    judged,
    links_of,
    measured_of,
    outcomes_of,
    plain_batteries,
    verdict_of,
)
from controller.records.head import read_head, read_plain, write_head
from controller.records.readings import Reading
from controller.records.rows import BATTERY_COLUMNS, cells_text

HOUR_MS = 3_600_000
END_MS = 1_773_640_800_000
LIST = "K3107:1-2/P12 K3108:4//S9, K3109:5/P13/S-10.b"


def test_each_place_of_a_list_with_pallet_serial_and_links():
    """A batch over several places, one battery by its serial; the place in between has a link."""
    found = listed(LIST, "L3")
    assert found == (
        Battery(1, "K3107", "P12", "", "L3"), Battery(2, "K3107", "P12", "", "L3"), Battery(4, "K3108", "", "S9", "L3"),
        Battery(5, "K3109", "P13", "S-10.b", "L3"),
    )  # fmt: skip
    assert links_of(found, 6) == (3, 6)
    assert links_of((), 6) == ()
    assert [each.batteries for each in parse_batches(LIST)] == [2, 1, 1]
    assert listed("what they wrote") == ()


@pytest.mark.parametrize(("text", "says"), [
    ("K1:1-2/P1/S1", "a serial is that of one battery"), ("K1:1//S1 K1:2//S1", "battery S1 stands at 1 and at 2"),
    ("K1:1/=1+1", "is not BATCH"), ("K1:1/P1/=cmd", "is not BATCH"), ("K1:1/P1/" + "9" * 41, "is not BATCH"),
    ("K1:1/P1/", "is not BATCH"), ("K1:1/<b>", "is not BATCH"), ("K1:1/P1/S1/X", "is not BATCH"),
    ("K1:1\u0663", "is not BATCH"), ("K1:1/P1/" + "x" * 10_000, "is not BATCH"),
])  # fmt: skip
def test_a_wrong_pallet_or_serial_is_refused(text, says):
    """What could become a formula, another entry or an endless cell never enters; the sentence stays short."""
    with pytest.raises(ValueError, match=says) as caught:
        parse_batches(text)
    assert len(str(caught.value)) < 200


def test_the_list_stands_in_run_json(rec):
    """As data, with the links and the text as it was given; null where the list says nothing."""
    start = rec.start(batteries=listed(LIST), load_list=LIST)
    plain = read_plain(write_head(start))
    assert plain["batteries"][0] == {"position": 1, "batch": "K3107", "pallet": "P12", "serial": None, "type": None}
    assert plain["batteries"][3]["serial"] == "S-10.b"
    assert plain["links"] == [3, *range(6, 19)]
    assert plain["load_list"] == LIST
    assert batteries_of(plain) == listed(LIST)
    assert (plain["follow_on"], read_head(plain).load) == (None, start.load)


def test_a_follow_on_run_says_what_it_goes_on_with(rec):
    """The earlier run's name, the number of the first step, the charge that went in before, what is still owed."""
    start = rec.start(owed_Ah=1.5)
    load = replace(start.load, continues="20260316T060000Z-A-A01-K0", credited_Ah=99.0)
    plain = read_plain(write_head(replace(start, load=load)))
    assert plain["follow_on"] == {
        "continues": "20260316T060000Z-A-A01-K0", "first_step": 1, "credited_Ah": 99.0, "owed_Ah": 1.5,
    }  # fmt: skip


def test_an_older_record_has_numbered_batteries(rec):
    """run.json without it is read as ever; its list is read from the text, else its batteries have numbers only."""
    plain = read_plain(write_head(rec.start()))
    for key in ("batteries", "links", "follow_on"):
        del plain[key]
    assert read_head(plain).load == rec.start().load
    assert batteries_of(plain) == tuple(Battery(position, "") for position in range(1, 19))
    assert batteries_of({**plain, "load_list": LIST}) == tuple(replace(each, type="") for each in listed(LIST))
    assert len(batteries_of({**plain, "load_list": "K1:1-99"})) == len(batteries_of({**plain, "load_list": 5})) == 18


@pytest.mark.parametrize(("plain", "expected"), [
    ({}, ()), ({"load": {"batteries": True}}, ()), ({"load": [1]}, ()), ({"load": {"batteries": "9"}}, ()),
    ({"load": {"batteries": 10**9}, "batch": ["x" * 10_000]}, 60), ({"load": {"batteries": -3}}, ()),
    ({"batteries": [{"position": "1"}, {"position": True}, {"position": 0}, {"position": 61}, 7, None]}, ()),
    ({"batteries": [{"position": 2, "batch": "\x1b[31m\n=1", "serial": ["x"], "pallet": "=1+1"}]},
     (Battery(2, "[31m =1", "'=1+1"),)),
    ({"batteries": [{"position": 2}, {"position": 1, "serial": "y" * 10_000}] * 5_000},
     (Battery(1, "", "", "y" * 56 + "..."), Battery(2, ""))),
])  # fmt: skip
def test_a_list_of_anybody_s_making_is_read_as_data(plain, expected):
    """Nothing of a file is believed that is not of its form; what is shown is cleaned and short."""
    found = batteries_of(plain)
    assert len(found) == expected if isinstance(expected, int) else found == expected
    assert all(len(each.serial) + len(each.batch) <= 120 for each in found)


def test_outcomes_default_exceptions_and_reasons():
    """The last word on a place holds; a reason with a name is one, any other is told in its own words."""
    found = outcomes_of(
        "pass, 4 scrap reversed, 9 re-form Low Density 1.22, 2 rework cracked lid, 4 pass fine", (1, 2, 4, 9)
    )
    assert found == {
        1: Outcome("pass"), 2: Outcome("rework", "other", "cracked lid"), 4: Outcome("pass", "", "fine"),
        9: Outcome("re-form", "low density", "1.22"),
    }  # fmt: skip
    assert outcomes_of("scrap reversed", (7,)) == {7: Outcome("scrap", "reversed")}
    assert outcomes_of("scrap reversedly", (7,)) == {7: Outcome("scrap", "other", "reversedly")}
    assert outcomes_of("pass, 12 scrap no fill, x scrap reversed, ", (1,)) == {1: Outcome("pass")}


def test_words_that_give_no_outcome_are_never_a_pass():
    """A row that was cut in its middle leaves a battery without an outcome."""
    assert outcomes_of("pass, 3 scr...", (1, 3)) == {1: Outcome("pass"), 3: Outcome("", "", "scr...")}
    assert outcomes_of("pass, 3", (3,)) == {3: Outcome("", "", "")}
    assert outcomes_of("", (3,)) == {3: Outcome("", "", "")}


def test_the_verdict_counts():
    """In the words of the outcomes, those that none has left out; all of them as numbers."""
    verdict, counts = verdict_of([Outcome("pass"), Outcome("pass"), Outcome("scrap"), Outcome("")])
    assert (verdict, counts) == ("signed off: 2 pass, 1 scrap", {"pass": 2, "re-form": 0, "rework": 0, "scrap": 1})
    assert tuple(counts) == OUTCOMES
    assert verdict_of([])[0] == "signed off: no battery"


def reading(what, value, hours, position=1, temperature_C=None):
    """Taken so many hours after the end, typed a minute later."""
    at_ms = END_MS + round(hours * HOUR_MS)
    return Reading(at_ms + 60_000, at_ms, position, what, value, "", temperature_C)


def test_what_was_read_after_the_last_current():
    """The newest of each kind; volts with their age, the density at the bath's reference temperature."""
    found = measured_of(
        [
            reading("voltage", 14.1, -0.5), reading("voltage", 12.95, 2.0), reading("voltage", 12.81, 13.5),
            reading("voltage", 12.9, 9.0), reading("density", 1.282, 1.0, temperature_C=40.0),
            reading("level", 151.0, 0.0), reading("voltage", 12.7, 5.0, position=2), reading("joint_mV", 3.0, 1.0, 3),
        ],
        END_MS,
        25.0,
    )  # fmt: skip
    # 0.0007 kg/L a kelvin (common practice, no published source): 15 K are some 0.0105.
    assert found[1].density == pytest.approx(1.282 + 15 * 0.0007, abs=0.0015)
    assert found[1] == Measured(12.81, 13.5, found[1].density, 25.0, 151.0)
    assert found[2] == Measured(12.7, 5.0)
    assert found[3] == Measured()
    assert judged([found[1], found[2], None]) == 1
    assert judged([Measured(12.8, 12.0), Measured(12.8, 11.999)]) == 1


def test_without_a_known_last_current_nothing_counts():
    """Volts under current would pass for open-circuit ones."""
    assert measured_of([reading("voltage", 12.9, 2.0)], None, 25.0) == {}
    assert measured_of([reading("voltage", 12.9, 0.0)], END_MS, 25.0)[1].ocv_age_h == 0.0


@pytest.mark.parametrize(("value", "temperature_C"), [(1.28, None), (0.9, 25.0), (1.5, 25.0), (1.28, 400.0)])
def test_a_density_without_its_temperature_is_left_out(value, temperature_C):
    """Nor is one that is no acid's: 0.004 between 20 and 25 C is a third of a sort class."""
    found = measured_of([reading("density", value, 1.0, temperature_C=temperature_C)], END_MS, 25.0)
    assert found[1] == Measured()


def test_a_row_has_a_cell_for_each_column():
    """Missing is empty, never 0; text from outside is cleaned in the row."""
    cells = battery_cells(Battery(3, "K1", "", "'=1"), Measured(12.8, 14.0), Outcome("scrap", "other", "=2+2\nbad"))
    assert cells_text(cells, BATTERY_COLUMNS) == "3,K1,,'=1,12.8,14,,,,scrap,other,'=2+2 bad"
    assert json.dumps(plain_batteries([Battery(3, "K1")])) == (
        '[{"position": 3, "batch": "K1", "pallet": null, "serial": null, "type": null}]'
    )
