"""What a record may lack and what it may not: a crash's last minute, what no disk took; and how loudly that is said."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from types import SimpleNamespace

import pytest
import shortkit
from forgekit import rechained, reheaded, resealed
from memoryplace import MemoryPlace, in_memory

from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import State
from controller.core.version import CORE
from controller.records.cycles import encode, flatten
from controller.records.frames import FILE_HEAD, frame
from controller.records.head import read_head
from controller.records.reader import read_cycles
from controller.records.redecide import redecide
from controller.verify import crosscheck
from controller.verify import runfolder as verify_module
from controller.verify.again import _may_come_back
from controller.verify.losses import Bounds, Interruptions, Lost, clock_of, lost_of, tail_ms
from controller.verify.runfolder import verify_place
from controller.verify.silences import Readings
from controller.verify.statecheck import wrong_states, wrong_trips
from controller.verify.verdict import as_plain, lines

UNTOUCHED = "untouched as far as its own hashes tell"


def recorded(act, **options) -> MemoryPlace:
    """A run's folder in memory, once `act` did with the run what it wanted; closed unless told."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        run = shortkit.ShortRun(Path(folder), Random(3), **options)
        open_folder = act(run)
        return in_memory(open_folder or run.end())


def cycles(number):
    def act(run):
        for _ in range(number):
            run.cycle()

    return act


@pytest.fixture(scope="module")
def place() -> Iterator[MemoryPlace]:
    """A run of five minutes with a note in it, stopped by a person, of a bath that is no virtual one."""

    def act(run):
        cycles(100)(run)
        run.order("note", text="all well")
        cycles(200)(run)

    return recorded(act)


def without_summary(place):
    return place.with_file("summary.json", None)


def cut(place, name, rows):
    """A table's first rows, whose chain still fits."""
    whole = place.files[name].splitlines(keepends=True)
    return place.with_file(name, b"".join(whole[: rows + 1]))


def test_a_cut_record_is_not_an_open_one(place):
    """Summary gone, both tables cut by hours: the cycles go on, which is one line a table and never a cause."""
    made = cut(cut(without_summary(place), "log.csv", 8), "events.csv", 2)
    verdict = verify_place(made)
    rows = len(place.files["log.csv"].splitlines()) - 9
    assert verdict.wrong == [
        "events.csv: order note of 101.000 s and 1 more event are missing: the cycles go on to 0:05:04",
        f"log.csv: {rows} rows missing behind 0:01:01: the cycles go on to 0:05:04",
        "summary.json: is missing: the run has ended, the cycles lead to the state stopped",
    ]
    assert not any("interrupted" in said for said in (*verdict.wrong, *verdict.notes))


def test_a_cut_log_shows_without_a_decision(place):
    """`--chain-only` reads when the last cycles were, and no more; closed or not."""
    rows = len(place.files["log.csv"].splitlines()) - 1
    for open_too in (place, without_summary(place)):
        made = rechained(open_too, "log.csv", lambda rows: rows[:8])
        made = resealed(made) if "summary.json" in made.files else made
        said = [each for each in verify_place(made, chain_only=True).wrong if "rows are missing" in each]
        assert said == ["log.csv: rows are missing: it ends at 0:01:01, the cycles go on to 0:05:04"]
    barely = cut(without_summary(place), "log.csv", rows - 7)
    assert not [each for each in verify_place(barely, chain_only=True).wrong if "rows are missing" in each]


def test_what_a_kill_took_is_noted(place):
    """An open record whose last minute of rows is missing holds, and says so."""

    def act(run):
        cycles(100)(run)
        run.commit()
        return run.folder

    made = recorded(act)
    rows = len(made.files["log.csv"].splitlines()) - 1
    verdict = verify_place(cut(made, "log.csv", rows - 5))
    assert verdict.wrong == []
    assert any(note.startswith("log.csv: 5 rows missing behind ") for note in verdict.notes)
    (said,) = verify_place(cut(made, "log.csv", rows - 8)).wrong
    assert said.startswith("log.csv: 8 rows missing behind ")


def test_an_end_without_its_summary_is_told(place):
    """Rows up to the end cut away: the cycles tell of it; a service that has the run open is about to close it."""
    rows = len(place.files["log.csv"].splitlines()) - 1
    made = cut(cut(without_summary(place), "log.csv", rows - 3), "events.csv", 3)
    said = "the run has ended, the cycles lead to the state stopped"
    assert f"summary.json: is missing: {said}" in verify_place(made).wrong
    whole = [said for said in verify_place(without_summary(place)).wrong if said.startswith("summary.json: is missing")]
    assert whole == ["summary.json: is missing: the run has ended, log.csv ends in the state stopped"]
    verdict = verify_place(made, is_open=True)
    assert verdict.wrong == []
    assert f"{said}: the service that has it open is about to close its record" in verdict.notes


