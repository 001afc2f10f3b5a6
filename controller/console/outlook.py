"""What the screens say of a circuit in few words: its state, its values with their age, what it waits for. Pure.

Nothing old looks current: a value past its time shows its age, and a bath that is not trusted shows ages only.
"""

from __future__ import annotations

from controller.console import besides
from controller.console.amounts import (
    cooling_ms,
    course_line,
    ended_ms,
    ends_utc,
    finite,
    hm,
    hottest_C,
    left_ms,
    percent,
    step_of,
)
from controller.console.picture import AlarmView, CircuitView, Picture, Reading
from controller.console.row import Part
from controller.console.scene import BathSeen, Scene, mark_of, style_of, worst

__all__ = [
    "ENDED",
    "NO_VALUE",
    "abnormal",
    "age_text",
    "alarm_since",
    "clock_at",
    "code_words",
    "cooling_ms",
    "course_line",
    "derate_word",
    "ended_ms",
    "ends_utc",
    "finite",
    "hm",
    "hot_reading",
    "hottest_C",
    "is_stale",
    "left_ms",
    "left_text",
    "mark_parts",
    "minutes_seconds",
    "name_part",
    "of_cell",
    "percent",
    "phase",
    "runs_word",
    "shown",
    "state_word",
    "step_of",
    "string_volts",
    "volts_per_cell",
    "waits_for",
]  # fmt: skip

NO_VALUE = "--"
ENDED = frozenset({"complete", "stopped"})

_STATES = {
    "idle": "bath.state.idle",
    "running": "bath.state.running",
    "held": "bath.state.held",
    "complete": "bath.state.complete",
    "stopped": "bath.state.stopped",
    "tripped": "bath.state.tripped",
    "unknown": "bath.state.unknown",
}
_WAITS = {
    "waits": "bath.waits.waits",
    "reset": "bath.waits.reset",
    "start": "bath.waits.start",
    "refused": "bath.waits.refused",
    "soak": "bath.waits.soak",
    "unload": "bath.waits.unload",
    "cool": "bath.waits.cool",
    "zero": "bath.waits.zero",
    "purge": "bath.waits.purge",
}
_REASONS = {
    "probe_derate": "bath.derate.hot",
    "water_derate": "bath.derate.hot",
    "probe_lost": "bath.derate.sensor",
    "runaway": "bath.derate.hot",
    "water_lost": "bath.derate.sensor",
    "power": "bath.derate.power",
}


def minutes_seconds(seconds: float) -> str:
    """A short time as m:ss."""
    whole = int(max(0.0, min(finite(seconds) or 0.0, 1e7)))
    return f"{whole // 60}:{whole % 60:02d}"


