"""The fit against virtual runs with known parameters: found, how well, and what is refused."""

from __future__ import annotations

import os
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from calibratekit import AIR_C, BASE, LONG, NO_NOISE, TRUE, blank, coarse, densities, scattered, true_run, typed

from simulator.bench import calibratecourse
from simulator.bench.calibratecourse import course_of
from simulator.bench.calibratefit import FITTED, MOST_RELATIVE_ERROR, Left, _refusal, fit
from simulator.modelfile import RANGES
from simulator.parameters import CellParameters

pytest.importorskip("scipy", reason="the fit is scipy's, of the extra bench")

LONG_FORM = bool(os.environ.get("FORMBATH_LONG"))


FIRST = ((0.2, 6.0), (0.7, 24.0))
"""Start peak and the beginning of the hump; no knee, no gas."""


@pytest.fixture(scope="module", autouse=True)
def coarse_steps():
    with pytest.MonkeyPatch.context() as patch:
        coarse(patch)
        yield


@pytest.fixture(scope="module")
def plain(coarse_steps):
    """A short run of the base itself, without scatter."""
    return true_run({})


def away(run, truth, *, in_order=False):
    """Of each parameter: how many standard errors the fit is off, by name."""
    found = fit(BASE, [course_of(run)], AIR_C, in_order=in_order)
    assert found.refusal == ""
    known = [one for one in found.told if one.error is not None]
    assert len(known) >= len(FITTED) - 1
    return {one.name: np.log(one.factor / truth.get(one.name, 1.0)) / one.error for one in known}


def covered(run, seeds, kept=0.0):
    """Share of the intervals of 95 % that hold the true value. The base is the truth: a short way for each fit."""
    off = [away(scattered(run, seed, kept=kept), {}) for seed in seeds]
    told = {name: [abs(one[name]) < 1.96 for one in off if name in one] for name in FITTED}
    assert sum(map(len, told.values())) >= 0.98 * len(FITTED) * len(off)
    return np.array([np.mean(told[name]) for name in FITTED])


@pytest.mark.slow
def test_intervals_hold_the_true_values(plain):
    """Of 10 runs with 2 mV a cell, 0.3 K and 0.001 kg/L of scatter, six parameters each: about 95 of 100 are within.

    57 of 60 are expected; 52 or fewer would happen by chance once in 45 times, 60 are no sign of too wide intervals.
    """
    assert covered(plain, range(10)).mean() >= 53 / 60


@pytest.mark.skipif(not LONG_FORM, reason="two hundred fits; FORMBATH_LONG=1")
@pytest.mark.parametrize("kept", [0.0, 0.8])
def test_intervals_of_a_hundred_runs_hold_the_true_values(plain, kept):
    """95 of 100 with scatter point by point; about 92 where each row keeps 0.8 of the last one's (15 lengths a run)."""
    inside = covered(plain, range(1000, 1100), kept)
    assert inside.mean() == pytest.approx(0.95, abs=0.035)
    assert inside.min() >= (0.88 if kept == 0.0 else 0.80)


@pytest.mark.skipif(not LONG_FORM, reason="a whole night's run from far off; FORMBATH_LONG=1")
def test_a_whole_run_is_found_from_far_off(monkeypatch):
    """21 h, all six far from the base: each within four of its standard errors, the first three to half a per cent."""
    truth = {"water_W_K": 0.75, "paste_Ah": 1.12, "gas_A": 1.6, "sulfate_most": 0.85, "sulfate": 1.3, "skin_ohm": 1.4}
    monkeypatch.setattr(calibratecourse, "STEP_SHARE", 0.1)
    monkeypatch.setattr(calibratecourse, "YOUNG_STEP_C20", 2e-4)
    run = blank(LONG, soak_s=3600.0)
    run = scattered(
        true_run(truth, CellParameters(), replace(run, densities=densities(run, (0.02, 3.0, 9.0, 20.9)))), 3
    )
    found = fit(CellParameters(), [course_of(run)], AIR_C)
    for one in found.told:
        assert abs(np.log(one.factor / truth[one.name])) < 4.0 * one.error, one.name
        assert one.error < 0.005


@pytest.mark.slow
def test_a_far_base_finds_its_way():
    """Without scatter, from up to 12 % off: one parameter after the other, then all together, give the true values."""
    found = fit(BASE, [course_of(true_run())], AIR_C)
    assert {one.name: one.factor for one in found.told} == pytest.approx(TRUE, rel=2e-3)
    assert found.volts.rms < 5e-4
    assert found.probe.rms < 0.02
    assert found.density.rms < 2e-4
    assert found.density.points == 4
    assert all(0.0 < one.error < MOST_RELATIVE_ERROR for one in found.told)


