"""A moment of a record is what the service showed then: by the fold, by rows where that proves nothing, on any way."""

from __future__ import annotations

import json
import shutil
import struct
import zipfile
import zlib

import pytest

from controller.records.frames import Frame, frame, scan
from controller.records.peek import first_ms
from controller.replay import story as story_file
from controller.replay import tape as tape_file
from controller.replay.bathalarms import BathAlarms
from controller.replay.shown import picture
from controller.replay.story import Story
from controller.replay.tape import open_tape

HEAD = len(b"formbath cycles 2\n")


def shown(tape, story, now_ms, alarms=None):
    moment = story.at(now_ms)
    told = alarms.of(moment) if alarms is not None else ()
    return moment, picture(tape, moment, "f", (60.0, False), {}, told)


def copy_of(kept, tmp_path):
    return shutil.copytree(kept.folder, tmp_path / kept.folder.name)


def rewritten(folder, **changes):
    plain = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps({**plain, **changes}))
    return folder


def without_block(folder, index):
    """The record with one block of cycles.bin cut out."""
    data = (folder / "cycles.bin").read_bytes()
    frames = [each for each in scan(data, HEAD) if isinstance(each, Frame)]
    gone = frames[index]
    (folder / "cycles.bin").write_bytes(data[: gone.offset] + data[gone.end :])
    return gone


def test_the_run_has_what_the_tests_look_at(kept):
    """Holds, alarms of the circuit and of the bath, a gap and three steps: else the comparisons below prove little."""
    live = [kept.shown[at]["circuits"][0] for at in sorted(kept.shown)]
    assert {"idle", "running", "held", "complete"} <= {each["state"] for each in live}
    assert {alarm["code"] for each in live for alarm in each.get("alarms", ())} >= {"probe_derate"}
    assert {alarm["code"] for each in kept.shown.values() for alarm in each.get("alarms", ())} >= {"water_derate"}
    assert {each["run"]["step"] for each in live if "run" in each} == {1, 2, 3}
    assert len(open_tape(kept.folder).frames) >= 3


def test_every_moment_is_what_the_service_showed(kept):
    """State, counters, values, alarms, what may be ordered, purge and clock: each of the service's snapshots again."""
    tape = open_tape(kept.folder)
    story = Story(tape)
    compared = 0
    for now_ms in range(kept.start_ms, kept.end_ms + 1, 1_000):
        if now_ms not in kept.shown:
            continue
        live = kept.shown[now_ms]
        moment, again = shown(tape, story, now_ms)
        assert moment.decided, now_ms
        assert {**again["circuits"][0], "folder": None} == {**live["circuits"][0], "folder": None}
        for key in ("time_utc", "now_ms", "hall", "bath", "virtual", "period_s", "limits", "plans", "purge_left_s"):
            assert again.get(key) == live.get(key), (key, now_ms)
        if now_ms - 3_000 in kept.shown and live["inputs"] == kept.shown[now_ms - 3_000]["inputs"]:
            # The record has the water that the laws used, which follows a jump some readings later.
            assert again["inputs"]["water_C"] == live["inputs"]["water_C"]
        assert again["inputs"]["airflow"] == live["inputs"]["airflow"]
        compared += 1
    assert compared > 800


def test_a_moment_between_two_cycles_is_the_one_before(kept):
    """What is shown has happened: half a second later it is still the last cycle's."""
    tape = open_tape(kept.folder)
    at = kept.start_ms + 400_000
    assert Story(tape).at(at + 999) == Story(tape).at(at)
    assert Story(tape).at(at + 999).now_ms == at
    assert Story(tape).at(at - 1).now_ms == at - 1_000


def test_before_the_first_cycle_is_the_first(kept):
    """A replay shows the record's first moment, not nothing, where it is asked for one before."""
    tape = open_tape(kept.folder)
    assert Story(tape).at(kept.start_ms - 60_000) == Story(tape).at(kept.start_ms)


def test_seeking_back_and_forth_gives_the_same(kept):
    """A moment does not hang on the way to it: jumps forward, back, across blocks and cycle by cycle agree."""
    tape = open_tape(kept.folder)
    wanted = {at: shown(tape, Story(tape), at)[1] for at in range(kept.start_ms, kept.end_ms, 91_000)}
    story, moments = Story(tape), list(wanted)
    way = [*moments[::-1], *moments, *moments[::3], *moments[::-2], moments[0], moments[-1], moments[0]]
    for at in way:
        assert shown(tape, story, at)[1] == wanted[at]


def test_one_jump_folds_no_more_than_a_block(kept, monkeypatch):
    """Whoever jumps waits for one block of cycles, however long the record is."""
    folded = []
    real = story_file.decided
    monkeypatch.setattr(story_file, "decided", lambda *given: folded.append(1) or real(*given))
    decoded = []
    unpack = tape_file.decode
    tape = open_tape(kept.folder)
    monkeypatch.setattr(tape_file, "decode", lambda *given: decoded.append(1) or unpack(*given))
    Story(tape).at(kept.start_ms + 500_000)
    assert 0 < len(folded) <= 360
    assert len(decoded) == 1


