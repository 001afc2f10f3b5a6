"""What was changed between two services of a bath: told with who and why, in the bath's events and in each open run."""

# ruff: noqa: E402 - the builders of another test lie beside this file

from __future__ import annotations

import argparse
import asyncio
import csv
import json
import os
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

HERE = Path(__file__).parent
if str(HERE) not in sys.path:
    sys.path.append(str(HERE))

from test_loop_guard import BOUND_S, PERSON, FakeClock, FakeField

from controller import opening
from controller.bathfile import load_bath
from controller.records.bathlog import BathLog
from controller.records.rows import clean
from controller.records.writer import Writer
from controller.service import commands, limits, start
from controller.service.errors import Unreachable
from controller.service.limits import (
    FORMAT,
    MOST_BEGUN,
    MOST_TOLD,
    Change,
    Keeping,
    change_events,
    changes,
    kept_begun,
    kept_limits,
    limits_of,
    told_limits,
)
from controller.service.protocol import OrderMessage
from controller.verify.runfolder import verify_run

BATH = (HERE / "small" / "bath.toml").read_text(encoding="utf-8").format(port=1)
SECOND = BATH[BATH.index("[[circuit]]") :].replace('"A01"', '"A02"').replace("unit = 1\n", "unit = 2\n")
SECOND_CHANGED = (SECOND, SECOND.replace("voltage_max_V = 60", "voltage_max_V = 50"))
FILLED = {"first_filled_minutes_ago": 60.0, "last_filled_minutes_ago": 50.0}
CIRCUITS = ("A01", "A02")


def bath_of(folder, *changed):
    """The small bath with a second circuit, its file changed in places."""
    text = BATH + "\n" + SECOND
    for old, new in changed:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "bath.toml"
    path.write_text(text)
    return load_bath(path)


def test_settings_are_flat_plain_values(tmp_path):
    """Circuits by their name, lists as one text, maps by the hash of their text; defaults are settings too."""
    found = limits_of(bath_of(tmp_path))
    assert (found["circuit.A01.current_max_A"], found["circuit.A02.unit"]) == (20.0, 2)
    assert (found["stale_after_s"], found["virtual"], found["meter_walk"]) == (3.0, True, "")
    assert found["density_reference_C"] == 25.0
    assert any(key.startswith("interlock.") for key in found)
    assert len(str(found["map.single"])) == len(str(found["map.inputs"])) == 16
    assert "kind" not in found
    assert json.loads(json.dumps(found)) == found


def test_every_kind_of_change_is_found(tmp_path):
    """A limit, an interlock, a circuit that is gone, people, a map's text: each under its own key."""
    own = tmp_path / "own.toml"
    own.write_bytes((Path(limits.__file__).parents[1] / "field" / "maps" / "single.toml").read_bytes())
    place = ('map = "single"', 'map = "own.toml"')
    before = limits_of(bath_of(tmp_path, place))
    people = ("[[circuit]]", '[people.technician]\nusers = ["anna", "bert"]\n\n[[circuit]]')
    now = limits_of(bath_of(tmp_path, place, ("current_max_A = 20", "current_max_A = 18"), people))
    found = {each.key: (each.before, each.now) for each in changes(before, now)}
    assert found["circuit.A01.current_max_A"] == (20.0, 18.0)
    assert found["people.technician.users"] == (None, "anna, bert")
    assert not any(key.startswith("circuit.A02") for key in found)
    own.write_text(own.read_text() + "\n# another\n")
    touched = limits_of(bath_of(tmp_path, place))
    assert [each.key for each in changes(before, touched)] == ["map.own.toml"]
    assert changes(before, before) == ()
    assert changes({"a": None}, {}) == (Change("a", None, None),)
    assert [(each.key, each.now) for each in changes({"a": 1, "b": True}, {"a": 1.0, "b": False})] == [("b", False)]