def test_what_instruments_shift_is_told(plain):
    """A probe 0.25 K too warm moves the cooling by what was said of it, a voltmeter 3 mV too high the gas."""
    told = {one.name: one for one in fit(BASE, [course_of(plain)], AIR_C, in_order=False).told}
    warm = {one.name: one for one in fit(BASE, [course_of(replace(plain, probe_C=plain.probe_C + 0.25))], AIR_C).told}
    high = replace(plain, voltage_V=plain.voltage_V + 0.003 * 108)
    gassed = {one.name: one for one in fit(BASE, [course_of(high)], AIR_C).told}
    assert np.log(warm["water_W_K"].factor) == pytest.approx(told["water_W_K"].by_probe, rel=0.1)
    assert np.log(gassed["gas_A"].factor) == pytest.approx(told["gas_A"].by_volts, rel=0.1)
    assert told["water_W_K"].by_probe < -0.01
    assert told["gas_A"].by_volts < -0.03


def test_a_run_that_ends_before_the_knee_leaves_its_parameters_alone():
    """No gas, no knee, no density: those parameters keep their base and say why, the cooling is found all the same."""
    steps = (*FIRST, (0.5, 0.0))
    run = scattered(true_run({"water_W_K": 0.9}, steps=steps), 1)
    found = {one.name: one for one in fit(BASE, [course_of(replace(run, densities=()))], AIR_C, in_order=False).told}
    assert found["sulfate"].why == "no density was read"
    assert found["gas_A"].why == "these runs do not show it"
    for name in ("sulfate", "gas_A"):
        assert found[name].factor == 1.0
        assert found[name].error is None
    assert found["water_W_K"].factor == pytest.approx(0.9, rel=0.02)


def test_two_that_look_alike_are_not_both_told(monkeypatch, plain):
    """Beyond the correlation allowed, the one that comes later in the order keeps its base and names the other."""
    monkeypatch.setattr("simulator.bench.calibratefit.MOST_CORRELATION", 0.5)
    found = {one.name: one for one in fit(BASE, [course_of(plain)], AIR_C, in_order=False).told}
    assert re.fullmatch(r"not told apart from (water_W_K|sulfate_most) \([+-]0\.\d\d\)", found["sulfate"].why)
    assert found["water_W_K"].why == ""


def test_a_value_at_its_limit_is_not_told(monkeypatch):
    """Where the best value lies beyond the range, the parameter keeps its base instead of the range's end."""
    run = true_run({"skin_ohm": 1.3}, steps=FIRST)
    monkeypatch.setattr("simulator.bench.calibratefit.RANGES", {**RANGES, "skin_ohm": (5.0, 14.0)})
    found = {one.name: one for one in fit(BASE, [course_of(run)], AIR_C, in_order=False).told}
    assert found["skin_ohm"].why == "ends at the limit of its range"
    assert found["skin_ohm"].factor == 1.0


def test_a_fit_that_explains_too_little_is_refused():
    """Voltages that swing as no battery's do, a probe far off, no voltage at all: the limits of a fit."""
    run = true_run({}, steps=FIRST)
    high = replace(run, voltage_V=run.voltage_V + 8.0 * np.sin(run.at_s / 300.0))
    volts = fit(BASE, [course_of(high)], AIR_C, in_order=False)
    assert "mV a cell, more than 30: the model does not fit" in volts.refusal
    assert _refusal(Left(0.029, 9), Left(2.1, 9)) == "leaves 2.1 K at the probe, more than 2: the model does not fit"
    assert _refusal(Left(0.029, 9), Left(1.9, 9)) == _refusal(Left(0.029, 9), Left(None, 0)) == ""
    silent = replace(run, voltage_V=np.where(run.at_s < 300.0, run.voltage_V, np.nan))
    assert fit(BASE, [course_of(silent)], AIR_C, in_order=False).refusal == "no voltage is left to compare with"


@pytest.mark.skipif(not LONG_FORM, reason="three fits more; FORMBATH_LONG=1")
def test_two_runs_know_more_than_one():
    """The same type in two baths: standard errors shrink by the square root of two, points add up."""
    runs = [scattered(true_run({}, run=replace(blank(FIRST), name=name)), seed) for seed, name in ((1, "a"), (2, "b"))]
    courses = [course_of(run) for run in runs]
    one, two = fit(BASE, courses[:1], AIR_C, in_order=False), fit(BASE, courses, AIR_C, in_order=False)
    errors = [next(each.error for each in found.told if each.name == "water_W_K") for found in (one, two)]
    assert errors[0] / errors[1] == pytest.approx(np.sqrt(2.0), rel=0.2)
    assert two.probe.points == 2 * one.probe.points


def test_scatter_free_readings_do_not_make_certainty(plain):
    """Readings without any scatter still have a last digit: no standard error falls below a quarter's worth of it."""
    still = fit(BASE, [course_of(scattered(plain, 1, NO_NOISE))], AIR_C, in_order=False)
    noisy = fit(BASE, [course_of(scattered(plain, 1))], AIR_C, in_order=False)
    for one, other in zip(still.told, noisy.told, strict=True):
        assert 0.2 * other.error < one.error < other.error, one.name


def test_typed_and_factors_agree():
    """The kit's two ways to say a battery type are one: factors on the base, or the type itself."""
    assert typed({"paste_Ah": 2.0}).paste_Ah == (2 * BASE.paste_Ah[0], 2 * BASE.paste_Ah[1])
    assert typed({}) == BASE
