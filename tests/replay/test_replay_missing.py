"""Replay of a record that lacks a file says what is missing before it shows what is there."""

from __future__ import annotations

import json
import shutil

import pytest

from controller.replay.lines import as_json, told
from controller.replay.tape import open_tape
from controller.words import Say

ENDED = "summary.json: is missing: the run has ended, log.csv ends in the state complete"
NOT_WHOLE = "REPLAY DEMO NOT WHOLE: "


@pytest.fixture
def copy(kept, tmp_path):
    """A copy to damage."""
    folder = tmp_path / "runs" / kept.folder.name
    shutil.copytree(kept.folder, folder)
    return folder


def said_of(folder):
    tape = open_tape(folder)
    (*lines,) = told(tape, tape.name, Say(), 0)
    plain = json.loads(next(iter(as_json(tape, tape.name, 0))))
    found = [line.removeprefix(NOT_WHOLE) for line in lines if line.startswith(NOT_WHOLE)]
    assert plain["problems"] == found
    return found


@pytest.mark.parametrize(
    ("name", "said"),
    [("summary.json", ENDED), ("events.csv", "events.csv: is missing"), ("log.csv", "log.csv: is missing")],
)
def test_a_missing_file_is_told(copy, name, said):
    """As verify does; a whole record has nothing to tell."""
    assert said_of(copy) == []
    (copy / name).unlink()
    assert said_of(copy) == [said]


def test_an_end_that_only_events_tell_of(copy):
    """Rows of the end cut away with the summary: events.csv still tells of it."""
    (copy / "summary.json").unlink()
    log = copy / "log.csv"
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:9]))
    assert said_of(copy) == ["summary.json: is missing: the run has ended, events.csv tells of complete"]


def test_an_open_record_lacks_no_summary(copy):
    """One that a service has open is not closed yet; one that none has open, though states can be read, lacks it."""
    (copy / "summary.json").unlink()
    for name, rows in (("log.csv", 9), ("events.csv", 3)):
        (copy / name).write_bytes(b"".join((copy / name).read_bytes().splitlines(keepends=True)[:rows]))
    assert said_of(copy) == []
    bath = copy.parent / "A"
    bath.mkdir()
    none = "summary.json: is missing, and no service has the run open: never closed, or its end was cut"
    for runs, said in (({"A01": copy.name}, []), ({}, [none])):
        _open(bath, runs)
        assert said_of(copy) == said


def _open(bath, runs):
    from controller.records.bathlog import BathLog
    from controller.records.writer import Writer

    writer = Writer()
    log = BathLog(bath.parent, bath.name, writer)
    log.put_state({"open_runs": runs})
    assert writer.commit(), writer.trouble
    writer.close()


def test_a_summary_that_cannot_be_read_is_told_once(copy):
    """It is there: that it does not hold is enough."""
    (copy / "summary.json").write_text("{")
    (said,) = said_of(copy)
    assert said.startswith("summary.json: is not readable")
