"""Reading a run folder, whole or damaged: gives what is whole and says what is not. Changes nothing.

Sizes are bounded, so that a folder from outside cannot fill the memory.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any

from controller.core.state import CircuitState
from controller.records.chain import Walk, start, walk
from controller.records.cycles import Cycle, DamagedCycles, decode
from controller.records.errors import RecordError
from controller.records.frames import FILE_HEAD, Frame, scan
from controller.records.head import Head, read_head, read_plain
from controller.records.place import FolderPlace, place_of, read_all
from controller.records.plain import Codec
from controller.records.rows import (
    AFTER_HEADER,
    BATTERY_HEADER,
    EVENT_HEADER,
    LOG_HEADER,
)

TABLES = {
    "log.csv": LOG_HEADER,
    "events.csv": EVENT_HEADER,
    "batteries.csv": BATTERY_HEADER,
    "after.csv": AFTER_HEADER,
}


@dataclass(frozen=True)
class Table:
    """One chained table as it was found.

    `walked` tells how far the chain holds; `whole_bytes` is where the last whole line ends; `cut` is what stands
    behind it. `problems` name what is not whole.
    """

    name: str
    columns: tuple[str, ...]
    walked: Walk
    lines: tuple[bytes, ...]
    whole_bytes: int
    cut: bytes
    header_right: bool

    @cached_property
    def rows(self) -> list[list[str]]:
        """All whole rows as texts, also those behind a break of the chain (`walked` says from where on)."""
        text = (line.decode("utf-8", "replace").replace("\r", " ").replace("\0", " ") for line in self.lines)
        csv.field_size_limit(1_000_000)
        return [row for line in text for row in csv.reader((line,))]

    def column(self, name: str) -> list[str]:
        """One column as texts; rows too short give an empty one."""
        index = self.columns.index(name)
        return [row[index] if index < len(row) else "" for row in self.rows]

    def numbers(self, name: str) -> list[float | None]:
        """One column as numbers; None where the cell is empty or no number."""
        return [_number(text) for text in self.column(name)]

    @property
    def damage(self) -> tuple[str, ...]:
        """What is not as it was written, but for an unfinished row at the very end."""
        found = []
        if not self.header_right:
            found.append(f"{self.name}:1: the header is not {','.join(self.columns)}")
        if self.walked.wrong_row is not None:
            row = self.walked.wrong_row
            found.append(f"{self.name}:{row + 1}: row {row} is not as it was written, or one before it is missing")
        return tuple(found)

    @property
    def problems(self) -> tuple[str, ...]:
        """All that is not as it was written."""
        if not self.cut:
            return self.damage
        row = len(self.lines) + 1
        return (*self.damage, f"{self.name}: row {row} is unfinished: the last {len(self.cut)} bytes are left out")


def read_table(name: str, data: bytes, header: str, run_json: bytes) -> Table:
    """A table from its bytes."""
    whole_bytes = data.rfind(b"\n") + 1
    lines = data[:whole_bytes].split(b"\n")[:-1]
    rows = tuple(lines[1:])
    walked = walk(rows, start(header, run_json))
    right = bool(lines) and lines[0] == header.encode()
    return Table(name, tuple(header.split(",")), walked, rows, whole_bytes, data[whole_bytes:], right)


@dataclass(frozen=True)
class Block:
    """Cycles that follow each other; `start` is the state before the first (None: not written here)."""

    first: int
    start: CircuitState | None
    cycles: list[Cycle]


@dataclass(frozen=True)
class CycleStore:
    """The cycles of a record: whole frames in order, `in_bin` of them in cycles.bin, whose whole part has `bin_bytes`.

    `torn`: unfinished frames at the very end of a file; `damage`: anything else that is not whole.
    """

    frames: tuple[Frame, ...]
    in_bin: int
    bin_bytes: int
    torn: tuple[str, ...]
    damage: tuple[str, ...]

    @property
    def problems(self) -> tuple[str, ...]:
        """All that is not as it was written."""
        return self.damage + self.torn

    @property
    def count(self) -> int:
        """Number of cycles in whole frames."""
        return sum(frame.count for frame in self.frames)

    @property
    def next_cycle(self) -> int:
        """Number of the first cycle that is not written yet."""
        return max((frame.first + frame.count for frame in self.frames), default=0)

    def blocks(self, codec: Codec) -> Iterator[Block | str]:
        """Each frame decoded; a text where one cannot be."""
        for frame in self.frames:
            try:
                start_state, cycles = decode(frame.body, frame.count, codec)
            except DamagedCycles as error:
                yield f"cycles {frame.first} to {frame.first + frame.count - 1}: cannot be decoded: {error}"
            else:
                yield Block(frame.first, start_state, cycles)


def read_cycles(data: bytes, tail: bytes = b"") -> CycleStore:
    """The whole frames of cycles.bin and of cycles.tail."""
    damage: list[str] = []
    torn: list[str] = []
    frames, bin_bytes = _frames("cycles.bin", data, damage, torn)
    in_bin = len(frames)
    nearest = max((frame.first + frame.count for frame in frames), default=0)
    if tail:
        frames += [frame for frame in _frames("cycles.tail", tail, damage, torn)[0] if frame.first >= nearest]
    expected = 0
    for frame in frames:
        if frame.first != expected:
            damage.append(f"cycles {expected} to {frame.first - 1} are missing")
        expected = frame.first + frame.count
    return CycleStore(tuple(frames), in_bin, bin_bytes, tuple(torn), tuple(damage))


def _frames(name: str, data: bytes, damage: list[str], torn: list[str]) -> tuple[list[Frame], int]:
    """Whole frames, and where they end: an unfinished one behind them does not count."""
    head = len(FILE_HEAD)
    if len(data) < head and FILE_HEAD.startswith(data):
        torn.append(f"{name}: has no more than {len(data)} bytes of its first line")
        return [], 0
    if data[:head] != FILE_HEAD:
        damage.append(f"{name}: does not begin with {FILE_HEAD.decode().strip()!r}")
    frames: list[Frame] = []
    end = min(head, len(data))
    for found in scan(data, head):
        if isinstance(found, Frame):
            frames.append(found)
        elif found.end == len(data):
            torn.append(f"{name}: the last {found.end - found.offset} bytes are an unfinished block")
            break
        else:
            damage.append(f"{name}: bytes {found.offset} to {found.end - 1} are no whole block")
        end = found.end
    return frames, end


@dataclass(frozen=True)
class RunFolder:
    """A run folder as it was found. `head` raises RecordError when this version cannot understand run.json."""

    folder: Path
    run_json: bytes
    plain: Mapping[str, Any]
    tables: Mapping[str, Table]
    cycles_bin: bytes
    cycles_tail: bytes
    summary: Mapping[str, Any] | None
    summary_problem: str | None

    @cached_property
    def head(self) -> Head:
        """What the run began with."""
        return read_head(self.plain)

    @cached_property
    def cycles(self) -> CycleStore:
        """Its cycles, undecoded."""
        return read_cycles(self.cycles_bin, self.cycles_tail)

    @property
    def log(self) -> Table:
        """log.csv."""
        return self.tables["log.csv"]

    @property
    def events(self) -> Table:
        """events.csv."""
        return self.tables["events.csv"]

    @property
    def problems(self) -> tuple[str, ...]:
        """What is not whole in it, cycles included; empty: all is as it was written, as far as the folder can tell."""
        found = [f"run.json: {name}: its text does not have the SHA-256 beside it" for name in self._wrong_texts()]
        for table in self.tables.values():
            found.extend(table.problems)
        found.extend(self.cycles.problems)
        return tuple(found) if self.summary_problem is None else (*found, self.summary_problem)

    def _wrong_texts(self) -> list[str]:
        wrong = []
        for name in ("profile", "bath_file", "map", "release"):
            part = self.plain.get(name)
            if part is None and name == "release":
                continue
            if not isinstance(part, dict) or _sha256_of(part.get("text")) != part.get("sha256"):
                wrong.append(name)
        return wrong


def read_run(path: Path) -> RunFolder:
    """Read a run folder, or an archived one; RecordError when it is none."""
    place = place_of(path)
    run_json = read_all(place, "run.json")
    if not run_json:
        raise RecordError("is no run folder: it has no run.json")
    plain = read_plain(run_json)
    tables = {}
    for name, header in TABLES.items():
        if name in ("log.csv", "events.csv") or place.size(name) is not None:
            tables[name] = read_table(name, read_all(place, name), header, run_json)
    summary, problem = _summary(read_all(place, "summary.json"))
    return RunFolder(
        path, run_json, plain, tables, read_all(place, "cycles.bin"), read_all(place, "cycles.tail"), summary, problem
    )


def read_bytes(path: Path) -> bytes:
    """A file's bytes, none when it is missing; RecordError when it cannot be read or is absurdly large."""
    return read_all(FolderPlace(path.parent), path.name)


def _summary(data: bytes) -> tuple[Mapping[str, Any] | None, str | None]:
    if not data:
        return None, None
    try:
        plain = json.loads(data)
    except (ValueError, RecursionError) as error:
        return None, f"summary.json: is not readable: {error}"
    return (plain, None) if isinstance(plain, dict) else (None, "summary.json: is no object")


def _sha256_of(text: object) -> str | None:
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest() if isinstance(text, str) else None


def _number(text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        return None
