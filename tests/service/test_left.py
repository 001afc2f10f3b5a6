"""A service begins with whatever an earlier one left: nothing there ends its start, frees a circuit, brings current."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from pathlib import Path
from random import Random

import pytest
from leftkit import LOAD, NAMES, PROFILE, Hall, Plant, in_memory, rows, state_bytes

from controller.core.types import State
from controller.records.statefile import limits_file
from controller.service.limits import FORMAT
from controller.verify.runfolder import verify_run

LONG = bool(os.environ.get("FORMBATH_LONG"))
FILES = ("log.csv", "events.csv", "cycles.bin", "cycles.tail", "run.json", "state.json")


async def killed_in_mid_run(runs: Path) -> Hall:
    """A01 runs, A02 is blocked by a person; fifteen cycles are on the disk."""
    hall = await Hall(runs).running(["A01"])
    assert (await hall.order("block", "A02")).accepted
    await hall.cycles(12)
    assert hall.writer.commit()
    return hall


@pytest.fixture
def tmp_path():
    """In memory: nothing here depends on a disk."""
    with in_memory() as folder:
        yield folder


@pytest.fixture(scope="module")
def left_open(tmp_path_factory) -> Path:
    """The runs that a killed service left."""
    runs = tmp_path_factory.mktemp("killed") / "runs"
    asyncio.run(killed_in_mid_run(runs))
    return runs


@pytest.fixture
def runs(left_open, tmp_path) -> Path:
    """A copy to damage."""
    return Path(shutil.copytree(left_open, tmp_path / "runs"))


def file_of(runs: Path, name: str) -> Path:
    (found,) = runs.rglob(name)
    return found


def said(hall: Hall) -> list[str]:
    return [event.data["what"] for event in hall.begun.told if event.code == "notice"]


async def begun_safely(runs: Path, passed_ms: int = 3_600_000) -> Hall:
    """A service an hour later: no current, nobody's block forgotten."""
    plant = Plant()
    plant.passed_ms = passed_ms
    hall = Hall(runs, plant)
    now_ms = hall.service.state.now_ms
    await hall.cycles(3)
    assert hall.service.state.now_ms > now_ms
    assert State.RUNNING not in {hall.circuit(name).state for name in NAMES}
    assert all(command.set_current_A == 0.0 and not command.output_on for command in plant.held)
    assert hall.circuit("A02").blocked_by
    return hall


def damages(size: int, chance: Random) -> list[tuple[str, int]]:
    """Where to cut, to fill with zeros, to change a byte."""
    points = range(size) if LONG else sorted({0, 1, size - 1, *(chance.randrange(size) for _ in range(2))})
    return [(how, at) for at in points for how in ("cut", "zeros", "flip")]


def damaged(data: bytes, how: str, at: int) -> bytes:
    if how == "cut":
        return data[:at]
    if how == "zeros":
        return data[:at] + bytes(len(data) - at)
    return data[:at] + bytes([data[at] ^ 0x15]) + data[at + 1 :]


@pytest.mark.parametrize("name", FILES)
async def test_whatever_byte_is_wrong_a_service_begins_and_nothing_flows(left_open, tmp_path, name):
    """Cut, zeroed or changed anywhere: it starts, A02 stays blocked, and A01 is held or says why it has no run."""
    data = file_of(left_open, name).read_bytes()
    for number, (how, at) in enumerate(damages(len(data), Random(len(data)))):
        place = Path(shutil.copytree(left_open, tmp_path / str(number)))
        file_of(place, name).write_bytes(damaged(data, how, at))
        hall = await begun_safely(place)
        circuit = hall.circuit("A01")
        assert circuit.run is not None or circuit.blocked_by, (how, at)
        assert (circuit.state is State.HELD) == (circuit.run is not None)
        hall.end()
        shutil.rmtree(place)


async def test_undamaged_it_goes_on_in_its_folder(runs):
    """Against all of these: one folder, one stated gap, a person resumes, and the record holds."""
    hall = await begun_safely(runs)
    assert (said(hall), list(hall.left.records), len(hall.folders())) == ([], ["A01"], 1)
    assert hall.circuit("A02").blocked_by == "anna"
    assert hall.begun.away.away_ms > 3_500_000
    answer = await hall.order("resume", "A01", {"reason": "looked at it", "told": "A02"})
    assert answer.accepted, answer.text
    await hall.cycles(4)
    assert hall.circuit("A01").state is State.RUNNING
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    hall.end()
    (folder,) = hall.folders()
    assert [row["code"] for row in rows(folder / "events.csv")].count("gap") == 1
    assert (folder / "summary.json").is_file()
    verdict = verify_run(folder)
    assert verdict.same == verdict.cycles
    assert len(verdict.gap_s) == verdict.stated_gaps == 1


