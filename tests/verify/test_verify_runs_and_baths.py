"""Verify: what it passes, what it finds, what it prints."""

from __future__ import annotations

import argparse
import json
import shutil
from random import Random

import pytest
import shortkit

from controller.core.circuit import step
from controller.records import head
from controller.records.bathlog import BathLog
from controller.records.head import Text
from controller.records.rows import EventRow
from controller.records.writer import Writer
from controller.verify.commands import add_arguments, run
from controller.verify.runfolder import verify_run
from controller.verify.verdict import lines
from profiles.problems import InputError

UNTOUCHED = "untouched as far as its own hashes tell"


@pytest.fixture
def copy(kept_run, tmp_path):
    """A copy to damage."""
    folder = tmp_path / "run"
    shutil.copytree(kept_run, folder)
    return folder


def command(*words):
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args([str(word) for word in words]))


def test_a_whole_record_holds(kept_run, capsys):
    """Two lines say that it is whole and decides the same again; exit 0."""
    assert command(kept_run) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first == f"simulated run: whole, and {UNTOUCHED}: 42 rows, 4 events, chain unbroken"
    assert second.startswith("decisions: 402 of 402 the same again. 0.5 Ah; rectifier 0.5 (")


def test_another_decision_is_found(kept_run):
    """A core that decides otherwise in one cycle is told, with the cycle and both commands."""

    def other(settings, own, state, cin):
        after, decided, events = step(settings, own, state, cin)
        if cin.now_ms == 20_000:
            decided = type(decided)(decided.set_current_A + 0.5, decided.voltage_limit_V, decided.output_on)
        return after, decided, events

    verdict = verify_run(kept_run, step=other)
    assert (verdict.compared, verdict.same) == (402, 401)
    assert any("cycle 13: recorded 15 A" in found and "now 15.5 A" in found for found in verdict.wrong)


def test_a_core_that_fails_on_a_record_is_told(kept_run):
    """An exception of the core is a finding, and the next snapshot is a new beginning."""

    def failing(settings, own, state, cin):
        if cin.now_ms == 20_000:
            raise ZeroDivisionError
        return step(settings, own, state, cin)

    verdict = verify_run(kept_run, step=failing)
    assert any("cycle 13: cannot be decided again: ZeroDivisionError" in found for found in verdict.wrong)
    assert verdict.same == 13 + 42


def test_another_core_number_is_not_compared(copy, monkeypatch, capsys):
    """A record of another core is not held against this one, and says so; its chains are checked all the same."""
    import controller.verify.runfolder as module

    monkeypatch.setattr(module, "CORE", head.CORE + 5)
    assert command(copy) == 0
    assert f"decided by core {head.CORE}, this is {head.CORE + 5}: not compared" in capsys.readouterr().out


def test_a_record_of_core_1_is_not_compared(rec, tmp_path, monkeypatch, capsys):
    """Its states and settings had fewer fields: that is said as another core's decisions; the rest of it is checked."""

    def head_of_core_1(start):
        plain = json.loads(head.write_head(start))
        plain["core"] = 1
        del plain["settings"]["start_items"], plain["settings"]["tick_stale_ms"], plain["layout"]["Tick"]
        plain["layout"]["CircuitState"].remove("ticks")
        return json.dumps(plain).encode()

    monkeypatch.setattr("controller.records.run.write_head", head_of_core_1)
    folder = rec.whole_run(tmp_path, cycles=20)
    verdict = verify_run(folder)
    assert verdict.wrong == []
    assert f"decisions: decided by core 1, this is {head.CORE}: not compared" in verdict.notes
    assert command(folder) == 0
    assert f"decided by core 1, this is {head.CORE}: not compared" in capsys.readouterr().out


def test_a_cut_end_shows_against_the_summary(copy):
    """Whole rows taken from the end leave the chain unbroken; the summary still tells."""
    whole = (copy / "events.csv").read_bytes().splitlines(keepends=True)
    (copy / "events.csv").write_bytes(b"".join(whole[:-1]))
    assert verify_run(copy, chain_only=True).wrong == ["events.csv: 3 rows, summary.json says 4"]