def test_an_end_that_was_not_read_back_is_no_end_yet():
    """Stopped, and the link is gone: the record stays open for a minute, and a kill then leaves nothing wrong."""

    def act(run):
        cycles(60)(run)
        run.link_up = False
        run.order("stop")
        run.cycle()
        run.commit()
        return run.folder

    made = recorded(act)
    rows = len(made.files["log.csv"].splitlines()) - 1
    assert not [said for said in verify_place(cut(made, "log.csv", rows - 1)).wrong if "the cycles lead to" in said]


def losing(number):
    """A run whose memory is full for some cycles in its midst."""

    def act(run):
        cycles(50)(run)
        run.commit()
        real, run.commit = run.commit, lambda: None
        run.kept_ms = 10**12
        run.writer.has_room = False
        cycles(number)(run)
        run.commit = real
        run.commit()
        cycles(50)(run)

    return act


@pytest.mark.parametrize("number", [1, 2, 3, 4, 25])
def test_what_no_disk_took_is_nothing_wrong_and_loudly_told(number):
    """As much is missing as the summary says: it holds, it is not whole, and the first line says how much is lost."""
    made = recorded(losing(number))
    summary = json.loads(made.files["summary.json"])
    assert summary["lost_cycles"] == number
    verdict = verify_place(made)
    assert verdict.wrong == []
    plain = as_plain(verdict)
    assert (plain["holds"], plain["whole"], plain["lost_cycles"]) == (True, False, number)
    assert plain["lost_rows"] == summary["lost_rows"]
    first = lines(verdict)[0]
    assert first.startswith("NOT WHOLE, the record lost ")
    assert f"{number} cycle{'' if number == 1 else 's'} while no disk took them; what is there is {UNTOUCHED}" in first
    assert verify_place(made, chain_only=True).wrong == []


def test_more_than_was_lost_is_missing(place):
    """One row lost, said a forger: of the rows one may be missing, and nothing else is let pass for it."""
    few = resealed(rechained(place, "log.csv", lambda rows: rows[:10] + rows[11:]), lost_rows=1)
    verdict = verify_place(few)
    assert (verdict.wrong, as_plain(verdict)["whole"]) == ([], False)
    many = resealed(rechained(place, "log.csv", lambda rows: rows[:10] + rows[20:]), lost_rows=1)
    assert "summary.json: 10 rows missing, summary.json says that 1 was lost" in verify_place(many).wrong
    events = rechained(place, "events.csv", lambda rows: rows[:1] + rows[3:])
    assert "summary.json: 2 rows missing, summary.json says that 1 was lost" in (
        verify_place(resealed(events, lost_rows=1)).wrong
    )
    assert any("trips is 3" in said for said in verify_place(resealed(place, lost_rows=1, trips=3)).wrong)
    assert verify_place(resealed(place, lost_rows=1, charge_Ah=9.0)).wrong


def test_cycles_that_were_cut_away_are_not_lost_ones(place):
    """cycles.bin down to its first line, one cycle lost, said a forger: no row may stand without its cycle but one."""
    made = resealed(place.with_file("cycles.bin", FILE_HEAD), cycles=0, lost_cycles=1)
    for chain_only in (False, True):
        assert any("cycles.bin: holds no cycle, log.csv has" in said for said in
                   verify_place(made, chain_only=chain_only).wrong)  # fmt: skip
    wrong = verify_place(made).wrong
    assert any("cycles missing, summary.json says that 1 was lost" in said for said in wrong)
    (second, *_) = [line for line in lines(verify_place(made)) if line.startswith(("decisions", "counted"))]
    assert not second.startswith("decisions: 0 of 0")


def test_lost_cycles_let_only_pass_what_may_have_grown_in_them(place):
    """A cycle may be lost behind the last one on record: charge may have grown in it, and nothing else is another."""
    made = resealed(place, lost_cycles=1, hottest_C=40.0, batteries=3, trips=0)
    verdict = verify_place(made)
    assert "summary.json: batteries is 3, the cycles give 18" in verdict.wrong
    assert {said.partition(" is ")[0] for said in verdict.wrong} == {"summary.json: batteries"}
    assert any(note.startswith("summary.json: hottest_C is 40.0, the cycles give ") for note in verdict.notes)


