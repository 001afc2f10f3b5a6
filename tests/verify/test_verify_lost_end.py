"""A record whose last rows no disk took: not whole, still as it was written; what no lost row explains is wrong."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
import shortkit
from forgekit import rechained, resealed
from memoryplace import MemoryPlace, in_memory

from controller.verify.losses import Lost
from controller.verify.runfolder import verify_place
from controller.verify.verdict import as_plain, lines

UNTOUCHED = "untouched as far as its own hashes tell"


@pytest.fixture(scope="module")
def place() -> Iterator[MemoryPlace]:
    """A run that was stopped while memory was full: cycles had their place, rows of its last two minutes had none."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        run = shortkit.ShortRun(Path(folder), Random(3))
        for _ in range(150):
            run.cycle()
        run.commit()
        record = run.recorder._open["A01"].record

        def full(*_row):
            record.lost_rows += 1

        record._add_row = full
        for _ in range(120):
            run.cycle()
        yield in_memory(run.end())


def test_lost_last_rows_are_told_and_nothing_is_wrong(place):
    """State, counters and the end's time stand in no row any more: each is a note, and the first line says the loss."""
    lost = json.loads(place.files["summary.json"])["lost_rows"]
    assert lost > 12
    for chain_only in (False, True):
        verdict = verify_place(place, chain_only=chain_only)
        assert verdict.wrong == []
        plain = as_plain(verdict)
        assert (plain["holds"], plain["whole"], plain["lost_rows"]) == (True, False, lost)
        assert lines(verdict)[0].startswith(
            f"NOT WHOLE, the record lost {lost} rows while no disk took them; what is there is {UNTOUCHED}"
        )
        assert "summary.json: state is stopped, the record says running" in verdict.notes
        for name in ("charge_Ah", "energy_Wh"):
            assert any(note.startswith(f"summary.json: {name} is ") for note in verdict.notes), name


def test_without_a_loss_the_same_is_wrong(place):
    """A summary that says of no loss is held against the last row; so it is by a forger who says the rows away."""
    wrong = verify_place(resealed(place, lost_rows=0), chain_only=True).wrong
    for said in ("state is stopped", "charge_Ah is ", "energy_Wh is "):
        assert any(each.startswith(f"summary.json: {said}") for each in wrong), said


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("charge_Ah", 0.001, "charge_Ah is 0.001, the last row of log.csv says "),
        ("charge_Ah", "9", "charge_Ah is 9, "), ("energy_Wh", -1.0, "energy_Wh is -1.0, the last row"),
        ("state", "ended", "state is ended, the record says "),
        ("state", None, "state is None, the record says "),
    ],
)  # fmt: skip
def test_lost_rows_explain_no_total_that_fell_and_no_state_that_is_none(place, key, value, said):
    """What only grows is never below the last row, and a run ends in one of its states; asked without any cycle."""
    wrong = verify_place(resealed(place, **{key: value}), chain_only=True).wrong
    assert any(each.startswith(f"summary.json: {said}") for each in wrong), wrong


def test_the_cycles_still_tell_the_end(place):
    """Another state and more charge than the cycles lead to: wrong, though rows were lost."""
    wrong = verify_place(resealed(place, state="complete", charge_Ah=9.0)).wrong
    assert any(each.startswith("summary.json: state is complete, the cycles give stopped") for each in wrong)
    assert any(each.startswith("summary.json: charge_Ah is 9.0, the cycles give ") for each in wrong)


def test_the_end_s_time_after_a_clock_whose_event_was_lost(place):
    """Ended an hour later by the wall clock: a note where rows were lost; no time at all is wrong in any case."""
    rows = place.files["log.csv"].decode().splitlines()
    over_s = float(rows[-1].split(",")[1]) + 30
    for end_utc, lost, count in (
        ("2026-03-16T12:00:00.000Z", 5, 0), ("2026-03-16T12:00:00.000Z", 0, 1), ("soon", 5, 1),
    ):  # fmt: skip
        made = resealed(rechained(place, "log.csv"), end_utc=end_utc, duration_s=over_s, lost_rows=lost)
        verdict = verify_place(made, chain_only=True)
        said = f"summary.json: end_utc is {end_utc}, the rows have another time at that end"
        assert (verdict.wrong.count(said), verdict.notes.count(said)) == (count, 1 - count)


@pytest.mark.parametrize(
    ("told", "last", "may"),
    [
        (2.0, 1.0, True), (1, 1.0, True), (0.9, 1.0, False), (2.0, None, True), (None, 1.0, False), ("2", 1.0, False),
        (True, None, False), (2.0, "1", False), (float("nan"), 1.0, False),
    ],
)  # fmt: skip
def test_what_only_grows(told, last, may):
    """Never less than on record, and a number; of cycles and rows alike, where some of these were lost."""
    for key in ("charge_Ah", "discharge_Ah", "energy_Wh", "hottest_C", "highest_V_per_cell", "link_rides"):
        assert Lost(cycles=1).behind_cycles(key, told, last) is Lost(rows=1).behind_rows(key, told, last) is may
        assert not Lost(rows=9).behind_cycles(key, told, last)
        assert not Lost(cycles=9).behind_rows(key, told, last)
    for key in ("owed_Ah", "duration_s", "verdict", "batteries"):
        assert not Lost(1, 1).behind_cycles(key, told, last)
        assert not Lost(1, 1).behind_rows(key, told, last)


def test_lost_cycles_explain_no_other_state():
    """Cycles that are there lead to the end; only rows may lack the state's own, or an event of a clock."""
    for key, told in (("state", "stopped"), ("end_utc", "2026-03-16T12:00:00.000Z")):
        assert Lost(1, 1).behind_rows(key, told, None)
        assert not Lost(1, 0).behind_rows(key, told, None)
        assert not Lost(1, 1).behind_cycles(key, told, None)


def test_lost_cycles_let_no_total_fall(place):
    """A cycle lost, said a forger: its highest temperature and charge may be more than the cycles give, not less."""
    wrong = verify_place(resealed(place, lost_cycles=1, hottest_C=20.0, charge_Ah=0.0)).wrong
    assert any(each.startswith("summary.json: hottest_C is 20.0, the cycles give ") for each in wrong)
    assert any(each.startswith("summary.json: charge_Ah is 0.0, the cycles give ") for each in wrong)
