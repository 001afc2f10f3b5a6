"""A closed record whose proof was taken away: what is left tells that it was closed, or that cycles are missing."""

from __future__ import annotations

import argparse
import json
import shutil

import inventedrun as invented
import pytest
from forgekit import reheaded
from memoryplace import in_memory

from controller.records.claims import Claims
from controller.records.closed import proof_missing, told_end
from controller.records.logrow import log_row
from controller.records.rows import EventRow
from controller.records.writer import Writer
from controller.runs import commands as runscmd
from controller.runs.seen import look
from controller.verify.runfolder import verify_run
from controller.verify.verdict import as_plain, lines

NO_CYCLES = b"formbath cycles 2\n"


@pytest.fixture
def copy(kept_run, tmp_path):
    """A copy to damage, under the name that its run.json tells."""
    folder = tmp_path / "runs" / kept_run.name
    shutil.copytree(kept_run, folder)
    return folder


def cut_to(path, rows):
    """Keep the header and so many rows."""
    whole = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(whole[: rows + 1]))


@pytest.fixture
def running(rec, tmp_path):
    """An open record in the midst of its charge: 60 cycles."""
    writer = Writer()
    loop, record = rec.begin(tmp_path / "runs", writer)
    rec.drive(record, loop, 60)
    assert writer.commit()
    return record.folder


@pytest.mark.parametrize("chain_only", [False, True])
@pytest.mark.parametrize("left", ["log", "event", "after"])
def test_what_was_closed_is_wrong_without_its_summary(copy, left, chain_only):
    """Its last state, its events or a table that begins with closing tell of it, each alone."""
    (copy / "summary.json").unlink()
    if left != "log":
        cut_to(copy / "log.csv", 5)
    if left == "after":
        cut_to(copy / "events.csv", 1)
        (copy / "after.csv").write_bytes(b"")
    verdict = verify_run(copy, chain_only=chain_only)
    told = {"log": "the run has ended, log.csv ends in the state complete", "event": "events.csv tells of complete",
            "after": "the record was closed, after.csv is there"}  # fmt: skip
    assert any(said.startswith("summary.json: is missing") and told[left] in said for said in verdict.wrong)
    assert not as_plain(verdict)["whole"]


def made_real(plain):
    plain["virtual"] = plain["settings"]["virtual"] = False


@pytest.mark.parametrize("real", [True, False])
def test_a_record_stripped_of_its_proof_does_not_pass(kept_run, tmp_path, real):
    """No summary, no cycles, the ends of both tables cut: the rows that are left stand where no cycle is.

    A stepped clock's cycles come in whole blocks only: rows of a simulated run may be ahead of them by so much.
    """
    copy = tmp_path / kept_run.name
    copy.mkdir()
    for name, data in reheaded(in_memory(kept_run), made_real if real else lambda plain: None).files.items():
        (copy / name).write_bytes(data)
    (copy / "summary.json").unlink()
    (copy / "cycles.bin").write_bytes(NO_CYCLES)
    cut_to(copy / "log.csv", 5)
    cut_to(copy / "events.csv", 1)
    verdict = verify_run(copy)
    told = verdict.wrong if real else verdict.notes
    assert any(one.startswith("log.csv: row 1 and 4 more: behind the last cycle") for one in told)
    assert any(one.startswith("events.csv: row 1: behind the last cycle") for one in told)
    only = verify_run(copy, chain_only=True).wrong
    assert only == ["cycles.bin: holds no cycle, log.csv has 5 rows: cycles are written before rows"] * real
    assert not any("whole" in line for line in lines(verify_run(copy)))


def test_rows_behind_the_last_cycle_are_damage(rec, tmp_path):
    """Cycles of the last third lost, the summary made to fit: the rows tell of what no cycle holds."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 30)
    for number in range(31, 61):
        told, _, command, after = loop.cycle()
        if number % 10 == 0:
            record.add_log(log_row(rec.utc_ms + loop.now_ms, told, command, after, 3_000))
    record.close({})
    record.release()
    assert writer.close()
    said = verify_run(record.folder).wrong
    assert any("and 2 more: behind the last cycle: cycles are written before rows" in one for one in said)


def test_an_open_record_says_how_far_it_goes(running):
    """Open and sound: exit 0, and never the words for a record whose end is proved."""
    verdict = verify_run(running)
    assert verdict.wrong == []
    first = lines(verdict)[0]
    assert first.startswith("simulated run: as far as it goes: open, never closed; a cut end would not show: ")
    assert "whole" not in first
    assert (as_plain(verdict)["whole"], as_plain(verdict)["holds"]) == (False, True)


def test_a_kill_between_cycles_and_rows_is_no_damage(running):
    """Cycles stand ahead of rows when a service is killed: rows that are missing at the end are nothing wrong."""
    cut_to(running / "log.csv", 4)
    assert verify_run(running).wrong == []


def test_a_service_that_ended_may_have_held_an_open_run(rec, tmp_path):
    """The hold at a service's end comes behind the last cycle; in a closed record it cannot."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 20)
    record.add_event(EventRow(rec.utc_ms + loop.now_ms, loop.now_ms + 400, "", "event", "held", "A01"))
    assert writer.commit()
    assert verify_run(record.folder).wrong == []
    record.close({})
    assert writer.commit()
    assert any("behind the last cycle" in said for said in verify_run(record.folder).wrong)