def test_rows_written_anew_are_found_by_the_cycles(rec, tmp_path):
    """A row whose charge is not what the cycles give is named, though its chain is right."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    made = loop.cycle()
    cin, before, told, after = made
    counters = type(after.run.counters)(charge_Ah=9.0)
    from dataclasses import replace

    from controller.records.logrow import log_row

    record.add_cycle(cin, before, told, after)
    record.add_log(log_row(0, cin, told, replace(after, run=replace(after.run, counters=counters)), 3000))
    record.close({})
    assert writer.commit()
    wrong = verify_run(record.folder).wrong
    assert any("row 2: charge_Ah is 9.0000, the cycles give 0.0" in found for found in wrong)
    assert any("summary.json: charge_Ah is 0.0" in found for found in wrong)


def test_a_falling_counter_is_found(rec, tmp_path):
    """Charge never falls from row to row."""
    from controller.records.logrow import log_row

    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 20)
    cin, _, told, after = loop.cycle()
    record.add_log(log_row(0, cin, told, type(after)("A01"), 3000))
    assert writer.commit()
    assert any("row 4: charge_Ah fell" in found for found in verify_run(record.folder, chain_only=True).wrong)


def test_an_unstated_gap_is_found(rec, tmp_path):
    """A silence in the cycles that no event tells of is wrong."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 5)
    made = loop.cycle(skip_ms=60_000)
    record.add_cycle(*made)
    record.close({})
    assert writer.commit()
    assert any("0 gaps stated, the cycles have 1" in found for found in verify_run(record.folder).wrong)


def test_an_open_run_says_what_cannot_be_seen(rec, tmp_path):
    """Without a summary a cut end would not show; that is a note, not a fault."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 25)
    assert writer.commit()
    verdict = verify_run(record.folder)
    assert verdict.holds
    assert "still open" in lines(verdict)[-1]


def test_json_is_one_object(kept_run, capsys):
    """`--json` prints one object with its format and the findings."""
    assert command(kept_run, "--chain-only", "--json") == 0
    plain = json.loads(capsys.readouterr().out)
    assert (plain["format"], plain["whole"], plain["rows"]) == ("formbath/verify/1", True, 42)


def test_exit_codes(copy, kept_run, tmp_path, capsys):
    """A record that does not hold ends in 1; what is no run folder is an input error, after the others are printed."""
    (copy / "log.csv").write_bytes((copy / "log.csv").read_bytes().replace(b"running", b"stopped", 1))
    assert command(copy, "--chain-only") == 1
    assert "NOT as it was written" in capsys.readouterr().out
    with pytest.raises(InputError, match="no such folder"):
        command(tmp_path / "nowhere", kept_run, "--chain-only")
    assert "simulated run: whole, and untouched" in capsys.readouterr().out


def test_values_from_paper(kept_run, rec, tmp_path, capsys):
    """`--chain` as often as there are values: each is told in a line; one that is in none of the records ends in 1."""
    other = rec.whole_run(tmp_path, cycles=15)
    last = {name: (kept_run / name).read_text().splitlines()[-1][-16:] for name in ("log.csv", "events.csv")}
    typed = " ".join(last["log.csv"][at : at + 4].upper() for at in range(0, 16, 4))
    assert command(kept_run, "--chain-only", "--chain", typed, "--chain", f"events={last['events.csv']}") == 0
    out = capsys.readouterr().out.splitlines()
    assert out[2].endswith("as on paper: last row of log.csv")
    assert out[3].endswith("as on paper: last row of events.csv")
    assert command(kept_run, "--chain-only", "--chain", f"events={last['log.csv']}") == 1
    out = capsys.readouterr().out.splitlines()
    assert out[0].startswith("simulated run: NOT what stands on paper: 42 rows")
    assert out[2].startswith("events=")
    assert out[2].endswith(": not in events.csv (it stands in log.csv, row 42)")
    assert command(kept_run, other, "--chain-only", "--chain", last["log.csv"]) == 0
    assert capsys.readouterr().out.count("as on paper") == 1
    with pytest.raises(InputError, match="is no chain value: 16 hex digits"):
        command(kept_run, "--chain", "3f2a 91bc")
    assert capsys.readouterr().out == ""


def test_a_simulated_run_is_called_one(kept_run, tmp_path, capsys):
    """In its first line and in JSON; a real bath's run is not."""
    assert command(kept_run, "--chain-only") == 0
    assert capsys.readouterr().out.startswith("simulated run: ")
    assert command(kept_run, "--chain-only", "--json") == 0
    assert json.loads(capsys.readouterr().out)["simulated"] is True
    real = shortkit.ShortRun(tmp_path, Random(1)).end()
    assert command(real, "--json") == 0
    assert json.loads(capsys.readouterr().out)["simulated"] is False
    assert command(real) == 0
    assert capsys.readouterr().out.startswith("whole, and untouched")