async def test_a_folder_that_state_json_names_but_is_not_there(runs):
    """Killed in the first commit of a run: it is said, and the run goes on in a new folder."""
    shutil.rmtree(file_of(runs, "log.csv").parent)
    hall = await begun_safely(runs)
    assert any("is no run of A, A01" in text for text in said(hall))
    assert hall.circuit("A01").state is State.HELD
    hall.end()
    assert len(hall.folders()) == 1


async def test_a_folder_of_another_bath_is_not_opened(runs, tmp_path):
    """A copied state.json, or a folder put there by hand: two services never write one run."""
    head = file_of(runs, "run.json")
    head.write_text(head.read_text().replace('"bath": "A",', '"bath": "B",'))
    before = {path.name: path.read_bytes() for path in head.parent.iterdir()}
    hall = await begun_safely(runs)
    assert any("is no run of A, A01" in text for text in said(hall))
    hall.end()
    assert {path.name: path.read_bytes() for path in head.parent.iterdir()} == before


@pytest.mark.parametrize("content", [
    {"now_ms": "soon"}, {"now_ms": 1e300}, {"now_ms": 10**400}, {"now_ms": None}, {"utc_ms": [1]},
    {"utc_ms": -(10**17)},
    {"circuits": None}, {"circuits": [1]}, {"circuits": {"A02": {"name": 10**400}}}, {"alarms": 7},
    {"alarms": {"a": 1}},
    {"duty": 3}, {"memory": []}, {"open_runs": "x"}, {"open_runs": {"A01": "..", "A09": "/etc"}},
    {"ended_runs": {"A01": 4}}, {"profiles": [1]}, {"releases": 4}, {"resume_for": [2]}, {"boot": {"id": "a boot"}},
    {"boot": 5}, {"format": "formbath/state/9"},
])  # fmt: skip
async def test_no_content_of_state_json_ends_the_start(runs, content):
    """Of a wrong type, absurd, or of another version: what cannot be used is taken for the worse."""
    path = file_of(runs, "state.json")
    kept = {**json.loads(path.read_text()), **content}
    path.write_bytes(state_bytes(kept) if "format" not in content else json.dumps(kept).encode())
    hall = await begun_safely(runs)
    hall.end()
    if "alarms" in content:
        assert [alarm.code for alarm in hall.left.alarms] == ["emergency_stop"]
    if content.keys() & {"now_ms", "utc_ms", "circuits", "format"}:
        assert any(text.startswith("state.json: ") for text in said(hall))


@pytest.mark.parametrize("name", ["blocked_by", "anna"])
async def test_a_state_json_with_another_byte_is_not_believed(runs, name):
    """A letter of a key, or of who blocked: the file's own hash says so, and nobody's block is forgotten."""
    path = file_of(runs, "state.json")
    data = path.read_bytes()
    assert name.encode() in data
    path.write_bytes(data.replace(name.encode(), b"B" + name[1:].encode()))
    hall = await begun_safely(runs)
    assert "state.json: is not as it was written: its own SHA-256 does not fit" in said(hall)
    assert hall.circuit("A02").blocked_by == "restart: kept state unreadable"
    assert hall.circuit("A01").state is State.HELD
    hall.end()


def as_of_before(path):
    """A state.json as a version without the hash wrote it."""
    kept = json.loads(path.read_bytes())
    for later in ("sha256", "lost", "bath_lost_rows"):
        kept.pop(later, None)
    path.write_text(json.dumps({**kept, "format": "formbath/state/1"}) + "\n")


async def test_a_state_json_of_before_is_read_as_it_stands(runs):
    """A version without the hash wrote it: the block is still anna's, and a person is told that it is not sealed."""
    path = file_of(runs, "state.json")
    as_of_before(path)
    hall = await begun_safely(runs)
    assert said(hall) == ["state.json: is of an older form, not sealed: a changed byte in it would not show"]
    assert hall.circuit("A02").blocked_by == "anna"
    hall.end()