def test_a_run_is_told_what_is_its_own():
    """The bath hears all; a run what is the bath's or its circuit's, not what is another circuit's."""
    found = (Change("circuit.A01.places", 2, 3), Change("circuit.A02.places", 2, 3), Change("stale_after_s", 3.0, 4.0))
    told = change_events(found, "A", ("A02",), CIRCUITS, "anna", "")
    assert [(each.target, each.data["key"]) for each in told] == [
        ("A", "circuit.A01.places"), ("A", "circuit.A02.places"), ("A", "stale_after_s"),
        ("A02", "circuit.A02.places"), ("A02", "stale_after_s"),
    ]  # fmt: skip
    assert {each.data["why"] for each in told} == {"no reason given"}
    assert (told[-1].data["limit"], told[-1].data["value"], told[-1].data["who"]) == (3.0, 4.0, "anna")


def test_a_hundred_are_told_one_by_one_and_the_rest_counted():
    """Another version with other defaults floods no record."""
    found = tuple(Change(f"key{number:03}", None, True) for number in range(MOST_TOLD + 5))
    told = change_events(found, "A", (), CIRCUITS, "anna", "new version\n\x1b[31m" + "x" * 1_000)
    assert len(told) == MOST_TOLD + 1
    assert (told[-1].code, told[-1].data["count"]) == ("limits_changed", 5)
    assert "\n" not in str(told[0].data["why"])
    assert len(str(told[0].data["why"])) <= 200
    assert (told[0].data["was"], told[0].data["now"]) == ("not set", "yes")
    assert len(change_events(found[:MOST_TOLD], "A", (), CIRCUITS, "anna", "")) == MOST_TOLD


@pytest.mark.parametrize("content", [
    None, [], {}, {"format": FORMAT}, {"format": FORMAT, "limits": [1]}, {"format": "formbath/limits/9", "limits": {}},
])  # fmt: skip
def test_what_an_earlier_service_left_is_read_as_data(content):
    """Another form is nothing to compare with."""
    assert kept_limits(content) is None


def test_odd_values_become_text():
    """A value of no plain kind is compared as its words, and never raises."""
    assert kept_limits({"format": FORMAT, "limits": {"a": [1], "b": 2, "c": None, "d": "x"}}) == {
        "a": "[1]", "b": 2, "c": None, "d": "x",
    }  # fmt: skip


@pytest.mark.parametrize(("left", "says"), [
    ("{", "limits.json: is not readable"), ("[1]", "limits.json: is no object"), ("{}", "is of another form"),
])  # fmt: skip
def test_damage_is_told_and_not_guessed(tmp_path, left, says):
    """Where what an earlier service left cannot be read, that is told, once; a first start tells nothing."""
    bath, log = bath_of(tmp_path), BathLog(tmp_path / "runs", "A", Writer())
    assert told_limits(bath, log, (), "anna", "") == ()
    log.folder.mkdir(parents=True)
    (log.folder / "limits.json").write_text(left)
    (event,) = told_limits(bath, log, (), "anna", "")
    assert event.code == "notice"
    assert says in str(event.data["what"])


class Commits:
    """A writer of which a test says how much is on the disk; it lives on the space that was kept back."""

    mark_, settled, trouble = 7, 7, "disk full: rows go into the space kept back for this"

    def mark(self):
        self.mark_ += 1
        return self.mark_, self.settled


def test_settings_are_left_once_all_that_was_told_is_safe(tmp_path):
    """Not before all that was added up to the second cycle is on the disk: it would be told never. Reserved space will
    do.
    """
    log, writer, keeping = BathLog(tmp_path, "A", Writer()), Commits(), Keeping({"a": 1})
    writer.settled = 100
    assert not keeping.look(log, writer)
    writer.settled = 7
    assert not keeping.look(log, writer)
    assert not keeping.look(log, writer)
    writer.settled = 8
    assert keeping.look(log, writer)
    assert log._writer.commit()
    assert log.read_limits() == ({"format": FORMAT, "limits": {"a": 1}}, None)


