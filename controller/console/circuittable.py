"""The circuit page's table: asked, read, and the limit that comes next, a row a quantity. Pure.

Beside them what the expected course has at this point and how far the sisters reach; both stay blank where there is
none. Where a value is too old its age stands in its place, and beside it the last value with its moment.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from controller.console import besides, outlook
from controller.console.picture import CircuitView, Picture, PlanView, Reading, StepView
from controller.console.row import Part, Row, row
from controller.console.scene import BathSeen, Scene
from controller.console.trend import cap_Ah

_LABEL, _ASKED, _READ = 17, 6, 8
_LAST_AT, _LIMIT_AT, _LIMIT_ROOM = 33, 61, 19
_COURSE, _SISTERS = 9, 16
"""Columns of the course, and of the sisters behind it: both lie before the limit on 80 columns, else are left out."""


@dataclass(frozen=True, slots=True)
class _Line:
    label: str
    asked: Reading | None
    read: Reading | None
    spec: str
    limit: str = ""
    name: str = ""


def table(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView, width: int) -> list[Row]:
    """Return the head and the four rows."""
    say = scene.say
    asked, read = say("circuit.asked"), say("circuit.read")
    head = f"{'':<{_LABEL}}{asked:>{_ASKED}}{read:>{_READ}}"
    head += _beside_head(scene, circuit) if _limit_at(width) >= _LAST_AT + _COURSE + _SISTERS else ""
    head = f"{head:<{_limit_at(width)}}{say('circuit.next_limit')}"
    return [Row(head), *(_row(scene, seen, circuit, each, width) for each in _lines(scene, picture, circuit))]


def _lines(scene: Scene, picture: Picture, circuit: CircuitView) -> Iterable[_Line]:
    say, plan, run = scene.say, picture.plan_of(circuit), circuit.run
    is_open = run is not None and run.end_ms is None
    step = outlook.step_of(picture, circuit) if is_open else None
    asked = Reading(circuit.set_current_A, "good", 0)
    yield _Line(say("circuit.current"), asked, circuit.current_A, ".1f", _amps_limit(scene, circuit, step), "current_A")
    volts = outlook.volts_per_cell(circuit)
    if volts is not None:
        limit = _volts_limit(scene, picture, volts, plan, step)
        yield _Line(say("circuit.volts"), None, volts, ".3f", limit, "volts")
    else:
        yield _Line(say("circuit.string"), None, outlook.string_volts(circuit), ".1f")
    hot = outlook.hot_reading(picture, circuit)
    limit = _hot_limit(scene, picture, hot) if circuit.probes_C else ""
    yield _Line(_hot_label(scene, circuit, hot), None, hot, ".1f", limit, "probe_C" if circuit.probes_C else "")
    charge = Reading(run.charge_Ah, "good", 0) if run is not None else None
    cap = cap_Ah(circuit, plan) if is_open else None
    cap_text = say("circuit.next.cap", at=cap) if cap is not None else ""
    yield _Line(say("circuit.charge"), None, charge, ".1f", cap_text, "charge_Ah")


def _beside_head(scene: Scene, circuit: CircuitView) -> str:
    """Return the heads of course and sisters, each where there is one."""
    names = ("current_A", "volts", "probe_C", "charge_Ah")
    course = scene.say("circuit.course") if any(besides.course_cell(circuit, name) for name in names) else ""
    count = besides.sister_count(circuit)
    return f"   {course:<{_COURSE}}{scene.say('circuit.sisters', n=count) if count else ''}"


def _beside(seen: BathSeen, circuit: CircuitView, line: _Line, width: int) -> str:
    """Return a value's mark, what the course has and what the sisters have; blank for what is not current."""
    if not seen.trusted or not line.name or line.read is None or outlook.is_stale(seen, line.read):
        return ""
    if _limit_at(width) < _LAST_AT + _COURSE + _SISTERS:
        return ""
    course, sister = besides.course_cell(circuit, line.name), besides.sister_cell(circuit, line.name)
    return f" {besides.mark(circuit, line.name)} {course:<{_COURSE}}{sister}".rstrip()


