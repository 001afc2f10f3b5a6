"""What comes for a closed record: tables and summary, in which order, after a crash, and when something is wrong."""

from __future__ import annotations

import csv
import errno
import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.core.types import Event, EventKind, Order
from controller.records import laterfile
from controller.records.batchlist import listed
from controller.records.bathlog import BathLog
from controller.records.disk import Disk
from controller.records.eventrow import event_row
from controller.records.later import last_current_ms, result_of, settled
from controller.records.place import FolderPlace
from controller.records.rows import event_text, time_utc
from controller.records.run import RunRecord
from controller.records.summary import read_summary
from controller.records.writer import Writer
from controller.verify.runfolder import verify_run

END_MS = 1_773_640_800_000 + 45_000
HOUR_MS = 3_600_000
NAME = "20260316T060000Z-A-A01-K1"


def reading_row(hours=1.0, value=12.9, what="voltage", position=2, number=1, now_ms=None, **args):
    """A reading as the service records it, so many hours after the end."""
    said = {"what": what, "position": position, "value": value, "unit": "V", "taken_minutes_ago": 10, **args}
    data = {"order": f"r{number}", "verb": "reading", "who": "anna", "role": "technician", "instrument": "M1", **said}
    event = Event("reading", "A01", EventKind.ORDER, {"temperature_C": None, **data})
    return event_row(event, END_MS + round(hours * HOUR_MS), now_ms)


def signed_row(result="pass, 2 scrap reversed", hours=14.0, number=1, now_ms=None, who="quinn"):
    """A sign-off."""
    data = {"order": f"s{number}", "verb": "sign-off", "who": who, "role": "quality", "result": result}
    return event_row(Event("signed_off", "A01", EventKind.ORDER, data), END_MS + round(hours * HOUR_MS), now_ms)


@pytest.fixture(scope="module")
def closed(rec, tmp_path_factory):
    """A closed run of three batteries and a link, with a density of its own events."""
    runs = tmp_path_factory.mktemp("closed")
    writer = Writer()
    loop = rec.Loop()
    made = loop.cycle(loop.start_order())
    start = rec.start(loop.now_ms, batteries=listed("K1:1-2/P7 K2:4//S3"))
    record = RunRecord.create(runs, start, writer, by_count=True)
    rec.record_cycle(record, loop, 0, made)
    rec.drive(record, loop, 30)
    rec.record_cycle(record, loop, 0, loop.cycle(Order("o3", "stop", "A01", "anna", ("technician",))))
    for _ in range(4):
        rec.record_cycle(record, loop, 0, loop.cycle())
    said = {"what": "density", "position": 4, "value": 1.28, "temperature_C": 25.0, "instrument": "H1"}
    record.add_cycle(*loop.cycle(Order("r0", "reading", "A01", "anna", ("technician",), said)))
    for event in loop.events:
        record.add_event(event_row(event, rec.utc_ms + loop.now_ms, loop.now_ms))
    rec.record_cycle(record, loop, 0, loop.cycle())
    record.close({"end_utc": time_utc(END_MS)})
    record.release()
    assert writer.close(), writer.trouble
    assert verify_run(record.folder).wrong == []
    return record.folder


@pytest.fixture
def rig(closed, tmp_path):
    """A copy of it below a bath's runs, with the bath's own log on a writer without a thread."""
    folder = tmp_path / NAME
    shutil.copytree(closed, folder)
    return rig_of(tmp_path, folder)


def rig_of(runs, folder, disk=None):
    """A service's part of it, as after a start."""
    writer = Writer(disk=disk)
    log = BathLog(runs, "A", writer)

    def came(*rows):
        for row in rows:
            log.add_event(row)
            log.later(folder, "A01", row)

    return SimpleNamespace(runs=runs, folder=folder, writer=writer, log=log, came=came)


def rows_of(folder, name):
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def summary_of(folder):
    summary, wrong = read_summary((folder / "summary.json").read_bytes())
    assert wrong is None
    return summary


