"""The demo as a whole: played once, told from its own records, each record verified and then tampered with.

On its way it is looked at in the moments of the golden screens, so that nobody has to play it anew for those.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import hashlib
import importlib
import io
import random
import re
import shutil
import statistics
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from controller.records.reader import read_run
from controller.records.rows import parse_time
from controller.verify import commands as verify_command
from controller.verify.runfolder import verify_run
from simulator import demo, telling
from simulator.hall import Hall, open_hall

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[2]
CLEAN = ("A01", "A02", "A04")
SISTERS = (*CLEAN, "A03")
LIMIT_V = 2.85 * 108


class Looked:
    """Keeps what the golden screens are made of, in their moments, while a demo is played."""

    def __init__(self, golden) -> None:
        self.golden = golden
        self.waiting = list(golden.MOMENTS)
        self.seen = {}

    async def open_hall(self, runs: Path, seed: int, ratio: float | None) -> Hall:
        hall = await open_hall(runs, seed, ratio)
        cycle = hall.service.cycle

        async def looked() -> None:
            await cycle()
            while self.waiting and hall.stage.plant.elapsed_s >= self.waiting[0].at_s:
                moment = self.waiting.pop(0)
                self.seen[moment.name] = await self.golden._kept(hall.service, runs, moment.circuit)

        hall.service.cycle = looked
        return hall


def play(folder: Path) -> tuple[str, ...]:
    """Play into a folder; what the demo asks of the garbage collector ends with it."""
    thresholds = gc.get_threshold()
    try:
        return asyncio.run(demo.play(folder, demo.SEED, io.StringIO())).surprises
    finally:
        gc.set_threshold(*thresholds)
        gc.unfreeze()


@pytest.fixture(scope="session")
def console_tests():
    """The golden screens' maker, and the comparison of their pictures."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(ROOT / "tests/console"))
        return importlib.import_module("golden"), importlib.import_module("test_golden_pictures")


@pytest.fixture(scope="session")
def looked(console_tests):
    return Looked(console_tests[0])


@pytest.fixture(scope="session")
def played(tmp_path_factory, looked):
    """The folder of one whole demo, and what its script was surprised by."""
    folder = tmp_path_factory.mktemp("whole-demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo, "open_hall", looked.open_hall)
        return folder, play(folder)


@pytest.fixture(scope="session")
def runs(played):
    return played[0]


@pytest.fixture(scope="session")
def told(runs):
    return {entry.circuit: entry for entry in telling.entries(runs)}


@pytest.fixture(scope="session")
def folders(runs):
    found = {read_run(path.parent).head.circuit: path.parent for path in sorted(runs.glob("*/run.json"))}
    assert sorted(found) == [f"A0{number}" for number in range(1, 9)]
    return found


@pytest.fixture(scope="session")
def hours(tmp_path_factory):
    """Two demos cut off after one hour of plant time."""
    trees = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo, "LONGEST_s", 3_600.0)
        for which in ("first", "second"):
            trees.append(tmp_path_factory.mktemp(f"{which}-hour"))
            assert play(trees[-1]) == ()
    return trees


def events_of(folder: Path) -> list[dict[str, str]]:
    table = read_run(folder).events
    return [dict(zip(table.columns, row, strict=True)) for row in table.rows]


def codes_of(folder: Path) -> list[str]:
    return [row["code"] for row in events_of(folder)]


def rows_of(folder: Path) -> list[dict[str, float | None]]:
    log = read_run(folder).log
    wanted = ("elapsed_s", "set_current_A", "current_A", "voltage_V", "charge_Ah", "allowed_percent", "probe_C")
    columns = [log.numbers(name) for name in wanted]
    return [dict(zip(wanted, row, strict=True)) for row in zip(*columns, strict=True)]


def test_nothing_surprises_script_or_telling(played, told, runs):
    """Every order was answered as expected, and the records say what was planned."""
    _, surprises = played
    assert surprises == ()
    assert telling.surprises(list(told.values())) == []
    assert telling.bath_alarms(runs, list(told.values())) == []


