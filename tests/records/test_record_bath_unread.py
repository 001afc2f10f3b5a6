"""A table of a bath that cannot be read is never cut: its rows wait, in order, and no cycle waits for the reading."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from controller.records import place
from controller.records.bathlog import BathLog, verify_bath_table
from controller.records.rows import PROOF_HEADER, EventRow
from controller.records.table import NO_TABLE
from controller.records.writer import Writer
from controller.verify.bathfolder import verify_bath

MARCH_MS, APRIL_MS = 1_774_915_200_000, 1_775_088_000_000
BOUND_S = 30.0
MARCH = "events-202603.csv"
PROOF = ("2026-03-16T06:00:00.000Z", "probe A01", "77", "pass", "anna", "2027-03-16")


def event(code, utc_ms=MARCH_MS):
    return EventRow(utc_ms, None, f"order {code}", "event", code, "A")


def codes(path):
    return [line.split(",")[4] for line in path.read_text().splitlines()[1:]]


def left(runs) -> Path:
    """Three events and a proof that an earlier service has on the disk; its folder."""
    writer = Writer()
    log = BathLog(runs, "A", writer)
    for code in ("one", "two", "three"):
        log.add_event(event(code))
    log.add_proof(PROOF)
    assert writer.close()
    return log.folder


def refused(monkeypatch, path, error):
    """Opening this file fails until the returned list is empty."""
    real, fails = os.open, [error]

    def broken(place, *args, **more):
        if fails and str(place) == str(path):
            raise OSError(fails[0], os.strerror(fails[0]))
        return real(place, *args, **more)

    monkeypatch.setattr(os, "open", broken)
    return fails


@pytest.mark.parametrize("error", [errno.EMFILE, errno.EIO])
@pytest.mark.parametrize("name", [MARCH, "proofs.csv"])
def test_rows_wait_for_a_file_that_cannot_be_read(tmp_path, monkeypatch, name, error):
    """The trouble is told at once, nothing is cut; once it can be read all of it stands in one chain."""
    path = left(tmp_path) / name
    whole = path.read_bytes()
    fails = refused(monkeypatch, path, error)
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event("four"))
    log.add_proof(PROOF)
    for _ in range(2):
        assert not writer.commit()
        assert writer.failing == f"A/{name}: cannot be read: {os.strerror(error)}"
        assert path.read_bytes() == whole
    assert writer.waiting_rows >= 1
    assert writer.waiting_bytes > 0
    log.add_event(event("five"))
    fails.clear()
    assert writer.commit()
    assert (writer.waiting_rows, writer.waiting_bytes, log._tables[name]._lines) == (0, 0, [])
    assert path.read_bytes().startswith(whole)
    assert codes(log.folder / MARCH) == ["one", "two", "three", "four", "five"]
    assert verify_bath(log.folder).wrong == []
    assert verify_bath_table(log.folder / "proofs.csv", PROOF_HEADER) == (2, ())


def test_a_link_in_place_of_a_month_is_refused(tmp_path):
    """What it leads to is neither cut nor written to; with the file back its rows go on."""
    path = left(tmp_path) / MARCH
    elsewhere = path.rename(tmp_path / "elsewhere.csv")
    path.symlink_to(elsewhere)
    whole = elsewhere.read_bytes()
    writer = Writer()
    BathLog(tmp_path, "A", writer).add_event(event("four"))
    assert not writer.commit()
    assert writer.failing == f"A/{MARCH}: is no plain file"
    assert elsewhere.read_bytes() == whole
    path.unlink()
    elsewhere.rename(path)
    assert writer.close()
    assert codes(path) == ["one", "two", "three", "four"]


def test_a_link_that_comes_after_reading_is_not_followed(tmp_path):
    """Also a file that is opened anew, after a round that failed, is never another one behind a link."""
    path = left(tmp_path) / MARCH
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event("four"))
    assert writer.commit()
    log._group.close(writer._disk)
    elsewhere = path.rename(tmp_path / "elsewhere.csv")
    path.symlink_to(elsewhere)
    whole = elsewhere.read_bytes()
    log.add_event(event("five"))
    assert not writer.commit()
    assert writer.failing == f"A/{MARCH}: {os.strerror(errno.ELOOP)}"
    assert elsewhere.read_bytes() == whole


@pytest.mark.parametrize("change", ["large", "no lines"])
def test_what_is_no_table_is_left_as_it_is(tmp_path, monkeypatch, change):
    """Too large to be read, or without one line: acknowledged rows may stand in it, whatever was done to them."""
    path = left(tmp_path) / MARCH
    if change == "no lines":
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r"))
    else:
        monkeypatch.setattr(place, "LARGEST_FILE", path.stat().st_size - 1)
    whole = path.read_bytes()
    writer = Writer()
    BathLog(tmp_path, "A", writer).add_event(event("four"))
    assert not writer.commit()
    assert writer.failing.startswith(f"A/{MARCH}: {NO_TABLE if change == 'no lines' else 'is larger than'}")
    assert path.read_bytes() == whole


@pytest.mark.parametrize("torn", [b"", b"time_utc,elap", b"time_u\0\0\0\0", b"\0\0", b"time_\xff"])
def test_an_unfinished_first_line_begins_anew(tmp_path, torn):
    """What a power cut leaves of a new file was never acknowledged."""
    path = left(tmp_path) / MARCH
    path.write_bytes(torn)
    writer = Writer()
    BathLog(tmp_path, "A", writer).add_event(event("four"))
    assert writer.close()
    assert verify_bath_table(path) == (1, ())


def test_what_is_damaged_is_said_once(tmp_path):
    """A broken chain, proofs that cannot be read: told with what else the service has to say, with the file's name."""
    folder = left(tmp_path)
    path = folder / MARCH
    path.write_bytes(path.read_bytes().replace(b"two", b"owt", 1))
    (folder / "proofs.csv").unlink()
    (folder / "proofs.csv").symlink_to("nowhere")
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    assert log.read_proofs() == ()
    assert list(log.said()) == ["proofs.csv: is no plain file"]
    log.add_event(event("four"))
    assert writer.commit()
    (said,) = log.said()
    assert said.startswith(f"{MARCH}:3: row 2 ")
    assert list(log.said()) == []


