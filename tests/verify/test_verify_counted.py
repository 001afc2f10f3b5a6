"""Charge counted again: from the readings, by code that shares nothing with the core's, and from the rows alone."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memoryplace import in_memory

from controller.core import counters as core_counters
from controller.core.types import BathShare, ChannelReading, CircuitIn, Quality, Value
from controller.records.logrow import log_row
from controller.records.writer import Writer
from controller.verify import runfolder as verify_module
from controller.verify.rowsums import Moment, row_sums, usual_interval_s
from controller.verify.runfolder import verify_place, verify_run
from controller.verify.tally import Tally, above_zero
from controller.verify.verdict import lines

NONE = Value(None, Quality.LOST)
VOLTS = Value(100.0)
SHARE = BathShare(Value(25.0), 0, hood_closed=True, airflow_ok=True, inputs_ok=True, emergency_stop_ok=True)


def cin(now_ms, current, voltage=VOLTS):
    current = current if isinstance(current, Value) else Value(current)
    return CircuitIn(now_ms, ChannelReading(current, voltage, NONE, NONE, NONE), SHARE)


def counted(*cycles, stale_ms=3_000):
    tally = Tally(stale_ms)
    for each in cycles:
        tally.see(each)
    return tally


def test_a_straight_line_counts_its_trapezoid():
    """3600 s from 10 A to 20 A at 100 V are 15 Ah and 1500 Wh."""
    tally = counted(cin(0, 10.0), cin(3_600_000, 20.0), stale_ms=3_600_000)
    assert tally.sums() == {"charge_Ah": 15.0, "discharge_Ah": 0.0, "energy_Wh": 1500.0}


def test_a_line_through_zero_counts_both_sides():
    """An hour from -10 A to 30 A: a quarter of it below zero, 1.25 Ah out; the rest above, 11.25 Ah in, 1125 Wh."""
    tally = counted(cin(0, -10.0), cin(3_600_000, 30.0), stale_ms=3_600_000)
    assert tally.sums() == pytest.approx({"charge_Ah": 11.25, "discharge_Ah": 1.25, "energy_Wh": 1125.0})


@pytest.mark.parametrize(
    ("middle", "charge_Ah"),
    [
        (cin(1_000, 20.0), 30.0),
        (cin(1_000, Value(20.0, Quality.SUSPECT)), 30.0),
        (cin(1_000, Value(20.0, Quality.STALE)), 20.0),
        (cin(1_000, Value(20.0, Quality.GOOD, 1)), 20.0),
        (cin(1_000, Value(None)), 20.0),
        (cin(1_000, Value(float("nan"))), 20.0),
        (cin(1_000, Value(float("inf"))), 20.0),
    ],
)
def test_only_readings_of_the_cycle_that_are_believed_count(middle, charge_Ah):
    """10, x, 10 A at 0, 1, 2 s: with 20 A believed 30 As, else the line goes from 10 to 10 A: 20 As."""
    tally = counted(cin(0, 10.0), middle, cin(2_000, 10.0))
    assert tally.charge_Ah * 3600 == pytest.approx(charge_Ah)


def test_a_silence_is_never_filled():
    """A step longer than the stale time counts nothing, nor does the reading behind it begin a line."""
    assert counted(cin(0, 10.0), cin(3_000, 10.0)).charge_Ah * 3600 == pytest.approx(30.0)
    assert counted(cin(0, 10.0), cin(3_001, 10.0)).charge_Ah == 0.0
    assert counted(cin(0, 10.0), cin(9_000, 10.0), cin(10_000, 10.0)).charge_Ah == 0.0
    assert counted(cin(0, 10.0), cin(9_000, 10.0), cin(10_000, 10.0), cin(11_000, 10.0)).charge_Ah * 3600 == 10.0
    assert counted(cin(5_000, 10.0), cin(4_999, 10.0)).charge_Ah == 0.0


def test_a_line_is_closed_within_the_stale_time_only():
    """Cycles without a reading in between: 3 s after the last one the line is closed, later it begins anew."""
    blind = [cin(now_ms, NONE) for now_ms in (1_000, 2_000)]
    assert counted(cin(0, 10.0), *blind, cin(3_000, 10.0)).charge_Ah * 3600 == pytest.approx(30.0)
    assert counted(cin(0, 10.0), *blind, cin(3_000, NONE), cin(4_000, 10.0)).charge_Ah == 0.0


def test_energy_goes_on_with_the_last_volts():
    """Volts that are old, yet not too old, count; without any the last power does."""
    old = Value(100.0, Quality.GOOD, 3_000)
    assert counted(cin(0, 10.0), cin(1_000, 10.0, old)).energy_Wh * 3600 == pytest.approx(1000.0)
    lost = counted(cin(0, 10.0), cin(1_000, 20.0, replace(old, age_ms=3_001)))
    assert lost.energy_Wh * 3600 == pytest.approx(1000.0)


AMPS = st.one_of(st.just(0.0), st.floats(-60.0, 60.0), st.floats(-1e-3, 1e-3))


@settings(max_examples=150)
@given(first=AMPS, last=AMPS)
def test_both_countings_agree_on_any_line(first, last):
    """Two formulas for one area: the core's, by where the line meets zero, and this one."""
    charge, discharge = core_counters.areas(first, last, 1.0)
    assert above_zero(first, last) == pytest.approx(charge, abs=1e-9)
    assert above_zero(-first, -last) == pytest.approx(discharge, abs=1e-9)


