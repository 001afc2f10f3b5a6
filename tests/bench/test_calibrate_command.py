"""The command on run folders by the record's own writer: what it says, writes, and refuses."""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from calibratekit import BASE, TRUE, blank, coarse, log_rows, plan, plant_rows, reading, true_run, typed, written

from controller.core.planned import Load
from controller.core.types import Quality, Value
from controller.records.rows import LOG_HEADER
from profiles.loader import read_document
from profiles.problems import InputError
from simulator.bench import calibratecmd, calibratecourse
from simulator.bench.calibratecourse import course_of
from simulator.bench.calibratedata import read_runs
from simulator.modelfile import Model, load_model_file, model_check, read_model, to_toml


def called(*words):
    parser = argparse.ArgumentParser()
    calibratecmd.add_arguments(parser)
    return calibratecmd.run(parser.parse_args([str(word) for word in words]))


def refused(*words) -> str:
    with pytest.raises(InputError) as caught:
        called(*words)
    (problem,) = caught.value.problems
    assert "\n" not in str(problem)
    return str(problem)


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A folder with a run of the virtual plant, whose type is known, and the file of the base."""
    place = tmp_path_factory.mktemp("calibrate")
    rows, readings = plant_rows(typed(TRUE))
    near = Model(typed({"paste_Ah": TRUE["paste_Ah"]}), {"paste_Ah": (0.5, 0.5), "use": (0.1, 0.1)})
    (place / "base.toml").write_text(to_toml(near))
    return place, written(place, rows, readings=readings)


@pytest.fixture(scope="module")
def plain_rows():
    return log_rows(replace(blank(), voltage_V=np.full(blank().at_s.size, 216.0)))


@pytest.mark.slow
def test_a_plants_run_gives_its_batterys_type(kept, capsys, monkeypatch):
    """End to end: rectifier, bath and instruments of the virtual plant, its record, the fit, the file, its check."""
    pytest.importorskip("scipy", reason="the fit is scipy's, of the extra bench")
    place, folder = kept
    monkeypatch.setattr(calibratecourse, "STEP_SHARE", 0.25)
    out = place / "found.toml"
    assert called(folder, "--base", place / "base.toml", "-o", out) == 0
    said = capsys.readouterr()
    assert max(len(line) for line in said.out.splitlines()) <= 80
    assert "root mean square of 4 points" in said.out
    assert "Voltage cannot tell k_slow_h of the positive and use" in said.out
    assert said.err == f"calibrate: {out} written; formbath dryrun PROFILE --model takes it\n"
    model, truth = read_model(out), typed(TRUE)
    for name in TRUE:
        value, true = np.array(getattr(model.parameters, name)), np.array(getattr(truth, name))
        assert np.all(np.abs(value - true) < 4.0 * np.array(model.errors[name]) + 0.01 * true), name
    assert model.errors["use"] == (0.1, 0.1)
    assert model.errors["paste_Ah"][0] < 0.01
    assert model.runs == (folder.name,)
    assert replace(model.parameters, **{name: getattr(BASE, name) for name in TRUE}) == BASE
    assert not [problem for problem in model_check(read_document(out)) if problem.wrong]
    assert load_model_file(out) == model.parameters
    assert refused(folder, "-o", out) == f"calibrate: -o: {out} exists, name another file or add --force"


def test_its_object_says_the_same(kept, capsys, monkeypatch):
    """--json: one object with units in its keys, null for what is missing; a fit that explains nothing ends in 1."""
    pytest.importorskip("scipy", reason="the fit is scipy's, of the extra bench")
    place, _ = kept
    coarse(monkeypatch)
    run = true_run({"water_W_K": 0.9}, steps=((0.2, 6.0), (0.8, 24.0)))
    folder = written(place, log_rows(run), batch="K2")
    assert called(folder, "--base", place / "base.toml", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["format"] == "formbath/calibrate/1"
    assert told["refused"] is None
    water = told["parameters"]["water_W_K"]
    assert water["found"] == pytest.approx(0.9 * 7.2, rel=0.02)
    assert 0.0 < water["standard_error"] < 0.5
    assert told["parameters"]["sulfate"]["found"] is None
    assert told["parameters"]["sulfate"]["kept_because"] == "no density was read"
    assert told["left"]["density_kg_L"] is None
    assert told["runs"][0]["soak_h"] == pytest.approx(0.5)
    wrong = written(place, log_rows(replace(run, voltage_V=run.voltage_V - 10.0)), batch="K3")
    assert called(wrong, "--base", place / "base.toml", "-o", place / "none.toml") == 1
    said = capsys.readouterr()
    assert "REFUSED: the fit leaves" in said.out
    assert "not written, the fit is refused" in said.err
    assert not (place / "none.toml").exists()


def test_a_folder_comes_in_as_it_was_logged(tmp_path):
    """Rows, set-points, soak, and densities of the run and behind it, until the string was unloaded."""
    run = replace(true_run({}, steps=((0.2, 6.0), (1.0, 24.0))), densities=())
    rows = log_rows(run)
    rows[5] = replace(rows[5], current_A=Value(99.0, Quality.SUSPECT))
    rows[6] = replace(rows[6], voltage_V=Value(None, Quality.LOST), probe_C=Value(20.0, Quality.STALE))
    folder = written(tmp_path, rows, readings=[reading(1800.0, 1.21, 31.5, ago_min=10), reading(2000.0, 1.5)])
    beside = tmp_path / "A"
    beside.mkdir()
    head = "time_utc,elapsed_s,id,kind,code,target,who,role,priority,value,limit,unit,text,chain\n"
    told = "a: density of battery 1 1.27 kg/L at 25 C, 0 min before, instrument H1"
    (beside / "events-202603.csv").write_text(
        head
        + f'2026-03-16T05:00:00.000Z,,o,order,reading,A01,a,t,,1.1,,,"reading by {told}",c\n'
        + f'2026-03-16T08:00:00.000Z,,o,order,reading,A02,a,t,,1.2,,,"reading by {told}",c\n'
        + f'2026-03-16T08:00:00.000Z,,o,order,reading,A01,a,t,,1.27,,,"reading by {told}",c\n'
        + "2026-03-16T08:30:00.000Z,,o,order,accepted,A01,a,t,,,,,unload by a,c\n"
        + f'2026-03-16T09:00:00.000Z,,o,order,reading,A01,a,t,,1.28,,,"reading by {told}",c\n'
    )
    (one,) = read_runs([folder])
    assert (one.cells, one.batteries, one.capacity_C20_Ah, one.soak_s) == (6, 18, 60.0, 1800.0)
    assert one.at_s.size == len(rows)
    assert np.isnan(one.current_A[5])
    assert np.isnan(one.voltage_V[6])
    assert np.isnan(one.probe_C[6])
    keep = np.ones(len(rows), dtype=bool)
    keep[5:7] = False
    assert one.current_A[keep] == pytest.approx(run.current_A[keep])
    assert one.voltage_V[keep] == pytest.approx(run.voltage_V[keep], abs=1e-3)
    assert one.asked_A == pytest.approx(run.asked_A)
    assert [(read.at_s, read.density_kg_L, read.temperature_C) for read in one.densities] == [
        (1200.0, 1.21, 31.5), (7200.0, 1.27, 25.0),
    ]  # fmt: skip
    assert {read.reference_C for read in one.densities} == {25.0}
    assert one.notes == (
        f"of {len(rows)} rows left out as missing or of bad quality: current_A in 1, voltage_V in 1, probe_C in 1",
    )
    assert course_of(one).density_at.size == 2


def test_what_is_no_record_of_a_fresh_string_is_refused(tmp_path, plain_rows):
    """One line each, exit 2: no folder, a resistor, a run that goes on, no current, no rows, damage."""
    assert refused(tmp_path / "none").endswith("none: is no run folder: there is no such folder")
    usual = Load(plan(), 18, "K1", first_filled_ms=-1000, last_filled_ms=-1000)

    def loaded(batch, rows=plain_rows, **changes):
        return refused(written(tmp_path, rows, batch=batch, load=replace(usual, batch=batch, **changes)))

    assert "a resistor" in loaded("r", plan=replace(plan(), soak_max_ms=None))
    assert "goes on with an earlier run" in loaded("f", fresh=False)
    assert "goes on with an earlier run" in loaded("c", continues="x", first_step=2)
    assert "not filled within two days" in loaded("l", first_filled_ms=-400_000_000, last_filled_ms=-400_000_000)
    steps = (replace(plan().steps[0], refill_density=1.3), *plan().steps[1:])
    assert "its acid is changed on the way" in loaded("a", plan=replace(plan(), steps=steps))
    assert "no current ever flowed" in loaded("n", [replace(row, current_A=Value(0.0)) for row in plain_rows])
    assert "current_A: fewer than 50 good values" in loaded("s", plain_rows[:40])
    folder = written(tmp_path, plain_rows, batch="d")
    log = folder / "log.csv"
    text = log.read_text()
    log.write_text(text.replace(",24.000,", ",23.000,", 1))
    assert "damaged: log.csv:" in refused(folder)
    log.write_text(text + "2026-03-16T")  # the last row was being written: the rest is whole
    assert read_runs([folder])[0].at_s.size == len(plain_rows)
    log.write_text(LOG_HEADER + "\n")
    assert "fewer than 50 good values" in refused(folder)


def test_runs_of_two_types_are_not_mixed(tmp_path, plain_rows):
    """Another capacity, another type by name, or one run twice: refused, with both named."""
    first = written(tmp_path, plain_rows)
    load = Load(replace(plan(), capacity_C20_Ah=70.0), 18, "K2", first_filled_ms=-1000, last_filled_ms=-1000)
    other = written(tmp_path, plain_rows, batch="K2", load=load)
    named = replace(load, plan=plan(), batch="K3", battery_type="\x1b[31mS 60")
    third = written(tmp_path, plain_rows, batch="K3", load=named)
    assert "another battery (6 cells, 70 Ah)" in refused(first, other)
    assert "another battery (6 cells, 60 Ah ?[31mS 60)" in refused(first, third)
    assert "is given twice" in refused(first, first)


def test_places_and_options_are_looked_at_before_the_work(tmp_path):
    """A taken name, a folder, no folder, an air no hall has, a base that is no model file: exit 2 at once."""
    taken = tmp_path / "m.toml"
    taken.write_text('kind = "profile"\n')
    assert refused("none", "-o", taken).endswith("exists, name another file or add --force")
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "run.json").write_text("{}")
    assert "which holds a record" in refused("none", "-o", tmp_path / "run" / "run.json", "--force")
    assert refused("none", "-o", tmp_path).endswith("is a folder, name a file")
    assert refused("none", "-o", tmp_path / "a" / "b.toml").endswith("its folder does not exist, make it first")
    assert refused("none", "--air-C", "nan").startswith("calibrate: --air-C: nan cannot be")
    assert "is another kind of file" in refused("none", "--base", taken)


def test_a_missing_library_is_said_in_one_sentence(monkeypatch):
    """Without scipy the command says what to install, once its input is right, and ends as for wrong input."""

    def missing(name, *args):
        if name.startswith("scipy"):
            raise ImportError(name)
        return importlib.__import__(name, *args)

    monkeypatch.setattr(importlib, "import_module", missing)
    monkeypatch.setattr(calibratecmd, "read_runs", lambda folders: [])
    assert refused("none") == (
        "calibrate: needs scipy, which is not installed: install formbath[bench], or scipy by itself"
    )