def files_of(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_reading_of_an_ended_run_goes_to_after_csv(rig):
    """With when it was taken and typed; the summary follows the chain, and the record verifies."""
    before = summary_of(rig.folder)
    rig.came(reading_row(1.0), reading_row(2.0, 12.85, instrument="=M", number=2))
    assert rig.writer.commit(), rig.writer.trouble
    first, second = rows_of(rig.folder, "after.csv")
    assert first | {"chain": ""} == {
        "time_utc": "2026-03-16T07:00:45.000Z", "taken_utc": "2026-03-16T06:50:45.000Z", "position": "2",
        "what": "voltage", "value": "12.9", "unit": "V", "temperature_C": "", "instrument": "M1", "who": "anna",
        "chain": "",
    }  # fmt: skip
    assert second["instrument"] == "'=M"
    after = summary_of(rig.folder)
    assert (after["rows"]["after.csv"], after["chain"]["after.csv"]) == (2, second["chain"])
    assert {key: value for key, value in after.items() if key not in ("rows", "chain", "sha256")} == {
        key: value for key, value in before.items() if key not in ("rows", "chain", "sha256")
    }
    assert verify_run(rig.folder).wrong == []
    rig.came(reading_row(3.0, number=3))
    assert rig.writer.commit()
    assert len(rows_of(rig.folder, "after.csv")) == 3
    assert list(rig.log.said_later()) == []


def test_a_sign_off_gives_each_battery_its_row(rig):
    """Default and exceptions, what was read since the last current, and who signed; the first verdict is kept."""
    rig.came(reading_row(13.0, 12.84), reading_row(1.0, 150, "level", 1, unit="mm"), signed_row())
    assert rig.writer.commit(), rig.writer.trouble
    one, two, four = rows_of(rig.folder, "batteries.csv")
    assert (one["position"], one["pallet"], one["level"], one["outcome"]) == ("1", "P7", "150", "pass")
    assert (two["ocv_V"], two["outcome"], two["reason"], two["density"]) == ("12.84", "scrap", "reversed", "")
    assert float(two["ocv_age_h"]) == pytest.approx(13 - 10 / 60, abs=0.06)
    assert (four["batch"], four["serial"], four["density"], four["density_C"]) == ("K2", "S3", "1.28", "25")
    summary = summary_of(rig.folder)
    assert (summary["verdict"], summary["verdict_at_end"]) == ("signed off: 2 pass, 1 scrap", "ended by a person")
    assert summary["outcomes"] == {"pass": 2, "re-form": 0, "rework": 0, "scrap": 1}
    assert (summary["signed_off_by"], summary["signed_off_role"]) == ("quinn", "quality")
    assert summary["signed_off_utc"] == "2026-03-16T20:00:45.000Z"
    assert (summary["sign_offs"][0]["result"], summary["sign_offs"][0]["ocv_judged"]) == ("pass, 2 scrap reversed", 1)
    assert verify_run(rig.folder).wrong == []


def test_a_second_sign_off_corrects_the_first(rig):
    """Its rows come behind: the last ones hold, the first stay, and the summary names both."""
    rig.came(signed_row())
    assert rig.writer.commit()
    rig.came(signed_row("pass", 15.0, 2), signed_row("pass", 16.0, 3, who="'=x"))
    assert rig.writer.commit()
    assert [row["outcome"] for row in rows_of(rig.folder, "batteries.csv")] == ["pass", "scrap", *["pass"] * 7]
    summary = summary_of(rig.folder)
    assert (summary["verdict"], summary["verdict_at_end"]) == ("signed off: 3 pass", "ended by a person")
    assert [each["id"] for each in summary["sign_offs"]] == ["s1", "s2", "s3"]
    assert verify_run(rig.folder).wrong == []


def test_readings_typed_after_a_sign_off_are_not_in_it(rig):
    """What the person who signed could not know is not in the rows signed."""
    rig.came(signed_row(hours=2.0), reading_row(3.0))
    assert rig.writer.commit()
    assert [row["ocv_V"] for row in rows_of(rig.folder, "batteries.csv")] == ["", "", ""]


def test_a_sign_off_that_came_before_the_record_was_closed(rig, rec, tmp_path):
    """It stands in the run's own events; a look at the closed record finds it. Until then it waits, without trouble."""
    writer = Writer()
    loop, record = rec.begin(tmp_path / "own", writer, by_count=True)
    rec.drive(record, loop, 5)
    record.add_event(signed_row(now_ms=loop.now_ms))
    own = rig_of(tmp_path / "own", record.folder)
    own.log.later(record.folder, "A01")
    assert own.writer.commit(), own.writer.trouble
    assert not (record.folder / "batteries.csv").exists()
    record.close({"end_utc": time_utc(END_MS)})
    assert writer.commit()
    assert own.writer.commit()
    assert len(rows_of(record.folder, "batteries.csv")) == 18
    assert summary_of(record.folder)["sign_offs"][0]["id"] == "s1"
    writer.close()


def test_events_are_safe_before_anything_is_written(rig):
    """In each commit the bath's events come first, also those of a month that begins while a record waits."""
    order = []

    class Watching(Disk):
        def sync(self, fd):
            order.append(Path(f"/proc/self/fd/{fd}").readlink().name)
            super().sync(fd)

    own = rig_of(rig.runs, rig.folder, Watching())
    own.came(reading_row(1.0), reading_row(24 * 20, 12.8, number=2))
    assert own.writer.commit()
    names = [name for name in order if name.endswith(".csv")]
    assert names == ["events-202603.csv", "events-202604.csv", "after.csv"]


class Power(Disk):
    """Goes away at the n-th thing done to a run's folder."""

    def __init__(self, left):
        self.left = left

    def _tick(self, path):
        if NAME in str(path):
            self.left -= 1
            if self.left < 0:
                raise InterruptedError(errno.EINTR, "gone")

    def open(self, path, create=True):
        self._tick(path)
        return super().open(path, create)

    def write(self, fd, data, offset):
        place = Path(f"/proc/self/fd/{fd}").readlink()
        try:
            self._tick(place)
        except InterruptedError:
            super().write(fd, data[: len(data) // 2], offset)
            raise
        super().write(fd, data, offset)

    def rename(self, old, new):
        self._tick(new)
        super().rename(old, new)

    def sync_folder(self, folder):
        self._tick(folder)
        super().sync_folder(folder)


def test_the_next_start_completes_what_a_crash_left(rig):
    """Wherever the service ended in writing: every reading and each battery's row stands there once, as without it."""
    whole = rig_of(rig.runs, rig.runs / "whole" / NAME)
    shutil.copytree(rig.folder, whole.folder)
    rows = (reading_row(1.0), reading_row(13.0, 12.8, number=2), signed_row(), reading_row(20.0, number=3))
    for row in rows:
        whole.log.later(whole.folder, "A01", row)
    assert whole.writer.commit(), whole.writer.trouble
    for left in range(40):
        runs = rig.runs / f"cut{left}"
        folder = runs / NAME
        shutil.copytree(rig.folder, folder)
        cut = rig_of(runs, folder, Power(left))
        cut.came(*rows)
        if cut.writer.commit():
            break
        again = rig_of(runs, folder)
        again.log.later(folder, "A01")
        assert again.writer.commit(), again.writer.trouble
        names = {name for name in files_of(folder) if not name.endswith(".new")}
        assert {name: (folder / name).read_bytes() for name in names} == files_of(whole.folder), left
        assert all("unfinished" in said for said in again.log.said_later())
    assert 8 < left < 39


def test_a_failed_sync_is_done_over_until_the_disk_has_taken_it(rig):
    """The same bytes again from where they began; nothing twice, and the trouble is told until then."""

    class Failing(Disk):
        fails = 2

        def sync(self, fd):
            if self.fails and Path(f"/proc/self/fd/{fd}").readlink().name == "after.csv":
                self.fails -= 1
                raise OSError(errno.EIO, "broken")
            super().sync(fd)

    own = rig_of(rig.runs, rig.folder, Failing())
    own.came(reading_row(1.0))
    assert [own.writer.commit() for _ in range(2)] == [False, False]
    own.came(reading_row(2.0, number=2))
    assert own.writer.commit(), own.writer.trouble
    assert own.writer.commit()
    assert len(rows_of(rig.folder, "after.csv")) == 2
    assert verify_run(rig.folder).wrong == []


def test_an_unfinished_row_is_cut_and_said(rig):
    """However long it is, and though nothing new comes behind it."""
    rig.came(reading_row(1.0))
    assert rig.writer.commit()
    place = rig.folder / "after.csv"
    whole = place.read_bytes()
    place.write_bytes(whole + b"2026-03-16T08" * 50)
    again = rig_of(rig.runs, rig.folder)
    again.log.later(rig.folder, "A01")
    assert again.writer.commit(), again.writer.trouble
    assert place.read_bytes() == whole
    assert list(again.log.said_later()) == [f"{NAME}: after.csv: its last row was unfinished and is left out"]
    assert verify_run(rig.folder).wrong == []


def test_a_table_whose_folder_did_not_take_it_is_made_anew(rig):
    """Its entry may be lost in a power cut, and a second sync of the folder alone proves nothing."""
    made = []

    class Failing(Disk):
        fails = 1

        def open(self, path, create=True):
            fd, created = super().open(path, create)
            made.append((path.name, created))
            return fd, created

        def sync_folder(self, folder):
            if folder.name == NAME and self.fails:
                self.fails -= 1
                raise OSError(errno.EIO, "broken")
            super().sync_folder(folder)

    own = rig_of(rig.runs, rig.folder, Failing())
    own.came(reading_row(1.0))
    assert [own.writer.commit() for _ in range(2)] == [False, True]
    assert [each for each in made if each[0] == "after.csv"] == [("after.csv", True)] * 2
    assert len(rows_of(rig.folder, "after.csv")) == 1


def test_a_table_cut_between_two_tries_is_looked_at_anew(rig):
    """What was worked out for the longer one is never tried for ever; what is missing is said."""

    class Failing(Disk):
        fails = 1

        def sync(self, fd):
            if self.fails and Path(f"/proc/self/fd/{fd}").readlink().name == "after.csv":
                self.fails -= 1
                raise OSError(errno.EIO, "broken")
            super().sync(fd)

    rig.came(reading_row(1.0))
    assert rig.writer.commit()
    own = rig_of(rig.runs, rig.folder, Failing())
    own.came(reading_row(2.0, number=2))
    assert not own.writer.commit()
    place = rig.folder / "after.csv"
    place.write_bytes(place.read_bytes()[:100])
    assert not own.writer.commit()
    assert own.writer.commit(), own.writer.trouble
    assert [row["position"] for row in rows_of(rig.folder, "after.csv")] == ["2", "2"]
    said = "".join(own.log.said_later())
    assert "its last row was unfinished" in said
    assert "summary.json stays as it is" in said
    again = rig_of(rig.runs, rig.folder)
    again.log.later(rig.folder, "A01")
    assert again.writer.commit(), again.writer.trouble
    assert verify_run(rig.folder).wrong == []


@pytest.mark.parametrize("spoil", ["gone", "locked", "no run.json"])
def test_a_folder_that_is_not_there_any_more_is_told_and_never_trouble(rig, spoil, monkeypatch):
    """Moved or locked away: the bath's record does not hang on it, and the reading stays in its events."""
    if spoil == "gone":
        monkeypatch.setattr(laterfile, "MOST_ROUNDS", 2)
        shutil.rmtree(rig.folder)
    elif spoil == "no run.json":
        (rig.folder / "run.json").unlink()
    else:

        class Locked(Disk):
            def open(self, path, create=True):
                if path.name == "after.csv":
                    raise PermissionError(errno.EACCES, "Permission denied")
                return super().open(path, create)

        rig = rig_of(rig.runs, rig.folder, Locked())
    rig.came(reading_row(1.0))
    assert all(rig.writer.commit() for _ in range(4))
    *first, said = rig.log.said_later()
    assert said.startswith(f"{NAME}: ")
    assert said.endswith("what came later stays in the bath's events")
    assert len(first) == (spoil == "gone")
    assert list(rig.log.said_later()) == []
    assert "density" not in (rig.runs / "A" / "events-202603.csv").read_text()
    assert "voltage of battery 2" in (rig.runs / "A" / "events-202603.csv").read_text()


@pytest.mark.parametrize(("spoil", "says"), [
    (lambda data: data.replace(b"12.9", b"12.8"), "after.csv"),
    (lambda data: data[: data.index(b"\n") + 1], "after.csv"),
    (lambda data: data + b"2026,2026,1,voltage,1,V,,,bert,0123456789abcdef\n", "after.csv"),
])  # fmt: skip
def test_a_table_that_is_not_as_it_was_left_is_never_covered_up(rig, spoil, says):
    """Changed, cut or added to by somebody: rows go on behind it, the summary still shows it, and it is said."""
    rig.came(reading_row(1.0))
    assert rig.writer.commit()
    place = rig.folder / "after.csv"
    place.write_bytes(spoil(place.read_bytes()))
    before = (rig.folder / "summary.json").read_bytes()
    again = rig_of(rig.runs, rig.folder)
    again.came(reading_row(2.0, 12.7, number=2))
    assert again.writer.commit()
    assert (rig.folder / "summary.json").read_bytes() == before
    assert "12.7" in place.read_text()
    assert says in "".join(again.log.said_later())
    assert verify_run(rig.folder).wrong != []


def test_a_summary_that_was_touched_stays_as_it_is(rig):
    """Writing it anew would give a changed one a hash that fits."""
    place = rig.folder / "summary.json"
    place.write_bytes(place.read_bytes().replace(b"ended by", b"Ended by"))
    before = place.read_bytes()
    rig.came(reading_row(1.0), signed_row())
    assert rig.writer.commit()
    assert place.read_bytes() == before
    assert len(rows_of(rig.folder, "batteries.csv")) == 3
    assert "its own SHA-256 does not fit" in "".join(rig.log.said_later())


@pytest.mark.parametrize("content", [
    {"sign_offs": 5, "rows": [1], "chain": "x", "end_utc": 7},
    {"sign_offs": [1, {"id": None}], "rows": {"after.csv": "x"}},
    {"rows": {"after.csv": 1e9}, "end_utc": "9999-99-99"},
])  # fmt: skip
def test_a_summary_of_anybody_s_making_is_read_as_data(rig, content):
    """Nothing in it stops the writer."""
    (rig.folder / "summary.json").write_text(json.dumps({"format": "formbath/summary/1", **content}))
    rig.came(reading_row(1.0), signed_row())
    assert rig.writer.commit(), rig.writer.trouble
    assert len(rows_of(rig.folder, "after.csv")) == 1
    assert len(rows_of(rig.folder, "batteries.csv")) == 3


def test_nothing_came_nothing_is_written(rig):
    """A look at a whole record leaves every byte of it; refusals and other orders are no matter of it."""
    before = files_of(rig.folder)
    rig.log.later(rig.folder, "A01")
    refused = event_row(Event("reading_value", "A01", EventKind.REFUSAL, {"verb": "reading"}), END_MS + 1, None)
    rig.came(refused)
    assert rig.writer.commit()
    assert files_of(rig.folder) == before
    found = settled(FolderPlace(rig.folder), ())
    assert (found.appends, found.summary) == ((), None)


def test_too_much_that_waits_is_said(rig, monkeypatch):
    """A record that is never closed fills no memory."""
    monkeypatch.setattr(laterfile, "MOST_WAITING", 2)
    (rig.folder / "summary.json").unlink()
    rig.came(*(reading_row(1.0, number=number) for number in range(4)))
    assert rig.writer.commit()
    (file,) = rig.log._later.values()
    assert file.waiting_bytes == 2 * len(event_text(reading_row(1.0), 0))
    assert not file.idle
    said = list(rig.log.said_later())
    assert said == [f"{NAME}: too much waits for it: what came now stays in the bath's events"] * 2


def test_idle_records_are_let_go(rig, tmp_path):
    """Of a year's closed runs only those for which something waits are looked at in each commit."""
    rig.came(reading_row(1.0))
    assert rig.writer.commit()
    rig.log.later(tmp_path / "another", "A02")
    assert list(rig.log._later) == ["another"]


@pytest.mark.parametrize(("log", "expected"), [
    (["2026-03-16T06:00:00.000Z,0,1,running,15.000,x", "2026-03-16T06:00:10.000Z,10,1,complete,0.000,x",
      "2026-03-16T06:01:00.000Z,20,1,complete,0.000,x"], 10_000),
    (["2026-03-16T06:00:00.000Z,0,1,running,-3.000,x"], 0),
    (["2026-03-16T06:00:00.000Z,0,1,running,0.000,x", "damaged", "a,b,c,d,e,f"], None), ([], None),
    (["x,0,1,running,15.000,x"], None),
])  # fmt: skip
def test_the_last_current_is_over_with_the_row_behind_it(log, expected):
    """Charging or discharging; where nothing flowed, or nothing can be read, it is not known."""
    found = last_current_ms(log)
    assert found == (None if expected is None else 1_773_640_800_000 + expected)


def test_the_words_of_a_sign_off():
    """Behind who signed, however that person is called."""
    for who in ("quinn", "a: b", "'=x"):
        row = {"who": who, "text": f"signed off by {who.removeprefix(chr(39))}: pass, 2 scrap: bad"}
        assert result_of(row) == "pass, 2 scrap: bad"


def test_a_folder_that_is_away_is_told_at_once_and_waited_for(rig):
    """At the first look, once; back within the time it takes what came, and that is told, too."""
    away = rig.folder.with_name("elsewhere")
    rig.folder.rename(away)
    rig.came(reading_row(1.0))
    assert rig.writer.commit()
    (said,) = rig.log.said_later()
    assert said == f"{NAME}: its folder is not there: what came later waits 10 min for it, then stays with the bath"
    assert all(rig.writer.commit() for _ in range(5))
    assert list(rig.log.said_later()) == []
    away.rename(rig.folder)
    assert rig.writer.commit()
    assert list(rig.log.said_later()) == [f"{NAME}: is there again: what came later was written"]
    assert [row["value"] for row in rows_of(rig.folder, "after.csv")] == ["12.9"]
    assert verify_run(rig.folder).wrong == []


def test_a_record_on_its_way_to_being_closed_is_no_news(rig):
    """Its folder is there, its summary not yet: nothing is said."""
    summary = (rig.folder / "summary.json").read_bytes()
    (rig.folder / "summary.json").unlink()
    rig.came(reading_row(1.0))
    assert all(rig.writer.commit() for _ in range(3))
    assert list(rig.log.said_later()) == []
    (rig.folder / "summary.json").write_bytes(summary)
    assert rig.writer.commit()
    assert list(rig.log.said_later()) == []
    assert len(rows_of(rig.folder, "after.csv")) == 1


def test_nothing_is_written_onto_a_run_json_that_is_not_the_run_s(rig):
    """One changed word: rows stay in the bath's events and it is said; with the right one back they are written."""
    before = files_of(rig.folder)
    changed = before["run.json"].replace(b'"batch": "K1"', b'"batch": "K9"', 1)
    assert changed != before["run.json"]
    (rig.folder / "run.json").write_bytes(changed)
    rig.came(reading_row(), signed_row())
    assert rig.writer.commit(), rig.writer.trouble
    assert list(rig.log.said_later()) == [
        f"{NAME}: run.json: is not the one that the run was closed with; what came later stays in the bath's events"
    ]
    assert files_of(rig.folder) == {**before, "run.json": changed}
    (rig.folder / "run.json").write_bytes(before["run.json"])
    again = rig_of(rig.runs, rig.folder)
    again.log.later(again.folder, "A01")
    assert again.writer.commit(), again.writer.trouble
    assert (len(rows_of(rig.folder, "after.csv")), len(rows_of(rig.folder, "batteries.csv"))) == (1, 3)
    assert verify_run(rig.folder).wrong == []


def test_a_summary_that_says_nothing_leaves_it_to_the_tables(rig):
    """Each chain begins with run.json: a changed one is found where the summary cannot be read, the right one taken."""
    head = (rig.folder / "run.json").read_bytes()
    (rig.folder / "summary.json").write_bytes(b"{")
    (rig.folder / "run.json").write_bytes(head.replace(b'"batch": "K1"', b'"batch": "K9"', 1))
    rig.came(reading_row())
    assert rig.writer.commit()
    assert not (rig.folder / "after.csv").exists()
    assert any("run.json: is not the one" in said for said in rig.log.said_later())
    (rig.folder / "run.json").write_bytes(head)
    rig.came(reading_row(2.0, number=2))
    assert rig.writer.commit()
    assert len(rows_of(rig.folder, "after.csv")) == 1
