"""From the core's cycles to rows: which run is open on which circuit, and what goes to its folder or to the bath's.

Everything goes into the writer's memory; nothing here waits for a disk.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from controller.core.bath import BathOut
from controller.core.bathstate import BathState
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind, Order
from controller.records.batchlist import listed
from controller.records.bathlog import BathLog
from controller.records.due import due
from controller.records.ended import ended, is_over
from controller.records.eventrow import event_row
from controller.records.head import RunStart, Text
from controller.records.later import SIGNED
from controller.records.logrow import log_row
from controller.records.rows import time_utc
from controller.records.run import RunRecord
from controller.records.writer import Writer
from controller.service.counted import GAP_UNKNOWN, counted
from controller.service.limits import Keeping
from controller.service.lostrows import LostRows
from controller.service.proofs import Proofs, proof_cells

LATER = ("reading", SIGNED)
"""Orders on an ended run whose words belong into its closed record too."""


@dataclass(slots=True)
class Open:
    """One open record and when its last row was written.

    `signed`: a sign-off may have come already, for which the record has to be closed first.
    """

    record: RunRecord
    start_utc_ms: int
    logged_ms: int | None = None
    trips: int = 0
    unknown_gaps: int = 0
    signed: bool = False


@dataclass(frozen=True, slots=True)
class Sources:
    """What the bath rests on, as texts: its file, and the register map of each circuit."""

    bath_file: Text
    maps: Mapping[str, Text]
    versions: Mapping[str, str]


class Recorder:
    """The records of one bath."""

    def __init__(
        self, settings: BathSettings, sources: Sources, runs: Path, log_ms: int, writer: Writer, *, by_count: bool
    ) -> None:
        """`log_ms`: the logging interval. `by_count`: a stepped clock, so that bytes hang on cycles alone."""
        self._settings = settings
        self._sources = sources
        self._runs = runs
        self._due = due(log_ms, settings.period_ms)
        self._writer = writer
        self._by_count = by_count
        self._open: dict[str, Open] = {}
        self._ended: dict[str, str] = {}
        self._gap_not_known: set[str] = set()
        self.bath = BathLog(runs, settings.name, writer)
        self.proofs = Proofs(self.bath.read_proofs())
        self.limits: Keeping | None = None
        self._lost_rows = LostRows()
        writer.names.look(runs)
        self.rows = 0

    def adopt(self, circuit: str, record: RunRecord, start_utc_ms: int) -> None:
        """Go on with a record that was opened again after a restart, and with what its events have counted."""
        so_far = counted(record.folder)
        self._open[circuit] = Open(record, start_utc_ms, None, so_far.trips, so_far.unknown_gaps, signed=True)

    def gap_not_known(self, circuits: Iterable[str]) -> None:
        """The next gap of these circuits' records is one of which nobody knows how long it was."""
        self._gap_not_known |= set(circuits)

    @property
    def runs(self) -> Path:
        """The folder that holds the run folders."""
        return self._runs

    def folders(self) -> dict[str, str]:
        """Return the name of each circuit's open run folder."""
        return {circuit: each.record.folder.name for circuit, each in self._open.items()}

    def lost(self) -> dict[str, tuple[int, int]]:
        """Return how many cycles and rows of open records no disk took, where it is any."""
        told = {circuit: (each.record.lost_cycles, each.record.lost_rows) for circuit, each in self._open.items()}
        return {circuit: both for circuit, both in told.items() if any(both)}

    def bath_lost(self) -> int:
        """Return how many rows of the bath's own no disk took, and none knows of yet."""
        return self._lost_rows.untold(self.bath.lost_rows)

    def ended(self) -> dict[str, str]:
        """Return the name of the folder of each circuit's ended run, while it is not unloaded."""
        return dict(self._ended)

    def remember_ended(self, folders: Mapping[str, str]) -> None:
        """Take up the ended runs' folders that an earlier service knew, with what it may have left to write there."""
        self._ended = dict(folders)
        for circuit, name in folders.items():
            self.bath.later(self._runs / name, circuit)

    def cycle(
        self, before: BathState, out: BathOut, after: BathState, utc_ms: int, profiles: Mapping[str, Text],
        releases: Mapping[str, Text] | None = None,
    ) -> None:  # fmt: skip
        """Record one cycle: what each circuit was told, what it decided, what happened.

        The files that loads rest on: `profiles` by the hash of their text, `releases` by the circuit.
        """
        if self.limits is not None and self.limits.look(self.bath, self._writer):
            self.limits = None
        for what in self.bath.said():
            self.event(Event("notice", self._settings.name, data={"what": what}), utc_ms, None)
        self._lost_rows.look(self.bath.lost_rows, self._writer, partial(self._tell_lost, utc_ms))
        for old, new, cin in zip(before.circuits, after.circuits, out.told, strict=True):
            begins = new.run is not None and (old.run is None or new.run.end_ms is None)
            if new.run is None and old.run is not None:
                self._ended.pop(new.name, None)
            if begins and new.name not in self._open:
                texts = texts_of(new, profiles, releases or {})
                self._begin(new, cin.orders, utc_ms, texts, anew=old.run is None)
        for event in out.events:
            self.event(event, utc_ms, after.now_ms)
        # What an order of the bath changed in a circuit before it decided is not in its `CircuitIn`.
        began = out.began or before.circuits
        for old, new, cin, command in zip(began, after.circuits, out.told, out.commands, strict=True):
            each = self._open.get(new.name)
            if each is None:
                continue
            each.record.add_cycle(cin, old, command, new)
            if self._due.at(each.logged_ms, old, new):
                each.record.add_log(log_row(utc_ms, cin, command, new, self._settings.stale_ms))
                each.logged_ms = new.now_ms
                self.rows += 1
            if is_over(new):
                self._end(each, new, utc_ms)

    def _tell_lost(self, utc_ms: int, rows: int) -> bool:
        before = self.bath.lost_rows
        self.event(Event("rows_lost", self._settings.name, data={"value": rows, "unit": "rows"}), utc_ms, None)
        return self.bath.lost_rows == before

    def event(self, event: Event, utc_ms: int, now_ms: int | None) -> None:
        """Write one event to its circuit's open run, else to the bath's own file."""
        each = self._open.get(event.target)
        if each is not None and event.code == "gap" and event.target in self._gap_not_known:
            self._gap_of_unknown_length(each, event, utc_ms, now_ms)
            return
        row = event_row(event, utc_ms, now_ms if each is not None else None)
        if (proof := proof_cells(event, utc_ms)) is not None:
            self.bath.add_proof(proof, row.id)
            self.proofs.take(proof)
        if each is None:
            self.bath.add_event(row)
            if event.target in self._ended and event.kind is EventKind.ORDER and event.code in LATER:
                self.bath.later(self._runs / self._ended[event.target], event.target, row)
            return
        each.signed = each.signed or event.code == SIGNED
        if event.kind is EventKind.ALARM and _begins(event) and event.reaction >= 4:
            each.trips += 1
        each.record.add_event(row)

    def _gap_of_unknown_length(self, each: Open, event: Event, utc_ms: int, now_ms: int | None) -> None:
        """Write a gap without the length that core time went on by, and beside it that the length is not known."""
        self._gap_not_known.discard(event.target)
        each.unknown_gaps += 1
        for told in (replace(event, data={"unknown": True}), replace(event, code=GAP_UNKNOWN)):
            each.record.add_event(event_row(told, utc_ms, now_ms))

    def end_all(self) -> None:
        """Let go of every record as it stands: open runs stay open and go on at the next start."""
        for each in self._open.values():
            each.record.release()
        self.bath.release()

    def _begin(
        self,
        state: CircuitState,
        orders: tuple[Order, ...],
        utc_ms: int,
        texts: tuple[Text, Text | None],
        *,
        anew: bool,
    ) -> None:
        """Open a record of a run with its profile and release (`texts`).

        Not `anew`: the run came back from a restart without its folder, and goes on in a new one.
        """
        load, run = state.load, state.run
        if load is None or run is None:
            return
        start = RunStart(
            utc_ms=utc_ms,
            now_ms=run.start_ms if anew else state.now_ms,
            circuit=state.name,
            settings=self._settings,
            load=load,
            profile=texts[0],
            bath_file=self._sources.bath_file,
            map=self._sources.maps[state.name],
            release=texts[1],
            orders=orders,
            load_list=load.text,
            versions=self._sources.versions,
            batteries=listed(load.text, load.battery_type),
            owed_Ah=run.owed_Ah,
        )
        record = RunRecord.create(self._runs, start, self._writer, by_count=self._by_count)
        self._open[state.name] = Open(record, utc_ms)
        self._ended.pop(state.name, None)

    def _end(self, each: Open, state: CircuitState, utc_ms: int) -> None:
        each.record.close(summary(each, state, utc_ms))
        each.record.release()
        self._ended[state.name] = each.record.folder.name
        if each.signed:
            self.bath.later(each.record.folder, state.name)
        del self._open[state.name]


def texts_of(
    state: CircuitState, profiles: Mapping[str, Text], releases: Mapping[str, Text]
) -> tuple[Text, Text | None]:
    """Return a load's profile and its release (None: it is not released); one that is lost says so by its name.

    `profiles` by the hash of their text; `releases` by the circuit: the same text may have been released twice.
    """
    sha256 = state.load.plan.sha256 if state.load is not None else ""
    released = state.load is not None and state.load.released
    release = releases.get(state.name, Text("lost.release.json", "")) if released else None
    return profiles.get(sha256, Text("lost.toml", "")), release


def _begins(event: Event) -> bool:
    """Return whether an alarm came with this event, told or silent."""
    return str(event.data.get("life")).startswith("new")


def summary(each: Open, state: CircuitState, utc_ms: int) -> dict[str, Any]:
    """Return what summary.json says of an ended run."""
    run, said = state.run, ended(state)
    if run is None or run.end_ms is None or not said:
        return {}
    return {
        **said,
        "start_utc": time_utc(each.start_utc_ms),
        "end_utc": time_utc(utc_ms - (state.now_ms - run.end_ms)),
        "trips": each.trips,
        "unknown_gaps": each.unknown_gaps,
    }