def age_text(age_ms: float) -> str:
    """An age that stands in a value's place: `?9s`, `?4m`, `?2h`, `?3d`."""
    seconds = int(max(0.0, min(age_ms, 1e12)) // 1000)
    for unit, length in (("s", 1), ("m", 60), ("h", 3600)):
        if seconds < {"s": 60, "m": 3600, "h": 360_000}[unit]:
            return f"?{seconds // length}{unit}"
    return f"?{seconds // 86_400}d"


def _age_ms(seen: BathSeen, reading: Reading) -> float:
    silent = finite(seen.silent_s) or 0.0
    return min(max(0, reading.age_ms), 10**13) + (0.0 if seen.trusted else silent * 1000.0)


def is_stale(seen: BathSeen, reading: Reading | None) -> bool:
    """Whether a value is too old to be shown as a number."""
    if reading is None or seen.picture is None:
        return False
    limit_ms = (finite(seen.picture.stale_after_s) or 0.0) * 1000.0
    return not seen.trusted or reading.age_ms > limit_ms or reading.quality == "stale"


def shown(seen: BathSeen, reading: Reading | None, spec: str) -> str:
    """A value by its format, its age in its place where it is old, `--` where there is none."""
    if reading is None or seen.picture is None:
        return NO_VALUE
    if is_stale(seen, reading):
        return age_text(_age_ms(seen, reading))
    number = finite(seen.picture.fresh(reading))
    if number is None:
        return NO_VALUE
    text = format(number, spec)
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text  # never a negative zero


OPEN_BELOW_V_PER_CELL = 0.5
"""Volts below which an open string's reading is that of the rectifier alone."""


def string_volts(circuit: CircuitView) -> Reading:
    """The string's volts; no number while its open-string alarm stands and next to nothing is read.

    Behind an open clamp the rectifier reads its own terminals, and the string may have its whole voltage.
    """
    volts, cells = circuit.voltage_V, circuit.cells
    stands = any(each.code == "open_string" and (each.active or each.latched) for each in circuit.alarms)
    if not stands or volts.number is None or abs(volts.number) >= OPEN_BELOW_V_PER_CELL * max(1, cells or 1):
        return volts
    return Reading(None, volts.quality, volts.age_ms)


def volts_per_cell(circuit: CircuitView) -> Reading | None:
    """The string's volts per cell; None while nothing says how many cells there are."""
    volts, cells = string_volts(circuit), circuit.cells
    if cells is None or cells <= 0:
        return None
    return Reading(None if volts.number is None else volts.number / cells, volts.quality, volts.age_ms)


def hot_reading(picture: Picture, circuit: CircuitView) -> Reading | None:
    """The highest valid probe, else the youngest one; the water only where the circuit has no probe."""
    values = circuit.probes_C or picture.inputs.water_C
    valid = [each for each in values if finite(picture.fresh(each)) is not None]
    if valid:
        return max(valid, key=lambda each: each.number or 0.0)
    return min(values, key=lambda each: each.age_ms, default=None)


def state_word(scene: Scene, seen: BathSeen, circuit: CircuitView) -> str:
    """The state in the person's words: BLOCKED before all, `?` behind what was not read back or is not current."""
    if circuit.blocked_by:
        return scene.say("bath.blocked")
    key = _STATES.get(circuit.state)
    word = scene.say(key) if key is not None else circuit.state[:8]
    return word if circuit.confirmed and seen.trusted else f"{word}?"


def phase(picture: Picture, circuit: CircuitView) -> str:
    """What stands beside an idle or ended circuit, empty for the others.

    `free`, `refused` (a start would be), `soak`, `start`, `cool`, `unload`.
    """
    if circuit.state in ENDED:
        return "unload" if cooling_ms(picture, circuit) is None else "cool"
    if circuit.state != "idle":
        return ""
    if circuit.load is None:
        return "free"
    if refused_start(circuit):
        return "refused"
    begins = circuit.load.start_from_ms
    return "soak" if begins is not None and picture.now_ms < begins else "start"


_IN_TIME = frozenset({"soaked", "bath_shut_and_aired", "start_list_done", "neighbours_told"})
"""Checks of a start that time, the purge or a person's tick will meet."""


def refused_start(circuit: CircuitView) -> str:
    """Why the machine's checks refuse a start for good, until somebody mends it; empty where they do not."""
    return next((each.refusal for each in circuit.start_checks if each.refusal and each.check not in _IN_TIME), "")


def waits_for(picture: Picture, circuit: CircuitView) -> str:
    """What the circuit waits for: `blocked`, `waits` (a person's word), `reset`, `start`, `refused`, `soak`, `unload`,
    `cool`, `zero`, `purge`; empty: for nothing.
    """
    if circuit.blocked_by:
        return "blocked"
    purging = (finite(picture.purge_left_s) or 0.0) > 0.0
    if circuit.state == "unknown" or (circuit.state in {"tripped", "held", *ENDED} and not circuit.confirmed):
        return "zero"
    if circuit.state == "tripped":
        return "reset"
    if circuit.state == "held":
        return "purge" if purging else "waits"
    if circuit.state == "running":
        step = step_of(picture, circuit)
        return "waits" if step is not None and step.order else ""
    found = phase(picture, circuit)
    if found == "start" and purging:
        return "purge"
    return "" if found == "free" else found


def derate_word(scene: Scene, circuit: CircuitView) -> str:
    """Percent and reason of a reduced current, such as `44%hot`; empty while nothing reduces it."""
    allowed = finite(circuit.allowed_percent)
    if circuit.state != "running" or (allowed is not None and allowed >= 100.0):
        return ""
    # Rounded down: what is allowed is never shown as more than it is.
    share = NO_VALUE if allowed is None else f"{int(max(0.0, allowed))}%"
    return share + scene.say(_REASONS.get(circuit.allowed_code or "", "bath.derate.other"))


def code_words(scene: Scene, code: str) -> str:
    """A law's code as words, where no alarm of the circuit says more."""
    return scene.say("bath.cause.power") if code == "power" else code.replace("_", " ")


def runs_word(scene: Scene, seen: BathSeen, circuit: CircuitView) -> str:
    """The last column of the bath's table: derate, gentle restart, what is waited for, or who blocked."""
    if seen.picture is None:
        return ""
    if circuit.blocked_by:
        return circuit.blocked_by
    if not seen.trusted:
        return ""
    waits = waits_for(seen.picture, circuit)
    if waits:
        return scene.say(_WAITS[waits])
    if derate_word(scene, circuit):
        return derate_word(scene, circuit)
    run = circuit.run
    if circuit.state == "running" and run is not None and (run.slow or run.restart_left_ms > 0):
        return scene.say("bath.runs.slow" if run.slow else "bath.runs.restart")
    return ""


def left_text(seen: BathSeen, circuit: CircuitView) -> str:
    """Time to the end of the run, to the last start, or since the end, as h:mm; empty where there is none."""
    picture = seen.picture
    if picture is None or not seen.trusted or circuit.blocked_by:
        return ""
    if circuit.state in ENDED:
        left = cooling_ms(picture, circuit)
        return hm(left) if left else hm(ended_ms(picture, circuit))
    if circuit.state == "idle":
        by = circuit.load.start_by_ms if circuit.load is not None else None
        return hm(by - picture.now_ms) if by is not None else ""
    left = left_ms(picture, circuit) if circuit.confirmed else None
    return hm(left) if left is not None else ""


def of_cell(scene: Scene, seen: BathSeen, circuit: CircuitView) -> list[Part]:
    """The least that is true of a circuit, for its place in the hall: percent while all is well, else the word."""
    picture, state = seen.picture, state_word(scene, seen, circuit)
    if picture is None:
        return []
    if circuit.blocked_by:
        return [("waits", state), f" {circuit.blocked_by}"]
    if state.endswith("?"):
        return _unsure(seen, circuit, state)
    if circuit.state == "running":
        done, derate = percent(picture, circuit), derate_word(scene, circuit)
        parts: list[Part] = [f"{done}%" if done is not None else state]
        if is_stale(seen, circuit.current_A):
            return [*parts, " ", ("shift", shown(seen, circuit.current_A, ".1f"))]
        if derate:
            return [*parts, " ", ("soon", derate)]
        word = runs_word(scene, seen, circuit)
        return [*parts, f" {word}"] if word else [*parts, *_late(scene, circuit)]
    if circuit.state in {"held", "tripped", "unknown"}:
        run = circuit.run
        since = run.held_since_ms if circuit.state == "held" and run is not None else None
        return [("waits", state), f" {hm(picture.now_ms - (circuit.since_ms if since is None else since))}"]
    return [_resting(scene, seen, circuit, state)]


def _late(scene: Scene, circuit: CircuitView) -> list[Part]:
    """How late it is behind its course, where that is worth a word."""
    late = besides.late_text(circuit)
    return [" ", ("soon", scene.say("bath.late", late=late))] if late and not late.startswith("-") else []


def _unsure(seen: BathSeen, circuit: CircuitView, state: str) -> list[Part]:
    """A state that is not read back, with the age of its current where that is old."""
    if is_stale(seen, circuit.current_A):
        return [("shift", state), " ", ("shift", shown(seen, circuit.current_A, ".1f"))]
    return [("shift", state)]


def _resting(scene: Scene, seen: BathSeen, circuit: CircuitView, state: str) -> str:
    """An idle or ended circuit: free, soaking, to be started by, cooling down, to unload."""
    picture, say = seen.picture, scene.say
    found = phase(picture, circuit) if picture is not None else ""
    load = circuit.load
    if picture is None or not found:
        return state
    if found == "free":
        return say("bath.phase.free")
    if found == "refused":
        return say("bath.phase.refused")
    if found == "soak":
        begins = load.start_from_ms if load is not None and load.start_from_ms is not None else picture.now_ms
        return say("bath.phase.soak", left=hm(begins - picture.now_ms))
    if found == "start":
        by = load.start_by_ms if load is not None else None
        if by is None:
            return say("bath.phase.to_start")
        if by < picture.now_ms:
            return say("bath.phase.start_over")
        return say("bath.phase.start_by", at=clock_at(scene, seen, by))
    if found == "cool":
        left = cooling_ms(picture, circuit)
        return say("bath.phase.cool", left=hm(left)) if left else say("bath.phase.still_hot")
    return say("bath.phase.unload", since=hm(ended_ms(picture, circuit)))


def abnormal(seen: BathSeen, circuit: CircuitView) -> bool:
    """Whether a circuit departs from what is quiet: alarm, block, hold, trip, derate, or anything not sure."""
    if (
        worst(circuit.alarms)
        or circuit.blocked_by
        or not circuit.confirmed
        or not seen.trusted
        or refused_start(circuit)
    ):
        return True
    if circuit.state not in {"idle", "running", *ENDED} or circuit.link != "up" or is_stale(seen, circuit.current_A):
        return True
    run = circuit.run
    return circuit.state == "running" and (circuit.allowed_percent < 100.0 or (run is not None and run.slow))


def mark_parts(scene: Scene, alarm: AlarmView | None) -> list[Part]:
    """Two cells: an alarm's life and priority, blank without one; a new 1 or 2 has its colour half the time."""
    if alarm is None:
        return ["  "]
    words = mark_of(alarm) + str(max(0, min(9, alarm.priority)))
    unlit = not alarm.acknowledged and alarm.priority <= 2 and not scene.blink
    return [words if unlit else (style_of(alarm.priority), words)]


def name_part(circuit: CircuitView, width: int) -> list[Part]:
    """The circuit's name, filled to `width`, in its worst alarm's style."""
    first = worst(circuit.alarms)
    name = circuit.name if len(circuit.name) <= width else circuit.name[: max(0, width - 1)] + "~"
    named: Part = (style_of(first.priority), name) if first is not None else name
    return [named, " " * (width - len(name))]


def clock_at(scene: Scene, seen: BathSeen, core_ms: int, spec: str = "%H:%M") -> str:
    """A moment of a bath's core time on this terminal's clock; `--` where there is no such moment."""
    try:
        return scene.clock(seen, core_ms, spec)
    except (OverflowError, ValueError):
        return NO_VALUE


def alarm_since(scene: Scene, seen: BathSeen, alarm: AlarmView) -> str:
    """When an alarm came, on this terminal's clock."""
    return clock_at(scene, seen, alarm.since_ms)
