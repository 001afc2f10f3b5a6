"""Temperatures of log.csv recounted from cycles.bin by somebody who has a run folder and its README.txt, nothing else.

Decoder and recount below are written from the words of README.txt and share no code with the record's readers or the
core: only the record itself is made by them.
"""

from __future__ import annotations

import csv
import json
import random
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.core import bath
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Quality, Value
from controller.records.eventrow import event_row
from controller.records.logrow import log_row
from controller.records.writer import Writer
from controller.verify.runfolder import verify_run

QUALITIES = ("good", "suspect", "lost", "stale", "out_of_range", "frozen")
VALUES = 12
STEPS = {1: "b", 2: "h", 3: "i", 4: "q"}


class Bytes:
    """A body, taken apart from its begin on; numbers are little-endian."""

    def __init__(self, data: bytes):
        self.data, self.at = data, 0

    def take(self, form: str):
        found = struct.unpack_from("<" + form, self.data, self.at)
        self.at += struct.calcsize("<" + form)
        return found

    def whole(self, count: int) -> list[int]:
        tag, value = self.take("Bq")
        found = [value]
        for step in self.take(f"{count - 1}{STEPS[tag]}") if tag else [0] * (count - 1):
            found.append(found[-1] + step)
        return found

    def floats(self, count: int) -> list[float]:
        (tag,) = self.take("B")
        if tag == 0:
            return list(self.take("d")) * count
        if tag == 7:
            raw = self.take(f"{8 * count}B")
            return [struct.unpack("<d", bytes(raw[byte * count + n] for byte in range(8)))[0] for n in range(count)]
        (unit,) = self.take("H")
        return [w * (1 / unit) if tag == 5 else w / unit for w in self.whole(count)]


@dataclass(frozen=True)
class Read:
    """One value of one cycle; `number` None: it has none."""

    number: float | None
    quality: str
    age_ms: int


def frames(data: bytes):
    """Of each frame: its JSON, and by cycle its core time and the probes' values."""
    first, _, rest = data.partition(b"\n")
    assert first == b"formbath cycles 2"
    while rest:
        assert rest[:4] == b"FBcy"
        _, count, _, length = struct.unpack_from("<QHHI", rest, 4)
        packed, rest = rest[24 : 24 + length], rest[24 + length :]
        body = Bytes(zlib.decompress(packed))
        probes, size = body.take("HI")
        text = json.loads(bytes(body.take(f"{size}B")))
        wholes = [body.whole(count) for _ in range(3 + VALUES + probes)]
        floats = [body.floats(count) for _ in range(5 + VALUES + probes)]
        assert body.at == len(body.data)
        cycles = []
        for n in range(count):
            read = []
            for descriptor, numbers in zip(wholes[3 + VALUES :], floats[5 + VALUES :], strict=True):
                word = descriptor[n]
                number = numbers[n] if word & 1 and word & 2 else None
                read.append(Read(number, QUALITIES[word >> 2 & 7], word >> 5))
            cycles.append((wholes[0][n], read))
        yield text, cycles


class Believed:
    """What is believed of one probe, by README.txt's words."""

    def __init__(self, believed: float | None, lately: list[float]):
        self.believed, self.lately = believed, lately

    def see(self, read: Read) -> None:
        if read.number is None or read.age_ms != 0 or read.quality not in ("good", "suspect"):
            return
        self.lately = [*self.lately, read.number][-3:]
        if self.believed is None:
            self.believed = read.number
            return
        lower, highest = min(self.lately[-2:]), max(self.lately)
        if lower > self.believed:
            self.believed = lower
        elif highest < self.believed:
            self.believed = highest


def recounted(folder: Path) -> dict[str, tuple[str, str]]:
    """By elapsed time: probe_C and its quality ("" for good) as log.csv has to tell them."""
    head = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    stale_ms, layout = head["settings"]["stale_ms"], head["layout"]
    found, probes = {}, None
    for text, cycles in frames((folder / "cycles.bin").read_bytes()):
        if probes is None:
            stored = [dict(zip(layout["ProbeMemory"], each, strict=True)) for each in start_of(text, layout)["probes"]]
            probes = [Believed(each["believed_C"], each["lately"]) for each in stored]
        for now_ms, read in cycles:
            for one, each in zip(probes, read, strict=True):
                one.see(each)
            elapsed_s = f"{(now_ms - head['start_ms']) / 1000:.3f}"
            found[elapsed_s] = shown(probes, read, stale_ms)
    return found


def start_of(text, layout):
    return dict(zip(layout["CircuitState"], text["start"], strict=True))


def shown(probes: list[Believed], read: list[Read], stale_ms: int) -> tuple[str, str]:
    valid = [
        (one.believed, each.quality)
        for one, each in zip(probes, read, strict=True)
        if each.number is not None and each.quality in ("good", "suspect") and each.age_ms <= stale_ms
    ]
    if valid:
        highest = max(believed for believed, _ in valid)
        qualities = {quality for believed, quality in valid if believed == highest}
        return f"{highest:.2f}", "" if "good" in qualities else "suspect"
    first = read[0]
    return "", "stale" if first.number is not None and first.age_ms > stale_ms else first.quality