class Clock(FakeClock):
    """The fake one in the real one's place."""

    def __init__(self, period_ms, begin_ms, first_ms):
        super().__init__()
        self.now_ms = begin_ms

    def since_ms(self):
        return 0


class Served:
    """A real service as `run` puts it together, on channels and a clock that are here."""

    def __init__(self, bath, monkeypatch, reason=""):
        self.bath, self.reason = bath, reason

        async def reachable(*_):
            """The fake ones always are."""

        monkeypatch.setattr(start, "Field", lambda *_: FakeField())
        monkeypatch.setattr(start, "open_links", lambda _: None)
        monkeypatch.setattr(start, "prove_reachable", reachable)
        monkeypatch.setattr(start, "RealClock", Clock)

    async def __aenter__(self):
        self.held = ExitStack()
        self.service = await start.serve(self.bath, self.held, self.reason)
        self.parts = self.service.parts
        return self

    async def __aexit__(self, *_):
        """As after a kill: records are left as they stand, but for what waits in memory."""
        self.parts.recorder.end_all()
        assert self.parts.writer.close()
        self.held.close()

    async def settled(self):
        """Cycles until the settings were left for the next service."""
        for _ in range(20):
            await self.service.cycle()
            assert self.parts.writer.flush()
            if self.parts.recorder.limits is None:
                break
        assert self.parts.writer.flush()
        return self

    async def order(self, verb, args):
        message = OrderMessage(id=f"{verb}-1", verb=verb, target="A01", args=args)
        asked = asyncio.create_task(self.parts.desk.on_order(message, PERSON))
        before = self.parts.desk.taken
        async with asyncio.timeout(BOUND_S):
            while self.parts.desk.taken == before and not asked.done():  # noqa: ASYNC110 - sleep(0) only gives way
                await asyncio.sleep(0)
        await self.service.cycle()
        answer = await asked
        assert answer.accepted, answer.text


def rows(place):
    with place.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["code"].startswith("limit")]


async def test_a_changed_limit_is_told_at_the_next_start(tmp_path, monkeypatch):
    """In the bath's events and in the open run's, with who started the service and why; nothing at the first start,
    nothing at a start without a change.
    """
    async with Served(bath_of(tmp_path), monkeypatch) as first:
        await first.settled()
        load = {"profile": str(HERE / "small" / "profile.toml"), "batch": "K1:1-2", **FILLED}
        await first.order("load", load)
        await first.order("start", {})
        await first.service.cycle()
    runs = tmp_path / "runs"
    (events,) = runs.glob("A/events-*.csv")
    (own,) = runs.glob("*/events.csv")
    assert rows(events) == rows(own) == []
    changed = bath_of(tmp_path, ("current_max_A = 20", "current_max_A = 18"), SECOND_CHANGED)
    async with Served(changed, monkeypatch, "cable of A01\nderated") as second:
        await second.settled()
    who = start.account_of(os.getuid()).name
    said = f"started by {who}: cable of A01 derated"
    assert [row["text"] for row in rows(events)] == [
        f"changed since the last service: circuit.A01.current_max_A is 18.0, it was 20.0; {said}",
        f"changed since the last service: circuit.A02.voltage_max_V is 50.0, it was 60.0; {said}",
    ]
    (row,) = rows(own)
    assert (row["code"], row["value"], row["limit"], row["who"]) == ("limit_changed", "18", "20", clean(who))
    async with Served(changed, monkeypatch) as third:
        await third.settled()
    assert (len(rows(events)), len(rows(own))) == (2, 1)
    (folder,) = (path.parent for path in runs.glob("*/run.json"))
    assert verify_run(folder).wrong == []


async def test_a_service_that_ends_at_once_leaves_it_to_the_next(tmp_path, monkeypatch):
    """Killed before all was safe: told once more, rather than never."""
    async with Served(bath_of(tmp_path), monkeypatch) as first:
        await first.settled()
    changed = bath_of(tmp_path, ("current_max_A = 20", "current_max_A = 18"))
    async with Served(changed, monkeypatch) as second:
        await second.service.cycle()
    async with Served(changed, monkeypatch) as third:
        await third.settled()
    (events,) = (tmp_path / "runs").glob("A/events-*.csv")
    assert [row["text"].rpartition(": ")[2] for row in rows(events)] == ["no reason given"] * 2