def test_pictures_of_the_golden_screens_come_from_it(played, looked, console_tests):
    """Each moment but the one after the end: states, codes, texts exactly, numbers within half a per cent."""
    golden, pictures = console_tests
    assert [moment.name for moment in looked.waiting] == ["complete"]
    assert [*looked.seen, "complete"] == [moment.name for moment in golden.MOMENTS]
    for name, seen in looked.seen.items():
        assert pictures.different(name, seen) == []


def test_densities_are_read_by_hand_while_blocked(runs):
    """Circuits that ended long enough before the demo's end: three batteries each, ten minutes after the block."""
    found = [row for row in telling._bath_rows(runs) if row["target"] not in ("A05", "A07")]
    for name in (*SISTERS, "A06", "A08"):
        own = [row for row in found if row["target"] == name]
        read = [row for row in own if row["text"].startswith("reading by night technician")]
        assert [row["text"].split("battery ")[1].split()[0] for row in read] == ["1", "9", "18"], name
        assert all(1.2 < float(row["text"].split("battery ")[1].split()[1]) < 1.35 for row in read), name
        (block,) = [row for row in own if row["text"] == "block by night technician"]
        waited = parse_time(read[0]["time_utc"]) - parse_time(block["time_utc"])
        assert 600_000 <= waited <= 660_000


def test_all_eight_are_complete(told):
    """Eight runs, each complete with at least its planned charge and little more."""
    assert len(told) == 8
    for entry in told.values():
        assert entry.state == "complete"
        assert entry.planned_Ah == pytest.approx(202.5)
        assert 0.0 <= entry.charge_Ah - entry.planned_Ah < 1.0, entry
        assert 50_000 < entry.energy_Wh < 56_000, entry


@pytest.mark.parametrize("circuit", [*CLEAN, "A06"])
def test_clean_circuits_take_the_profile_s_time(told, folders, circuit):
    """18:24, as the profile is written, with no alarm, no hold and no refusal in the record."""
    entry = told[circuit]
    assert telling.clock(entry.duration_s) == "18:24"
    assert entry.alarms == ()
    kinds = {(row["kind"], row["code"]) for row in events_of(folders[circuit])}
    assert kinds == {
        ("order", "accepted"), ("order", "read_back"), ("event", "start_list_item"), ("event", "step_began"),
        ("event", "step_ended"), ("event", "complete"),
    }  # fmt: skip


def test_clamp_off_trips_and_is_late(told, folders):
    """A05 trips at about 86 Ah, is blocked, reset and resumed by persons, and ends some 45 min late."""
    entry = told["A05"]
    codes = codes_of(folders["A05"])
    assert entry.alarms == ("open_string",)
    assert "tripped" in codes
    assert "resumed_by_rule" not in codes
    assert "tripped at 85.8 Ah" in entry.said
    orders = [row["text"].split()[0] for row in events_of(folders["A05"]) if row["code"] == "accepted"]
    assert orders == ["start", "acknowledge", "block", "unblock", "reset", "resume"]
    assert 42 * 60 <= entry.duration_s - entry.planned_s <= 48 * 60


def test_only_what_was_mended_is_said_to_be(folders, told, tmp_path):
    """The words for A05 and A06 hang on the notices in the records: without them nothing was remade or replaced."""
    assert "blocked, remade, unblocked, reset" in told["A05"].said
    assert told["A06"].said.endswith("reversed; replaced")
    base = folders["A05"].parent
    for name in ("A05", "A06"):
        shutil.copytree(folders[name], tmp_path / folders[name].name)
    for path in (*base.glob("*/events-*.csv"), folders["A05"] / "events.csv"):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        kept = tmp_path / path.relative_to(base)
        kept.parent.mkdir(exist_ok=True)
        kept.write_text("".join(line for line in lines if ",notice," not in line), encoding="utf-8")
    without = {entry.circuit: entry.said for entry in telling.entries(tmp_path)}
    assert "blocked, unblocked, reset" in without["A05"]
    assert "remade" not in without["A05"]
    assert without["A06"].endswith("a formed battery reversed")


