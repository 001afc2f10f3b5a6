"""A study's list of batches: sizes, seeds and water follow from what is asked for alone; a batch keeps little."""

from __future__ import annotations

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest

from controller.core.plan import compile_plan
from controller.core.types import Event, EventKind, Reaction
from profiles.loader import found_profile, load_model, read_document
from profiles.profile import Profile
from simulator.bench import batches, tryout
from simulator.bench.batches import Job, jobs, run_job, seed_of, sizes, spread_out
from simulator.bench.coursebands import course_steps, grids
from simulator.bench.setting import Setting
from simulator.bench.strings import Strings
from simulator.bench.studyrow import FIGURES, FLAGS, INPUTS, causes, flags, row
from simulator.bench.tried import Happened


def plan_of(name):
    document = read_document(found_profile(name))
    return compile_plan(load_model(document, Profile), document.sha256)


SHORT = Setting(plan_of("bench-36s"), batteries=4)


def test_sizes_sum_up_and_are_small_at_both_ends():
    """Every string is in one batch; the first 64 and the last 64 come in sixteens, none is above 64."""
    for strings in (1, 16, 17, 64, 65, 127, 128, 129, 1000, 4096):
        found = sizes(strings)
        assert sum(found) == strings
        assert max(found) <= batches.SIZE
        assert min(found) > 0
    assert sizes(1000)[:5] == (16, 16, 16, 16, 64)
    assert sizes(1000)[-5:] == (40, 16, 16, 16, 16)
    assert sizes(20) == (16, 4)


def test_each_batch_has_a_seed_of_its_own():
    """Seeds differ by study and by batch, and stay what they are: a study of last year can be repeated."""
    seeds = {seed_of(seed, number) for seed in range(20) for number in range(50)}
    assert len(seeds) == 1000
    assert seed_of(1, 0) == 0x7503EF9461D5F2604AC95C404FEA20F8


def test_more_strings_keep_the_first_ones():
    """The first batches of a larger study are those of a smaller one."""
    small, large = jobs(SHORT, 64, 5), jobs(SHORT, 1000, 5)
    assert large[: len(small)] == small


def test_water_lies_over_the_whole_range():
    """Both ends come first, then the middle; each string has its own, none is outside, and no end is thin."""
    found = [water_C for job in jobs(SHORT, 400, 1, (20.0, 34.0)) for water_C in job.waters_C]
    assert sum(water_C > 32.6 for water_C in found) == pytest.approx(40, abs=2)
    assert found[:5] == [20.0, 34.0, 27.0, 23.5, 30.5]
    assert all(20.0 <= water_C <= 34.0 for water_C in found)
    assert len(set(found)) == len(found)
    assert [spread_out(k) for k in range(5)] == [0.0, 1.0, 0.5, 0.25, 0.75]


def test_courses_are_kept_of_the_first_strings_only():
    """However many strings are asked for, courses are kept of some 512; in a table of settings of none."""
    kept = sum(job.strings for job in jobs(SHORT, 100_000, 1) if job.with_course)
    assert batches.WITH_COURSE <= kept < batches.WITH_COURSE + batches.SIZE
    assert not any(job.with_course for job in jobs(SHORT, 200, 1, cell=0))


@pytest.fixture(scope="module")
def batch():
    return run_job(jobs(SHORT, 10, 3)[0])


def test_a_batch_is_small_whatever_its_strings_went_through(batch):
    """What comes back from a worker is under 1 kB a string beside the course, and the course as long as its grid."""
    plain = len(pickle.dumps(replace(batch, courses=None)))
    assert plain < 2_000 + 1_000 * batch.strings
    grid = grids(SHORT.plan)
    points = sum(len(step.at) for step in grid)
    assert batch.courses.points.shape == (10, 4, points)
    assert batch.courses.points.nbytes + batch.courses.ends.nbytes + batch.courses.lengths.nbytes < 10 * 20 * (
        points + 20
    )


def test_a_batch_has_a_row_a_string(batch):
    """Figures, flags and inputs are there for every string, all different where drawn."""
    assert batch.figures.shape == (10, len(FIGURES))
    assert batch.flags.shape == (10, len(FLAGS))
    assert batch.inputs.shape == (10, len(INPUTS))
    drawn = batch.inputs[:, [name != "water temperature" for name in INPUTS]]
    assert all(len(set(column)) == 10 for column in drawn.T)
    assert batch.flags[:, FLAGS.index("complete")].all()


def test_the_same_job_gives_the_same_bytes(batch):
    """A batch depends on its job alone; another number is another draw."""
    again = run_job(jobs(SHORT, 10, 3)[0])
    assert again.figures.tobytes() == batch.figures.tobytes()
    assert again.courses.points.tobytes() == batch.courses.points.tobytes()
    other = run_job(jobs(SHORT, 10, 4)[0])
    assert not np.array_equal(other.figures, batch.figures)


