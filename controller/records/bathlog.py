"""What a bath keeps beside its runs: events that belong to none, and the state that outlives a restart."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from controller.core.types import Scalar
from controller.records.errors import RecordError
from controller.records.files import Lazy, ReplaceFile
from controller.records.head import Text, safe_name
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
from controller.records.table import ChainedTable
from controller.records.writer import Group, Writer

STATE_FORMAT = "formbath/state/1"
RELEASES = "releases"


class BathLog:
    """`runs/<bath>/`: events-YYYYMM.csv (by the row's own month), proofs.csv, state.json, releases/.

    Reading what stands there happens when a file is first used, which is at the service's start and when the month
    changes. `problems` names what is damaged; nothing is repaired, rows go on behind it.
    """

    def __init__(self, runs: Path, bath: str, writer: Writer) -> None:
        self.folder = runs / safe_name(bath)
        self.problems: list[str] = []
        self.lost_rows = 0
        self._writer = writer
        self._group = Group(self.folder)
        self._state = self._group.replace_file("state.json")
        self._tables: dict[str, ChainedTable] = {}
        self._releases: set[str] = set()
        writer.enter(self._group)

    def add_event(self, row: EventRow) -> None:
        """One row of events-YYYYMM.csv; its elapsed time stays empty unless `now_ms` is given."""
        month = time_utc(row.utc_ms)[:7].replace("-", "")
        self._add(f"events-{month}.csv", EVENT_HEADER, event_text(row, 0))

    def add_proof(self, cells: tuple[Scalar, ...]) -> None:
        """One row of proofs.csv: time_utc, item, serial, result, by, due."""
        self._add("proofs.csv", PROOF_HEADER, cells_text(cells, PROOF_COLUMNS))

    def put_state(self, state: Mapping[str, Any]) -> None:
        """Replace state.json whole when next committed; the last state put wins. ValueError: no plain JSON."""
        content = {"format": STATE_FORMAT, **state}
        self._state.put((json.dumps(content, allow_nan=False) + "\n").encode())

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
            data = read_bytes(self.folder / "state.json")
        except RecordError as error:
            return None, str(error)
        if not data:
            return None, None
        try:
            plain = json.loads(data)
        except (ValueError, RecursionError) as error:
            return None, f"state.json: is not readable: {error}"
        if not isinstance(plain, dict) or plain.get("format") != STATE_FORMAT:
            return None, f"state.json: is not of the format {STATE_FORMAT}"
        return plain, None

    def release(self) -> None:
        """Nothing more will come."""
        self._writer.leave(self._group)

    def _add(self, name: str, header: str, text: str) -> None:
        if not self._writer.has_room:
            self.lost_rows += 1
            return
        with self._writer.lock:
            table = self._tables.get(name)
            if table is None:
                table = self._tables[name] = self._open(name, header)
            table.add(text)

    def _open(self, name: str, header: str) -> ChainedTable:
        try:
            data = read_bytes(self.folder / name)
        except RecordError as error:
            self.problems.append(str(error))
            data = b""
        found = read_table(name, data, header, b"")
        if not found.whole_bytes:
            return ChainedTable.begin(self._group.append_file(name), header)
        self.problems.extend(found.problems)
        last = found.walked.last
        if found.walked.wrong_row is not None:
            last = found.lines[-1].rpartition(b",")[2].decode("utf-8", "replace")
        return ChainedTable(self._group.append_file(name, found.whole_bytes), len(found.lines), last)


def verify_bath_table(path: Path, header: str = EVENT_HEADER) -> tuple[int, tuple[str, ...]]:
    """Rows of a table outside run folders, and what is not as it was written."""
    found = read_table(path.name, read_bytes(path), header, b"")
    return len(found.lines), found.problems