async def test_a_state_json_of_before_is_sealed_before_anything_is_beside_it(runs):
    """A start that ends before its first cycle leaves no unsealed state beside a sealed limits.json."""
    path = file_of(runs, "state.json")
    as_of_before(path)
    Hall(runs).end()
    path.with_name("limits.json").write_bytes(limits_file({"format": FORMAT, "limits": {}}))
    hall = await begun_safely(runs)
    assert said(hall) == []
    assert hall.circuit("A02").blocked_by == "anna"
    hall.end()


@pytest.mark.parametrize("beside", [True, False])
async def test_a_state_json_whose_hash_was_taken_away_is_not_believed(runs, beside):
    """Edited into the older form, without anna's block: what it keeps itself, or limits.json beside it, is newer."""
    path = file_of(runs, "state.json")
    kept = json.loads(path.read_bytes())
    for later in ("sha256", "lost", "bath_lost_rows") if beside else ("sha256",):
        kept.pop(later, None)
    kept["circuits"]["A02"]["blocked_by"] = ""
    path.write_text(json.dumps({**kept, "format": "formbath/state/1"}) + "\n")
    limits = path.with_name("limits.json")
    limits.unlink(missing_ok=True)
    if beside:
        limits.write_bytes(limits_file({"format": FORMAT, "limits": {}}))
    hall = await begun_safely(runs)
    assert "state.json: is not as it was written: its own SHA-256 is gone" in said(hall)
    assert hall.circuit("A02").blocked_by == "restart: kept state unreadable"
    hall.end()


async def test_a_state_json_that_is_gone_blocks_all(runs):
    """Nobody knows any more who works on a string: maintenance has to look. A first start blocks nobody."""
    file_of(runs, "state.json").unlink()
    hall = await begun_safely(runs)
    assert "state.json: is missing, although A/events-202603.csv is there" in said(hall)
    assert hall.circuit("A01").run is not None
    first = Hall(runs.parent / "new", Plant())
    await first.cycles(3)
    assert [first.circuit(name).blocked_by for name in NAMES] == ["", ""]
    for each in (hall, first):
        each.end()


async def test_core_time_never_goes_back(runs):
    """Cycles alone are left, no row and no state.json: the new service goes on behind the last of them, gap unknown."""
    for name in ("state.json", "log.csv", "events.csv"):
        file_of(runs, name).unlink()
    hall = await begun_safely(runs)
    assert hall.left.now_ms > 10_000
    assert hall.begun.begin_ms == hall.left.now_ms + 3_001
    assert hall.begun.away.away_ms is None
    hall.end()


async def test_an_end_that_the_record_missed_is_written_later(left_open, runs):
    """Killed in a stop's commit, behind state.json: the next service closes the record."""
    hall = Hall(runs)
    await hall.cycles(3)
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    hall.end()
    (folder,) = hall.folders()
    older = file_of(left_open, "log.csv").parent
    shutil.rmtree(folder)
    shutil.copytree(older, folder)
    again = await begun_safely(runs)
    assert again.circuit("A01").run.end_ms is not None
    again.end()
    summary = json.loads((folder / "summary.json").read_bytes())
    assert summary["state"] == "stopped"
    assert [problem for problem in verify_run(folder, chain_only=True).wrong if ".csv" in problem] == []


async def test_a_record_that_was_closed_stays_closed(left_open, runs):
    """Its disk kept the end of the run, but not the newer state.json: nothing is written to it again."""
    hall = Hall(runs)
    await hall.cycles(3)
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    hall.end()
    shutil.copy(file_of(left_open, "state.json"), file_of(runs, "state.json"))
    (folder,) = hall.folders()
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    again = await begun_safely(runs)
    assert again.recorder.ended() == {"A01": folder.name}
    assert again.writer.commit()
    assert [group.folder.name for group in again.writer._groups] == ["A"]
    again.end()
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


async def test_damage_in_the_middle_stays_and_rows_go_on_behind_it(runs):
    """A changed row is said at the start and by verify ever after; the new rows follow on the last one's value."""
    log = file_of(runs, "log.csv")
    lines = log.read_bytes().splitlines(keepends=True)
    lines[3] = lines[3].replace(b"running", b"stopped")
    log.write_bytes(b"".join(lines))
    hall = await begun_safely(runs)
    assert any("log.csv:4: row 3 is not as it was written" in text for text in said(hall))
    hall.end()
    back = log.read_bytes().splitlines(keepends=True)
    assert back[: len(lines)] == lines
    assert len(back) > len(lines)
    assert any("log.csv:4" in text for text in verify_run(log.parent, chain_only=True).wrong)


