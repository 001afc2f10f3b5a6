"""Which rows of log.csv are due, and that a record has those and no others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
import shortkit
from forgekit import rechained, reheaded, resealed
from memoryplace import in_memory

from controller.core.state import CircuitState, Run
from controller.core.types import State
from controller.records.due import Due, due, logged_each_s, rule_of, usual_s
from controller.verify.duecheck import DueCheck, rows_at
from controller.verify.losses import Interruptions
from controller.verify.runfolder import verify_place

RUNNING = CircuitState("A01", state=State.RUNNING, run=Run(0, "anna"), confirmed=True)


@pytest.fixture(scope="module")
def place() -> Iterator:
    """A run of a cycle each second and a row each ten: two minutes, a hold in it, stopped."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        run = shortkit.ShortRun(Path(folder), Random(3), charge_Ah=0.6)
        for _ in range(60):
            run.cycle()
        run.order("hold")
        run.order("resume")
        for _ in range(60):
            run.cycle()
        yield in_memory(run.end())


def of_log(place):
    return [said for said in verify_place(place).wrong if said.startswith("log.csv")]


@pytest.mark.parametrize(
    ("text", "log_s"),
    [
        ('kind = "bath"', 10.0), ('kind = "bath"\n[runs]\nlog_s = 60\n', 60.0), ('kind="bath"\nruns.log_s=1.5', 1.5),
        ('kind = "bath"\n[runs]\nlog_s = 0.9\n', None), ('kind = "bath"\n[runs]\nlog_s = 601\n', None),
        ('kind = "bath"\n[runs]\nlog_s = true\n', None), ('kind = "map"\n[runs]\nlog_s = 60\n', None),
        ('kind = "bath"\nruns = 3\n', None), ("log_s = 60\n", None), ("x\n", None), ("", None),
        ('kind = "bath"\n[runs]\n# log_s = 60\n', 10.0), ('kind = "bath"\n[runs]\nlog_s = 1\n', 1.0),
        ('kind = "bath"\n[runs]\nlog_s = 600\n', 600.0),
    ],
)  # fmt: skip
def test_the_bath_file_says_how_often_rows_are_written(text, log_s):
    """Its own number where it is one that the program takes, else the usual one; nothing where it is no bath file."""
    assert logged_each_s(text) == log_s


@pytest.mark.parametrize(
    ("log_s", "period_s", "usual"),
    [(10, 1, 10), (10, 5, 10), (10, 7, 7), (10, 15, 15), (10, 4, 8), (30, 7, 28), (1, 1, 1), (10, 2, 10)],
)
def test_how_far_apart_rows_stand(log_s, period_s, usual):
    """Whole cycles: as many as bring the interval, half a cycle early."""
    assert usual_s(log_s, period_s) == usual


CHANGES = (
    {}, {"state": State.HELD}, {"confirmed": False}, {"run": None}, {"run": Run(0, "anna", step=1)},
    {"run": Run(0, "anna", owed_Ah=3.0)}, {"revision": 9},
)  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_row_is_due_at_its_interval_and_at_a_change_that_matters(change, period_ms):
    """The first one, half a cycle early, and at a change of state, step or of what is confirmed; at no other."""
    rule, early_ms = due(10_000, period_ms), 10_000 - period_ms // 2
    for logged_ms, now_ms in ((None, 0), (0, 1), (0, early_ms - 1), (0, early_ms), (0, 10_000)):
        new = replace(RUNNING, now_ms=now_ms, **change)
        wanted = logged_ms is None or now_ms >= early_ms or change in CHANGES[1:5]
        assert rule.at(logged_ms, RUNNING, new) == wanted


def test_earlier_versions_waited_for_the_whole_interval():
    """Those that did not name the form of their summary; of a bath file that cannot be read nothing is known."""
    text = {"bath_file": {"text": 'kind = "bath"\n[runs]\nlog_s = 20\n'}}
    assert rule_of({**text, "summary_format": "x"}, 1_000) == Due(20_000, 500)
    assert rule_of(text, 1_000) == Due(20_000, 0)
    assert rule_of({"bath_file": {"text": "x"}}, 1_000) is None
    assert rule_of({"bath_file": 3}, 1_000) is None


def test_a_record_has_the_rows_that_are_due(place):
    """As it was written, and written anew by the recipe."""
    assert verify_place(place).wrong == []
    assert verify_place(resealed(rechained(place, "log.csv"))).wrong == []