@pytest.mark.parametrize("name", ["lost_rows", "lost_cycles"])
@pytest.mark.parametrize("number", [-1, "1", 1.0, True, None])
def test_what_is_no_count_says_nothing(place, name, number):
    """It is named, and nothing is let pass for it."""
    assert any(said.startswith(f"summary.json: {name} is ") for said in
               verify_place(resealed(place, **{name: number})).wrong)  # fmt: skip
    assert lost_of({name: number}) == Lost()


def test_a_gap_whose_row_a_second_kill_took():
    """Back for some seconds and killed again, before the gap's row was written: nobody forged that."""

    def act(run):
        cycles(30)(run)
        run.commit()
        run.killed(30.0)
        run.commit()
        events = run.folder / "events.csv"
        events.write_bytes(b"".join(events.read_bytes().splitlines(keepends=True)[:3]))
        run.chance = Random(1)
        run.killed(30.0)

    made = recorded(act)
    verdict = verify_place(made)
    assert len(verdict.gap_s) > verdict.stated_gaps
    assert verdict.wrong == []


def test_an_invented_silence_is_found(place):
    """Half a minute cut out of the cycles, with a state alive inside: nobody comes back from there."""
    head = read_head(json.loads(place.files["run.json"]))
    (block,) = read_cycles(place.files["cycles.bin"]).blocks(head.codec)
    states = []
    redecide(head, [block], watch=lambda cin, command, state: states.append(state))
    assert len(states) == len(block.cycles)
    first, rest = block.cycles[:100], block.cycles[200:]
    data = FILE_HEAD
    for number, start, part in ((0, block.start, first), (100, states[199], rest)):
        rows = [flatten(cycle.cin, cycle.command) for cycle in part]
        data += frame(number, len(rows), encode(rows, start, head.codec))
    begin, end = first[-1].cin.now_ms - head.start_ms, rest[0].cin.now_ms - head.start_ms

    def without(rows):
        return [row for row in rows if not begin < float(row[1]) * 1000 < end]

    made = rechained(rechained(place.with_file("cycles.bin", data), "log.csv", without), "events.csv", without)
    told = verify_place(resealed(made, cycles=len(first) + len(rest), lost_cycles=1)).wrong
    assert "cycles.bin: at least 34 cycles are missing, summary.json says of 1" in told
    wrong = verify_place(resealed(made, cycles=len(first) + len(rest))).wrong
    assert any(said.startswith("decisions: cycle 100: begins from a state that the cycles before do not lead to") for
               said in wrong)  # fmt: skip


@pytest.mark.parametrize(
    ("state", "now_ms", "may"),
    [(State.UNKNOWN, 4_001, True), (State.UNKNOWN, 4_000, False), (State.RUNNING, 9_000, False)],
)
def test_who_comes_back_is_unknown_and_late(state, now_ms, may):
    """A service that begins anew knows nothing yet, and waits until the stale time is over."""
    assert _may_come_back(CircuitState("A01", state=state, now_ms=1_000), now_ms, 3_000) is may


def test_silences_are_longer_than_the_stale_time(rec):
    """From cycle to cycle; where cycles were lost, from the last lost one on, and the hole is kept beside."""
    cin = rec.Loop().cycle()[0]
    readings = Readings(3_000)
    for now_ms, lost_to_ms in ((1_000, None), (4_000, None), (7_001, None), (20_000, 17_000), (33_001, 30_000)):
        readings.see(replace(cin, now_ms=now_ms), lost_to_ms)
        readings.open_run()
    assert readings.silences == [(4_000, 7_001), (7_001, 20_000), (20_000, 33_001)]
    assert (readings.gap_s, readings.gap_ends_ms) == ([3.001, 3.001], [7_001, 33_001])
    assert readings.lost_ms == [9_999, 10_000]
    assert readings.may_lack(Bounds(tail_ms=0)) == 1
    assert readings.may_lack(Bounds(tail_ms=0, is_open=True, lost=Lost(rows=3))) == 5


@pytest.mark.parametrize(("stalled", "gaps"), [("before", 1), ("behind", 0)])
def test_a_silence_behind_the_end_is_no_gap_of_another_core_s_run(stalled, gaps):
    """Stopped, the link gone, nothing read for half a minute: no event tells of that, and none is asked for."""

    def act(run):
        cycles(30)(run)
        run.link_up = False
        run.cycle(skip_ms=30_000 if stalled == "before" else 0)
        run.order("stop")
        run.cycle(skip_ms=30_000 if stalled == "behind" else 0)

    made = other_core(recorded(act))
    verdict = verify_place(made)
    assert (verdict.wrong, len(verdict.gap_s)) == ([], gaps)
    untold = resealed(rechained(made, "events.csv", lambda rows: [row for row in rows if row[4] != "gap"]))
    told = [said for said in verify_place(untold).wrong if "gaps stated, the cycles have" in said]
    assert len(told) == gaps


