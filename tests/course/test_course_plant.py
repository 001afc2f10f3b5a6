"""Advice on the virtual plant: a clean bath gets none from load to unload, each fault gets its own within its time."""

from __future__ import annotations

import os

import pytest
from coursekit import bath, closed, release_of

pytestmark = pytest.mark.slow
LONG = pytest.mark.skipif(os.environ.get("FORMBATH_LONG") != "1", reason="whole baths each second: set FORMBATH_LONG=1")
LONGEST_s = 40 * 3_600.0
FAULTS = (
    "3:00 A02/5 shorted_cell",
    "3:00 A02/9 shorted_cell",
    "3:00 A03 probe_in_air",
    "1:00 A04 probe_offset -5",
    "A05 wrong_type 45",
    "3:00 A06 probe_swapped",
)


@pytest.fixture(scope="module")
def clean():
    """A clean bath of four circuits, whole, one cycle in half a minute; its course is the others' release."""
    with pytest.MonkeyPatch.context() as patch:
        played = bath(patch, circuits=4, seed=1, keep=True)
        played.loop.until(lambda each: each.over(), LONGEST_s)
        yield played


def played(monkeypatch, hours, **how):
    """A bath after so many hours."""
    found = bath(monkeypatch, **how)
    found.loop.until(lambda each: each.now_s >= hours * 3_600.0, LONGEST_s)
    assert found.advising.failed == 0
    return found


def test_a_clean_bath_gets_no_advice(clean):
    """From load to unload, through both knees and all rests: not one advice, and nothing else is wrong either."""
    assert clean.loop.over()
    assert clean.loop.wrong() == []
    assert (clean.told, clean.advising.failed) == ([], 0)
    compared = [look for look in clean.looks if look.compared is not None and look.compared.volts is not None]
    assert len(compared) > 2_000


def test_each_fault_gets_its_advice_and_its_neighbours_none(clean, monkeypatch):
    """Short, probes in air, low and swapped, small batteries, a long hold: each is told, in its time, and only it."""
    act = closed().Act
    course = release_of(clean.looks)
    faulty = bath(monkeypatch, circuits=8, seed=2, faults=FAULTS, course=course)
    faulty.loop.acts += [act(5 * 3_600.0, "hold", "A06"), act(6 * 3_600.0, "resume", "A06")]
    faulty.loop.until(lambda each: each.now_s >= 6.6 * 3_600.0, LONGEST_s)
    expected = {
        ("A02", "cells_missing"): 5.0, ("A03", "probe_in_air"): 4.0, ("A04", "probe_reads_low"): 2.0,
        ("A05", "knee_early"): 6.5, ("A06", "course_late"): 5.8, ("A06", "probe_elsewhere"): 5.8,
    }  # fmt: skip
    told = faulty.codes()
    # The probe in A06's battery is A07's: while A06 stands it cools, which looks like a probe in the air.
    assert told - {("A07", "probe_in_air")} == expected.keys(), faulty.told
    for (name, code), latest_h in expected.items():
        assert faulty.hours(name, code) <= latest_h, (name, code, faulty.told)
    # Two cells, less what this string lies above its sisters by nature.
    assert 1.2 < faulty.values["A02", "cells_missing"][0] < 2.2
    assert faulty.values["A04", "probe_reads_low"][0] == pytest.approx(5.0, abs=1.0)
    alarms = {event.code for _, event in faulty.loop.events if event.kind.value == "alarm"}
    assert {code for _, code in expected} <= alarms
    assert all(event.reaction <= 1 for _, event in faulty.loop.events if event.code in {code for _, code in expected})


def test_another_acid_in_all_is_told_of_all(clean, monkeypatch):
    """All three strings filled with 1.280 for 1.240 lie some 29 mV a cell off the course: told within three hours."""
    faults = [f"A0{at} wrong_fill 1.280" for at in (1, 2, 3)]
    found = played(monkeypatch, 3.5, circuits=3, seed=2, faults=faults, course=release_of(clean.looks))
    assert found.codes() == {(f"A0{at}", "acid_differs") for at in (1, 2, 3)}
    assert found.values["A01", "acid_differs"] == (pytest.approx(29.0, abs=5.0), 15.0)


def test_a_joint_is_told_at_the_second_edge(monkeypatch):
    """A clamp with 50 mohm more shows them at the second comparable edge, and makes over 5 W; its sisters show none.

    Nor do those with a battery less, or with only twelve.
    """
    found = played(
        monkeypatch, 1.0, circuits=5, seed=3, period_s=5.0, share=0.08, apart_s=75.0, faults=["A02/5 clamp_ohm 0.05"],
        places=(17, 18, 18, 18, 12),
    )  # fmt: skip
    assert found.codes() == {("A02", "joint_resistance"), ("A02", "joint_hot")}
    assert found.values["A02", "joint_resistance"] == (pytest.approx(50.0, abs=8.0), 20.0)
    assert found.values["A02", "joint_hot"][0] == pytest.approx(0.05 * 12.0**2, abs=1.5)


@LONG
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_clean_baths_with_a_course_get_no_advice(clean, monkeypatch, seed):
    """Other strings of the same production, held against the course of the first ones, read each five seconds."""
    found = bath(monkeypatch, circuits=4, seed=seed, period_s=5.0, apart_s=75.0, course=release_of(clean.looks))
    found.loop.until(lambda each: each.over(), LONGEST_s)
    assert (found.told, found.advising.failed) == ([], 0)


@LONG
@pytest.mark.parametrize("profile", ["starter-100-cv", "starter-45-pulsed", "starter-60-cool"])
def test_other_profiles_get_no_advice(monkeypatch, profile):
    """Constant voltage, pulses and other sizes: sisters alone, no course, and no advice."""
    found = bath(monkeypatch, circuits=4, seed=5, period_s=5.0, apart_s=75.0, profile=profile)
    found.loop.until(lambda each: each.over(), LONGEST_s)
    assert (found.told, found.advising.failed) == ([], 0)


@LONG
def test_a_joint_read_each_second_over_a_whole_run(monkeypatch):
    """At one reading a second 30 mohm are told; the clean strings stay below."""
    found = played(
        monkeypatch, 9.0, circuits=4, seed=2, period_s=1.0, share=0.45, apart_s=75.0,
        faults=["1:00 A03/9 clamp_ohm 0.035"],
    )  # fmt: skip
    assert {name for name, _ in found.codes()} == {"A03"}
    assert ("A03", "joint_resistance") in found.codes()


@LONG
def test_one_shorted_cell_of_108_is_told_by_the_end_of_the_second_plateau(monkeypatch):
    """19 mV before the knee may hide in a string that lies high; the 25 mV after it do not."""
    found = played(
        monkeypatch, 13.0, circuits=4, seed=1, period_s=5.0, apart_s=75.0, faults=["4:00 A02/5 shorted_cell"]
    )
    assert found.codes() == {("A02", "cells_missing")}
    assert found.values["A02", "cells_missing"][0] == pytest.approx(0.9, abs=0.2)


@LONG
def test_larger_batteries_have_a_late_knee(clean, monkeypatch):
    """75 Ah in a profile for 60: the knee does not come where the course has it."""
    found = played(monkeypatch, 11.0, circuits=3, seed=5, faults=["A01 wrong_type 75"], course=release_of(clean.looks))
    assert found.hours("A01", "knee_late") < 10.0