def test_a_core_that_counts_wrong_is_found_by_the_readings(rec, tmp_path, monkeypatch):
    """Commands, events and rows agree with a core that counts half of it; the readings alone say where it begins."""

    def half(before, now, hours):
        return (before + now) * 0.25 * hours, 0.0

    monkeypatch.setattr(core_counters, "areas", half)
    verdict = verify_run(rec.whole_run(tmp_path, cycles=40))
    assert (verdict.same, verdict.events_same) == (verdict.cycles, verdict.events_given)
    charge, energy = verdict.wrong
    assert charge.startswith("log.csv:3: row 2: from here on charge_Ah is not what the readings add up to: ")
    assert charge.endswith(" Ah")
    assert "energy_Wh" in energy
    assert verdict.counted["charge_Ah"] == pytest.approx(2 * verdict.charge_Ah, rel=1e-2)


def test_another_core_s_record_is_still_counted(kept_run, monkeypatch):
    """Where decisions are not compared the readings are added up all the same, and a changed row is found by them."""
    monkeypatch.setattr(verify_module, "CORE", 99)
    verdict = verify_run(kept_run)
    assert verdict.holds
    assert not verdict.redecided
    assert verdict.counted_from == "cycles"
    assert verdict.counted["charge_Ah"] == pytest.approx(verdict.charge_Ah, abs=1e-4)


def moments(series, every_s=10.0, told=None):
    """Rows with this current at 100 V, whose counters are exact for straight lines unless `told` changes them."""
    found, charge = [], 0.0
    for index, amps in enumerate(series):
        if index and None not in (amps, series[index - 1]):
            charge += (amps + series[index - 1]) / 2 * every_s / 3600
        shown = charge if told is None else told(index, charge)
        power = None if amps is None else amps * 100.0
        found.append(Moment(index * every_s, amps, power, (shown, 0.0, shown * 100.0)))
    return found


def test_rows_alone_give_the_charge_within_their_bound():
    """An hour of 15 A in rows 10 s apart: 15 Ah; it may be off by one interval and the last digits, 0.042 Ah."""
    charge, discharge, energy = row_sums(moments([15.0] * 361))
    assert (charge.name, charge.found, charge.row) == ("charge_Ah", pytest.approx(15.0), None)
    assert charge.bound == pytest.approx(15.0 * 10 / 3600 + 0.0005 + 0.0002)
    assert (discharge.found, discharge.row) == (0.0, None)
    assert energy.found == pytest.approx(1500.0)