def test_state_json_says_whether_a_service_has_it_open(running):
    """Named there it is open; not named there it was closed or cut; of an unreadable one nothing is known."""
    runs = running.parent
    invented.state(runs, "A", {"A01": running.name})
    assert verify_run(running).wrong == []
    invented.state(runs, "A", {})
    assert verify_run(running).wrong == [
        "summary.json: is missing, and no service has the run open: never closed, or its end was cut"
    ]
    (runs / "A" / "state.json").write_text("{")
    assert verify_run(running).wrong == []


def test_an_open_run_that_has_just_ended_is_about_to_be_closed(copy):
    """Between the end and the summary lies a minute at most, and a kill may fall into it: the service closes it."""
    (copy / "summary.json").unlink()
    invented.state(copy.parent, "A", {"A01": copy.name})
    verdict = verify_run(copy)
    assert verdict.wrong == []
    assert any("about to close" in note for note in verdict.notes)


def test_the_rule_itself():
    """What tells of an end, and what follows from it, open or not."""
    assert told_end("running", [("order", "accepted"), ("alarm", "complete")]) == ""
    assert told_end("stopped", []) == "log.csv ends in the state stopped"
    assert told_end("held", [("order", "signed_off")]) == "events.csv tells of signed_off"
    assert proof_missing(("log.csv",), "", is_open=None) is None
    assert proof_missing(("log.csv",), "it ended", is_open=True) is None
    assert "batteries.csv is there" in str(proof_missing(("batteries.csv",), "", is_open=True))


def command(*words):
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    return runscmd.run(parser.parse_args([str(word) for word in words]))


def test_list_and_table_agree_about_a_run_without_summary(tmp_path, capsys):
    """One with outcomes and one that ended are damaged in both; one that is open is open in both."""
    signed = invented.make(tmp_path, outcomes=("pass", "re-form"), batteries=2, closed=False)
    invented.make(tmp_path, "2026-03-17T06:00", batch="K2", closed=False)
    ended = tmp_path / "20260317T060000Z-A-A01-K2"
    log = (ended / "log.csv").read_text().splitlines()
    rows = [line.rpartition(",")[0].replace("running", "complete") for line in log[1:]]
    (ended / "log.csv").write_bytes(invented.chained(log[0], rows, (ended / "run.json").read_bytes()))
    opened = invented.make(tmp_path, "2026-03-18T06:00", batch="K3", closed=False)
    invented.state(tmp_path, "A", {"A01": opened.name})
    claims = Claims()
    assert claims.take(tmp_path / "A")  # as a service holds it
    assert command(tmp_path) == 0
    header, *listed = capsys.readouterr().out.splitlines()
    stands = [line[header.index("stands") :].split()[0] for line in listed if line.startswith(" 2026")]
    assert stands == ["damaged", "damaged", "open"]
    assert command(tmp_path, "--table") == 0
    out, err = capsys.readouterr()
    assert out.splitlines()[1:] == []
    assert f"{signed.name}: not counted, damaged: summary.json: is missing" in err
    assert f"{ended.name}: not counted, damaged: summary.json: is missing" in err
    assert f"{opened.name}: not counted, open" in err
    claims.let_go()


@pytest.mark.parametrize("spoil", ["log cut", "log changed", "events cut", "after gone"])
def test_the_table_leaves_out_what_is_not_as_the_summary_knows_it(tmp_path, capsys, spoil):
    """The ends of tables are held against the summary, the log's rows against its chain; the run is named."""
    event = invented.event(invented.at("2026-03-16T07:00"), "event", "note")
    folder = invented.make(tmp_path, events=(event, event))
    (folder / "after.csv").write_bytes(
        invented.chained("time_utc,taken_utc,position,what,value,unit,temperature_C,instrument,who,chain", ["x"],
                         (folder / "run.json").read_bytes())
    )  # fmt: skip
    summary = json.loads((folder / "summary.json").read_text())
    summary["rows"]["after.csv"], summary["chain"]["after.csv"] = 1, (folder / "after.csv").read_text()[-17:-1]
    (folder / "summary.json").write_text(json.dumps(summary, indent=1) + "\n")
    assert look(folder, frozenset()).wrong == ()
    assert command(tmp_path, "--table") == 0
    assert capsys.readouterr().out.count("\n") == 2
    log = folder / "log.csv"
    if spoil == "log cut":
        cut_to(log, 3)
    elif spoil == "log changed":
        log.write_bytes(log.read_bytes().replace(b"250.000", b"251.000", 1))
    elif spoil == "events cut":
        cut_to(folder / "events.csv", 1)
    else:
        (folder / "after.csv").unlink()
    assert command(tmp_path, "--table") == 0
    out, err = capsys.readouterr()
    assert out.count("\n") == 1
    assert f"{folder.name}: not counted, damaged: {spoil.split()[0]}" in err


def test_rows_behind_those_that_the_summary_knows_are_nothing_wrong(tmp_path):
    """Later rows come before their summary: between the two a list does not call a record damaged."""
    folder = invented.make(tmp_path, outcomes=("pass",))
    lines_now = (folder / "batteries.csv").read_text().splitlines()
    rows = [line.rpartition(",")[0] for line in lines_now[1:]]
    longer = invented.chained(lines_now[0], [*rows, rows[0]], (folder / "run.json").read_bytes())
    (folder / "batteries.csv").write_bytes(longer)
    assert look(folder, frozenset()).wrong == ()
