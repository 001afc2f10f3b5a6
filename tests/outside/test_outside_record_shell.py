"""The check that README.txt prints, run by the shells of this machine over a record whose texts are made to break it.

What it rests on: POSIX.1-2017, Shell Command Language 2.6.2 (parameter expansion) and the utilities printf, read, tr,
cut; sha256sum is GNU coreutils' or busybox's. FIPS 180-4 is asked of the value itself beside the formats.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from controller.records.reader import read_run

SHELLS = {name: (name,) for name in ("sh", "dash", "bash", "ksh", "mksh", "yash") if shutil.which(name)}
if {"sh", "dash"} <= SHELLS.keys() and Path(shutil.which("sh")).samefile(shutil.which("dash")):
    del SHELLS["sh"]
if shutil.which("busybox"):
    SHELLS["busybox"] = ("busybox", "sh")
if shutil.which("zsh"):
    SHELLS["zsh"] = ("zsh", "--emulate", "sh")

pytestmark = pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this machine")


@pytest.fixture(scope="module")
def folder(outside, tmp_path_factory):
    """A small record, each odd text in it once or more; check.sh cut out of its README.txt as that says."""
    found = outside.hostile(tmp_path_factory.mktemp("shell"), 4, len(outside.texts))
    _, script, *_ = (found / "README.txt").read_text(encoding="utf-8").split("----8<----")
    (found / "check.sh").write_text(script.partition("\n")[2], encoding="utf-8")
    return found


def check(shell, folder):
    words = [*SHELLS[shell], "check.sh"]
    return subprocess.run(words, check=False, cwd=folder, capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize("shell", SHELLS)
def test_hostile_texts_pass(shell, folder):
    """Backslashes, percent signs, dollars, quotes, dashes, UTF-8: each shell prints our rows and last chain values."""
    told = check(shell, folder)
    assert (told.returncode, told.stderr) == (0, "")
    for name, table in read_run(folder).tables.items():
        line = next(line for line in told.stdout.splitlines() if line.startswith(name))
        assert f" {len(table.lines)} rows" in line
        assert table.walked.last in line


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize(
    ("old", "new"), [(b"\\x41", b"A"), (b"%d", b"%i"), (b"$HOME", b"/root"), (b"caf\xc3\xa9", b"cafe")]
)
def test_one_changed_text_is_found(shell, folder, tmp_path, old, new):
    """A text replaced by what it would mean to a shell or to printf, or by letters without accents, is named."""
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    data = (copy / "events.csv").read_bytes()
    row = data[: data.index(old)].count(b"\n")
    (copy / "events.csv").write_bytes(data.replace(old, new, 1))
    told = check(shell, copy)
    assert told.returncode != 0
    assert f"row {row} " in told.stdout + told.stderr


@pytest.mark.parametrize("shell", SHELLS)
def test_a_closed_record_without_its_summary_fails(shell, folder, tmp_path):
    """Each shell walks the rows first, says how far it is, and fails since tables are there that only an end makes."""
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    (copy / "summary.json").unlink()
    told = check(shell, copy)
    assert (told.returncode, told.stderr) == (1, "")
    first, *_, last = told.stdout.splitlines()
    assert first == f"reading log.csv: {(copy / 'log.csv').read_bytes().count(b'%c' % 10)} lines"
    assert last.startswith("summary.json: is missing")


@pytest.mark.parametrize("shell", SHELLS)
def test_an_open_record_passes_with_a_word_on_what_is_not_checked(shell, folder, tmp_path):
    """Without the tables of an end the rows pass, and the last line names what nobody looked at."""
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    for name in ("summary.json", "batteries.csv", "after.csv"):
        (copy / name).unlink()
    told = check(shell, copy)
    assert (told.returncode, told.stderr) == (0, "")
    assert "NOT checked are cycles.bin, README.txt" in told.stdout.splitlines()[-1]
