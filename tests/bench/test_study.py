"""A study as a whole: the same to the digit whoever computes it and in whatever order; what it says of its strings."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from controller.charts.svg import to_svg
from controller.core.plan import compile_plan
from controller.service.errors import Unreachable
from profiles.loader import found_profile, load_model, read_document
from profiles.problems import InputError
from profiles.profile import Profile
from profiles.release import CourseStep
from simulator.bench import study as studies
from simulator.bench import studypool
from simulator.bench.setting import Setting
from simulator.bench.study import MOVED, collected, limits_of, studied
from simulator.bench.studyjson import as_json, strings_csv
from simulator.bench.studypictures import figures
from simulator.bench.studypool import WorkerLost, done_batches, processes
from simulator.bench.studyrow import FLAGS, INPUTS, KEYS
from simulator.bench.studytelling import least_strings, lines

ROOT = Path(__file__).parents[2]
STRINGS, SEED = 20, 7


def plan_of(name):
    document = read_document(found_profile(name))
    return compile_plan(load_model(document, Profile), document.sha256)


SHORT = Setting(plan_of("bench-36s"), batteries=3)


class Backwards:
    """An executor that keeps what it is given, and does it from the last to the first once somebody waits."""

    def __init__(self):
        self.given = []

    def submit(self, work, job):
        self.given.append((Future(), work, job))
        if len(self.given) == 2:  # as many as STRINGS make
            for future, task, what in reversed(self.given):
                future.set_result(task(what))
        return self.given[-1][0]


@pytest.fixture(scope="module")
def found():
    with ThreadPoolExecutor(1) as pool:
        return studied(SHORT, STRINGS, SEED, pool, water_C=(25.0, 35.0))


def same(one, other):
    return (
        one.figures.tobytes() == other.figures.tobytes()
        and one.inputs.tobytes() == other.inputs.tobytes()
        and one.flags.tobytes() == other.flags.tobytes()
        and as_json(one) == as_json(other)
        and strings_csv(one) == strings_csv(other)
        and lines(one) == lines(other)
    )


def test_any_order_of_batches_gives_the_same_digits(found):
    """Sums go in the order of batches, not of their coming."""
    assert same(studied(SHORT, STRINGS, SEED, Backwards(), water_C=(25.0, 35.0)), found)


@pytest.mark.slow
def test_two_processes_give_the_same_digits(found):
    """Worker processes compute what this process does, and none is left behind."""
    partly = []
    with processes(2) as pool:
        other = studied(SHORT, STRINGS, SEED, pool, water_C=(25.0, 35.0), partly=lambda s: partly.append(s.strings))
    assert same(other, found)
    assert sorted(partly) == partly
    assert partly[-1] == STRINGS
    assert not studypool.multiprocessing.active_children()


@pytest.mark.slow
def test_the_whole_study_that_a_release_asks_for_gives_the_same_digits(found):
    """With a process of its own, from whatever has a setting; nothing is shown where no terminal is."""
    asked = SimpleNamespace(setting=SHORT)
    other = studies.run_study(asked, strings=STRINGS, seed=SEED, workers=1, water_C=(25.0, 35.0))
    assert same(other, found)
    assert not studypool.multiprocessing.active_children()


def test_another_seed_is_another_study(found):
    """Nothing of a study is fixed but by its seed."""
    with ThreadPoolExecutor(1) as pool:
        other = studied(SHORT, 4, SEED + 1, pool)
    assert not np.array_equal(other.figures[:4], found.figures[:4])


@pytest.mark.slow
def test_a_worker_that_dies_is_one_sentence():
    """A killed worker ends the study with a sentence for people, no waiting and no process left."""
    with pytest.raises(WorkerLost, match="a worker ended by itself"), processes(1) as pool:
        list(done_batches(pool, [9, 9], work=os._exit))
    assert not studypool.multiprocessing.active_children()


def test_an_error_in_a_batch_is_passed_on():
    """What a batch raises is not taken for a lost worker."""
    with pytest.raises(TypeError), ThreadPoolExecutor(1) as pool:
        list(done_batches(pool, [9], work=len))


@pytest.mark.slow
def test_workers_compute_on_one_thread_each(monkeypatch):
    """A worker's numpy is told to use one thread; this process's own surroundings stay as they were."""
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    with processes(1) as pool:
        assert list(done_batches(pool, ["OMP_NUM_THREADS", "MKL_NUM_THREADS"], work=os.getenv)) == ["1", "1"]
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "MKL_NUM_THREADS" not in os.environ


def test_what_a_study_says_of_its_strings(found):
    """Figures are the arrays' own quantiles, shares their counts; sample size, seed and water stand in the text."""
    hottest = found.quantity("hottest_C")
    assert hottest.middle.value == np.median(found.of("hottest_C"))
    assert hottest.low.value < hottest.middle.value < hottest.high.value
    assert found.share("complete").count == STRINGS
    assert found.outside(limits_of(found.plan)[1]).count == STRINGS  # half a minute forms nothing
    text = "\n".join(lines(found))
    assert "20 strings of 3 batteries" in text
    assert "seed 7, water 25 to 35 C" in text
    assert max(len(line) for line in lines(found)) < 80
    assert found.said.startswith("20 strings, seed 7, water 25 to 35 C; end 0.01")
    assert set(found.shares) == {"derated_percent", "held_percent", "tripped_percent"}
    assert found.totals["hottest_C"] == pytest.approx(hottest.middle.value, rel=1e-5)