async def test_what_ran_is_the_old_value_however_soon_the_service_was_killed(tmp_path, monkeypatch):
    """Started with 20, told as 18 and killed, started with 16: it was 18. And each change with its own reason."""
    async with Served(bath_of(tmp_path), monkeypatch) as first:
        await first.settled()
    for value, why, cycles in (("18", "cable", 1), ("16", "fuse", 2)):
        changed = bath_of(tmp_path, ("current_max_A = 20", f"current_max_A = {value}"))
        async with Served(changed, monkeypatch, why) as killed:
            for _ in range(cycles):
                await killed.service.cycle()
    async with Served(changed, monkeypatch, "again") as last:
        await last.settled()
    (events,) = (tmp_path / "runs").glob("A/events-*.csv")
    said = [(row["limit"], row["value"], row["text"].rpartition(": ")[2]) for row in rows(events)]
    once = [("20", "18", "cable"), ("18", "16", "fuse")]
    assert said == [once[0], *once, *once]
    async with Served(changed, monkeypatch) as quiet:
        await quiet.settled()
    assert len(rows(events)) == 5
    assert "begun" not in json.loads((tmp_path / "runs" / "A" / "limits.json").read_text())


def test_of_many_services_that_were_killed_the_newest_are_kept():
    """A service that is killed again and again does not make the file grow; what is no list, or odd in it, is left."""
    begun = [{"limits": {"a": number}, "who": "anna\x1b", "why": None} for number in range(3)]
    found = kept_begun({"begun": [5, {"limits": 3}, *begun]})
    assert [each.limits for each in found] == [{"a": 0}, {"a": 1}, {"a": 2}]
    assert {each.who for each in found} == {"anna?"}
    assert kept_begun({}) == kept_begun({"begun": {"limits": {}}}) == ()


async def test_the_file_does_not_grow(tmp_path, monkeypatch):
    """Killed at once with ever other settings: as many as are kept, and no more, are told again."""
    async with Served(bath_of(tmp_path), monkeypatch) as first:
        await first.settled()
    log = BathLog(tmp_path / "runs", "A", Writer())
    for value in range(2, 2 + MOST_BEGUN + 3):
        told_limits(bath_of(tmp_path, ("current_max_A = 20", f"current_max_A = {value}")), log, (), "anna", "")
        assert log._writer.commit()
    content, _ = log.read_limits()
    assert len(content["begun"]) <= MOST_BEGUN
    assert content["begun"][-1]["limits"]["circuit.A01.current_max_A"] == 1.0 + MOST_BEGUN + 3


def test_the_reason_comes_from_the_command(tmp_path, monkeypatch):
    """`run BATH.toml --headless --reason TEXT`, and the same from a terminal, where the service is another process."""
    said = []

    async def serve(_bath, _held, reason):
        said.append(reason)
        raise Unreachable("enough")

    monkeypatch.setattr(commands, "serve", serve)
    parser = argparse.ArgumentParser()
    opening.add_arguments(parser)
    path = str(bath_of(tmp_path).document.path)
    for words in (["--headless"], ["--headless", "--reason", "new cable"]):
        with pytest.raises(Unreachable):
            commands.run(parser.parse_args([path, *words]))
    assert said == ["", "new cable"]
    begun = []

    class Process:
        """Ended at once."""

        pid, returncode = 1, 0

        def __init__(self, words, **_):
            begun.append(words[-2:])

        def wait(self, _):
            return 0

    monkeypatch.setattr(opening.subprocess, "Popen", Process)
    opening.start(load_bath(path), "new cable")
    opening.start(load_bath(path))
    assert begun == [["--headless", "--reason=new cable"], [path, "--headless"]]
