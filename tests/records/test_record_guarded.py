"""Where no command may write its output: run folders, a bath's own folder, archives; and where it may."""

from __future__ import annotations

import pytest

from controller.records.guarded import guarded

RUN = "20260316T060000Z-A-A01-K1"


@pytest.fixture
def free(tmp_path):
    """A folder of nobody's, in which anything may be written."""
    folder = tmp_path / "free"
    folder.mkdir()
    assert guarded(folder / "out.csv") is None
    return folder


@pytest.mark.parametrize(
    "name", ["state.json", "proofs.csv", "limits.json", "events-202603.csv", "events-209912.csv"]
)  # fmt: skip
def test_a_bath_s_own_folder_is_known_by_each_of_its_files(free, name):
    """One of them is enough, for the folder and for the releases kept in it; a folder of that name is no file."""
    (free / name).mkdir()
    assert guarded(free / "out.csv") is None
    (free / name).rmdir()
    (free / name).touch()
    told = f"would stand in a bath's own folder {free}, which holds a record and nothing else"
    assert guarded(free / "out.csv") == guarded(free / "releases" / "out.csv") == told
    assert guarded(free / "other" / "out.csv") is None


@pytest.mark.parametrize(
    "name", ["events-2026.csv", "events-.csv", "events-2026-03.csv", "events-202603.csv.bak", "events.csv"]
)  # fmt: skip
def test_a_stranger_s_files_may_be_written_beside(free, name):
    """A table of somebody's own events makes no bath's folder."""
    (free / name).touch()
    assert guarded(free / "out.csv") is None
    assert guarded(free / name) is None


@pytest.mark.parametrize("name", [RUN, f".{RUN}", f"..{RUN}.new"])
def test_a_run_s_folder_is_known_by_its_name_hidden_or_not(free, name):
    """What is just being archived or taken away is hidden, and may lack its run.json."""
    folder = free / name
    (folder / "sub").mkdir(parents=True)
    for place in (folder / "out.csv", folder / "sub" / "out.csv"):
        assert guarded(place) == f"would stand in the run folder {folder}, which holds a record and nothing else"


def test_a_link_counts_where_it_stands_and_where_it_leads(free, tmp_path):
    """Writing through a link inside a run leaves a stranger in the record; one outside may lead into it."""
    run = tmp_path / RUN
    run.mkdir()
    (run / "out.csv").symlink_to(free / "there.csv")
    (free / "in.csv").symlink_to(run / "log.csv")
    (free / "there.csv").touch()
    for link in (run / "out.csv", free / "in.csv"):
        assert guarded(link) == f"would stand in the run folder {run}, which holds a record and nothing else"
    assert guarded(free / "there.csv") is None
