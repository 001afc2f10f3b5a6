"""The folder of a new run: its name is found without the disk, and nothing is ever written among other files."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.records.disk import Disk
from controller.records.names import Names
from controller.records.run import RunRecord
from controller.records.writer import OTHERS, Writer


def test_names_are_read_once_and_remembered(tmp_path, monkeypatch):
    """What stands there, archived or not, and what was given since; a folder that is not there has none."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two.zip").write_bytes(b"")
    names = Names()
    names.look(tmp_path)
    names.look(tmp_path / "nowhere")
    for way in ("exists", "iterdir", "stat", "lstat"):
        monkeypatch.setattr(Path, way, None)  # nobody asks the disk from here on
    given = [names.new(tmp_path, name) for name in ("one", "one", "two", "three", "three")]
    assert given == ["one-2", "one-3", "two-2", "three", "three-2"]
    assert names.new(tmp_path / "nowhere", "one") == "one"


@pytest.mark.parametrize("what", ["log.csv", "notes"])
def test_nothing_is_written_among_other_files(rec, tmp_path, what):
    """A folder that somebody made after its name was given: its rows wait, told; taken away, the run is recorded."""
    writer = Writer()
    record = RunRecord.create(tmp_path, rec.start(), writer)
    record.folder.mkdir()
    (record.folder / what).write_bytes(b"somebody's")
    for _ in range(2):
        assert not writer.commit()
        assert writer.failing == f"{record.folder.name}: {OTHERS}"
        assert [path.name for path in record.folder.iterdir()] == [what]
    assert (record.folder / what).read_bytes() == b"somebody's"
    record.folder.rename(tmp_path / "theirs")
    assert writer.commit()
    assert (record.folder / "run.json").is_file()


def test_a_folder_that_a_failed_attempt_left_is_taken(rec, tmp_path):
    """It was made, but no sync kept it, and it could not be taken away again: it is empty, and so nobody's."""

    class Once(Disk):
        fails = True

        def sync_folder(self, folder):
            if self.fails:
                raise OSError(5, "Input/output error")
            super().sync_folder(folder)

        def rmdir(self, folder):
            raise OSError(5, "Input/output error")

    disk = Once()
    writer = Writer(disk=disk)
    record = RunRecord.create(tmp_path, rec.start(), writer)
    assert not writer.commit()
    assert record.folder.is_dir()
    disk.fails = False
    assert writer.commit()
    assert (record.folder / "run.json").is_file()