def _row(scene: Scene, seen: BathSeen, circuit: CircuitView, line: _Line, width: int) -> Row:
    asked = outlook.shown(seen, line.asked, line.spec) if line.asked is not None else ""
    read = outlook.shown(seen, line.read, line.spec)
    parts: list[Part] = [f"{line.label[:_LABEL]:<{_LABEL}}", *_cell(asked, _ASKED), *_cell(read, _READ)]
    last = _last(scene, seen, line) if outlook.is_stale(seen, line.read) else _why_not(scene, seen, circuit, line)
    used = _LABEL + _ASKED + _READ
    parts.append(f"{'':<{max(2, _LAST_AT - used)}}{last}" if last else _beside(seen, circuit, line, width))
    used = sum(len(part if isinstance(part, str) else part[1]) for part in parts)
    limit = line.limit or ""
    if limit and used < _limit_at(width):
        parts.append(f"{'':<{_limit_at(width) - used}}{limit}")
    return row(*parts)


def _why_not(scene: Scene, seen: BathSeen, circuit: CircuitView, line: _Line) -> str:
    """Return what is read at the terminals where that is not the string's voltage, in the place beside it."""
    number = seen.picture.fresh(circuit.voltage_V) if seen.picture is not None else None
    if line.name != "volts" or number is None or outlook.string_volts(circuit) is circuit.voltage_V:
        return ""
    return scene.say("circuit.not_its_own", volts=number)


def _cell(text: str, width: int) -> list[Part]:
    """Return a right-set value; an age in its place has its style."""
    blank = " " * max(0, width - len(text))
    return [blank, ("shift", text) if text.startswith("?") else text]


def _last(scene: Scene, seen: BathSeen, line: _Line) -> str:
    """Return the last value that was read, with its moment; empty where there is none."""
    if line.read is None or seen.picture is None or outlook.finite(line.read.number) is None:
        return ""
    at = outlook.clock_at(scene, seen, seen.picture.now_ms - line.read.age_ms, "%H:%M:%S")
    return scene.say("circuit.last", value=format(line.read.number, line.spec), at=at)


def _limit_at(width: int) -> int:
    return max(_LAST_AT, min(_LIMIT_AT, width - _LIMIT_ROOM))


def _hot_label(scene: Scene, circuit: CircuitView, hot: Reading | None) -> str:
    if not circuit.probes_C:
        return scene.say("circuit.water")
    if len(circuit.probes_C) == 1 or hot is None:
        return scene.say("circuit.hot")
    return scene.say("circuit.hot_of", n=circuit.probes_C.index(hot) + 1)


def _amps_limit(scene: Scene, circuit: CircuitView, step: StepView | None) -> str:
    """Return the current that the step asks for, or that of a gentle restart."""
    run = circuit.run
    if step is None or step.kind == "rest" or run is None:
        return ""
    gentle = run.slow or run.restart_left_ms > 0
    if gentle and step.restart_A > 0.0:
        return scene.say("circuit.next.restart", at=step.restart_A)
    return scene.say("circuit.next.set", at=step.current_A)


def _volts_limit(scene: Scene, picture: Picture, volts: Reading, plan: PlanView | None, step: StepView | None) -> str:
    if step is None:
        return ""
    number = picture.fresh(volts)
    trip = plan.voltage_trip_V_per_cell if plan is not None else None
    if step.kind != "rest" and step.voltage_V_per_cell > 0.0 and not (number or 0.0) >= step.voltage_V_per_cell:
        return scene.say("circuit.next.step", at=step.voltage_V_per_cell)
    return scene.say("circuit.next.volts_trip", at=trip) if trip is not None else ""


def _hot_limit(scene: Scene, picture: Picture, hot: Reading | None) -> str:
    """Return the level of the laws that the probe reaches next; the trip level, once it is past all."""
    laws, number = picture.limits, picture.fresh(hot)
    levels = (
        ("circuit.next.derate", laws.probe_derate_C), ("circuit.next.hold", laws.probe_hold_C),
        ("circuit.next.trip", laws.probe_trip_C),
    )  # fmt: skip
    key, level = next((each for each in levels if number is None or not number >= each[1]), levels[-1])
    return scene.say(key, at=level)