def test_intervals_that_are_missing_say_what_they_take(found):
    """Twenty strings have an interval of the median, not of 5 and 95 %: 0.95 ** 72 is the first below 0.025."""
    text = lines(found)
    (note,) = (line for line in text if line.startswith("+-?"))
    assert note == "+-?: too few strings; an interval takes 72 at 5 %, 72 at 95 %"
    assert any("+-?" in line for line in text[: text.index(note)])
    assert 0.95**72 < 0.025 < 0.95**71
    assert (least_strings(0.05), least_strings(0.5), least_strings(0.95)) == (72, 6, 72)
    many = replace(found, figures=np.tile(found.figures, (4, 1)), flags=np.tile(found.flags, (4, 1)))
    many = replace(many, inputs=np.tile(found.inputs, (4, 1)))
    assert not any("+-?" in line for line in lines(many))


def test_what_moves_a_figure_is_found():
    """The highest volts of half a minute follow the skin of the plates, and it is said so."""
    with ThreadPoolExecutor(1) as pool:
        found = studied(replace(SHORT, batteries=1), 40, 2, pool)
    assert found.moved_by("highest_V_per_cell")[0].input == "skin resistance"
    assert found.moved_by("highest_V_per_cell")[0].correlation > 0.5
    assert all(len(found.moved_by(key)) <= 3 for key in MOVED)
    assert "skin resistance +" in "\n".join(lines(found))


def test_a_release_can_take_the_course(found):
    """The course is of the release's own form, rising, with a band, and goes through JSON unchanged."""
    course = studies.course_steps(found)
    assert [step.name for step in course] == ["three ampere", "zero", "five ampere"]
    assert [CourseStep.model_validate_json(step.model_dump_json()) for step in course] == list(course)
    volts = course[0].voltage_V_per_cell
    assert all(low < high for low, high in zip(volts.low[1:], volts.high[1:], strict=True))
    assert 1.0 < volts.middle[-1] < 3.0


def test_remarks_name_what_is_worth_a_word(found):
    """A study that was cut cannot be released; strings that held or did not end are named with their law."""
    codes = [remark.code for remark in found.remarks]
    assert "study_formed_positive_percent" in codes
    assert not any(remark.error for remark in found.remarks)
    flags = found.flags.copy()
    flags[:3, FLAGS.index("held")] = True
    flags[:1, FLAGS.index("complete")] = False
    causes = {("held", "probe_hold"): 3, ("tripped", "voltage_trip"): 2}
    worse = replace(found, flags=flags, asked=40, causes=causes)
    said = {remark.code: remark for remark in worse.remarks}
    assert said["study_cut"].error
    assert said["study_held"].text == "held 3 of 20 strings, by probe_hold"
    assert said["not_complete"].text.startswith("1 of 20")
    assert worse.trips == {"voltage_trip": 2}
    assert "20 of 40 strings" in lines(worse)[0]


