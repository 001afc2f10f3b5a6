"""What the tests of course and advice share: baths of the virtual plant with advice, and a release of what one did."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from controller.core.types import BathIn
from controller.course import MS_PER_H, expected_of
from controller.coursestand import Stand, stands_of
from controller.coursetrace import Look
from controller.service.advising import Advising
from profiles.loader import found_profile, parse_document, read_document
from profiles.release import Band, CourseStep, Release
from simulator.stage import Setting

CORE = Path(__file__).parents[1] / "core"
POINTS = 31
COARSE_s = 45.0
"""Period of the coarse baths: a whole formation in seconds of computing."""


def closed() -> Any:
    """The closed loop of core and virtual plant, from the core's tests."""
    if str(CORE) not in sys.path:
        sys.path.append(str(CORE))
    return importlib.import_module("closed")


@dataclass
class Played:
    """A bath with advice. `told`: (hours, circuit, code) of each advice when it came; `looks`: all that was judged."""

    loop: Any
    advising: Advising
    told: list[tuple[float, str, str]] = field(default_factory=list)
    ended: list[tuple[float, str, str]] = field(default_factory=list)
    values: dict[tuple[str, str], tuple[float | None, float | None]] = field(default_factory=dict)
    looks: list[Look] = field(default_factory=list)

    def codes(self) -> set[tuple[str, str]]:
        """Which advice came at all, by circuit."""
        return {(name, code) for _, name, code in self.told}

    def hours(self, name: str, code: str) -> float:
        """When it came first."""
        return next(at_h for at_h, who, what in self.told if (who, what) == (name, code))


def bath(
    monkeypatch: Any, *, circuits: int, seed: int, period_s: float = COARSE_s, share: float = 1.0,
    faults: Sequence[str] = (), course: Release | None = None, profile: str = "starter-60", apart_s: float = 150.0,
    keep: bool = False, places: Sequence[int] = (),
) -> Played:  # fmt: skip
    """A bath on the plant whose advice goes back into the core with the next cycle, as the service does it.

    `places`: of each circuit, where they are not all alike.
    """
    found = closed()
    monkeypatch.setattr(found, "APART_s", apart_s)
    plan = found.plan_of(profile)
    plan = found.shortened(plan, share) if share != 1.0 else plan
    ours = found.bath_of(circuits, period_s)
    if places:
        entries = zip(ours.file.circuit, places, strict=True)
        sized = tuple(entry.model_copy(update={"places": count}) for entry, count in entries)
        ours = replace(ours, file=ours.file.model_copy(update={"circuit": sized}))
    loop = found.closed(ours, [plan], Setting(seed=seed), faults)
    looks: list[Look] = []

    def judged(look: Look, before: Mapping[str, Stand]) -> dict[str, Stand]:
        if keep:
            # The trace's own minutes grow on: what is kept is the one of this moment.
            newest = replace(look.mine, minutes=tuple(look.mine.minutes[-1:]))
            looks.append(replace(look, mine=newest, all=(), kin=()))
        return stands_of(look, before)

    played = Played(loop, Advising(loop.settings, judged), looks=looks)
    if course is not None:
        played.advising.courses.known[plan.sha256] = expected_of(course)
    monkeypatch.setattr(found, "BathIn", lambda *parts: BathIn(*parts[:4], advice=played.advising.advice), raising=True)
    standing: set[tuple[str, str]] = set()

    def look(each: Any) -> None:
        played.advising.look(each.given, each.state)
        now = {(name, said.code): (said.value, said.limit) for name, said in played.advising.advice}
        hours = each.now_s / 3600.0
        played.told.extend((hours, *key) for key in sorted(now.keys() - standing))
        played.ended.extend((hours, *key) for key in sorted(standing - now.keys()))
        played.values.update({key: value for key, value in now.items() if key not in standing})
        standing.clear()
        standing.update(now)

    loop.after.append(look)
    return played


def release_of(looks: Sequence[Look], profile: str = "starter-60") -> Release:
    """A release of the library's profile whose course is what these circuits did, by lowest, median and highest."""
    path = found_profile(profile)
    assert path is not None
    document = read_document(path)
    plan = looks[0].mine.plan
    rows: dict[str, list[tuple[int, float, float, Any]]] = {}
    for look in looks:
        now, elapsed_ms = look.mine.now, look.mine.elapsed_ms
        if now is not None and elapsed_ms is not None:
            rows.setdefault(look.mine.name, []).append((now.step, now.progress, elapsed_ms / MS_PER_H, now))
    steps = [_step(index, plan, rows) for index in range(len(plan.steps))]
    return Release(
        kind="release", format="formbath/release/1",
        profile=parse_document(document.text, "text").data["name"], revision=plan.revision, sha256=document.sha256,
        text=document.text, person="anna", reason="tests", utc="2026-03-16T06:00:00Z", versions={"formbath": "0.1.0"},
        model={}, settings={}, water_C=(20.0, 34.0), course=tuple(steps), totals={}, confirmed=(), study={"strings": 4},
    )  # fmt: skip