async def test_a_plan_that_was_changed_on_the_disk_is_not_gone_on_with(runs):
    """One digit of a current in run.json: the chains do not begin with it, so the run goes on as state.json has it."""
    place = file_of(runs, "run.json")
    data = place.read_bytes()
    whole = json.loads(data)["plan"]["steps"][0]["current_A"]
    changed = data.replace(b'"current_A": %s' % str(whole).encode(), b'"current_A": %s' % str(whole + 1).encode(), 1)
    assert json.loads(changed)["plan"]["steps"][0]["current_A"] == whole + 1
    place.write_bytes(changed)
    hall = await begun_safely(runs)
    assert any("run.json: is not the one that its tables began with" in told for told in said(hall))
    assert hall.circuit("A01").state is State.HELD
    assert hall.circuit("A01").load.plan.steps[0].current_A == whole


@pytest.mark.parametrize("names", [("log.csv",), ("log.csv", "events.csv")])
async def test_tables_saved_with_other_line_ends_accuse_no_run_json(runs, names):
    """A spreadsheet's CRLF is said as that; the run goes on behind the rows, and with the line ends back all holds."""
    places = [file_of(runs, name) for name in names]
    saved = [place.read_bytes().replace(b"\n", b"\r\n") for place in places]
    for place, data in zip(places, saved, strict=True):
        place.write_bytes(data)
    hall = await begun_safely(runs)
    folder = places[0].parent
    assert said(hall) == [
        f"{folder.name}: {name}: saved by another program: its line ends are CRLF; it stays so, rows go on behind"
        for name in names
    ]
    assert (hall.circuit("A01").state, hall.folders()) == (State.HELD, [folder])
    hall.end()
    for place, data in zip(places, saved, strict=True):
        now = place.read_bytes()
        assert now.startswith(data)
        assert now != data
        place.write_bytes(now.replace(b"\r\n", b"\n"))
    assert [text for text in verify_run(folder, chain_only=True).wrong if ".csv" in text] == []


async def test_a_plan_that_no_table_can_prove_is_held_against_state_json(runs):
    """Both tables saved by a spreadsheet and a current changed in run.json: the run goes on as state.json has it."""
    for name in ("log.csv", "events.csv"):
        place = file_of(runs, name)
        place.write_bytes(place.read_bytes().replace(b"\n", b"\r\n"))
    place = file_of(runs, "run.json")
    whole = json.loads(place.read_bytes())["plan"]["steps"][0]["current_A"]
    text = place.read_text().replace(f'"current_A": {whole}', f'"current_A": {whole + 1}', 1)
    place.write_text(text)
    hall = await begun_safely(runs)
    assert any("run.json: its plan is not the one that state.json holds" in told for told in said(hall))
    assert hall.circuit("A01").load.plan.steps[0].current_A == whole
    hall.end()


def no_room(hall: Hall) -> int:
    """No byte of memory for rows any more; what there was."""
    whole, hall.writer._limit_bytes, hall.writer.has_room = hall.writer._limit_bytes, 0, False
    return whole


async def lost_in_mid_run(runs: Path) -> Hall:
    """For three cycles there was no memory for rows; the disk knows of it, and takes everything again."""
    hall = await killed_in_mid_run(runs)
    whole = no_room(hall)
    await hall.cycles(3)
    hall.writer._limit_bytes = whole
    assert hall.writer.commit()
    await hall.cycles(2)
    assert hall.writer.commit()
    return hall


async def test_what_no_disk_took_is_not_forgotten_by_a_restart(tmp_path):
    """Lost while the memory was full, before the service was killed: the summary of the end counts it all the same."""
    hall = await lost_in_mid_run(tmp_path / "runs")
    (lost,) = hall.recorder.lost().values()
    assert lost[0] >= 2
    again = await begun_safely(tmp_path / "runs")
    assert again.recorder.lost() == {"A01": lost}
    whole = no_room(again)
    await again.cycles(2)
    again.writer._limit_bytes = whole
    assert again.writer.commit()
    assert (await again.order("stop", "A01")).accepted
    await again.cycles(4)
    again.end()
    (folder,) = again.folders()
    summary = json.loads((folder / "summary.json").read_bytes())
    assert summary["lost_cycles"] > lost[0]
    verdict = verify_run(folder)
    assert verdict.wrong == []
    assert verdict.lost_cycles == summary["lost_cycles"]


