"""Beside the runs: the bath's own events and the state that outlives a restart."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.records.bathlog import BathLog, verify_bath_table
from controller.records.disk import Disk
from controller.records.rows import EventRow
from controller.records.writer import Writer
from controller.verify.bathfolder import verify_bath

MARCH_MS, APRIL_MS = 1_774_915_200_000, 1_775_088_000_000


def event(utc_ms, code):
    return EventRow(utc_ms, None, "", "event", code, "A", text="words, with a comma")


def test_events_go_to_the_file_of_their_month(writer, tmp_path):
    """The row's own wall time names the file."""
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event(MARCH_MS, "one"))
    log.add_event(event(APRIL_MS, "two"))
    assert writer.commit()
    assert {path.name for path in (tmp_path / "A").iterdir()} == {"events-202603.csv", "events-202604.csv"}


def test_the_chain_goes_on_after_a_restart(tmp_path):
    """A new service adds to the same file; one chain runs through all rows."""
    for code in ("one", "two", "three"):
        writer = Writer()
        BathLog(tmp_path, "A", writer).add_event(event(MARCH_MS, code))
        assert writer.close()
    path = tmp_path / "A" / "events-202603.csv"
    assert verify_bath_table(path) == (3, ())
    path.write_bytes(path.read_bytes().replace(b"two", b"owt"))
    assert "row 2" in verify_bath_table(path)[1][0]


def test_an_unfinished_row_is_cut_and_told(tmp_path):
    """Half a row at the end, left by a crash, goes; the rows before it stay."""
    writer = Writer()
    BathLog(tmp_path, "A", writer).add_event(event(MARCH_MS, "one"))
    assert writer.close()
    path = tmp_path / "A" / "events-202603.csv"
    path.write_bytes(path.read_bytes() + b"2026-03-31T0")
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event(MARCH_MS, "two"))
    assert writer.close()
    assert "unfinished" in log.problems[0]
    assert verify_bath_table(path) == (2, ())


def test_state_is_replaced_whole_and_the_last_one_wins(writer, tmp_path):
    """Many states between two commits are one write; what was there before is there until then."""
    log = BathLog(tmp_path, "A", writer)
    assert log.read_state() == (None, None)
    log.put_state({"number": 1})
    log.put_state({"number": 2})
    assert writer.commit()
    state, problem = log.read_state()
    assert (state["number"], problem) == (2, None)
    assert [path.name for path in (tmp_path / "A").iterdir()] == ["state.json"]


@pytest.mark.parametrize("data", [b"{", b"[]", b'{"format": "other"}', b"\xff\xfe", b"[" * 100_000])
def test_an_unreadable_state_is_said_and_not_used(writer, tmp_path, data):
    """A damaged state.json is a problem, never a guess and never an exception."""
    log = BathLog(tmp_path, "A", writer)
    (tmp_path / "A").mkdir()
    (tmp_path / "A" / "state.json").write_bytes(data)
    state, problem = log.read_state()
    assert state is None
    assert problem.startswith("state.json: ")


def test_proofs_have_their_own_table(writer, tmp_path):
    """Proof tests and calibrations are chained rows too."""
    log = BathLog(tmp_path, "A", writer)
    log.add_proof(("2026-03-16T06:00:00.000Z", "probe A01", "77", "pass", "anna", "2027-03-16"))
    assert writer.commit()
    assert (tmp_path / "A" / "proofs.csv").read_text().startswith("time_utc,item,serial,result,by,due,chain\n")


def test_a_proof_is_on_the_disk_before_the_event_that_tells_of_it(tmp_path):
    """A power cut between the two leaves a proof that nobody tells of, not an order that was taken without its row."""

    class Synced(Disk):
        def sync(self, fd):
            super().sync(fd)
            names.append(Path(f"/proc/self/fd/{fd}").readlink().name)

    names: list[str] = []
    writer = Writer(disk=Synced())
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event(1_773_640_800_000, "proof"))
    log.add_proof(("2026-03-16T06:00:00.000Z", "extraction", "", "passed", "anna", ""))
    assert writer.commit()
    assert [name for name in names if name.endswith(".csv")] == ["proofs.csv", "events-202603.csv"]