def _step(index: int, plan: Any, rows: Mapping[str, list]) -> CourseStep:
    mine = [[(progress, hours, now) for step, progress, hours, now in each if step == index] for each in rows.values()]
    length = sorted(each[-1][0] for each in mine)[len(mine) // 2]
    hours = sorted(each[-1][1] - each[0][1] for each in mine)
    grid = [length * at / (POINTS - 1) for at in range(POINTS)]
    kind = plan.steps[index].kind.value

    def band(value: Any) -> Band:
        lines = [_line([(progress, value(at_h, now)) for progress, at_h, now in each], grid) for each in mine]
        points = [sorted(point) for point in zip(*lines, strict=True)]
        return Band(
            low=tuple(each[0] for each in points), middle=tuple(each[len(each) // 2] for each in points),
            high=tuple(each[-1] for each in points),
        )  # fmt: skip

    return CourseStep(
        step=index + 1, name=plan.steps[index].name, kind=kind, grid="minutes" if kind == "rest" else "charge_Ah",
        at=tuple(grid), elapsed_h=band(lambda at_h, _: at_h), voltage_V_per_cell=band(lambda _, now: now.volts),
        current_A=band(lambda _, now: now.current_A), probe_C=band(lambda _, now: now.probe_C),
        duration_h=(hours[0], hours[len(hours) // 2], hours[-1]),
    )  # fmt: skip


def _line(points: Sequence[tuple[float, float]], grid: Sequence[float]) -> list[float]:
    """Values at the grid's places, between the points around them."""
    found = []
    for at in grid:
        after = next((index for index, (x, _) in enumerate(points) if x >= at), len(points) - 1)
        (x0, y0), (x1, y1) = points[max(0, after - 1)], points[after]
        share = min(1.0, max(0.0, (at - x0) / (x1 - x0))) if x1 > x0 else 1.0
        found.append(y0 + share * (y1 - y0))
    return found


def small_release(
    first: tuple[float, ...] = (2.2, 2.1, 2.12, 2.15, 2.30), second: tuple[float, ...] = (2.30, 2.50, 2.7, 2.75, 2.75)
) -> Release:
    """A course of three steps made by hand: 60 Ah at 15 A, half an hour of rest, 40 Ah at 10 A; all at 40 C."""
    text = 'kind = "profile"\nname = "small"\nrevision = 2\n'
    steps = (
        _by_hand(1, "charge", "charge_Ah", (0.0, 15.0, 30.0, 45.0, 60.0), (0.0, 4.0), first, 15.0),
        _by_hand(2, "rest", "minutes", (0.0, 30.0), (4.0, 4.5), (2.15, 2.10), 0.0),
        _by_hand(3, "charge", "charge_Ah", (0.0, 10.0, 20.0, 30.0, 40.0), (4.5, 8.5), second, 10.0),
    )
    return Release(
        kind="release", format="formbath/release/1", profile="small", revision=2,
        sha256=parse_document(text, "text").sha256, text=text, person="anna", reason="tests",
        utc="2026-03-16T06:00:00Z", versions={}, model={}, settings={}, water_C=(20.0, 34.0), course=steps, totals={},
        confirmed=(), study={},
    )  # fmt: skip


def _by_hand(
    number: int, kind: Any, grid: Any, at: tuple[float, ...], hours: tuple[float, float], volts: tuple[float, ...],
    current_A: float,
) -> CourseStep:  # fmt: skip
    def band(values: Sequence[float], less: float = 0.0, more: float = 0.0) -> Band:
        return Band(
            low=tuple(max(0.0, each - less) for each in values), middle=tuple(values),
            high=tuple(each + more for each in values),
        )  # fmt: skip

    length = hours[1] - hours[0]
    elapsed = [hours[0] + length * each / at[-1] for each in at]
    return CourseStep(
        step=number, name=f"step {number}", kind=kind, grid=grid, at=at, elapsed_h=band(elapsed, 0.1, 0.2),
        voltage_V_per_cell=band(volts, 0.01, 0.02), current_A=band([current_A] * len(at)),
        probe_C=band([40.0] * len(at), 1.0, 2.0), duration_h=(length, length, length),
    )  # fmt: skip


def flat_release(profile: str, hours: float) -> Release:
    """A release of the library's profile: each step takes so long, and no value moves."""
    path = found_profile(profile)
    assert path is not None
    document, plan = read_document(path), closed().plan_of(profile)
    steps = tuple(
        _by_hand(
            each.number, each.kind.value, "minutes" if each.kind.value == "rest" else "charge_Ah", (0.0, 60.0),
            ((each.number - 1) * hours, each.number * hours), (2.2, 2.2), each.current_A,
        )
        for each in plan.steps
    )  # fmt: skip
    wide = tuple(
        each.model_copy(update={"voltage_V_per_cell": Band(low=(2.1, 2.1), middle=(2.2, 2.2), high=(2.3, 2.3))})
        for each in steps
    )
    return Release(
        kind="release", format="formbath/release/1", profile=plan.name, revision=plan.revision, sha256=document.sha256,
        text=document.text, person="anna", reason="tests", utc="2026-03-16T06:00:00Z", versions={}, model={},
        settings={}, water_C=(20.0, 34.0), course=wide, totals={}, confirmed=(), study={},
    )  # fmt: skip