def test_acid_changed_on_the_way_ends_elsewhere():
    """A plan that changes the acid has another end density; runs that never ended are outside of nothing."""
    assert limits_of(plan_of("starter-100-two-acid"))[0].low == 1.26
    assert limits_of(plan_of("starter-100"))[0].low == 1.27


def test_a_study_of_nothing_says_so():
    """Interrupted before its first batch there are no figures, and nothing fails on that."""
    nothing = collected(SHORT, 10, 1, [])
    assert lines(nothing) == ["no batch was done, there are no figures"]
    assert json.loads(as_json(nothing))["quantiles"]["hours"] is None
    assert strings_csv(nothing).count("\n") == 1
    assert nothing.course == ()
    assert figures(nothing) == {}
    assert nothing.totals["hours"] is None
    assert nothing.said


def test_json_and_table_hold_everything(found):
    """One object with its form; a row a string, numbers that read back the same."""
    told = json.loads(as_json(found))
    assert told["format"] == "formbath/study/1"
    assert (told["strings"], told["strings_asked"], told["seed"], told["water_C"]) == (20, 20, 7, [25.0, 35.0])
    assert set(told["quantiles"]) == set(KEYS)
    assert [(each["figure"], each["low"], each["high"]) for each in told["outside"]] == [
        ("density_kg_L", 1.27, 1.29), ("formed_positive_percent", 97.0, None), ("start_V_per_cell", None, 2.6)
    ]  # fmt: skip
    head, *rows = strings_csv(found).splitlines()
    assert len(rows) == STRINGS
    assert len(head.split(",")) == 1 + len(KEYS) + len(FLAGS) + len(INPUTS)
    assert [float(row.split(",")[1 + KEYS.index("hottest_C")]) for row in rows] == found.of("hottest_C").tolist()


def test_figures_can_be_drawn(found):
    """The course and three cumulative shares are well-formed pictures with sample size and seed in the title."""
    drawn = figures(found)
    assert list(drawn) == ["", "hottest", "end", "charge"]
    for figure in drawn.values():
        assert "n 20, seed 7" in figure.title
        ET.fromstring(to_svg(figure))


def test_a_cluster_without_its_library_is_one_sentence(monkeypatch):
    """Who names a scheduler without the library is told what to install."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="--scheduler: needs the library distributed"), studypool.cluster("tcp://x:1"):
        pass


needs_cluster = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None,
    reason="the cluster is another library's, of the extra `cluster`",
)


@pytest.mark.slow
@needs_cluster
def test_a_scheduler_that_is_not_there_is_not_reached(monkeypatch):
    """Nobody listening is told as such, an address that is none as wrong input."""
    monkeypatch.setattr(studypool, "REACH_S", 1)
    with pytest.raises(Unreachable, match="no scheduler answers at tcp://127"), studypool.cluster("tcp://127.0.0.1:1"):
        pass
    with pytest.raises(InputError, match="is no address"), studypool.cluster("nonsense://x"):
        pass


@pytest.mark.slow
@needs_cluster
def test_a_cluster_gives_the_same_digits(found, tmp_path):
    """A scheduler and two workers in processes of their own compute what this process does."""
    file = tmp_path / "scheduler.json"
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    dask = [sys.executable, "-m", "dask"]
    scheduler = [*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", file]
    worker = [*dask, "worker", "--scheduler-file", file, "--nworkers", "2", "--nthreads", "1", "--no-dashboard"]
    with (tmp_path / "said.txt").open("w") as said:
        running = [subprocess.Popen(each, cwd=tmp_path, env=surroundings, stderr=said) for each in (scheduler, worker)]
        try:
            with studypool.cluster(_address(file, running)) as pool:
                other = studied(SHORT, STRINGS, SEED, pool, water_C=(25.0, 35.0))
        finally:
            for process in reversed(running):
                process.terminate()
                process.wait(30)
    assert same(other, found)


def _address(file, running):
    """The scheduler's address, once it and a worker are there."""
    from distributed import Client

    for _ in range(600):
        assert all(process.poll() is None for process in running)
        try:
            address = json.loads(file.read_text())["address"]
            break
        except (OSError, ValueError):
            _pause(file.parent)
    with Client(address, timeout=30, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)
    return address


def _pause(folder):
    """Gives the processor to those who are waited for."""
    subprocess.run([sys.executable, "-c", ""], cwd=folder, check=False)
