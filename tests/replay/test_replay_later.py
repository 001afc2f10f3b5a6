"""What came once a run was over: at the record's end, behind its events, cleaned; at no earlier moment."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace

import pytest

from controller import words
from controller.console.feed import Feed
from controller.console.picture import read_picture
from controller.console.scene import BathSeen, Place, Scene
from controller.core.types import Event, EventKind
from controller.records.tables import EVENT_COLUMNS
from controller.replay import later
from controller.replay.clockwork import Clockwork
from controller.replay.later import Later, signed_off
from controller.replay.lines import as_json, told
from controller.replay.rows import Rows
from controller.replay.serving import Show
from controller.replay.tape import open_tape
from controller.service.protocol import PaceMessage
from controller.words import Say

AFTER = "time_utc,taken_utc,position,what,value,unit,temperature_C,instrument,who,chain"
READ = "2026-03-16T07:10:00.000Z,2026-03-16T07:04:00.000Z,3,density,1.281,kg/L,32.8,hydrometer 1,bruno,0123456789abcdef"
SIGNED = {"time_utc": "2026-03-17T09:00:00.000Z", "id": "s1", "who": "quinn", "role": "quality", "result": "pass"}
OUTCOMES = {"pass": 17, "re-form": 0, "rework": 0, "scrap": 1}


def with_later(kept, tmp_path, *, rows=(READ,), signed=(SIGNED,), outcomes=OUTCOMES):
    """The record with readings and sign-offs that came after its end."""
    folder = shutil.copytree(kept.folder, tmp_path / kept.folder.name)
    if rows:
        (folder / "after.csv").write_text("\n".join((AFTER, *rows, "")))
    if signed:
        newest = signed[-1]
        plain = json.loads((folder / "summary.json").read_text())
        plain |= {"sign_offs": list(signed), "outcomes": outcomes, "signed_off_by": newest["who"]}
        (folder / "summary.json").write_text(json.dumps(plain))
    return folder


def seen_at(folder, base, elapsed_s):
    """The page of events of a moment: texts of its rows, by the console's own reader."""
    base.mkdir(exist_ok=True)
    tape = open_tape(folder)
    show = Show(tape, base, Clockwork(tape.begin_ms, tape.end_ms))
    show.seek(PaceMessage(id="q", elapsed_s=elapsed_s))
    picture = read_picture(show.snapshot())
    feed = Feed()
    feed.update(Scene((BathSeen("A", picture, runs=str(base)),), Place(page="events", bath="A")))
    files = "".join(path.read_text() for path in base.rglob("*.csv"))
    return [f"{line.target} {line.kind} {line.text}" for line in feed.events], feed.trouble, files


def test_events_end_with_what_came_after_the_run(kept, tmp_path):
    """The page of events at the record's end: the reading in the words of its event, then the sign-off."""
    lines, trouble, _ = seen_at(with_later(kept, tmp_path), tmp_path / "b", 1e6)
    read = words.text(Event("reading", "A01", EventKind.ORDER, {
        "who": "bruno", "what": "density", "position": 3, "value": "1.281", "unit": "kg/L", "temperature_C": "32.8",
        "taken_minutes_ago": "6", "instrument": "hydrometer 1",
    }))  # fmt: skip
    signed = "A01 order after the end, 2026-03-17: signed off by quinn: pass"
    assert lines[-2:] == [f"A01 order after the end: {read.removeprefix('reading by bruno: ')}", signed]
    assert "complete" in lines[-3]
    assert trouble == ""


@pytest.mark.parametrize("before_s", [1.0, 200.0, 900.0])
def test_nothing_later_is_seen_before_the_end(kept, tmp_path, before_s):
    """A second before its end neither the page nor any file of the replay knows of readings and sign-off."""
    length_s = (kept.end_ms - kept.start_ms) / 1000.0
    folder = with_later(kept, tmp_path)
    lines, _, files = seen_at(folder, tmp_path / "b", length_s - before_s)
    assert len(lines) >= 2
    assert not any(word in files for word in ("density", "signed", "quinn", "bruno"))
    assert "quinn" in seen_at(folder, tmp_path / "c", length_s)[2]


