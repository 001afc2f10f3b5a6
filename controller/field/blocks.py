"""Few big requests out of many signals: a device is slow by the request, not by the register.

A read may pass over a gap only where the map allows it; a write never does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from controller.field.transport import Read, Write

MAX_WRITE_REGISTERS = 123  # FC16's own limit (Modbus Application Protocol V1.1b3, 6.12)

Cell = tuple[str, int]


@dataclass(frozen=True, slots=True)
class Span:
    """The registers or coils that one signal of one channel takes; they are never read in two requests."""

    entity: str
    address: int
    cells: int


def plan_reads(
    unit: int, spans: Iterable[Span], max_registers: int = 125, bridge: int = 0, one_at_a_time: bool = False
) -> tuple[Read, ...]:
    """The fewest reads that cover the spans; `bridge`: how many unlisted registers one may pass over."""
    reads: list[Read] = []
    for span in sorted(set(spans), key=lambda span: (span.entity, span.address, span.cells)):
        last = reads[-1] if reads else None
        if last and not one_at_a_time and last.entity == span.entity and span.address <= _end(last) + bridge:
            count = max(_end(last), span.address + span.cells) - last.address
            if count <= max(max_registers, span.cells):
                reads[-1] = Read(unit, span.entity, last.address, count)
                continue
        reads.append(Read(unit, span.entity, span.address, span.cells))
    return tuple(reads)


def plan_writes(
    unit: int,
    cells: Mapping[Cell, int],
    spans: Iterable[Span],
    max_registers: int = MAX_WRITE_REGISTERS,
    one_at_a_time: bool = False,
) -> tuple[Write, ...]:
    """Adjacent spans become one write, a span never two; the order is that of the first cell of each in `cells`."""
    rank = {cell: place for place, cell in enumerate(cells)}
    runs: list[Read] = []
    for span in sorted(set(spans), key=lambda span: (span.entity, span.address, span.cells)):
        last = runs[-1] if runs else None
        if last and not one_at_a_time and last.entity == span.entity and span.address <= _end(last):
            count = max(_end(last), span.address + span.cells) - last.address
            if count <= min(max_registers, MAX_WRITE_REGISTERS):
                runs[-1] = Read(unit, span.entity, last.address, count)
                continue
        runs.append(Read(unit, span.entity, span.address, span.cells))
    places = [tuple((run.entity, run.address + step) for step in range(run.count)) for run in runs]
    places.sort(key=lambda run: min(rank[cell] for cell in run))
    return tuple(Write(unit, run[0][0], run[0][1], tuple(cells[cell] for cell in run)) for run in places)


def covers(read: Read, span: Span) -> bool:
    """Whether a read brings all of a span."""
    return read.entity == span.entity and read.address <= span.address and span.address + span.cells <= _end(read)


def _end(read: Read) -> int:
    return read.address + read.count
