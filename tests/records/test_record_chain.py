"""The chain: what it finds, and that a shell finds the same."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.records.reader import TABLES, read_run, read_table


@pytest.mark.parametrize("name", ["log.csv", "events.csv"])
@settings(max_examples=120)
@given(data=st.data())
def test_any_flipped_byte_is_found_and_its_row_named(kept_run, name, data):
    """Any byte of a table changed to any other is found, and the row it stands in is the first one named."""
    whole = (kept_run / name).read_bytes()
    run_json = (kept_run / "run.json").read_bytes()
    place = data.draw(st.integers(0, len(whole) - 1))
    changed = bytearray(whole)
    changed[place] ^= data.draw(st.integers(1, 255))
    table = read_table(name, bytes(changed), TABLES[name], run_json)
    row = whole[:place].count(b"\n")
    assert table.problems
    if row == 0:
        assert not table.header_right
    elif place == len(whole) - 1:
        assert table.cut
    else:
        assert table.walked.wrong_row == row
        assert f"row {row} is not as it was written" in " ".join(table.problems)
    assert not read_table(name, whole, TABLES[name], run_json).problems


@pytest.mark.parametrize("change", ["removed", "moved", "doubled"])
def test_missing_moved_and_doubled_rows_are_found(kept_run, change):
    """The chain runs through all rows: none can be taken out, put elsewhere or in twice."""
    lines = (kept_run / "log.csv").read_bytes().splitlines(keepends=True)
    changed = {
        "removed": lines[:5] + lines[6:],
        "moved": [*lines[:5], lines[6], lines[5], *lines[7:]],
        "doubled": [*lines[:6], lines[5], *lines[6:]],
    }[change]
    table = read_table("log.csv", b"".join(changed), TABLES["log.csv"], (kept_run / "run.json").read_bytes())
    assert table.walked.wrong_row == (6 if change == "doubled" else 5)


@settings(max_examples=60)
@given(data=st.data())
def test_a_cut_table_gives_its_whole_rows(kept_run, data):
    """Cut at any byte, the rows before the cut are read, and only the unfinished one is left out and told."""
    whole = (kept_run / "log.csv").read_bytes()
    cut = data.draw(st.integers(0, len(whole)))
    table = read_table("log.csv", whole[:cut], TABLES["log.csv"], (kept_run / "run.json").read_bytes())
    assert list(table.lines) == whole[:cut].split(b"\n")[1:-1]
    assert bool(table.cut) == (not whole[:cut].endswith(b"\n") and cut > 0)
    assert table.walked.wrong_row is None


def script_of(folder):
    text = (folder / "README.txt").read_text()
    return re.split(r"----8<----.*\n", text)[1]


def check(folder):
    return subprocess.run(
        ["sh", "-c", script_of(folder)], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this machine")
def test_the_recipe_in_readme_works_with_a_shell_alone(kept_run, tmp_path):
    """README.txt's script passes a whole record with the same last values, and names the row of a changed one."""
    done = check(kept_run)
    assert done.returncode == 0, done.stderr
    for name, last in read_run(kept_run).summary["chain"].items():
        assert re.search(rf"{re.escape(name)}: \d+ rows as they were written, last chain value {last}", done.stdout)
    folder = tmp_path / "run"
    shutil.copytree(kept_run, folder)
    lines = (folder / "log.csv").read_text().splitlines(keepends=True)
    lines[7] = lines[7].replace("running", "held")
    (folder / "log.csv").write_text("".join(lines))
    done = check(folder)
    assert done.returncode == 1
    assert "log.csv: row 7 is not as it was written" in done.stdout
