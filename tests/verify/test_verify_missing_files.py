"""A file that is missing, or that another program saved: one finding each, and no flood of what follows from it."""

from __future__ import annotations

import argparse
import json

import pytest
from memoryplace import MemoryPlace, in_memory

from controller.verify.commands import add_arguments, run
from controller.verify.runfolder import verify_place
from controller.verify.verdict import lines

ENDED = "summary.json: is missing: the run has ended, log.csv ends in the state complete"
SAVED = "another program saved it; work on a copy"
CRLF = f"its line ends are CR LF, not LF: {SAVED}"
BOM = f"begins with a byte order mark: {SAVED}"


@pytest.fixture(scope="module")
def place(kept_run) -> MemoryPlace:
    return in_memory(kept_run)


def crlf(data: bytes) -> bytes:
    return data.replace(b"\n", b"\r\n")


@pytest.mark.parametrize("chain_only", [False, True])
@pytest.mark.parametrize("name", ["log.csv", "events.csv"])
@pytest.mark.parametrize(
    ("saved", "told"),
    [
        (crlf, (CRLF,)), (lambda data: b"\xef\xbb\xbf" + data, (BOM,)),
        (lambda data: b"\xef\xbb\xbf" + crlf(data), (BOM, CRLF)),
    ],
)  # fmt: skip
def test_a_table_that_another_program_saved(place, name, saved, told, chain_only):
    """Its rows still follow from each other and from run.json, and are looked at as if it had not been saved."""
    verdict = verify_place(place.with_file(name, saved(place.files[name])), chain_only=chain_only)
    assert verdict.wrong == [f"{name}: {said}" for said in told]
    assert [each for each, sound in verdict.files.items() if not sound] == [name]
    assert (verdict.rows, verdict.chain) == (42, verify_place(place, chain_only=True).chain)


def test_a_row_that_was_changed_as_well_is_named(place):
    """Other line ends hide nothing: the changed row, and the one that a carriage return alone was put into."""
    changed = crlf(place.files["log.csv"].replace(b"running", b"stopped", 1))
    wrong = verify_place(place.with_file("log.csv", changed), chain_only=True).wrong
    assert wrong[:2] == [f"log.csv: {CRLF}", "log.csv:2: row 1 is not as it was written, or one before it is missing"]
    assert len([said for said in wrong if "is not as it was written" in said]) == 1
    rows = place.files["log.csv"].split(b"\n")
    rows[3] += b"\r"
    (said,) = verify_place(place.with_file("log.csv", b"\n".join(rows)), chain_only=True).wrong[:1]
    assert said == "log.csv:4: row 3 is not as it was written, or one before it is missing"


@pytest.mark.parametrize("chain_only", [False, True])
def test_an_ended_record_without_its_summary_is_told_once(place, chain_only):
    """As what it is; that it may still be open is then no note."""
    verdict = verify_place(place.with_file("summary.json", None), chain_only=chain_only)
    assert verdict.wrong == [ENDED]
    assert not [note for note in verdict.notes if "summary.json" in note]


@pytest.mark.parametrize("chain_only", [False, True])
@pytest.mark.parametrize("name", ["log.csv", "events.csv"])
def test_a_table_that_is_missing_is_told_as_that_alone(place, name, chain_only):
    """Not row by row, nor by what summary.json knows of it; the others stand as sound."""
    verdict = verify_place(place.with_file(name, None), chain_only=chain_only)
    assert verdict.wrong == [f"{name}: is missing"]
    assert all(verdict.files.values())