def test_adding_reads_nothing(tmp_path, monkeypatch):
    """At the turn of a month, at the start: the files are looked for and read where they are written, rows in order."""
    folder = left(tmp_path)
    asked, go, inside = [], threading.Event(), threading.Event()
    here = threading.current_thread()
    real = Path.glob

    def slow(self, pattern, **more):
        asked.append(threading.current_thread())
        inside.set()
        assert go.wait(BOUND_S)
        return real(self, pattern, **more)

    monkeypatch.setattr(Path, "glob", slow)
    writer = Writer(period_s=0.01)
    log = BathLog(tmp_path, "A", writer)
    writer.start()
    log.add_event(event("told", APRIL_MS))
    assert inside.wait(BOUND_S)
    assert writer.lock.acquire(timeout=BOUND_S)  # no cycle's lock is held meanwhile
    writer.lock.release()
    log.add_event(event("later", APRIL_MS))
    go.set()
    assert writer.close(BOUND_S)
    assert here not in asked
    assert codes(folder / "events-202604.csv") == ["log_continues", "told", "later"]
    assert verify_bath(folder).wrong == []


def test_a_month_goes_on_from_what_is_on_the_disk(tmp_path):
    """A late row of the month before that came meanwhile, and that a crash may take, is not what the next begins with.

    Nor is a month whose first rows no disk has yet.
    """
    folder = left(tmp_path)
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event("four"))
    assert writer.commit()
    last = (folder / MARCH).read_text()[-17:-1]
    with (folder / MARCH).open("ab") as file:
        file.write(b"what a failed write left,0123456789abcdef\n")
    log.add_event(event("late"))
    assert log._continues("events-202604.csv", APRIL_MS).split(",")[9:11] == [last, MARCH]
    log.add_event(event("told", APRIL_MS))
    with writer.lock:
        log._tables["events-202604.csv"]._open = log._tables["events-202604.csv"]._opened(0, "", 0, None)
    (folder / "events-202604.csv").write_bytes(b"what a failed write left\n")
    assert log._continues("events-202605.csv", APRIL_MS).split(",")[9:11] == [last, MARCH]


@pytest.mark.parametrize("held", ["rows", "header"])
def test_a_month_goes_on_from_what_was_read_where_no_write_went_through(tmp_path, monkeypatch, held):
    """The month before was read, its rows wait for a disk that fails; one that has no row is not gone on from."""
    path = left(tmp_path) / MARCH
    if held == "header":
        path.write_bytes(path.read_bytes().splitlines(keepends=True)[0])
    last = path.read_text()[-17:-1]
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event("four"))
    with monkeypatch.context() as patch:
        patch.setattr(writer._disk, "sync", lambda fd: os.fsync(-1))
        assert not writer.commit()
    begins = log._continues("events-202604.csv", APRIL_MS)
    assert begins.split(",")[9:11] == [last, MARCH] if held == "rows" else begins is None


def test_a_folder_that_cannot_be_listed_is_looked_at_again(tmp_path, monkeypatch):
    """The row that begins a month waits for it; what was found damaged meanwhile is said once."""
    path = left(tmp_path) / "events-202604.csv"
    path.write_bytes(b"another,header\n")
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(event("told", APRIL_MS))

    def broken(self, pattern, **more):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(Path, "glob", broken)
        assert not writer.commit()
        assert not writer.commit()
        assert writer.failing == f"A/events-202604.csv: {os.strerror(errno.EIO)}"
    assert writer.commit()
    assert codes(path) == ["log_continues", "told"]
    assert len(list(log.said())) == 1