def test_a_silence_counts_up_to_the_end(rec):
    """One that was over when the run ended is a gap of it; a millisecond later it is none."""
    cin = rec.Loop().cycle()[0]
    for end_ms, gaps in ((10_000, [9.0]), (9_999, []), (20_000, [9.0, 10.0])):
        readings = Readings(3_000)
        for now_ms in (1_000, 10_000, 20_000):
            readings.see(replace(cin, now_ms=now_ms))
            readings.open_run()
        readings.over_at(end_ms)
        assert (readings.gap_s, len(readings.gap_ends_ms)) == (gaps, len(gaps))


def other_core(place):
    return resealed(reheaded(place, lambda plain: plain.update(core=CORE + 1)), core=CORE + 1)


def test_a_record_of_another_core_is_not_called_whole(place):
    """It holds, exit 0; but nothing was decided again, and a script can see that."""
    verdict = verify_place(other_core(place))
    plain = as_plain(verdict)
    assert (verdict.wrong, plain["holds"], plain["whole"], plain["compared"]) == ([], True, False, 0)
    told = f"decided by core {CORE + 1}, this is {CORE}"
    assert plain["decisions"] == f"not compared: {told}"
    assert lines(verdict)[0].startswith(f"as far as it can be compared ({told}) whole, and {UNTOUCHED}: ")
    assert as_plain(verify_place(place))["decisions"] == "compared"
    chain_only = as_plain(verify_place(place, chain_only=True))
    assert (chain_only["decisions"], chain_only["compared"]) == ("not compared: --chain-only", 0)


def test_another_core_s_record_is_counted_and_its_rows_held_against_its_events(place):
    """Charge, times, distances, states: none of them needs a decision."""
    made = other_core(place)

    def changed(column, value, first=10, last=11):
        def edit(rows):
            for row in rows[first:last]:
                row[column] = value
            return rows

        return resealed(rechained(made, "log.csv", edit))

    assert any("charge_Ah" in said for said in verify_place(changed(9, "9.0000")).wrong)
    assert any("is tripped, and no event tells of it" in said for said in verify_place(changed(3, "tripped")).wrong)
    gone = resealed(rechained(made, "log.csv", lambda rows: rows[:10] + rows[14:]))
    assert any("no row for " in said for said in verify_place(gone).wrong)
    assert any("trips is 2" in said for said in verify_place(resealed(made, trips=2)).wrong)


def rows_of(*states):
    return [{"elapsed_s": f"{10 * number}.000", "state": state} for number, state in enumerate(states)]


def event_at(code, moment_s):
    return {"kind": "event", "code": code, "elapsed_s": f"{moment_s}.000"}


@pytest.mark.parametrize(
    ("log", "events", "said"),
    [
        (rows_of("running", "tripped"), [event_at("tripped", 10)], ""),
        (rows_of("running", "complete"), [event_at("complete", 5)], ""),
        (rows_of("running", "tripped"), [event_at("tripped", 0)], "is tripped, and no event tells of it"),
        (rows_of("running", "complete"), [], "log.csv:3: row 2: is complete, and no event tells of it"),
        (rows_of("unknown", "tripped"), [], ""),
        (rows_of("tripped", "tripped"), [], ""),
        (rows_of("running", "held"), [], ""),
        (rows_of("running", "running"), [event_at("tripped", 10)], "tripped of 10.000 s: log.csv says running there"),
        (rows_of("running", "running"), [event_at("tripped", 11)], ""),
        (rows_of("running", "running"), [{**event_at("tripped", 10), "kind": "alarm"}], ""),
    ],
)
def test_states_and_events(log, events, said):
    """Nobody trips or completes without a word, but who comes back to it after a restart."""
    found = wrong_states(log, events)
    assert said in found[0] if said else found == []


def test_every_state_without_its_event_is_told():
    """Two trips that no event tells of, and an end that no row shows: three findings."""
    log = rows_of("running", "tripped", "running", "tripped", "running")
    assert wrong_states(log, [event_at("complete", 40)]) == [
        "log.csv:3: row 2: is tripped, and no event tells of it",
        "log.csv:5: row 4: is tripped, and no event tells of it",
        "events.csv: complete of 40.000 s: log.csv says running there",
    ]