def test_inputs_are_those_that_were_tried(monkeypatch):
    """What is kept as drawn is what the tried strings had, battery by battery and channel by channel."""
    seen = []

    def kept(*given):
        seen.append(Strings(*given))
        return seen[-1]

    monkeypatch.setattr(tryout, "Strings", kept)
    (job,) = jobs(SHORT, 5, 8)
    found = run_job(Job(job.number, job.setting, job.strings, with_course=False))
    cells = seen[0].racks.base
    gas = cells.gas_A.reshape(5, 4)
    assert found.inputs[:, INPUTS.index("gassing current")] == pytest.approx(gas.mean(axis=1), rel=1e-15)
    cooling = cells.water_W_K.reshape(5, 4).min(axis=1)
    assert found.inputs[:, INPUTS.index("worst battery's cooling")].tolist() == cooling.tolist()
    assert found.inputs[:, INPUTS.index("rectifier gain")].tolist() == seen[0].parts.sound.gain.tolist()
    assert found.inputs[:, INPUTS.index("probe offset")].tolist() == seen[0].parts.probes.offset_K.tolist()
    assert found.courses is None


def test_the_course_lies_on_the_plans_own_steps(batch):
    """Steps by charge where current flows, by minutes in a rest; each ends where the plan ends it, by its time."""
    found = course_steps(grids(SHORT.plan), [batch.courses])
    assert [(step.step, step.kind, step.grid) for step in found] == [
        (1, "charge", "charge_Ah"),
        (2, "rest", "minutes"),
        (3, "charge", "charge_Ah"),
    ]
    assert found[1].at[-1] == pytest.approx(0.1, abs=0.02)  # 6 s
    assert found[0].at[-1] == pytest.approx(3.0 * 20.0 / 3600.0, rel=0.15)  # 3 A over 20 s, less its rise
    assert found[0].duration_h[1] == pytest.approx(20.0 / 3600.0, rel=0.06)
    for step in found:
        assert step.at[0] == 0.0
        assert all(low <= high for low, high in zip(step.probe_C.low, step.probe_C.high, strict=True))
        assert list(step.elapsed_h.middle) == sorted(step.elapsed_h.middle)
    assert found[2].elapsed_h.middle[0] == pytest.approx(found[1].elapsed_h.middle[-1], abs=1e-6)


def test_every_step_of_the_library_has_its_grid():
    """A step that a measured value may end has more points; one that waits for people, or rests, counts minutes."""
    found = grids(plan_of("starter-100-two-acid"))
    assert [step.kind for step in found] == ["charge_Ah", "charge_Ah", "minutes", "charge_Ah", *["minutes"] * 2] + [
        "charge_Ah"
    ] * 2
    assert [len(step.at) for step in found] == [20, 20, 20, 20, 40, 40, 20, 40]
    assert found[5].at[1] * 40 == pytest.approx(180.0)  # its longest time, 3 h
    assert found[7].at[1] * 40 == pytest.approx(35.0)  # its charge, Ah
    relief = grids(plan_of("starter-45-relief"))[4]
    assert (relief.step_kind, relief.kind) == ("discharge", "charge_Ah")
    assert relief.at[1] * 20 == pytest.approx(4.5 * 0.25)  # 4.5 A over 15 min
    for name in ("starter-60", "starter-100-cv", "starter-45-pulsed", "bench-10min"):
        for step in grids(plan_of(name)):
            assert step.at[0] == 0.0
            assert list(step.at) == sorted(set(step.at))


def test_causes_are_the_laws_that_reduced_held_or_tripped():
    """A derate or hold is named by its alarm, a trip by its cause; a warning is none of them."""
    tried = tryout.try_out(replace(SHORT, batteries=1))
    assert causes(tried) == frozenset()
    events = (
        Event("probe_derate", "A01", EventKind.ALARM, {}, Reaction.DERATE),
        Event("probe_hold", "A01", EventKind.ALARM, {}, Reaction.HOLD),
        Event("held", "A01", EventKind.EVENT, {"cause": "probe_hold"}),
        Event("tripped", "A01", EventKind.EVENT, {"cause": "voltage_trip"}),
        Event("current_low", "A01", EventKind.ALARM, {}, Reaction.WARN),
    )
    assert dict(zip(FLAGS, flags(tried), strict=True)) == {
        "complete": True, "derated": False, "held": False, "tripped": False, "limited": False, "overrun": False
    }  # fmt: skip
    held_back = (replace(tried.steps[0], limited_percent=1.0), *tried.steps[1:])
    worse = replace(tried, state="tripped", steps=held_back, events=tuple(Happened(1.0, event) for event in events))
    assert causes(worse) == {("derated", "probe_derate"), ("held", "probe_hold"), ("tripped", "voltage_trip")}
    assert dict(zip(FLAGS, flags(worse), strict=True)) == {
        "complete": False, "derated": False, "held": True, "tripped": True, "limited": True, "overrun": False
    }  # fmt: skip
    assert math.isnan(row(worse)[0])  # a run that never ended has no end
    assert not math.isnan(row(tried)[0])
