"""What the demo shows: which faults its plant has, and what its persons do about them, all in plant time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import profiles
from simulator.faults import FaultLine, parse_fault_line
from simulator.script import Act

PROFILE = Path(profiles.__file__).parent / "library" / "starter-60.toml"
FIRST_CURRENT_s = 630.0
APART_s = 65.0
"""Each first current flows alone for a minute, so that leads that are crossed show."""

DAY, MEND, NIGHT = "day technician", "maintenance", "night technician"

HANDS_s = {
    "A01": 67_300.0, "A02": 67_365.0, "A03": 67_430.0, "A04": 67_495.0,
    "A08": 68_310.0, "A06": 69_090.0, "A05": 70_250.0, "A07": 70_500.0,
}  # fmt: skip
"""When each circuit is blocked for the densities that the profile asks for: some seven minutes after its end."""

READ_AT = (1, 9, 18)
WAIT_s = 620.0
"""From the block to the first hand at a battery."""

FAULTS = (
    "A07 warm_place 0.45",
    "A03/9 shorted_cell",
    "A06/4 reversed",
    "3:10-3:11 pillar link_off",
    "6:22 A05 open_clamp",
)
"""The reversed battery and the open clamp have no end: hands mend them while the circuit is blocked."""


def faults() -> tuple[FaultLine, ...]:
    """Return the planned faults."""
    return tuple(parse_fault_line(line) for line in FAULTS)


def acts(circuits: Sequence[str], items: int) -> list[Act]:
    """Return what the demo's persons do: load, tick the start list's `items`, start, see to A05 and A06, and read."""
    load = {
        "profile": str(PROFILE),
        "batch": "K3107:1-11 K3108:12-18",
        "first_filled_minutes_ago": 58.0,
        "last_filled_minutes_ago": 50.0,
        "continued": False,
    }
    done = [Act(60.0, DAY, "load", name, load) for name in circuits]
    for at, name in enumerate(circuits):
        start_s = FIRST_CURRENT_s + APART_s * at
        done += ticks(name, items, start_s)
        done.append(Act(start_s, DAY, "start", name, {}, "string_volts" if name == "A06" else ""))
    all_s = FIRST_CURRENT_s + APART_s * len(circuits)
    return done + _reversed_battery(all_s, items) + _open_clamp() + _densities(circuits)


def ticks(circuit: str, items: int, before_s: float) -> list[Act]:
    """Return the ticks of a circuit's start list, one item every ten seconds, the last one ten seconds before."""
    first_s = before_s - 10.0 * items
    return [Act(first_s + 10.0 * at, DAY, "done", circuit, {"item": at + 1, "ok": True}) for at in range(items)]


def _reversed_battery(all_s: float, items: int) -> list[Act]:
    """A06: its start was refused; blocked once the others run, its battery is replaced in 20 min, then started."""
    again_s = all_s + 1_260
    return [
        Act(all_s + 60, MEND, "block", "A06"),
        Act(all_s + 1_200, MEND, "unblock", "A06"),
        *ticks("A06", items, again_s),
        Act(again_s, DAY, "start", "A06"),
    ]


def _open_clamp() -> list[Act]:
    """A05: tripped at 6:08 of its run; seen, blocked for the clamp, reset, resumed; then what else was to be seen."""
    return [
        Act(22_980 + 240, DAY, "acknowledge", "A05"),
        Act(22_980 + 300, MEND, "block", "A05"),
        Act(24_600, MEND, "unblock", "A05"),
        Act(24_660, MEND, "reset", "A05"),
        Act(24_810, DAY, "resume", "A05"),
        Act(24_870, DAY, "acknowledge", "A07"),
        Act(24_880, DAY, "acknowledge", "A08"),
    ]


def _densities(circuits: Sequence[str]) -> list[Act]:
    """Each circuit once it is complete: blocked, the wait, its densities read and typed, unblocked."""
    done = []
    for name in circuits:
        begin_s = HANDS_s[name]
        done.append(Act(begin_s, NIGHT, "block", name))
        for at, position in enumerate(READ_AT):
            said = {"what": "density", "position": position, "instrument": "hydrometer 1"}
            done.append(Act(begin_s + WAIT_s + 15.0 * at, NIGHT, "reading", name, said))
        done.append(Act(begin_s + WAIT_s + 60.0, NIGHT, "unblock", name))
    return done