def test_archived_runs_are_counted_as_those_in_folders(folders, told, tmp_path):
    """Whoever archived circuits before leaving reads of all eight, each once; other archives are none of them."""
    shutil.copytree(folders["A01"].parent / "A", tmp_path / "A")
    for name, folder in folders.items():
        if name in ("A01", "A05"):
            with zipfile.ZipFile(tmp_path / f"{folder.name}.zip", "w") as archive:
                for file in sorted(folder.iterdir()):
                    archive.writestr(zipfile.ZipInfo(f"{folder.name}/{file.name}"), file.read_bytes())
        if name != "A01":
            shutil.copytree(folder, tmp_path / folder.name)
    (tmp_path / "photos.zip").write_bytes(b"PK")
    found = telling.entries(tmp_path)
    assert found == list(told.values())
    assert "8 of 8 complete" in telling.lines_left(found, demo.SEED, Path("demo-runs/1"), None)[-2]


def test_clamp_is_remade_by_hands_while_blocked(folders):
    """The record says who mended it, ten minutes after the block, and the block is lifted only after that."""
    rows = events_of(folders["A05"])
    (mended,) = [row for row in rows if row["code"] == "notice"]
    assert mended["text"] == "A05: clamp remade by the electrician"
    at = {row["text"].split()[0]: float(row["elapsed_s"]) for row in rows if row["code"] == "accepted"}
    assert 600 <= float(mended["elapsed_s"]) - at["block"] <= 610
    assert at["unblock"] > float(mended["elapsed_s"])


def test_start_list_stands_in_every_record(folders):
    """Each run says what was ticked before its start, by whom; A06's battery was new, so it was looked at again."""
    for name, folder in folders.items():
        ticked = [row["text"] for row in events_of(folder) if row["code"] == "start_list_item"]
        assert len(ticked) == 2, name
        assert "polarity" in ticked[0]
        assert "day technician" in ticked[0]


def test_reversed_battery_is_replaced_by_hands(runs):
    """The bath's own events tell of A06's new battery before its second start."""
    text = "".join(path.read_text(encoding="utf-8") for path in runs.glob("A/events-*.csv"))
    (line,) = [line for line in text.splitlines() if ",notice," in line]
    assert "A06: battery 4, formed and reversed, replaced by a fresh soaked one by the electrician" in line


def test_clamp_off_stands_at_the_limit_without_current(folders):
    """Before the trip the record shows what an open clamp is: the whole limit's volts, no current; then zero asked."""
    rows = rows_of(folders["A05"])
    trip_s = next(float(row["elapsed_s"]) for row in events_of(folders["A05"]) if row["code"] == "tripped")
    before = [row for row in rows if trip_s - 20.0 <= row["elapsed_s"] < trip_s]
    open_rows = [row for row in before if abs(row["current_A"]) < 0.3]
    assert open_rows
    assert all(row["voltage_V"] == pytest.approx(LIMIT_V, rel=0.005) for row in open_rows)
    assert all(row["set_current_A"] == pytest.approx(15.0) for row in open_rows)
    resumed_s = next(
        float(row["elapsed_s"]) for row in events_of(folders["A05"]) if row["text"].startswith("resume by")
    )
    between = [row for row in rows if trip_s <= row["elapsed_s"] < resumed_s]
    assert len(between) > 100
    assert {row["set_current_A"] for row in between} == {0.0}
    assert all(abs(row["current_A"]) < 0.3 for row in between)


def test_badly_cooled_circuit_is_reduced_and_never_held(told, folders):
    """A07 runs through on less current while it is hot: derate alarms, rows below 100 %, no hold and no trip."""
    entry = told["A07"]
    codes = codes_of(folders["A07"])
    rows = rows_of(folders["A07"])
    assert set(entry.alarms) == {"probe_derate"}
    assert not {"held", "tripped", "resumed_by_rule"} & set(codes)
    assert 50.0 <= entry.hottest_C < 55.0
    reduced = [row for row in rows if row["allowed_percent"] < 100.0]
    assert reduced
    assert min(row["allowed_percent"] for row in rows) >= 20.0
    assert all(row["set_current_A"] < 15.0 for row in reduced)
    assert entry.duration_s > entry.planned_s + 600