def test_jumps_end_at_the_last_event_of_the_run(kept, tmp_path):
    """What came days later is no moment of the record to jump to: the last jump ends, as without it."""
    tape = open_tape(with_later(kept, tmp_path))
    show = Show(tape, tmp_path, Clockwork(tape.begin_ms, tape.end_ms))
    show.seek(PaceMessage(id="q", elapsed_s=1e6))
    assert show.seek(PaceMessage(id="q", event="next")) == []
    assert {each.code for each in show.seek(PaceMessage(id="q", event="previous"))} & {"complete", "step_ended"}


def test_lines_and_objects_tell_it_too(kept, tmp_path):
    """Each as a line without an elapsed time; the closing line says who signed what off, and when."""
    tape = open_tape(with_later(kept, tmp_path))
    lines = list(told(tape, "x", Say(), tape.begin_ms))
    assert " 2026-03-16T07:10:00.000Z after the end A01 order reading by bruno: density of battery 3" in lines[-3]
    assert lines[-2].endswith(" 2026-03-17T09:00:00.000Z after the end A01 order signed off by quinn: pass")
    assert "ends complete, signed off by quinn on 2026-03-17: 17 pass, 1 scrap; 2.50" in lines[-1]
    record, *events = map(json.loads, as_json(tape, "x", tape.begin_ms))
    assert (record["signed_off_by"], record["signed_off_date"]) == ("quinn", "2026-03-17")
    assert record["outcomes"] == {"pass": 17, "scrap": 1}
    assert [(each["code"], each["after_end"], each["elapsed_s"]) for each in events[-3:]] == [
        ("complete", False, events[-3]["elapsed_s"]), ("reading", True, None), ("signed_off", True, None),
    ]  # fmt: skip


def test_sign_off_among_the_record_s_own_events_is_told_once(kept, tmp_path):
    """One that came before the record was closed is an event of its own already."""
    folder = with_later(kept, tmp_path, rows=())
    text = (folder / "events.csv").read_text()
    own = f"{SIGNED['time_utc']},2000.000,s1,order,signed_off,A01,quinn,quality,,,,,signed off by quinn: pass,0\n"
    (folder / "events.csv").write_text(text + own)
    tape = open_tape(folder)
    assert tape.later == ()
    assert tape.signed.who == "quinn"


def test_of_two_sign_offs_the_newest_holds(kept, tmp_path):
    """Both are events, in their order; the closing line has the second."""
    second = {**SIGNED, "time_utc": "2026-03-18T09:00:00.000Z", "who": "rae", "result": "pass, 4 scrap reversed"}
    tape = open_tape(with_later(kept, tmp_path, signed=(second, SIGNED, second)))
    assert [each.who for each in tape.later] == ["bruno", "quinn", "rae", "rae"]
    assert (tape.signed.who, tape.signed.date, tape.signed.named) == ("rae", "2026-03-18", "17 pass, 1 scrap")


EVIL = "\x1b[2J\u202e=cmd()\n,\"'" + "x" * 5_000


def test_hostile_words_are_cleaned(kept, tmp_path):
    """Escapes, line ends, quotes and walls of text: a row of the right form, printable, and no row more."""
    cells = [*READ.split(",")[:7], EVIL.replace("\n", " "), EVIL.replace("\n", " "), "0"]
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    folder = with_later(kept, tmp_path, rows=(out.getvalue(),), signed=({**SIGNED, "who": EVIL, "result": EVIL},))
    lines, _, _ = seen_at(folder, tmp_path / "b", 1e6)
    plain, _, _ = seen_at(kept.folder, tmp_path / "c", 1e6)
    assert len(lines) == len(plain) + 2
    tape = open_tape(folder)
    for text in (*lines, *told(tape, "x", Say(), 0), tape.signed.who, *(each.text for each in tape.later)):
        assert text.isprintable()
        assert len(text) < 1_000


@pytest.mark.parametrize(
    "summary",
    [
        None, {}, {"sign_offs": None}, {"sign_offs": []}, {"sign_offs": "x"}, {"sign_offs": [7, None]},
        {"sign_offs": {"who": "x"}},
    ],
)  # fmt: skip
def test_no_sign_off_is_none(summary):
    """Nothing, an empty list, or another thing in its place."""
    assert signed_off(summary) is None


