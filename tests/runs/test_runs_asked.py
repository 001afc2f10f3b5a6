"""What a person asks of the list beside its lines: paths, open alarms, reasons; and why nothing was archived."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import inventedrun as invented
import pytest
from runskit import said_and_told

from controller.runs import archiveall, commands
from controller.runs.archive import archive_run
from controller.runs.seen import look
from profiles.problems import InputError

ALARM = invented.event(invented.at("2026-03-16T07:00"), "alarm", "probe_lost:new")


@pytest.fixture
def two(tmp_path) -> tuple[Path, Path]:
    """One run without alarms, a later one with an alarm that stands open."""
    runs = tmp_path / "my runs"
    return invented.make(runs), invented.make(runs, "2026-03-17T06:00", batch="K2", events=[ALARM])


def test_alarms_chooses_runs_with_open_alarms_in_list_json_table_paths_and_archiving(two, capsys):
    """The same filter everywhere; an alarm whose cause had gone is none."""
    quiet, loud = two
    gone = [ALARM, invented.event(invented.at("2026-03-16T08:00"), "alarm", "probe_lost:returned")]
    invented.make(quiet.parent, "2026-03-18T06:00", batch="K3", events=gone)
    runs = quiet.parent
    assert [text[27:29] for text in said_and_told(capsys, runs, "--alarms")[1].splitlines()[1:]] == ["K2"]
    out = said_and_told(capsys, runs, "--alarms", "--json")[1]
    assert [json.loads(text)["run"] for text in out.splitlines()] == [loud.name]
    assert said_and_told(capsys, runs, "--alarms", "--paths")[1] == f"{loud}\n"
    assert said_and_told(capsys, runs, "--alarms", "--table")[1].splitlines()[1].split(",")[4] == "1"
    _, out, err = said_and_told(capsys, runs, "--alarms", "--archive", "--dry-run")
    assert (out.split(" runs")[0], err.split(":")[0], err.count("\n")) == ("0 of 1", loud.name, 1)


def test_paths_are_one_a_line_and_nothing_else(two, capsys):
    """In the order of the list, folders and archives, as the next command takes them; stderr has nothing to say."""
    archive_run(two[1], keep=True)
    shutil.rmtree(two[1])
    packed = two[1].with_name(f"{two[1].name}.zip")
    assert said_and_told(capsys, two[0].parent, "--paths") == (0, f"{two[0]}\n{packed}\n", "")
    assert said_and_told(capsys, two[0].parent, "--paths", "--batch", "none") == (0, "", "")


@pytest.mark.parametrize("name", ["20260301T000000Z-a\nb", "20260301T000000Z-\x1b[2J", "20260301T000000Z-\udcff"])
def test_a_path_that_cannot_stand_on_a_line_is_told_and_not_printed(two, capsys, name):
    """Cleaned it would lead to another file, as it stands it would be two: exit 1, the others are printed."""
    two[0].rename(two[0].parent / name)
    code, out, err = said_and_told(capsys, two[0].parent, "--paths")
    assert (code, out, err.count("\n")) == (1, f"{two[1]}\n", 1)
    assert err.endswith("left out, its name holds what cannot stand on a line: rename it\n")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--paths", "--json"), "does not go with --json"),
        (("--paths", "--table"), "does not go with --table"),
        (("--paths", "--archive"), "does not go with --archive"),
    ],
)
def test_paths_go_with_no_other_form(two, words, told, capsys):
    """One form at a time."""
    with pytest.raises(InputError, match=f"runs: --paths: {told}"):
        said_and_told(capsys, two[0].parent, *words)


def test_damaged_runs_are_told_with_path_and_whole_reason(two, capsys, monkeypatch):
    """Below the list, a line each, those chosen alone; very many of them are counted."""
    for one in two:
        (one / "summary.json").write_text("{")
        (one / "events.csv").write_bytes(b"")
    code, out, err = said_and_told(capsys, two[0].parent)
    told = err.splitlines()
    assert (code, len(told), out.count("damaged")) == (0, 3, 2)
    wrong = [look(one, frozenset()).wrong for one in two]
    assert [len(each) for each in wrong] == [2, 2]
    assert told[:2] == [f"{one}: damaged: {each[0]} (and 1 more)" for one, each in zip(two, wrong, strict=True)]
    assert len(said_and_told(capsys, two[0].parent, "--batch", "K2")[2].splitlines()) == 2
    monkeypatch.setattr(commands, "MOST_DAMAGED", 1)
    assert said_and_told(capsys, two[0].parent)[2].splitlines()[1] == "1 more damaged runs: --json has all of them"
    assert "damaged:" not in said_and_told(capsys, two[0].parent, "--json")[2]


def test_archiving_nothing_says_why_of_each_run(two, capsys, monkeypatch, served):
    """Archived before: nothing was left to do, exit 0; open: not yet, exit 0, but 1 where that run was named."""
    runs, (one, other) = two[0].parent, two
    for each in two:
        archive_run(each)
    opened = invented.make(runs, "2026-03-18T06:00", batch="K3", closed=False)
    invented.state(runs, "A", {"A01": opened.name})
    served(runs / "A")
    why = f"{opened.name}: not archived: is open\n"
    before = [f"{each.name}: not archived: is archived already\n" for each in (one, other)]
    end = "0 of 3 runs archived, 0.0 MB, now 0.0 MB; 2 archived already; 1 not yet\n"
    assert said_and_told(capsys, runs, "--archive") == (0, end, why + "".join(before))
    monkeypatch.setattr(archiveall, "MOST_TOLD", 1)
    assert said_and_told(capsys, runs, "--archive", "--dry-run")[2] == why + before[0]
    assert said_and_told(capsys, opened, "--archive")[0] == 1
    assert said_and_told(capsys, one.with_name(f"{one.name}.zip"), "--archive")[0] == 0


def test_a_run_that_can_never_be_archived_ends_with_1(two, capsys):
    """Damaged, or never closed: each is named, and they are counted."""
    (two[0] / "summary.json").unlink()
    (two[1] / "log.csv").unlink()
    code, out, err = said_and_told(capsys, two[0].parent, "--archive", "--dry-run")
    assert (code, out) == (1, "0 of 2 runs would be archived; 2 not possible\n")
    assert err == (
        f"{two[0].name}: not archived: was never closed: it has no summary.json\n"
        f"{two[1].name}: not archived: is damaged: log.csv: is missing, summary.json knows it\n"
    )


def test_a_signed_off_run_that_a_person_stopped_shows_both(tmp_path, capsys):
    """In the ten columns that there are; the objects have state and outcomes side by side."""
    invented.make(tmp_path, end="stopped", outcomes=("pass",) * 18)
    invented.make(tmp_path, "2026-03-17T06:00", outcomes=("pass",) * 18)
    lines = said_and_told(capsys, tmp_path)[1].splitlines()
    assert [text[61:71] for text in lines[1:]] == ["18/18 stop", "18/18 pass"]
    plain = json.loads(said_and_told(capsys, tmp_path, "--json")[1].splitlines()[0])
    assert (plain["state"], plain["outcomes"]) == ("stopped", {"pass": 18})


def test_what_a_killed_service_left_is_unclosed_and_none_of_the_open_ones(tmp_path, capsys, served):
    """state.json names it still; once a service has its bath again it is open."""
    left = invented.make(tmp_path, closed=False)
    invented.state(tmp_path, "A", {"A01": left.name})
    assert said_and_told(capsys, tmp_path)[1].splitlines()[1].split()[-4] == "unclosed"
    assert said_and_told(capsys, tmp_path, "--open", "--paths")[1] == ""
    served(tmp_path / "A")
    assert said_and_told(capsys, tmp_path)[1].splitlines()[1].split()[-4] == "open"
    assert said_and_told(capsys, tmp_path, "--open", "--paths")[1] == f"{left}\n"
