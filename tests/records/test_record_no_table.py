"""A table without one whole line but with rows: they were acknowledged, and nobody begins it anew."""

from __future__ import annotations

import pytest
from memoryplace import MemoryPlace

from controller.records import later
from controller.records.errors import RecordError
from controller.records.resume import resume_run
from controller.records.rows import AFTER_COLUMNS
from controller.records.table import NO_TABLE, may_hold_rows
from controller.records.writer import Writer

HEADER = ",".join(AFTER_COLUMNS)


@pytest.mark.parametrize(("data", "may"), [
    (b"", False), (HEADER.encode(), False), (HEADER[:5].encode() + b"\0" * 5_000, False), (b"\xff" * 700, False),
    (b"a,0123456789abcde\r", False), (b"0123456789abcdef", False), (b"a,0123456789abcdef\r", True),
    (b"\0" * 9 + b",fedcba9876543210", True),
])  # fmt: skip
def test_rows_are_known_by_their_chain_values(data, may):
    """What a power cut leaves of a new table has none: its beginning, rubbish, zeros."""
    assert may_hold_rows(data) is may


@pytest.mark.parametrize("name", ["log.csv", "events.csv"])
def test_no_run_is_resumed_over_it(rec, tmp_path, name):
    """The folder stays as it is, byte by byte; the run goes on in a new one."""
    writer = Writer()
    loop, record = rec.begin(tmp_path, writer)
    rec.drive(record, loop, 20)
    assert writer.close()
    path = record.folder / name
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r"))
    whole = path.read_bytes()
    other = Writer()
    with pytest.raises(RecordError, match=f"^{name}: {NO_TABLE}"):
        resume_run(record.folder, other)
    assert other.commit()
    assert path.read_bytes() == whole


def test_no_later_row_is_written_over_it():
    """A closed record's table of readings: what came later stays in the bath's events."""
    with pytest.raises(RecordError, match=f"^after.csv: {NO_TABLE}"):
        later._growing(
            MemoryPlace("run", {"after.csv": HEADER.encode() + b"\ra,0123456789abcdef\r"}), "after.csv", b"{}", {}
        )
    assert later._growing(MemoryPlace("run", {"after.csv": HEADER.encode()}), "after.csv", b"{}", {}).size == 0