@pytest.mark.parametrize("chain_only", [False, True])
@pytest.mark.parametrize("closed", [True, False])
def test_without_cycles_the_tables_are_still_looked_at(place, closed, chain_only):
    """Missing is all that is said of cycles.bin; rows and events are sound, charge is counted from the rows."""
    made = place.with_file("cycles.bin", None)
    verdict = verify_place(made if closed else made.with_file("summary.json", None), chain_only=chain_only)
    summary = "summary.json: cycles is 402, the record says 0" if closed else ENDED
    assert sorted(verdict.wrong) == ["cycles.bin: is missing", summary]
    assert verdict.files["log.csv"]
    assert verdict.files["events.csv"]
    assert verdict.counted_from == "rows"
    assert any(line == "nothing found wrong with: run.json, log.csv, events.csv, README.txt" for line in lines(verdict))


def test_a_changed_table_is_told_without_cycles(place):
    """No cycle is needed to see that a row was changed."""
    made = place.with_file("cycles.bin", None)
    changed = made.with_file("log.csv", made.files["log.csv"].replace(b"running", b"stopped", 1))
    assert any(said.startswith("log.csv:2: row 1 is not as it was written") for said in verify_place(changed).wrong)


def command(*words):
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args([str(word) for word in words]))


def test_a_value_that_stands_nowhere_is_said_first(kept_run, rec, tmp_path, capsys):
    """Neither whole nor as it should be, in words and for scripts; exit 1. One that stands in another record is."""
    none, last = "0" * 16, (kept_run / "log.csv").read_text().splitlines()[-1][-16:]
    assert command(kept_run, "--chain-only", "--chain", none, "--chain", last) == 1
    first, *_, said = capsys.readouterr().out.splitlines()
    assert first == "simulated run: NOT what stands on paper: 42 rows, 4 events, chain unbroken"
    assert said == "0000 0000 0000 0000: NOT in what was looked at"
    assert command(kept_run, "--chain-only", "--chain", none, "--json") == 1
    plain = json.loads(capsys.readouterr().out)
    assert (plain["whole"], plain["holds"], plain["off_paper"], plain["wrong"]) == (False, False, True, [])
    other = rec.whole_run(tmp_path, cycles=15)
    for wanted, value in ((0, last), (1, none)):
        assert command(kept_run, other, "--chain-only", "--chain", value, "--json") == wanted
        told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert [(each["holds"], each["off_paper"]) for each in told] == [(not wanted, bool(wanted))] * 2


def test_a_value_of_another_table_is_said_with_its_place(kept_run, capsys):
    """Asked for in events.csv it stands in log.csv: the line repeats what was typed, and contradicts no other one."""
    last = (kept_run / "log.csv").read_text().splitlines()[-1][-16:]
    groups = " ".join(last[at : at + 4] for at in range(0, 16, 4))
    assert command(kept_run, "--chain-only", "--chain", f"events={last}", "--chain", last) == 1
    assert [line for line in capsys.readouterr().out.splitlines() if groups in line] == [
        f"{groups}: as on paper: last row of log.csv",
        f"events={groups}: not in events.csv (it stands in log.csv, row 42)",
    ]
    assert command(kept_run, "--chain-only", "--chain", f"log={last}") == 0
    assert f"log={groups}: as on paper: last row of log.csv" in capsys.readouterr().out.splitlines()


def test_a_record_that_cannot_be_opened_has_no_value_either(kept_run, tmp_path, capsys):
    """An archive that is none any more: its finding, and that the value stands nowhere."""
    broken = tmp_path / f"{kept_run.name}.zip"
    broken.write_bytes(b"PK no archive")
    assert command(broken, "--chain", f"log={'0' * 16}") == 1
    assert capsys.readouterr().out.splitlines()[-1] == "log=0000 0000 0000 0000: NOT in what was looked at"


def test_a_bath_s_folder_without_the_value(tmp_path, capsys):
    """The same first words there."""
    (tmp_path / "A").mkdir()
    (tmp_path / "A" / "proofs.csv").write_text("time_utc,item,serial,result,by,due,chain\n")
    assert command(tmp_path / "A", "--chain", "0" * 16) == 1
    assert "NOT what stands on paper: 0 rows in 1 table of a bath" in capsys.readouterr().out