def test_link_loss_resumes_by_rule(told, folders):
    """A08's loss of less than two minutes is held, and the rule alone resumes it, at restart current."""
    rows = events_of(folders["A08"])
    codes = [row["code"] for row in rows]
    assert told["A08"].alarms == ("link_lost",)
    assert codes.count("held") == codes.count("resumed_by_rule") == 1
    assert codes.index("held") < codes.index("resumed_by_rule")
    assert not [row for row in rows if row["code"] == "accepted" and row["text"].startswith("resume")]
    at = {row["code"]: float(row["elapsed_s"]) for row in rows if row["code"] in ("held", "resumed_by_rule")}
    assert 0 < at["resumed_by_rule"] - at["held"] <= 120
    after = [row for row in rows_of(folders["A08"]) if 10 <= row["elapsed_s"] - at["resumed_by_rule"] <= 500]
    assert {row["set_current_A"] for row in after} == {3.0}


def test_reversed_battery_is_refused_at_the_start(told, runs, folders):
    """A06's first start is refused for its volts at zero current, by the bath's own record; its run begins later."""
    assert told["A06"].said.startswith("start refused, -12.9 V at 0 A")
    text = "".join(path.read_text(encoding="utf-8") for path in runs.glob("A/events-*.csv"))
    refused = [line for line in text.splitlines() if ",refusal," in line]
    assert len(refused) == 1
    assert ",string_volts,A06," in refused[0]
    starts = {name: read_run(folder).head.start_utc for name, folder in folders.items()}
    assert starts["A06"] > starts["A08"] > starts["A05"] > starts["A01"]


def test_shorted_cell_shows_in_the_record(folders):
    """One cell less: A03 stands some 2 to 3 V below its sisters at the same current.

    Not looked at is the rise to gassing, some 40 V in an hour, which each string begins at its own moment.
    """
    by = {name: {row["elapsed_s"]: row for row in rows_of(folders[name])} for name in SISTERS}
    missing = []
    for hour in (3, 4, 5, 6, 10, 11, 12, 13):
        rows = [by[name][hour * 3_600.0] for name in SISTERS]
        assert len({row["set_current_A"] for row in rows}) == 1
        assert rows[0]["set_current_A"] > 5.0
        assert all(row["current_A"] == pytest.approx(row["set_current_A"], abs=0.1) for row in rows)
        missing.append(statistics.median(row["voltage_V"] for row in rows[:-1]) - rows[-1]["voltage_V"])
    assert all(1.5 <= volts <= 3.5 for volts in missing), missing


def test_closing_lines_fit_a_terminal(told, runs):
    """The last words name every circuit, fit 80 columns, and say how to verify."""
    lines = telling.lines(list(told.values()), [], demo.SEED, Path("demo-runs/1"))
    assert max(len(line) for line in lines) <= telling.WIDTH
    text = "\n".join(lines)
    assert text.count(" complete ") >= 8
    assert "8 of 8 complete, faults as planned" in lines[-1]
    assert "formbath verify demo-runs/1" in lines[-1]
    for name in CLEAN:
        assert re.search(rf"^{name} complete 18:24 .*as written$", text, re.MULTILINE)


def test_closing_lines_of_a_demo_that_was_left(hours, told):
    """An hour in, each run is told as open, with what it has counted; the last line says when it was left."""
    found = telling.entries(hours[0])
    assert {entry.state for entry in found} == {"open"}
    assert len(found) == 8
    for entry in found:
        assert 1_000 < entry.duration_s <= 3_000
        assert 0.9 < entry.charge_Ah < 15.0
    lines = telling.lines_left(found, demo.SEED, Path("demo-runs/1"), 3_605.0)
    assert max(len(line) for line in lines) <= telling.WIDTH
    assert lines[-2:] == ["left at 1:00 of plant time, 0 of 8 complete", "Next: formbath verify demo-runs/1/*A0*"]
    taken = telling.lines_left(list(told.values()), demo.SEED, Path("demo-runs/1"), None)
    assert taken[-2] == "a person gave the orders, 8 of 8 complete"
    nothing = telling.lines_left([], demo.SEED, Path("demo-runs/1"), 65.0)
    assert nothing[-1] == "left at 0:01 of plant time, 0 of 8 complete"