def test_a_counter_that_leaves_the_bound_is_named_where_it_does():
    """From row 100 on each row tells 1 % too much: named where that is more than the rows leave open, not before."""
    (charge, *_) = row_sums(moments([15.0] * 361, told=lambda index, ah: ah + 0.01 * max(0, index - 99) / 24))
    assert charge.row is not None
    assert 0.01 * (charge.row - 100) / 24 == pytest.approx(
        15.0 * 10 / 3600 + 0.0002 + 0.0005 * charge.row / 360, abs=5e-4
    )


def test_a_change_between_two_rows_widens_the_bound():
    """A step from 0 to 15 A may have come anywhere between its two rows: 15 A times 10 s."""
    (flat, *_), (stepped, *_) = row_sums(moments([15.0] * 100)), row_sums(moments([0.0] * 50 + [15.0] * 50))
    assert stepped.bound - flat.bound == pytest.approx(15.0 * 10 / 3600)


def test_a_silence_counts_as_one_interval_at_most():
    """Rows without a reading, and a row that comes late, are not filled; the bound holds what may have flowed."""
    dark = moments([15.0] * 20 + [None] * 30 + [15.0] * 20)
    (charge, *_) = row_sums(dark)
    assert charge.row is None
    assert charge.found < 70 * 15.0 * 10 / 3600
    late = [
        replace(each, elapsed_s=each.elapsed_s + (700.0 if index >= 10 else 0.0))
        for index, each in enumerate(moments([15.0] * 20))
    ]
    (charge, *_) = row_sums(late)
    assert charge.found == pytest.approx((18 + 0.5) * 15.0 * 10 / 3600)
    assert charge.row is None


def test_the_usual_interval_is_the_most_frequent():
    """Rows at changes come in between; of equally frequent distances the longer one is the usual."""
    at_s = [0.0, 10.0, 20.0, 23.0, 30.0, 40.0]
    assert usual_interval_s([Moment(each, 0.0, 0.0, (0.0, 0.0, 0.0)) for each in at_s]) == 10.0
    assert usual_interval_s([Moment(each, 0.0, 0.0, (0.0, 0.0, 0.0)) for each in (0.0, 5.0, 15.0)]) == 10.0
    assert row_sums([Moment(0.0, 0.0, 0.0, (0.0, 0.0, 0.0))]) == []


def test_chain_only_adds_up_the_rows(kept_run):
    """`--chain-only` says what the rows give and how sure that is, and decides nothing."""
    verdict = verify_run(kept_run, chain_only=True)
    assert (verdict.redecided, verdict.counted_from, verdict.holds) == (False, "rows", True)
    assert abs(verdict.counted["charge_Ah"] - verdict.charge_Ah) < verdict.bound["charge_Ah"] < 0.2
    assert lines(verdict)[1].startswith("counted 0.5 Ah; from its rows 0.5 +- 0.")


def test_rows_that_were_written_with_another_charge_are_found_without_cycles(rec, tmp_path):
    """A whole chain of rows with twice the charge: the rows' own current does not give it."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer, charge_Ah=50.0)
    for number in range(1, 400):
        told, before, command, after = loop.cycle()
        record.add_cycle(told, before, command, after)
        counters = replace(after.run.counters, charge_Ah=2 * after.run.counters.charge_Ah)
        if number % 10 == 0:
            doubled = replace(after, run=replace(after.run, counters=counters))
            record.add_log(log_row(rec.utc_ms + loop.now_ms, told, command, doubled, 3_000))
    assert writer.commit()
    (said,) = verify_run(record.folder, chain_only=True).wrong
    assert "from here on charge_Ah is not what the rows add up to" in said


def test_undecodable_cycles_leave_the_rows(kept_run):
    """Without any cycle that can be read the charge is added up from the rows, and what is missing is said."""
    place = in_memory(kept_run)
    plain = place.files["run.json"].replace(b'"hottest_C"', b'"hotest_C"', 1)
    verdict = verify_place(place.with_file("run.json", plain))
    assert verdict.counted_from == "rows"
    assert any("states had other fields" in said for said in verdict.wrong)
