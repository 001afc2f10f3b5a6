"""What a bath keeps beside its runs: events that belong to none, and the state that outlives a restart."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from controller.core.types import Event, Scalar
from controller.records.bathrows import rows_after
from controller.records.bathtable import BathTable
from controller.records.errors import RecordError
from controller.records.eventrow import event_row
from controller.records.files import Lazy, ReplaceFile
from controller.records.finding import MONTH, PROOFS
from controller.records.group import Group
from controller.records.head import Text, safe_name
from controller.records.laterfile import LaterFile
from controller.records.place import bare
from controller.records.reader import read_bytes, read_table
from controller.records.rows import (
    EVENT_HEADER,
    PROOF_COLUMNS,
    PROOF_HEADER,
    EventRow,
    cells_text,
    event_text,
    time_utc,
)
from controller.records.sealed import sealed
from controller.records.statefile import LIMITS, limits_file, read_limits, read_state, state_before_seal
from controller.records.statefile import NAME as STATE
from controller.records.table import standing_of
from controller.records.writer import Writer

RELEASES = "releases"
CONTINUES = "log_continues"
"""The first event of a month's file: `limit` names the month's before, `value` is a chain value in it."""


class BathLog:
    """`runs/<bath>/`: events-YYYYMM.csv (by the row's own month), proofs.csv, state.json, limits.json, releases/.

    What comes for a closed record of the bath waits here too (`later`), behind the events that tell of it.

    What stands there is read in the writer's thread when a file is first used, which is at the service's start and when
    the month changes. `problems` names what is damaged; nothing is repaired, rows go on behind it. `lost_rows` counts
    what the memory had no room for.
    """

    def __init__(self, runs: Path, bath: str, writer: Writer) -> None:
        self.folder = runs / safe_name(bath)
        self._bath = bath
        self.problems: list[str] = []
        self.lost_rows = 0
        self._writer = writer
        self._group = Group(self.folder)
        self._state = self._group.replace_file(STATE)
        self._limits = self._group.replace_file(LIMITS)
        self._tables: dict[str, BathTable] = {}
        self._told_problems = 0
        self._releases: set[str] = set()
        self._later: dict[str, LaterFile] = {}
        writer.enter(self._group)

    def add_event(self, row: EventRow) -> None:
        """One row of events-YYYYMM.csv; its elapsed time stays empty unless `now_ms` is given."""
        month = time_utc(row.utc_ms)[:7].replace("-", "")
        name = f"events-{month}.csv"
        self._add(name, EVENT_HEADER, event_text(row, 0), row.id, partial(self._continues, name, row.utc_ms))

    def add_proof(self, cells: tuple[Scalar, ...], order: str = "") -> None:
        """One row of proofs.csv: time_utc, item, serial, result, by, due. `order`: the id of the one that gave it."""
        self._add(PROOFS, PROOF_HEADER, cells_text(cells, PROOF_COLUMNS), order)

    def later(self, folder: Path, circuit: str, row: EventRow | None = None) -> None:
        """One row of the bath's events that belongs to a circuit's closed record in `folder`, or just a look for some.

        It is written there behind the events, in the writer's thread.
        """
        with self._writer.lock:
            file = self._later.get(folder.name)
            if file is None:
                self._later = {name: each for name, each in self._later.items() if not each.idle}
                file = LaterFile(folder, partial(rows_after, self.folder, circuit))
                self._later[folder.name] = file
                self._behind()
            if row is not None:
                file.add(event_text(row, 0))

    def _behind(self) -> None:
        """Events come behind the proofs that they tell of, and before closed records that wait for them to be safe."""
        events = [table for name, table in self._tables.items() if name != PROOFS]
        behind = {id(file) for file in (*events, *self._later.values())}
        others = [file for file in self._group.files if id(file) not in behind and not isinstance(file, LaterFile)]
        self._group.files[:] = [*others, *events, *self._later.values()]

    def said(self) -> Iterator[str]:
        """What a person must know of its tables and of closed records, told once."""
        new = self.problems[self._told_problems :]
        self._told_problems += len(new)
        yield from new
        yield from self.said_later()

    def said_later(self) -> Iterator[str]:
        """What a person must know of closed records, told once."""
        for name, file in self._later.items():
            while file.said:
                yield f"{name}: {file.said.pop(0)}"

    def put_limits(self, content: Mapping[str, Any]) -> None:
        """Replace limits.json: the settings of the service that runs, for the next one to compare with."""
        self._limits.put(limits_file(content))

    def read_limits(self) -> tuple[dict[str, Any] | None, str | None]:
        """What limits.json holds, and what is wrong with it; None and None: there is none yet."""
        try:
            return read_limits(read_bytes(self.folder / LIMITS))
        except RecordError as error:
            return None, str(error)

    def read_proofs(self) -> tuple[dict[str, str], ...]:
        """The rows of proofs.csv by their columns; none of a file that cannot be read."""
        try:
            found = read_table(PROOFS, read_bytes(self.folder / PROOFS), PROOF_HEADER, b"")
        except RecordError as error:
            self.problems.append(bare(self.folder, error))
            return ()
        return tuple(dict(zip(PROOF_COLUMNS, row, strict=False)) for row in found.rows)

    def put_state(self, state: Mapping[str, Any]) -> None:
        """Replace state.json whole when next committed; the last state put wins. ValueError: no plain JSON."""
        before = state_before_seal(state)
        self._state.put(Lazy(lambda: sealed(before)))

    def keep_release(self, text: Text) -> None:
        """Write a release once, as `releases/<its sha256>.json`, before the next state that may name it.

        It is large, and state.json is written anew with every order.
        """
        if text.sha256 in self._releases:
            return
        self._releases.add(text.sha256)
        file = ReplaceFile(self.folder / RELEASES / f"{text.sha256}.json", makes_folder=True)
        file.put(Lazy(lambda: text.text.encode("utf-8", "surrogatepass")))
        with self._writer.lock:
            self._group.files.insert(0, file)

    def read_release(self, sha256: str) -> str:
        """The text of a kept release. RecordError: it is not there, or not the one that was kept."""
        if not re.fullmatch("[0-9a-f]{64}", sha256):
            raise RecordError(f"{RELEASES}: a release has no such hash")
        place = self.folder / RELEASES / f"{sha256}.json"
        data = read_bytes(place)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise RecordError(f"{RELEASES}/{place.name}: {'is not what was kept' if data else 'is missing'}")
        self._releases.add(sha256)
        return data.decode("utf-8", "surrogatepass")

    def read_state(self) -> tuple[dict[str, Any] | None, str | None]:
        """What state.json holds (None: nothing usable), and what is wrong with it (None: nothing)."""
        try:
            return read_state(read_bytes(self.folder / STATE))
        except RecordError as error:
            return None, str(error)

    def release(self) -> None:
        """Nothing more will come."""
        self._writer.leave(self._group)

    def _add(
        self, name: str, header: str, text: str, order: str, first: Callable[[], str | None] = lambda: None
    ) -> None:
        """One row; `first` gives the row to begin a new table with. `order`: the id of the one that it tells of."""
        if not self._writer.has_room:
            self.lost_rows += 1
            self._writer.dropped(order)
            return
        with self._writer.lock:
            table = self._tables.get(name)
            if table is None:
                table = BathTable(self.folder / name, header, self._writer.lock, self.problems, first)
                self._tables[name] = table
                self._group.files.append(table)
                self._behind()
            table.add(text)

    def _continues(self, name: str, utc_ms: int) -> str | None:
        """The first row of a month: where the month before ends, so that none can be cut or taken away unseen.

        Of a month that is written just now what is on the disk: a crash may take the rest. Runs in the writer's thread.
        """
        with self._writer.lock:
            kept = {each: table.kept for each, table in self._tables.items() if table.is_open}
        months = {path.name for path in self.folder.glob("events-*.csv")} | kept.keys()
        earlier = [each for each in months if MONTH.fullmatch(each) and each < name and kept.get(each) != ""]
        former = max(earlier, default=None)
        if former is None:
            return None
        last = kept[former] if former in kept else self._last_of(former)
        if not last:
            return None
        data = {"value": last, "limit": former}
        return event_text(event_row(Event(CONTINUES, self._bath, data=data), utc_ms, None), 0)

    def _last_of(self, name: str) -> str:
        """The last chain value of a table that is not written any more; "" for one that cannot be read."""
        try:
            return standing_of(read_table(name, read_bytes(self.folder / name), EVENT_HEADER, b""))[1]
        except RecordError as error:
            self.problems.append(bare(self.folder, error))
            return ""


def verify_bath_table(path: Path, header: str = EVENT_HEADER) -> tuple[int, tuple[str, ...]]:
    """Rows of a table outside run folders, and what is not as it was written."""
    found = read_table(path.name, read_bytes(path), header, b"")
    return len(found.lines), found.problems