def test_every_record_verifies(folders):
    """Each run folder is whole, and the core decides every one of its cycles the same again."""
    for folder in folders.values():
        verdict = verify_run(folder)
        assert verdict.wrong == [], folder.name
        assert verdict.redecided
        assert verdict.same == verdict.compared == verdict.cycles > 10_000


def test_command_says_whole(folders):
    """The front door ends in 0 and says so in two lines."""
    done = subprocess.run(
        [sys.executable, str(ROOT / "formbath.py"), "verify", str(folders["A01"])],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("simulated run: whole, and untouched as far as its own hashes tell: ")
    assert len(done.stdout.splitlines()) == 2


def command(folder: Path, capsys) -> tuple[int, str]:
    parser = argparse.ArgumentParser()
    verify_command.add_arguments(parser)
    code = verify_command.run(parser.parse_args(["--chain-only", str(folder)]))
    return code, capsys.readouterr().out


@pytest.fixture(scope="session")
def copy(folders, tmp_path_factory):
    return Path(shutil.copytree(folders["A05"], tmp_path_factory.mktemp("tampered") / folders["A05"].name))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", ["log.csv", "events.csv"])
def test_one_changed_byte_is_found_and_its_row_named(copy, capsys, name, seed):
    """Any byte of any row changed: verify ends in 1 and names that row; with the byte put back it ends in 0."""
    whole = (copy / name).read_bytes()
    chance = random.Random(f"{name} {seed}")
    first = whole.index(b"\n") + 1
    place = chance.choice([at for at in range(first, len(whole)) if whole[at] != ord("\n")])
    changed = bytearray(whole)
    changed[place] = chance.choice([code for code in b"0123456789abcdef,. " if code != whole[place]])
    row = whole[:place].count(b"\n")
    try:
        (copy / name).write_bytes(changed)
        code, said = command(copy, capsys)
    finally:
        (copy / name).write_bytes(whole)
    assert code == 1
    assert f"{name}:{row + 1}: row {row} is not as it was written" in said
    assert "NOT as it was written" in said
    assert command(copy, capsys)[0] == 0


@pytest.mark.parametrize("name", ["run.json", "cycles.bin"])
def test_changed_head_and_cycles_are_found(copy, capsys, name):
    """The files beside the tables are bound by summary.json and the chain: a changed bit is found."""
    whole = (copy / name).read_bytes()
    changed = bytearray(whole)
    # A letter of the batch's name: the head stays readable, and only what binds it can tell.
    changed[whole.index(b"K3107") if name == "run.json" else len(whole) // 2] ^= 1
    try:
        (copy / name).write_bytes(changed)
        code, said = command(copy, capsys)
    finally:
        (copy / name).write_bytes(whole)
    assert code == 1
    assert name in said


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this machine")
def test_recipe_of_the_folder_s_readme_says_whole_and_not(hours, tmp_path):
    """The shell lines that stand in the folder itself pass an hour's record and fail a changed copy of it."""
    good = next(path for path in sorted(hours[0].iterdir()) if path.name.endswith("A01-K3107"))
    changed = Path(shutil.copytree(good, tmp_path / "changed"))
    lines = (changed / "log.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    lines[40] = lines[40].replace(",running,", ",held,")
    (changed / "log.csv").write_text("".join(lines), encoding="utf-8")
    said = {}
    for folder in (good, changed):
        recipe = re.split(r"----8<----.*\n", (folder / "README.txt").read_text(encoding="utf-8"))[1]
        said[folder] = subprocess.run(
            ["sh", "-c", recipe], cwd=folder, capture_output=True, text=True, timeout=120, check=False
        )
    assert said[good].returncode == 0
    assert f"log.csv: {len(lines) - 1} rows as they were written" in said[good].stdout
    assert said[changed].returncode == 1
    assert "log.csv: row 40 is not as it was written" in said[changed].stdout


def digests(tree: Path) -> dict[str, str]:
    files = sorted(path for path in tree.rglob("*") if path.is_file())
    return {str(path.relative_to(tree)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_two_plays_write_the_same_bytes(hours):
    """The same seed gives the same tree, byte for byte, however the machine was loaded."""
    first, second = (digests(tree) for tree in hours)
    assert len([name for name in first if name.endswith("log.csv")]) == 8
    assert any(name.startswith("A/") for name in first)
    assert first == second