@pytest.mark.parametrize("outcomes", [None, 5, {"pass": "many", "scrap": True, "other": 3}, {"pass": -1}])
def test_outcomes_that_are_none_are_told_as_missing(outcomes):
    """Who signed is told all the same, and a moment that is none as missing."""
    found = signed_off({"sign_offs": [{"who": None, "time_utc": 7}], "outcomes": outcomes})
    assert (found.who, found.date, found.named) == ("--", "--", "--")


def test_of_too_many_entries_the_newest_sign_offs_are_told(kept, tmp_path, monkeypatch):
    """A record may hold any number: no more than the most of each sort, and of sign-offs those that count."""
    monkeypatch.setattr(later, "MOST", 2)
    signed = [{**SIGNED, "time_utc": f"2026-03-17T0{hour}:00:00.000Z", "who": f"q{hour}"} for hour in range(1, 5)]
    rows = [READ.replace("T07:1", f"T07:{minute}") for minute in range(2, 5)]
    tape = open_tape(with_later(kept, tmp_path, rows=rows, signed=signed))
    assert [each.time_utc[11:16] for each in tape.later if each.code == "reading"] == ["07:20", "07:30"]
    assert [each.who for each in tape.later if each.code == "signed_off"] == ["q3", "q4"]
    assert tape.signed.who == "q4"


@pytest.mark.parametrize("times_ms", [(), (1_000,), (5_000,), (1_000, 9_000)])
def test_what_came_later_stands_behind_end_and_last_event(times_ms):
    """Its rows have one moment: the record's end, or its last event's where that is later still."""
    columns = EVENT_COLUMNS
    rows = Rows("events.csv", columns, tuple(b"x" for _ in times_ms), times_ms)
    came = (Later("2026-03-16T07:10:00.000Z", "reading", "bruno", "reading by bruno: x"),) * 2
    found = later.with_later(rows, came, "A01", (5_000, "2026-03-16"))
    assert found.times_ms == (*times_ms, *[max(5_000, *times_ms, 0)] * 2)
    assert found.lines[: len(times_ms)] == rows.lines
    assert len(found.lines) == len(found.times_ms)


def test_rows_that_are_no_readings_are_left_out(kept, tmp_path):
    """Damage in after.csv, or moments that are none, cost only themselves."""
    bad = {**SIGNED, "time_utc": "soon"}
    tape = open_tape(with_later(kept, tmp_path, rows=("1,2,3", READ, READ.replace("1.281", "heavy")), signed=(bad,)))
    assert [each.code for each in tape.later] == ["reading"]
    assert isinstance(tape.later[0], Later)


def test_a_simulated_run_is_told_by_either_of_its_parts(kept, tmp_path):
    """Settings and run.json both say it; one that was real is not told as simulated."""
    folder = with_later(kept, tmp_path)
    text = (folder / "run.json").read_text()
    for own, said, wanted in (("true", "true", True), ("false", "true", True), ("false", "false", False)):
        plain = json.loads(text)
        plain["virtual"] = said == "true"
        plain["settings"]["virtual"] = own == "true"
        (folder / "run.json").write_text(json.dumps(plain))
        tape = open_tape(folder)
        assert tape.virtual is wanted
        show = Show(tape, tmp_path, Clockwork(tape.begin_ms, tape.end_ms))
        assert read_picture(show.snapshot()).virtual is wanted
        first = next(iter(told(tape, "x", Say(), 0)))
        assert first.startswith("REPLAY DEMO " if wanted else "REPLAY 2026")
        shutil.rmtree(tmp_path / "A01")


def test_a_snapshot_has_the_run_s_name(kept, tmp_path):
    """The console can say which record it shows; an archive's is the folder's."""
    tape = open_tape(kept.folder)
    picture = read_picture(Show(tape, tmp_path, Clockwork(tape.begin_ms, tape.end_ms)).snapshot())
    assert picture.replay.name == kept.folder.name
    assert replace(Scene((BathSeen("A", picture),)), replay=True).say("bath.may", verb="x").startswith("then: ")