def test_going_on_folds_only_what_is_new(kept, monkeypatch):
    """Playing costs a cycle a cycle, also from one block into the next."""
    tape = open_tape(kept.folder)
    story = Story(tape)
    story.at(kept.start_ms + 300_000)
    folded = []
    real = story_file.decided
    monkeypatch.setattr(story_file, "decided", lambda *given: folded.append(1) or real(*given))
    for second in range(301, 421):
        story.at(kept.start_ms + second * 1_000)
    assert len(folded) == 120


def test_bath_alarms_stand_since_when_they_began(kept):
    """What reduced the whole bath is an alarm of the bath with its true beginning, however far back that lies."""
    tape = open_tape(kept.folder)
    story, alarms = Story(tape), BathAlarms(tape)
    found = 0
    for now_ms, live in kept.shown.items():
        if now_ms < kept.start_ms:
            continue
        real = {each["code"]: each for each in live.get("alarms", ()) if each["code"] == "water_derate"}
        again = {each["code"]: each for each in shown(tape, story, now_ms, alarms)[1].get("alarms", ())}
        standing = [each for each in real.values() if each.get("active") is not False]
        for each in standing:
            assert again[each["code"]]["since_ms"] == each["since_ms"]
            assert (again[each["code"]]["target"], again[each["code"]]["priority"]) == ("A", each["priority"])
            found += 1
        assert standing or "water_derate" not in again
    assert found > 30


def test_bath_alarm_is_followed_back_through_whole_blocks(kept):
    """An alarm that began blocks ago is found without decoding the blocks between."""
    tape = open_tape(kept.folder)
    alarms = BathAlarms(tape)
    moment = Story(tape).at(kept.start_ms + 440_000)
    (alarm,) = (each for each in alarms.of(moment) if each.code == "water_derate")
    alarms._codes = {index: [(0, frozenset({"water_derate"}))] for index in range(len(tape.frames))}
    alarms._codes[0] = [(0, frozenset()), (7, frozenset({"water_derate"}))]
    assert alarms._since_ms("water_derate", kept.start_ms + 800_000) == kept.start_ms + 7_000
    assert alarm.since_ms > kept.start_ms + 7_000


def test_archive_shows_the_same(kept, tmp_path):
    """A record in one file is shown as its folder is."""
    name = kept.folder.name
    with zipfile.ZipFile(tmp_path / f"{name}.zip", "w") as archive:
        for file in kept.folder.iterdir():
            archive.writestr(zipfile.ZipInfo(f"{name}/{file.name}"), file.read_bytes())
    at = kept.start_ms + 430_000
    packed, plain = open_tape(tmp_path / f"{name}.zip"), open_tape(kept.folder)
    assert shown(packed, Story(packed), at) == shown(plain, Story(plain), at)
    assert packed.problems == []


def test_open_run_is_shown_to_its_last_commit(hostile):
    """A run that is still being written has its last cycles in the tail: they are shown too."""
    tape = open_tape(hostile.folder)
    assert tape.end_ms == hostile.end_ms
    moment, again = shown(tape, Story(tape), hostile.end_ms)
    assert moment.decided
    assert again["circuits"][0]["run"] == hostile.shown[hostile.end_ms]["circuits"][0]["run"]