def test_a_folder_of_runs_is_no_run(kept_run, tmp_path):
    """Whoever names it is told what would be right; one that holds nothing is just no run folder."""
    runs = tmp_path / "runs"
    shutil.copytree(kept_run, runs / kept_run.name)
    told = "is no run folder, it holds 1 run: name run folders, archives or a bath's own folder, as in `formbath verify"
    for folder in (runs, tmp_path):
        with pytest.raises(InputError, match=told):
            command(folder)
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"is no run folder: it has no run\.json"):
        command(tmp_path / "empty")


def test_a_table_whose_first_row_breaks_is_not_called_sound(copy, capsys):
    """run.json was changed: no table follows from it any more."""
    data = (copy / "run.json").read_bytes()
    (copy / "run.json").write_bytes(data.replace(b'"virtual": true', b'"virtual": false', 1))
    assert command(copy, "--chain-only") == 1
    (sound,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("nothing found wrong with")]
    assert "log.csv" not in sound
    assert "cycles.bin" in sound


def test_what_is_whole_is_said_beside_what_is_not(copy, capsys):
    """Each finding in a line, then what nothing was found wrong with."""
    (copy / "README.txt").write_text("other words")
    assert command(copy, "--chain-only") == 1
    first, second, third, _ = capsys.readouterr().out.splitlines()[:4]
    assert first == "README.txt: is not the one summary.json was written for"
    assert second.startswith("simulated run: NOT as it was written: 42 rows")
    assert third == "nothing found wrong with: run.json, log.csv, events.csv, cycles.bin, summary.json"


def test_json_tells_of_everything(kept_run, capsys):
    """The object of `--json` holds files, tables, chain values, counters and events beside what it always held."""
    last = (kept_run / "log.csv").read_text().splitlines()[-1][-16:]
    assert command(kept_run, "--json", "--chain", last) == 0
    plain = json.loads(capsys.readouterr().out)
    assert plain["chain"]["log.csv"] == last
    elsewhere = {"asked": None, "elsewhere": None, "elsewhere_row": None}
    assert plain["paper"] == [{"value": last, "table": "log.csv", "row": 42, "rows_after": 0, **elsewhere}]
    assert plain["tables"] == {"log.csv": 42, "events.csv": plain["events"]}
    assert plain["events_given"] == plain["events_same"] == plain["events"] > 0
    assert all(plain["files"].values())
    assert plain["counted"]["charge_Ah"] == pytest.approx(plain["charge_Ah"], abs=1e-4)


def bath_folder(tmp_path, rec):
    """A bath's own folder with events of two months, a proof, a kept release and a state."""
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    for days in (0, 1, 20):
        log.add_event(EventRow(rec.utc_ms + days * 86_400_000, None, "", "event", "notice", "A", text=f"day {days}"))
    log.add_proof(("2026-03-16T06:00:00.000Z", "hydrogen", "S1", "ok", "anna", "2026-09-16"))
    log.keep_release(Text("p.release.json", "a release"))
    log.put_state({"now_ms": 1})
    log.put_limits({"limits": {}})
    assert writer.commit()
    return log.folder


def test_a_bath_s_own_folder_is_looked_at(tmp_path, rec, capsys):
    """Months, proofs, state and releases; a changed row, a lost state and another release are told by their files."""
    folder = bath_folder(tmp_path, rec)
    last = (folder / "events-202603.csv").read_text().splitlines()[-1][-16:]
    assert command(folder, "--chain", f"events={last}") == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == f"whole, and {UNTOUCHED}: 5 rows in 3 tables of a bath, chain unbroken"
    assert out[1].endswith("as on paper: last row of events-202603.csv")
    assert "a cut end would not show" in out[2]
    (release,) = (folder / "releases").iterdir()
    release.write_text("another")
    (folder / "state.json").write_text("{")
    rows = (folder / "events-202603.csv").read_text()
    (folder / "events-202603.csv").write_text(rows.replace("day 1", "day 2"))
    (folder / "events-202605.csv").write_bytes((folder / "events-202604.csv").read_bytes())
    assert command(folder, "--json") == 1
    plain = json.loads(capsys.readouterr().out)
    assert plain["kind"] == "bath"
    told = [said.partition(" ")[0].partition(":")[0].partition(".json.")[0] for said in plain["wrong"]]
    assert sum(said.endswith(": is of another month") for said in plain["wrong"]) == 2
    months = ["events-202603.csv", "events-202605.csv", "events-202605.csv"]
    assert told == [*months, "state.json", f"releases/{release.name[:16]}..."]
    assert plain["files"]["proofs.csv"]