async def next_run(hall: Hall, profile: str) -> Path:
    """A01's ended batteries are gone and the next ones run, on the disk; return their run's folder."""
    before = set(hall.folders())
    assert (await hall.order("unload", "A01", {"reason": "needed elsewhere"})).accepted
    assert (await hall.order("load", "A01", {**LOAD, "profile": str(PROFILE.with_name(profile))})).accepted
    answer = await hall.order("start", "A01", {"told": "A02"})
    assert answer.accepted, answer.text
    await hall.cycles(3)
    assert hall.writer.commit()
    (folder,) = set(hall.folders()) - before
    return folder


async def test_losses_of_a_run_are_not_its_circuit_s_next_run_s(tmp_path):
    """Killed before state.json could name the next run: what the disk did not take of the one before stays with it."""
    hall = await lost_in_mid_run(tmp_path / "runs")
    place = file_of(tmp_path / "runs", "state.json")
    before = place.read_bytes()
    assert json.loads(before)["lost"]["A01"][0] >= 2
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(20)
    folder = await next_run(hall, PROFILE.name)
    place.write_bytes(before)
    again = await begun_safely(tmp_path / "runs")
    assert again.left.records["A01"][0].folder == folder
    assert again.recorder.lost() == {}
    again.end()


async def test_the_next_run_may_follow_another_plan_than_the_one_that_ended(tmp_path):
    """Killed before state.json could name it: what is kept of the run before says nothing of its plan."""
    hall = await killed_in_mid_run(tmp_path / "runs")
    assert (await hall.order("stop", "A01")).accepted
    await hall.cycles(4)
    assert hall.writer.commit()
    place = file_of(tmp_path / "runs", "state.json")
    before = place.read_bytes()
    await next_run(hall, "starter-60-cool.toml")
    place.write_bytes(before)
    again = await begun_safely(tmp_path / "runs")
    assert (said(again), again.circuit("A01").state) == ([], State.HELD)
    assert again.circuit("A01").load.plan.sha256 != json.loads(before)["circuits"]["A01"]["load"]["plan"]["sha256"]
    again.end()


async def test_a_loss_of_rows_alone_is_a_loss(runs):
    """No cycle went missing, three rows did: the summary of the end will count them."""
    path = file_of(runs, "state.json")
    path.write_bytes(state_bytes({**json.loads(path.read_text()), "lost": {"A01": [0, 3]}}))
    hall = await begun_safely(runs)
    assert hall.recorder.lost() == {"A01": (0, 3)}
    hall.end()


async def test_losses_that_grow_write_no_state_anew_in_every_cycle(tmp_path):
    """While memory is full each cycle loses more: state.json follows when it doubled, so that a disk is left alone."""
    hall = await killed_in_mid_run(tmp_path / "runs")
    whole = no_room(hall)
    put, written = hall.recorder.bath.put_state, []

    def counted(content) -> None:
        written.append(content["lost"]["A01"])
        put(content)

    hall.recorder.bath.put_state = counted
    await hall.cycles(64)
    (lost,) = hall.recorder.lost().values()
    assert lost[0] == 64
    assert len(written) <= 16
    assert 64 <= written[-1][0] <= lost[0]
    hall.writer._limit_bytes = whole
    hall.end()


@pytest.mark.parametrize("how", ["room", "ending"])
async def test_losses_are_kept_as_they_are_once_they_grow_no_more(tmp_path, how):
    """A disk that takes rows again, or a service that ends: the next one must not count too few."""
    hall = await killed_in_mid_run(tmp_path / "runs")
    whole = no_room(hall)
    await hall.cycles(37)
    if how == "room":
        hall.writer._limit_bytes = whole
        hall.writer._measure()
    hall.service.ending = how == "ending"
    await hall.cycles(1)
    lost = {name: list(both) for name, both in hall.recorder.lost().items()}
    assert lost["A01"][0] >= 37
    hall.writer._limit_bytes = whole
    hall.end()
    assert json.loads(file_of(tmp_path / "runs", "state.json").read_text())["lost"] == lost


@pytest.mark.parametrize(
    "kept", [{"A01": [True, 2]}, {"A01": [-1, 0]}, {"A01": "many"}, {"A01": [1]}, {"A09": [1, 2]}, [3], None]
)
async def test_a_loss_that_is_no_count_is_none(runs, kept):
    """Whatever stands there, the service begins and counts from zero."""
    path = file_of(runs, "state.json")
    path.write_bytes(state_bytes({**json.loads(path.read_text()), "lost": kept}))
    hall = await begun_safely(runs)
    assert hall.recorder.lost() == {}
    hall.end()