def test_a_bath_name_is_no_path(writer, tmp_path):
    """A hostile name of a bath stays inside the runs folder."""
    log = BathLog(tmp_path / "runs", "../../etc", writer)
    assert log.folder.parent == tmp_path / "runs"


def month_by_month(folder_of, *months):
    """One service a month, each with an event."""
    for utc_ms in months:
        writer = Writer()
        BathLog(folder_of, "A", writer).add_event(event(utc_ms, "told"))
        assert writer.close()
    return folder_of / "A"


@pytest.mark.parametrize("restart", [True, False])
def test_a_month_begins_with_the_end_of_the_one_before(tmp_path, restart):
    """Its first row names the former file and its last chain value, whether or not a service began between them."""
    if restart:
        folder = month_by_month(tmp_path, MARCH_MS, APRIL_MS, APRIL_MS)
    else:
        writer = Writer()
        log = BathLog(tmp_path, "A", writer)
        for utc_ms in (MARCH_MS, APRIL_MS, APRIL_MS):
            log.add_event(event(utc_ms, "told"))
        assert writer.close()
        folder = log.folder
    march, april = ((folder / f"events-20260{month}.csv").read_text().splitlines() for month in (3, 4))
    assert [line.split(",")[4] for line in march[1:]] == ["told"]
    assert [line.split(",")[4] for line in april[1:]] == ["log_continues", "told", "told"]
    assert april[1].split(",")[9:11] == [march[-1][-16:], "events-202603.csv"]
    assert verify_bath(folder).wrong == []


def test_months_that_are_cut_or_gone_show_at_the_next(tmp_path):
    """A file that is gone, one whose end was cut; an earlier month written to late is nothing wrong."""
    folder = month_by_month(tmp_path, MARCH_MS, MARCH_MS, APRIL_MS, APRIL_MS + 30 * 86_400_000, MARCH_MS + 1)
    assert verify_bath(folder).wrong == []
    march = folder / "events-202603.csv"
    whole = march.read_bytes()
    march.write_bytes(b"".join(whole.splitlines(keepends=True)[:2]))
    assert verify_bath(folder).wrong == [
        "events-202603.csv: lacks the row that events-202604.csv goes on from: its end was cut"
    ]
    march.write_bytes(whole)
    (folder / "events-202604.csv").unlink()
    assert verify_bath(folder).wrong == ["events-202604.csv: is missing, events-202605.csv goes on from it"]


def test_the_first_month_and_files_of_other_names_begin_as_they_are(tmp_path):
    """Nothing stands before the first month; a file that is no month's is not gone on from."""
    (tmp_path / "A").mkdir()
    (tmp_path / "A" / "events-2026.csv").write_text("x")
    folder = month_by_month(tmp_path, MARCH_MS)
    assert b"log_continues" not in (folder / "events-202603.csv").read_bytes()


def test_no_bit_of_a_state_can_be_another_unseen(writer, tmp_path):
    """Any flipped bit, any cut: nothing of it is used, and a verify of the folder says so."""
    log = BathLog(tmp_path, "A", writer)
    log.put_state({"now_ms": 12, "circuits": {"A01": {"blocked_by": "anna"}}})
    assert writer.commit()
    path = tmp_path / "A" / "state.json"
    whole = path.read_bytes()
    assert log.read_state()[0]["circuits"]["A01"]["blocked_by"] == "anna"
    others = [
        whole[:at] + bytes([whole[at] ^ 1 << bit]) + whole[at + 1 :] for at in range(len(whole)) for bit in range(8)
    ]
    for data in [*others, *(whole[:at] for at in range(1, len(whole))), whole + b"\n", whole[:-2] + b"\n}\n"]:
        path.write_bytes(data)
        assert log.read_state()[0] is None
    assert [said.partition(":")[0] for said in verify_bath(tmp_path / "A").wrong] == ["state.json"]


def test_a_state_of_before_has_no_hash_and_is_read(writer, tmp_path):
    """The older format is taken as it stands; the newer one without its hash is not."""
    log = BathLog(tmp_path, "A", writer)
    (tmp_path / "A").mkdir()
    for version, read in (("1", True), ("2", False)):
        (tmp_path / "A" / "state.json").write_text(f'{{"format": "formbath/state/{version}", "number": 7}}\n')
        assert (log.read_state()[0] is not None) is read
