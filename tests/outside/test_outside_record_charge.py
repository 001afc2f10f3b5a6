"""Charge and energy of a record against exact arithmetic, and against numpy's and scipy's integration of the readings.

The figures to be met follow from current times time alone, so their source is arithmetic; each is asked of the core's
counters, of what stands in log.csv, and of the cycles decided again.
"""

from __future__ import annotations

import numpy as np
import pytest

from controller.records.reader import read_run
from controller.verify.runfolder import verify_run

integrate = pytest.importorskip("scipy.integrate", reason="scipy is not installed")
trapezoid = getattr(np, "trapezoid" if hasattr(np, "trapezoid") else "trapz")  # the name before numpy 2


def hours_of(run):
    return np.array(run.at_ms) / 3.6e6


def log_of(run, column):
    return np.array(read_run(run.folder).log.numbers(column))


def between(series, run, first_s, last_s):
    """How much a series of counts grew from one second of the run to another."""
    at_s = [(at - run.at_ms[0]) / 1000 for at in run.at_ms]
    return series[at_s.index(last_s)] - series[at_s.index(first_s)]


def check_whole(run):
    """The record holds, decides the same again, and its readings integrate to its counters by two other hands."""
    verdict = verify_run(run.folder)
    assert verdict.wrong == []
    assert verdict.same == verdict.cycles == len(run.at_ms)
    amps, hours = log_of(run, "current_A"), log_of(run, "elapsed_s") / 3600
    net = log_of(run, "charge_Ah")[-1] - log_of(run, "discharge_Ah")[-1]
    assert trapezoid(amps, hours) == pytest.approx(net, abs=2e-4)
    assert integrate.trapezoid(run.current_A, hours_of(run)) == pytest.approx(net, abs=2e-4)
    assert integrate.cumulative_trapezoid(run.current_A, hours_of(run))[-1] == pytest.approx(net, abs=2e-4)
    return verdict


@pytest.mark.parametrize(("period_ms", "uneven"), [(5_000, False), (30_000, False), (10_000, True)])
def test_ten_amperes_for_an_hour(outside, tmp_path, period_ms, uneven):
    """10 A for 3600 s are 10.000000 Ah, however often it is read, evenly or not."""
    run = outside.counted(tmp_path, [(10.0, 2.0)], 1.1, period_ms=period_ms, uneven=uneven)
    assert between(run.charge_Ah, run, 240.0, 3840.0) == pytest.approx(10.0, abs=1e-9)
    assert between(log_of(run, "charge_Ah"), run, 240.0, 3840.0) == pytest.approx(10.0, abs=1.01e-4)
    check_whole(run)


def test_a_ramp(outside, tmp_path):
    """0 to 12 A in 3600 s are 6.000000 Ah; left rectangles of 10 s would say 5.983333."""
    run = outside.counted(
        tmp_path, [(12.0, 2.0, 1.0)], 1.05, period_ms=10_000, shape=lambda s, _: (min(12 * s / 3600, 12.0), 14.0)
    )
    assert between(run.charge_Ah, run, 0.0, 3600.0) == pytest.approx(6.0, abs=1e-9)
    assert between(log_of(run, "charge_Ah"), run, 0.0, 3600.0) == pytest.approx(6.0, abs=1e-9)
    left = sum(amps * 10 / 3600 for amps in run.current_A[:360])
    assert left == pytest.approx(5.983333, abs=1e-6)
    check_whole(run)


def test_a_gap_is_skipped_and_said(outside, tmp_path):
    """60 s without readings at 15 A: holding the last value would add 0.25 Ah that nobody read; ours adds none."""
    run = outside.counted(tmp_path, [(15.0, 2.0)], 0.5, period_ms=5_000, gap=(1200.0, 60))
    at, hours = run.at_ms.index(run.at_ms[0] + 1_200_000), hours_of(run)
    # The cycle that finds the gap counts nothing; the next reading begins the next trapezoid.
    parts = [trapezoid(run.current_A[part], hours[part]) for part in (slice(at + 1), slice(at + 2, None))]
    assert run.current_A[at] == 15.0
    assert hours[at + 1] - hours[at] == pytest.approx(60 / 3600)
    assert run.charge_Ah[-1] == pytest.approx(sum(parts), abs=1e-9)
    assert run.charge_Ah[at + 1] == run.charge_Ah[at]
    held = run.current_A[at] * (hours[at + 1] - hours[at])
    assert held == pytest.approx(0.25, abs=1e-9)
    verdict = verify_run(run.folder)
    assert verdict.gap_s == [60.0]
    codes = read_run(run.folder).events.column("code")
    assert codes.count("gap") == verdict.stated_gaps == 1
    assert log_of(run, "charge_Ah")[-1] == pytest.approx(sum(parts), abs=6e-5)


def test_energy(outside, tmp_path):
    """210 Ah at volts that rise from 13 to 15, 14.0 in the mean, are 2.94 kWh."""
    run = outside.counted(
        tmp_path, [(15.0, 20.0)], 14.1, period_ms=60_000, shape=lambda s, told_A: (told_A, 13 + (s - 180) / 25_200)
    )
    assert between(run.charge_Ah, run, 180.0, 50_580.0) == pytest.approx(210.0, abs=1e-9)
    energy_Wh = log_of(run, "energy_Wh")
    assert between(energy_Wh, run, 180.0, 50_580.0) == pytest.approx(2940.0, abs=0.011)
    power_W = np.array(run.current_A) * run.voltage_V
    assert integrate.trapezoid(power_W, hours_of(run)) == pytest.approx(run.counters.energy_Wh, rel=1e-12)
    check_whole(run)


def test_a_list_of_steps(outside, tmp_path):
    """3 A 0.5 h, 15 A 6.4 h, pauses about 6 A out for 0.25 h, 12 A 7 h, 6 A 4.4 h: 207.9 Ah in, 1.5 Ah out."""
    steps = [(3.0, 0.5), (15.0, 6.4), (0.0, 0.25), (-6.0, 0.25), (0.0, 0.25), (12.0, 7.0), (6.0, 4.4)]
    assert sum(amps * hours for amps, hours in steps if amps > 0) == pytest.approx(207.9)
    run = outside.counted(tmp_path, steps, 19.3, period_ms=60_000, shape=lambda _, told_A: (told_A, 12.0 + told_A / 20))
    assert (run.counters.charge_Ah, run.counters.discharge_Ah) == pytest.approx((207.9, 1.5), abs=1e-9)
    assert "complete" in run.states
    assert (log_of(run, "charge_Ah")[-1], log_of(run, "discharge_Ah")[-1]) == (207.9, 1.5)
    assert check_whole(run).charge_Ah == 207.9


def test_an_offset(outside, tmp_path):
    """A current sensor that reads 0.25 A too much adds 5.0 Ah in 20 h."""
    runs = [
        outside.counted(
            tmp_path, [(5.0, 21.0)], 20.1, period_ms=60_000, shape=lambda _, told_A, extra=extra: (told_A + extra, 14.0)
        )
        for extra in (0.0, 0.25)
    ]
    true, shifted = (between(log_of(run, "charge_Ah"), run, 360.0, 72_360.0) for run in runs)
    assert true == pytest.approx(100.0, abs=1.01e-4)
    assert shifted - true == pytest.approx(5.0, abs=2.01e-4)
    check_whole(runs[1])
