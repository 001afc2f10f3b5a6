"""A circuit as a log row has it, where its cycles cannot be decided again; what no row says is missing. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from controller.core.state import CircuitState, Counters, Run
from controller.core.types import (
    BathShare,
    ChannelReading,
    CircuitIn,
    Command,
    LinkState,
    Output,
    Quality,
    State,
    Value,
)
from controller.records.head import Head
from controller.records.rows import LOG_COLUMNS
from controller.replay.rows import Rows
from controller.replay.tape import texts_of

ROW_STANDS_MS = 60_000
"""A row is current for so long: rows come every few seconds, and at each change that matters (own choice)."""

_QUALITIES = {each.value.replace(" ", "_"): each for each in Quality}


@dataclass(frozen=True, slots=True)
class LogLine:
    """One row of log.csv. `since_ms`, `step_ms`: when its state and its step first stood in the rows before it."""

    at_ms: int
    cells: dict[str, str]
    since_ms: int
    step_ms: int


def line_at(log: Rows, now_ms: int) -> LogLine | None:
    """Return the newest row up to a moment that can be read; None: there is none."""
    for index in range(log.until(now_ms) - 1, -1, -1):
        cells = texts_of(log.lines[index], log.columns)
        if cells is not None and cells["state"] in {each.value for each in State}:
            since, step = (_since(log, index, name) for name in ("state", "step"))
            return LogLine(log.times_ms[index], cells, since, step)
    return None


def _since(log: Rows, index: int, name: str) -> int:
    """Return the time of the first row of those on end that say the same as this one."""
    column = LOG_COLUMNS.index(name)
    said = log.lines[index].split(b",")[column]
    first = index
    while first and (cells := log.lines[first - 1].split(b",", column + 1)) and cells[column : column + 1] == [said]:
        first -= 1
    return log.times_ms[first]


def state_of(head: Head, base: CircuitState | None, row: LogLine | None, now_ms: int) -> CircuitState:
    """Return the circuit's state: what a block began with (`base`), and over it what the row says."""
    state = base if base is not None else CircuitState(head.own.name, load=head.load)
    if state.load is None:
        state = replace(state, load=head.load)
    state = replace(state, now_ms=now_ms)
    if row is None:
        return replace(state, run=_whole(head, state.run))
    found = State(row.cells["state"])
    set_A = _number(row.cells["set_current_A"]) or 0.0
    changes = state.state is not found
    return replace(
        state,
        state=found,
        since_ms=row.since_ms if changes or base is None else state.since_ms,
        command=replace(state.command, set_current_A=set_A, output_on=set_A != 0.0),
        output=Output.ON if set_A else Output.OFF,
        confirmed=state.confirmed and not changes,
        run=_run(head, state.run, row, now_ms),
    )


def _run(head: Head, run: Run | None, row: LogLine, now_ms: int) -> Run | None:
    if run is None and not row.cells["step"]:
        return None
    base = _whole(head, run) or Run(head.start_ms, "")
    number = _number(row.cells["step"])
    steps = [index for index, step in enumerate(head.load.plan.steps) if step.number == number]
    step = steps[0] if steps else base.step
    charge, discharge, energy = (_number(row.cells[name]) or 0.0 for name in ("charge_Ah", "discharge_Ah", "energy_Wh"))
    moved = replace(base, step=step, step_time_ms=max(0, now_ms - row.step_ms)) if run is None else base
    if step != base.step:
        moved = replace(base, step=step, step_time_ms=max(0, now_ms - row.step_ms), step_charge_Ah=0.0)
    return replace(moved, counters=Counters(charge, discharge, energy))


def _whole(head: Head, run: Run | None) -> Run | None:
    """Return a run whose step is one of the plan's."""
    if run is None or 0 <= run.step < len(head.load.plan.steps):
        return run
    return replace(run, step=0)


def told_of(row: LogLine | None, now_ms: int) -> CircuitIn:
    """Return what the circuit was told, as far as a row has it; all else is lost, and no air is proved."""
    lost = Value(None, Quality.LOST)
    names = ("current_A", "voltage_V", "bath_C", "probe_C")
    age_ms = 0 if row is None or now_ms - row.at_ms <= ROW_STANDS_MS else now_ms - row.at_ms
    bad = {} if row is None else dict(part.split("=", 1) for part in row.cells["quality"].split() if "=" in part)
    found = {}
    for name in names:
        number = None if row is None else _number(row.cells[name])
        usual = Quality.GOOD if number is not None else Quality.LOST
        found[name] = Value(number, _QUALITIES.get(bad.get(name, ""), usual), age_ms)
    up = row is not None and found["current_A"].number is not None
    reading = ChannelReading(
        found["current_A"], found["voltage_V"], lost, lost, lost,
        probes=(found["probe_C"],), link=LinkState.UP if up else LinkState.DOWN,
    )  # fmt: skip
    share = BathShare(found["bath_C"], 0, hood_closed=False, airflow_ok=False, inputs_ok=False, emergency_stop_ok=False)
    return CircuitIn(now_ms, reading, share)


def commanded(state: CircuitState, command: Command) -> CircuitState:
    """Return the state with the command that the record has for this cycle."""
    return replace(state, command=command)


def _number(text: str) -> float | None:
    try:
        found = float(text) if text else None
    except ValueError:
        return None
    return found if found is not None and math.isfinite(found) else None
