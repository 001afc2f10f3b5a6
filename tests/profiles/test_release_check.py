"""`check` of released profiles and of releases: who released it, what changed since, and the water of the bath."""

from __future__ import annotations

import io
import json
import re

import pytest

from controller.bathcheck import water_problems
from controller.bathfile import bath_check
from profiles.commands import check, profile_check
from profiles.loader import LIBRARY, parse_document, read_document
from profiles.release import Release, digest, release_check, write_release

TEXT = (LIBRARY / "starter-60.toml").read_text(encoding="utf-8")
BATH = """\
kind = "bath"
hall = "north"
name = "A"
virtual = true
[link.wire]
tcp = "127.0.0.1:0"
[[circuit]]
name = "A01"
link = "wire"
unit = 1
map = "single"
current_max_A = 20
voltage_max_V = 340
[inputs]
link = "wire"
unit = 9
map = "inputs"
"""
KINDS = {"profile": profile_check, "bath": bath_check, "release": release_check}


def run(*paths, as_json=False):
    out, err = io.StringIO(), io.StringIO()
    code = check(paths, KINDS, out, err, as_json, across=water_problems)
    return code, out.getvalue(), err.getvalue()


def warnings_in(out):
    return int(re.search(r"with (\d+) warning", out).group(1))


@pytest.fixture
def folder(tmp_path):
    """A profile with its release beside it, and a bath file."""
    (tmp_path / "p.toml").write_text(TEXT, encoding="utf-8")
    data = parse_document(TEXT, "p").data
    release = Release(
        kind="release", format="formbath/release/1", profile=data["name"], revision=data["revision"],
        sha256=digest(TEXT), text=TEXT, person="ines", reason="first", utc="2026-03-16T06:00:00Z", versions={},
        model={}, settings={}, water_C=(20.0, 34.0), course=(), totals={}, confirmed=(), study={},
    )  # fmt: skip
    write_release(tmp_path / "p.release.json", release)
    (tmp_path / "a.toml").write_text(BATH, encoding="utf-8")
    return tmp_path


def changed(folder):
    (folder / "p.toml").write_text(TEXT.replace("current_C20 = 0.25", "current_C20 = 0.24"), encoding="utf-8")


def test_a_released_profile_says_by_whom(folder):
    """A note at its revision's line; the file is right."""
    code, out, err = run(folder / "p.toml")
    assert (code, out) == (0, "1 file: 1 right\n")
    assert f"{folder}/p.toml:3: note: released by ines, 2026-03-16T06:00:00Z: first" in err


def test_a_profile_that_nobody_released_says_so(folder):
    """A note, no warning: a draft is no fault."""
    (folder / "p.release.json").unlink()
    code, out, err = run(folder / "p.toml")
    assert (code, out) == (0, "1 file: 1 right\n")
    assert f"{folder}/p.toml:3: note: not released: a bath that asks for a release refuses it" in err


def test_a_profile_changed_since_names_the_line(folder):
    """As a warning of the profile: it is right, and not the released one; the release itself is wrong then."""
    changed(folder)
    code, out, err = run(folder / "p.toml")
    assert (code, out) == (0, "1 file: 1 right with 1 warning\n")
    assert f"{folder}/p.toml:36: warning: changed since its release" in err
    assert "was: current_C20 = 0.25; is: current_C20 = 0.24" in err
    code, out, err = run(folder / "p.release.json")
    assert (code, out) == (2, "1 file: 1 wrong\n")
    assert f"{folder}/p.toml:36: changed since its release" in err


@pytest.mark.parametrize("order", [("p.toml", "p.release.json"), ("p.release.json", "p.toml")])
def test_a_change_is_told_once_of_both_files(folder, monkeypatch, order):
    """As the fault that it is of the release, however the two are called and whichever comes first."""
    changed(folder)
    monkeypatch.chdir(folder)
    code, out, err = run(folder / order[0], f"./{order[1]}")
    assert (code, out) == (2, "2 files: 1 right, 1 wrong\n")
    assert err.count("changed since its release") == 1
    assert "warning" not in err


def test_a_release_is_held_against_its_profile(folder):
    """Right with a note; without its profile a warning; with a broken one the profile's own fault."""
    code, out, err = run(folder / "p.release.json")
    assert (code, out) == (0, "1 file: 1 right\n")
    assert "p.release.json: note: p.toml is the text that ines released, 2026-03-16T06:00:00Z: first" in err
    (folder / "p.toml").write_text("x =", encoding="utf-8")
    assert run(folder / "p.release.json")[0] == 2
    (folder / "p.toml").unlink()
    code, out, err = run(folder / "p.release.json")
    assert (code, out) == (0, "1 file: 1 right with 1 warning\n")
    assert "warning: p.toml is not beside it" in err


def test_a_damaged_release_is_wrong_and_a_warning_of_its_profile(folder):
    """Told once with each file."""
    path = folder / "p.release.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"ines"', "3"), encoding="utf-8")
    code, _, err = run(path)
    assert code == 2
    assert "person: 3 does not fit" in err
    code, out, err = run(folder / "p.toml")
    assert (code, out) == (0, "1 file: 1 right with 1 warning\n")
    assert "p.toml:3: warning: its release cannot be used: " in err


@pytest.mark.parametrize("given", ["p.toml", "p.release.json"])
@pytest.mark.parametrize(
    ("water", "warned"),
    [("", True), ("cold_C = 20\nwarn_C = 34", False), ("cold_C = 19.9\nwarn_C = 34", True),
     ("cold_C = 20\nwarn_C = 34.1", True)],
)  # fmt: skip
def test_a_bath_whose_water_leaves_the_studied_range_is_warned_of(folder, given, water, warned):
    """Where the bath and the release (or its profile) are checked together: 15 to 40 C by default, 20 to 34 studied."""
    (folder / "a.toml").write_text(f"{BATH}[interlock.water]\n{water}\n", encoding="utf-8")
    _, out, err = run(folder / "a.toml", folder / given)
    assert ("without an alarm, p.release.json was studied for 20 to 34 C" in err) is warned
    assert f"{folder}/a.toml:18: warning: water runs from" in err or not warned
    alone, more = run(folder / "a.toml")[1:]
    assert "studied for" not in more
    assert warnings_in(out) - warnings_in(alone) == warned


def test_water_is_told_once_and_of_right_files_only(folder):
    """Profile and release name the same release; a wrong or missing one is told elsewhere."""
    _, _, err = run(folder / "a.toml", folder / "p.toml", folder / "p.release.json")
    assert err.count("was studied for") == 1
    told = json.loads(run(folder / "a.toml", folder / "p.toml", as_json=True)[1])
    assert sum("was studied" in each["what"] for each in told["files"][0]["problems"]) == 1
    (folder / "p.release.json").write_text("{}", encoding="utf-8")
    assert "was studied" not in run(folder / "a.toml", folder / "p.toml")[2]
    (folder / "p.release.json").unlink()
    given = {"bath": [read_document(folder / "a.toml")], "profile": [read_document(folder / "p.toml")]}
    assert water_problems(given) == []