def test_an_event_that_a_crash_took_is_not_asked_for():
    """Within a minute before an interruption the row may be there and the event not."""
    log = rows_of("running", "complete")
    for at_ms, wrong in ((9_999, 1), (10_000, 0), (70_000, 0), (70_001, 1)):
        assert len(wrong_states(log, [], Interruptions((at_ms,)))) == wrong, at_ms


@pytest.mark.parametrize(
    ("silences_s", "is_open", "last_s", "wrong"),
    [
        ((), False, 10, 1), ((), True, 10, 0), ((), True, 70, 0), ((), True, 71, 1), (((10, 99),), False, 99, 0),
        (((9, 99),), False, 99, 1), (((9, 20), (70, 99)), False, 99, 0),
    ],
)  # fmt: skip
def test_what_an_interruption_took_is_not_asked_of_another_core_s_rows(place, silences_s, is_open, last_s, wrong):
    """A state without its event right before a silence, or before the end of an open record; else it is named."""
    head = read_head(json.loads(place.files["run.json"]))
    at_ms = [head.start_ms + 1_000 * second for second in (last_s, *(each for pair in silences_s for each in pair))]
    readings = SimpleNamespace(now_ms=at_ms[0], silences=list(zip(at_ms[1::2], at_ms[2::2], strict=True)))
    again = SimpleNamespace(readings=readings, result=None, wrong=[], notes=[], rows_due=True)
    tables = {"log.csv": rows_of("running", "complete"), "events.csv": []}
    found = SimpleNamespace(summary=None, plain={}, rows_of=tables.__getitem__)
    crosscheck.hold_against(found, head, again, 0, Bounds(is_open=is_open))
    assert len(again.wrong) == wrong


def test_trips_are_alarms():
    """No more of them than alarms came, or rows were lost."""
    alarms = [{"kind": "alarm", "code": "open_string:new"}, {"kind": "alarm", "code": "open_string:returned"},
              {"kind": "alarm", "code": "hot:new_suppressed"}, {"kind": "event", "code": "x:new"}]  # fmt: skip
    assert wrong_trips({"trips": 2}, alarms) == wrong_trips({}, alarms) == wrong_trips({"trips": 3}, alarms, 1) == []
    assert wrong_trips({"trips": 3}, alarms) == ["summary.json: trips is 3, events.csv has 2 alarms"]


def test_how_long_rows_may_wait():
    """A minute of a real clock; a stepped one waits for the disk each thousand rows, however fast it goes."""
    real = BathSettings("north", "A", False, 1_000, 3_000, 5_000, ())
    stepped = BathSettings("north", "A", True, 5_000, 3_000, 5_000, ())
    assert (tail_ms(real, 10.0), tail_ms(real, None)) == (60_000, 60_000)
    assert (tail_ms(stepped, 10.0), tail_ms(stepped, 1.0), tail_ms(stepped, None)) == (10**7, 5 * 10**6, 10**7)
    assert tail_ms(replace(stepped, period_ms=20), 0.01) == 60_000


def test_every_interruption_counts_for_itself():
    """A silence, and the last cycle of an open record; what was told behind one is not what that one took."""
    silences = [(90_000, 95_000), (10_000, 20_000)]
    assert Bounds(tail_ms=7).interruptions(silences, 99_000) == Interruptions((10_000, 90_000), 7)
    opened = Bounds(is_open=True).interruptions(silences, 99_000)
    assert opened == Interruptions((10_000, 90_000, 99_000))
    assert Bounds(is_open=True).interruptions((), None) == Interruptions()
    told = {
        0: True,
        10_000: True,
        10_001: False,
        30_000: True,
        29_999: False,
        90_001: True,
        99_000: True,
        99_001: False,
    }
    assert {now_ms: opened.may_have_taken(now_ms) for now_ms in told} == told
    for rows_ms, end_ms in (((), 10_000), ((5_000,), 10_000), ((10_001,), 10_000), ((10_000,), None), ((6_000,), None)):
        assert opened.cut_at_ms(5_000, rows_ms) == end_ms, rows_ms
    assert opened.cut_at_ms(99_001, ()) is None


def test_elapsed_time_as_a_clock():
    """Hours, minutes, seconds; before the start with a sign."""
    assert [clock_of(ms) for ms in (0, 59_999, 3_661_000, 69_064_000, -1_500)] == [
        "0:00:00", "0:00:59", "1:01:01", "19:11:04", "-0:00:01",
    ]  # fmt: skip


def test_modules_are_told_of_one_core():
    """Both ask for the same number."""
    assert verify_module.CORE == crosscheck.CORE == CORE
