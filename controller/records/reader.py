"""Reading a run folder, whole or damaged: gives what is whole and says what is not. Changes nothing.

Tables come in by `stream`, a piece at a time, so that no line and no file from outside can fill the memory; what is
kept are their lines. Cycles stay packed and are decoded block by block, as they are asked for.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any, BinaryIO

from controller.core.state import CircuitState
from controller.records.chain import Walk
from controller.records.closed import proof_missing, told_end
from controller.records.cycles import Cycle, DamagedCycles, decode
from controller.records.errors import RecordError
from controller.records.frames import FILE_HEAD, Frame, scan
from controller.records.head import Head, read_head, read_plain
from controller.records.outside import LARGEST_HEAD, number_of
from controller.records.place import LARGEST_FILE, FolderPlace, Place, bare, place_of, read_all, read_some_of
from controller.records.plain import Codec
from controller.records.stream import TableStream, cells_of
from controller.records.summary import read_summary
from controller.records.tables import TABLES as TABLE_COLUMNS

TABLES = {name: ",".join(columns) for name, columns in TABLE_COLUMNS.items()}


@dataclass(frozen=True)
class Table:
    """One chained table as it was found.

    `columns` are its own: those of this version, or more of a later one. `walked` tells how far the chain holds;
    `whole_bytes` is where the last whole line ends; `cut` is the beginning of the `cut_bytes` behind it. `problems`
    name what is not whole. A line longer than any row stands as an empty one.
    """

    name: str
    columns: tuple[str, ...]
    walked: Walk
    lines: tuple[bytes, ...]
    whole_bytes: int
    cut: bytes
    header_right: bool
    cut_bytes: int
    damage: tuple[str, ...]
    problems: tuple[str, ...]

    @cached_property
    def rows(self) -> list[list[str]]:
        """All whole rows as texts, also those behind a break of the chain (`walked` says from where on)."""
        return [cells_of(line) for line in self.lines]

    def column(self, name: str) -> list[str]:
        """One column as texts; rows too short give an empty one."""
        index = self.columns.index(name)
        return [row[index] if index < len(row) else "" for row in self.rows]

    def numbers(self, name: str) -> list[float | None]:
        """One column as numbers; None where the cell is empty or no number."""
        return [number_of(text) for text in self.column(name)]


def read_table(name: str, data: bytes, header: str, run_json: bytes) -> Table:
    """A table from its bytes."""
    return table_from(name, io.BytesIO(data), tuple(header.split(",")), run_json)


def table_from(
    name: str, stream: BinaryIO, known: tuple[str, ...], run_json: bytes, *, path: Path | None = None
) -> Table:
    """A table from a file that is read to its end. RecordError: the bytes cannot be read.

    `path`: of the record; then the rows that were read stand, and why no more come is damage.
    """
    table = TableStream(name, stream, known, run_json, behind=True)
    lines: list[bytes] = []
    unread: tuple[str, ...] = ()
    try:
        for piece in table.pieces():
            lines.extend([b""] * (piece.first - 1 - len(lines)))
            lines.extend(piece.lines)
    except RecordError as error:
        if path is None:
            raise
        unread = (bare(path, error),)
    lines.extend([b""] * (table.rows - len(lines)))
    walked = Walk(table.mark.rows, table.mark.chain, table.wrong_row)
    return Table(
        name, table.columns, walked, tuple(lines), table.offset, table.cut, table.header_right, table.cut_bytes,
        (*table.damage, *unread), (*table.problems, *unread),
    )  # fmt: skip


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


def read_cycles(data: bytes | None, tail: bytes = b"") -> CycleStore:
    """The whole frames of cycles.bin (None: it is not there) and of cycles.tail."""
    damage: list[str] = []
    torn: list[str] = ["cycles.bin: is missing"] if data is None else []
    frames, bin_bytes = ([], 0) if data is None else _frames("cycles.bin", data, damage, torn)
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
    if data[:head] != FILE_HEAD:
        begun = data.rstrip(b"\0")  # a power cut may leave the length without the bytes
        if len(begun) < head and FILE_HEAD.startswith(begun):
            torn.append(f"{name}: has no more than {len(begun)} bytes of its first line")
            return [], 0
        damage.append(f"{name}: does not begin with {FILE_HEAD.decode().strip()!r}")
    frames: list[Frame] = []
    end = min(head, len(data))
    for found in scan(data, head):
        if isinstance(found, Frame):
            frames.append(found)
        elif found.given_up:
            damage.append(
                f"{name}: bytes from {found.offset} on look like blocks and are none: the rest is not looked at"
            )
            end = found.end
            break
        elif found.end == len(data):
            torn.append(f"{name}: the last {found.end - found.offset} bytes are an unfinished block")
            break
        else:
            damage.append(f"{name}: bytes {found.offset} to {found.end - 1} are no whole block")
        end = found.end
    return frames, end


@dataclass(frozen=True)
class RunFolder:
    """A run folder as it was found. `head` raises RecordError when this version cannot understand run.json.

    `unread`: why files of cycles end before their end; `no_cycles`: there is no cycles.bin.
    """

    folder: Path
    run_json: bytes
    plain: Mapping[str, Any]
    tables: Mapping[str, Table]
    cycles_bin: bytes
    cycles_tail: bytes
    summary: Mapping[str, Any] | None
    summary_problem: str | None
    unread: tuple[str, ...] = ()
    no_cycles: bool = False

    @cached_property
    def head(self) -> Head:
        """What the run began with."""
        return read_head(self.plain)

    @cached_property
    def cycles(self) -> CycleStore:
        """Its cycles, undecoded."""
        store = read_cycles(None if self.no_cycles else self.cycles_bin, self.cycles_tail)
        return replace(store, damage=(*self.unread, *store.damage)) if self.unread else store

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

    def proof_missing(self, *, is_open: bool | None) -> str | None:
        """What is wrong where it has no summary.json; None: nothing, it may be open. `is_open`: see `closed`."""
        if self.summary is not None or self.summary_problem is not None:
            return None
        states = self.log.column("state")[-1:]
        events = zip(self.events.column("kind"), self.events.column("code"), strict=True)
        return proof_missing(self.tables, told_end("".join(states), events), is_open=is_open)

    def _wrong_texts(self) -> list[str]:
        wrong = []
        for name in ("profile", "bath_file", "map", "release"):
            part = self.plain.get(name)
            if part is None and name == "release":
                continue
            if not isinstance(part, dict) or _sha256_of(part.get("text")) != part.get("sha256"):
                wrong.append(name)
        return wrong


def read_run(path: Path, *, whole: bool = False) -> RunFolder:
    """Read a run folder, or an archived one; RecordError (without the path) when it is none.

    A file that cannot be read to its end is a damaged one; `whole`: it is a RecordError, for who would write on.
    """
    place = place_of(path)
    try:
        return _read_run(place, whole=whole)
    except RecordError as error:
        raise RecordError(bare(place.path, error)) from None


def _read_run(place: Place, *, whole: bool) -> RunFolder:
    size = place.size("run.json")
    if not size:
        raise RecordError(f"is no run folder: {'it has no run.json' if size is None else 'its run.json is empty'}")
    run_json = read_all(place, "run.json", LARGEST_HEAD)
    plain = read_plain(run_json)
    unread: list[str] = []

    def read(name: str, most: int = LARGEST_FILE) -> bytes:
        data, trouble = read_some_of(place, name, most)
        if trouble is None:
            return data
        if whole:
            raise trouble
        unread.append(bare(place.path, trouble))
        return data

    summary, problem = read_summary(read("summary.json", LARGEST_HEAD))
    if unread:
        summary, problem = None, unread.pop()
    tables = read_tables(place, run_json, whole=whole)
    cycles_bin, cycles_tail = read("cycles.bin"), read("cycles.tail")
    no_cycles = place.size("cycles.bin") is None
    return RunFolder(
        place.path, run_json, plain, tables, cycles_bin, cycles_tail, summary, problem, tuple(unread), no_cycles
    )


def read_tables(place: Place, run_json: bytes, *, whole: bool = True) -> dict[str, Table]:
    """The chained tables of a record by their names; log and events are there, if only as empty ones.

    `whole` False: one that cannot be read to its end is damaged behind its last row. Else that is a RecordError.
    """
    tables = {}
    for name, known in TABLE_COLUMNS.items():
        stream = place.open(name)
        if stream is None and name not in ("log.csv", "events.csv"):
            continue
        with stream if stream is not None else io.BytesIO() as file:
            table = table_from(name, file, known, run_json, path=None if whole else place.path)
        if stream is None:
            table = replace(table, damage=(f"{name}: is missing",), problems=(f"{name}: is missing",))
        tables[name] = table
    return tables


def read_bytes(path: Path) -> bytes:
    """A file's bytes, none when it is missing; RecordError when it cannot be read or is absurdly large."""
    return read_all(FolderPlace(path.parent), path.name)


def _sha256_of(text: object) -> str | None:
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest() if isinstance(text, str) else None