def told(folder: Path) -> dict[str, tuple[str, str]]:
    """The same as log.csv tells it."""
    found = {}
    with (folder / "log.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            marks = dict(mark.split("=") for mark in row["quality"].split())
            found[row["elapsed_s"]] = (row["probe_C"], marks.get("probe_C", ""))
    return found


class Probes:
    """Probes that drift, rattle, jump for a reading or two, fail, and fall silent with their link."""

    def __init__(self, seed: int, count: int):
        self.random, self.base, self.values, self.silent = random.Random(seed), [32.0] * count, [], 0

    def next(self, number: int) -> tuple[Value, ...]:
        self.silent = self.silent - 1 if self.silent else (12 if number % 90 == 80 else 0)
        if self.silent:  # the field keeps the last number and tells its age
            self.values = [each if each.number is None else Value(each.number, each.quality, each.age_ms + 1_000)
                           for each in self.values]  # fmt: skip
            return tuple(self.values)
        self.values = [self._one(index) for index in range(len(self.base))]
        return tuple(self.values)

    def _one(self, index: int) -> Value:
        kind = self.random.random()
        self.base[index] += self.random.choice((-0.1, 0.0, 0.0, 0.1, 0.1))
        here = round(self.base[index] + self.random.choice((-0.1, 0.0, 0.1)), 1)
        if kind < 0.08:
            return Value(here + self.random.choice((-9.0, 6.0)))
        if kind < 0.14:
            return Value(None, self.random.choice((Quality.LOST, Quality.OUT_OF_RANGE)))
        if kind < 0.20:
            return Value(here, Quality.SUSPECT)
        if kind < 0.26 and self.values and self.values[index].number is not None:
            last = self.values[index]
            return Value(last.number, last.quality, last.age_ms + 1_000)
        return Value(here)


@pytest.fixture(scope="module", params=[1, 3])
def folder(request, outside, tmp_path_factory) -> Path:
    """A run of ten minutes with so many probes, a row each cycle."""
    circuit = CircuitSettings("A01", 1, 0.1, 60.0, 340.0, probes=request.param)
    settings = BathSettings("north", "A", True, 1_000, 3_000, 5_000, (circuit,), purge_ms=2_000, after_run_ms=2_000)
    load, writer, probes = outside.load_of([(15.0, 1.0)]), Writer(), Probes(request.param, request.param)
    state, command, record = bath.fresh_state(settings), None, None
    orders = {5: Order("o1", "load", "A01", "anna", ("technician",), {}, None, load),
              8: Order("o2", "start", "A01", "anna", ("technician",))}  # fmt: skip
    for number in range(1, 610):
        now_ms, given = 1_000 * number, orders.get(number)
        on = command is not None and command.output_on
        amps = command.set_current_A if on else 0.0
        values = probes.next(number)
        age_ms = 1_000 * (12 - probes.silent + 1) if probes.silent else 0
        reading = ChannelReading(
            Value(amps, age_ms=age_ms), Value(13.0 if on else 0.0, age_ms=age_ms), Value(amps, age_ms=age_ms),
            Value(command.voltage_limit_V if command else 0.0, age_ms=age_ms), Value(float(on), age_ms=age_ms),
            probes=values, link=LinkState.DOWN if probes.silent else LinkState.UP, fit=Fit.OK,
        )  # fmt: skip
        inputs = BathReading((Value(25.0),), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP, fit=Fit.OK)
        before = state
        state, out = bath.step(settings, before, BathIn(now_ms, inputs, (reading,), (given,) if given else ()))
        command = out.commands[0]
        if record is None and state.circuits[0].run is not None:
            record = outside.record_of(tmp_path_factory.mktemp("believed"), writer, now_ms, settings, load)
        if record is not None:
            record.add_cycle(out.told[0], out.began[0], command, state.circuits[0])
            utc_ms = outside.utc_ms + now_ms
            for event in out.events:
                if event.target == "A01":
                    record.add_event(event_row(event, utc_ms, now_ms))
            record.add_log(log_row(utc_ms, out.told[0], command, state.circuits[0], settings.stale_ms))
    record.close({})
    record.release()
    assert writer.close(), writer.trouble
    return record.folder


def test_every_temperature_is_what_the_readme_s_words_give(folder):
    """Number and mark of each row, through noise, spikes, failing probes, late values and silences of the link."""
    wanted, found = recounted(folder), told(folder)
    assert len(found) > 590
    assert found == {elapsed_s: wanted[elapsed_s] for elapsed_s in found}
    marks = {quality for _, quality in found.values()}
    assert {"", "stale", "suspect"} <= marks
    assert sum(probe_C == "" for probe_C, _ in found.values()) > 30


def test_the_record_of_it_is_decided_again_the_same(folder):
    """The rows are those that verify makes again, stale ones too."""
    assert verify_run(folder).wrong == []


def test_the_last_temperature_is_not_what_was_read_last(folder):
    """The record is one in which believing shows: many rows tell another number than the hottest reading."""
    found, differs = told(folder), 0
    head = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    for _, cycles in frames((folder / "cycles.bin").read_bytes()):
        for now_ms, read in cycles:
            probe_C, _ = found[f"{(now_ms - head['start_ms']) / 1000:.3f}"]
            hottest = max((each.number for each in read if each.number is not None), default=None)
            differs += probe_C != "" and hottest is not None and probe_C != f"{hottest:.2f}"
    assert differs > 100