def test_missing_block_is_shown_from_rows(kept, tmp_path):
    """Where cycles are gone their rows still tell state, step, charge and volts; behind them the fold goes on."""
    folder = copy_of(kept, tmp_path)
    gone = without_block(folder, 1)
    tape = open_tape(folder)
    assert any(f"cycles {gone.first} to" in each for each in tape.problems)
    story = Story(tape)
    at = kept.start_ms + (gone.first + 100) * 1_000 // 10_000 * 10_000 + 21_000
    moment, again = shown(tape, story, at)
    live = kept.shown[at // 10_000 * 10_000]["circuits"][0]
    assert not moment.decided
    assert again["circuits"][0]["state"] == live["state"]
    assert again["circuits"][0]["run"]["charge_Ah"] == pytest.approx(live["run"]["charge_Ah"], abs=1e-4)
    assert again["circuits"][0]["run"]["step"] == live["run"]["step"]
    assert again["circuits"][0]["voltage_V"][0] == pytest.approx(live["voltage_V"][0], abs=1e-3)
    late, after = shown(tape, story, kept.end_ms - 30_000)
    assert late.decided
    assert after["circuits"][0]["run"] == kept.shown[late.now_ms]["circuits"][0]["run"]


def test_other_core_is_shown_by_blocks_and_rows(kept, tmp_path, monkeypatch):
    """What another core decided is not decided again: its rows, its commands and its readings are shown as they are."""
    tape = open_tape(rewritten(copy_of(kept, tmp_path), core=1))
    monkeypatch.setattr(story_file, "decided", None)
    assert not tape.same_core
    story = Story(tape)
    for second in (5, 250, 310, 430, 505, 700):
        now_ms = max(at for at in kept.shown if at <= kept.start_ms + second * 1_000)
        moment, again = shown(tape, story, now_ms)
        live = kept.shown[now_ms]["circuits"][0]
        assert not moment.decided
        for key in ("current_A", "voltage_V", "set_current_A", "voltage_limit_V", "probes_C"):
            assert again["circuits"][0][key] == live[key], (key, second)
        row_ms = max(at for at in kept.shown if at <= now_ms and at % 10_000 == 0)
        if row_ms > kept.start_ms:
            assert again["circuits"][0]["run"]["charge_Ah"] == pytest.approx(
                kept.shown[row_ms]["circuits"][0]["run"]["charge_Ah"], abs=1e-3
            )


def test_states_of_another_layout_leave_the_rows(kept, tmp_path):
    """A record whose states had other fields is shown by its rows alone, and says nothing that they do not hold."""
    folder = copy_of(kept, tmp_path)
    plain = json.loads((folder / "run.json").read_text())
    layout = {**plain["layout"], "CircuitState": [*plain["layout"]["CircuitState"], "another"]}
    tape = open_tape(rewritten(folder, layout=layout, core=1))
    assert not tape.states
    moment, again = shown(tape, Story(tape), kept.start_ms + 431_000)
    circuit = again["circuits"][0]
    assert not moment.decided
    assert circuit["state"] == "running"
    assert circuit["current_A"][0] == pytest.approx(15.0, abs=15.0)
    assert circuit["run"]["charge_Ah"] > 1.0


def test_fold_that_differs_is_not_believed(kept, monkeypatch):
    """Where the core decides otherwise than the record says, the rest of that block comes from rows."""
    tape = open_tape(kept.folder)
    real = story_file.decided
    strange = kept.start_ms + 370_000

    def otherwise(settings, own, state, cin):
        after, events, standing = real(settings, own, state, cin)
        if cin.now_ms == strange:
            after = story_file.commanded(after, tape_file.CircuitState("x").command)
        return after, events, standing

    monkeypatch.setattr(story_file, "decided", otherwise)
    story = Story(tape)
    assert story.at(strange - 1_000).decided
    assert not story.at(strange).decided
    assert not story.at(strange + 60_000).decided
    assert story.at(kept.end_ms).decided
    assert story.at(strange).cin.now_ms == strange


def test_core_that_fails_on_a_cycle_costs_only_its_block(kept, monkeypatch):
    """Whatever a record from outside makes of the core, its rows are shown and the next block is decided again."""
    tape = open_tape(kept.folder)
    real = story_file.decided

    def fails(settings, own, state, cin):
        if cin.now_ms == kept.start_ms + 10_000:
            raise ZeroDivisionError
        return real(settings, own, state, cin)

    monkeypatch.setattr(story_file, "decided", fails)
    story = Story(tape)
    assert not story.at(kept.start_ms + 20_000).decided
    assert story.at(kept.start_ms + 20_000).state.state.value == "running"
    assert story.at(kept.end_ms).decided


def test_thousands_of_blocks_that_cannot_be_read(kept, tmp_path):
    """Each begins with the one before it, however many there are, and each is told once."""
    folder = shutil.copytree(kept.folder, tmp_path / kept.folder.name)
    junk = b"".join(frame(number, 1, b"junk") for number in range(5_000))
    (folder / "cycles.bin").write_bytes(b"formbath cycles 2\n" + junk)
    tape = open_tape(folder)
    assert len(tape.frames) == 5_000
    assert tape.begins_ms(4_999) == tape.head.start_ms
    assert tape.frame_at(tape.end_ms) == 4_999
    assert len([each for each in tape.problems if "cannot be decoded" in each]) == 5_000
    assert len(set(tape.problems)) == len(tape.problems)


def test_a_block_that_cannot_be_read_begins_with_the_one_before_it(kept, tmp_path):
    """Looked at from its end, a run of unreadable blocks leads to the last readable one, not to the start."""
    folder = shutil.copytree(kept.folder, tmp_path / kept.folder.name)
    first = open_tape(folder).frames[1]
    blocks = [frame(0, 1, b"junk"), frame(1, first.count, first.body), frame(90, 1, b"junk"), frame(91, 1, b"junk")]
    far = zlib.compress(struct.pack("<HIBq", 1, 0, 8, 2**60))
    (folder / "cycles.bin").write_bytes(b"formbath cycles 2\n" + b"".join(blocks) + frame(92, 1, far))
    tape = open_tape(folder)
    begins = [tape.begins_ms(index) for index in (4, 3, 2, 1, 0)]
    assert begins == [first_ms(first.body)] * 4 + [tape.head.start_ms]
    assert first_ms(far) == 2**60