def test_a_row_is_missed_wherever_it_stood(place):
    """Each alone, whether the interval or a change made it due; the first is always missed at 0 s."""
    lines = place.files["log.csv"].decode().splitlines()[1:]
    for at in range(len(lines)):
        said = of_log(resealed(rechained(place, "log.csv", lambda rows, at=at: rows[:at] + rows[at + 1 :])))
        moment = lines[at].split(",")[1]
        assert f"log.csv: the row due at {moment} s is missing: its cycle is there" in said


def test_two_of_three_rows_are_missed(place):
    """One finding, with how many."""
    number = len(place.files["log.csv"].splitlines()) - 1
    gone = number - len(range(0, number, 3))
    (said,) = of_log(resealed(rechained(place, "log.csv", lambda rows: rows[::3])))
    assert said.endswith(f"is missing, and {gone - 1} more: its cycle is there")


def test_a_row_that_is_there_twice_is_found(place):
    """Fifty times over, chained and sealed anew."""
    made = resealed(rechained(place, "log.csv", lambda rows: rows[:5] + [rows[4]] * 50 + rows[5:]))
    assert "log.csv:7: row 6: no row is due there, nor are 49 more" in of_log(made)


def test_what_no_bath_file_tells_is_not_asked(place):
    """Where nobody knows how often rows were due their distance alone is looked at."""

    def without(plain):
        text = "x\n"
        plain["bath_file"] = {"name": "a.toml", "text": text, "sha256": shortkit.Text("", text).sha256}

    other = reheaded(place, without)
    assert of_log(other) == []
    assert of_log(resealed(rechained(other, "log.csv", lambda rows: [*rows[:5], rows[4], *rows[5:]]))) == []
    assert of_log(resealed(rechained(other, "log.csv", lambda rows: rows[:5] + rows[9:])))


def check_of(*moments_ms):
    return DueCheck(Due(10_000, 500), {moment: [number] for number, moment in enumerate(moments_ms, 1)}, 0)


def seen(check, *moments_ms, maybe=()):
    for moment in moments_ms:
        check.decided(RUNNING, replace(RUNNING, now_ms=moment), maybe=moment in maybe)
    return check


def test_a_service_that_began_anew_writes_a_row():
    """In the first cycle of a silence's end a row may stand, and counts from there; none may stand, too."""
    assert seen(check_of(0, 12_000), 0, 12_000).extra == []
    assert seen(check_of(0, 5_000), 0, 5_000).extra == [2]
    begun = seen(check_of(0, 5_000, 15_000), 0, 5_000, 10_000, 15_000, maybe=(5_000,))
    assert (begun.extra, begun.missing) == ([], [])
    stalled = seen(check_of(0, 10_000), 0, 5_000, 10_000, maybe=(5_000,))
    assert (stalled.extra, stalled.missing) == ([], [])


def test_behind_lost_cycles_the_next_row_says_when_rows_are_due():
    """When the first is due hangs on a row that is not known; within two intervals there is one."""
    check = check_of(0, 27_000, 37_000, 40_000)
    seen(check, 0)
    check.unsure(21_000)
    seen(check, 21_000, 27_000, 37_000, 40_000)
    assert (check.extra, check.missing) == ([4], [])
    none = check_of(0)
    seen(none, 0)
    none.unsure(21_000)
    seen(none, 21_000, 31_000, 41_000, 41_001, 45_000)
    assert none.missing == [41_001]


def test_what_a_crash_may_have_taken_has_a_bound():
    """A minute before a silence, or before the end of an open record, is noted; longer than that it is wrong."""
    for last_ms, wrong in ((80_000, 0), (80_001, 1)):
        check = seen(check_of(0, 10_000), 0, 10_000, 20_000, last_ms)
        told, notes = check.finish(Interruptions((last_ms,)))
        assert (len(told), len(notes), check.lacking) == (wrong, 1 - wrong, 2 * wrong)
        assert (told or notes) == ["log.csv: 2 rows missing behind 0:00:10: the cycles go on to 0:01:20"]
        check = seen(check_of(0, 10_000, 200_000), 0, 10_000, 20_000, last_ms, 200_000)
        told, notes = check.finish(Interruptions((last_ms,)))
        assert (len(told), len(notes)) == (wrong, 1 - wrong)
    assert seen(check_of(0, 30_000), 0, 10_000, 30_000).finish(Interruptions((30_000,)))[0] == [
        "log.csv: the row due at 10.000 s is missing: its cycle is there"
    ]


def test_rows_are_found_by_their_moment():
    """By core time, with their numbers; one without a moment is left to its form."""
    rows = [{"elapsed_s": "0.000"}, {"elapsed_s": "1.500"}, {"elapsed_s": "1.500"}, {"elapsed_s": "x"}, {}]
    assert rows_at(rows, 7_000) == {7_000: [1], 8_500: [2, 3]}
