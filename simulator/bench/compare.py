"""Two profiles side by side: what differs between them first, then what each came to on the same axes. Pure."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from profiles.problems import clean
from profiles.profile import Profile
from simulator.bench.dry import Dry, Verdict
from simulator.bench.figures import Totals
from simulator.bench.moments import h_mm
from simulator.bench.telling import LIMITS, beside, wrapped

MISSING = "--"
WIDTHS = (30, 15, 15, 12)


@dataclass(frozen=True, slots=True)
class Change:
    """One key of the profile that differs; None: it is not there. `where` names it as people would, steps by name."""

    where: str
    old: str | None
    new: str | None


@dataclass(frozen=True, slots=True)
class Figure:
    """One quantity of both. `digits`: decimals worth showing; None: it cannot be told."""

    name: str
    unit: str
    old: float | None
    new: float | None
    digits: int = 1

    @property
    def gained(self) -> float | None:
        """New less old."""
        return None if self.old is None or self.new is None else self.new - self.old


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two dry runs at the same setting."""

    changes: tuple[Change, ...]
    figures: tuple[Figure, ...]


def compared(old: Dry, new: Dry) -> Comparison:
    """Differences of the files and of what came of them."""
    return Comparison(tuple(changes(old.asked.profile, new.asked.profile)), tuple(figures(_ran(old), _ran(new))))


def _ran(dry: Dry) -> Totals | None:
    """What it came to; None where it never began: its zeros say nothing."""
    return dry.totals if dry.verdict is not Verdict.UNSTARTED and dry.tried.steps else None


def changes(old: Profile, new: Profile) -> Iterator[Change]:
    """Every key that differs: the head, then the steps, which are matched by their names and order."""
    before, after = (profile.model_dump(mode="json", exclude_none=True) for profile in (old, new))
    steps = [found.pop("step", []) for found in (before, after)]
    yield from _keys("", before, after)
    yield from _steps("", *steps)


def _steps(above: str, old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]) -> Iterator[Change]:
    before, after = ([(step["name"], step["kind"]) for step in steps] for steps in (old, new))
    for what, first, end, begin, last in difflib.SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
        if what == "equal":
            for at, (one, other) in enumerate(zip(old[first:end], new[begin:last], strict=True)):
                yield from _step(f"{above}{_label(begin + at, other)}", one, other)
            continue
        # A step of another name in the same place is the same step, renamed, as far as there are as many.
        same = min(end - first, last - begin)
        for at in range(same):
            yield from _step(f"{above}{_label(begin + at, new[begin + at])}", old[first + at], new[begin + at])
        for at in range(first + same, end):
            yield Change(f"{above}{_label(at, old[at])}", _short(old[at]), None)
        for at in range(begin + same, last):
            yield Change(f"{above}{_label(at, new[at])}", None, _short(new[at]))


def _step(label: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    inner = [{key: value for key, value in step.items() if key != "step"} for step in (old, new)]
    yield from _keys(f"{label} ", *inner)
    yield from _steps(f"{label} > ", old.get("step", ()), new.get("step", ()))


def _label(index: int, step: Mapping[str, Any]) -> str:
    return f"step {index + 1} ({clean(str(step['name']))})"


def _short(step: Mapping[str, Any]) -> str:
    left = {key: value for key, value in step.items() if key not in ("name", "step") and value}
    return clean(", ".join(f"{key} {_text(value)}" for key, value in left.items()), 160)


def _keys(above: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    for key in dict.fromkeys([*old, *new]):
        one, other = old.get(key), new.get(key)
        if one == other:
            continue
        if isinstance(one, Mapping) and isinstance(other, Mapping):
            yield from _keys(f"{above}{key}.", one, other)
        else:
            yield Change(f"{above}{key}", _optional(one), _optional(other))


def _optional(value: Any) -> str | None:
    return None if value is None else _text(value)


def _text(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} {_text(part)}" for key, part in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_text(part) for part in value) + "]"
    return f"{value:g}" if isinstance(value, float) else clean(str(value), 80)


Read = Callable[[Totals], float | None]
QUANTITIES: tuple[tuple[str, str, int, Read], ...] = (
    ("hours", "h", 2, lambda t: t.hours),
    ("charge", "Ah", 1, lambda t: t.charge_Ah - t.discharge_Ah),
    ("energy a battery", "kWh", 2, lambda t: t.battery_kWh),
    ("mains, the string", "kWh", 1, lambda t: t.mains_kWh),
    ("cost by the tariff", "", 2, lambda t: t.cost),
    ("hottest", "C", 1, lambda t: t.hottest.value),
    ("hottest at", "h", 2, lambda t: t.hottest.at_h),
    ("highest", "V/cell", 2, lambda t: t.highest.value),
    ("start peak", "V/cell", 2, lambda t: t.start_V_per_cell),
    ("gassing from", "h", 2, lambda t: t.gassing_from_h),
    ("positive formed (estimate)", "%", 1, lambda t: t.formed_positive_percent),
    ("negative formed (estimate)", "%", 1, lambda t: t.formed_negative_percent),
    ("charge over theory", "x", 2, lambda t: t.of_theory_percent / 100.0),
    ("end density", "kg/L", 3, lambda t: t.density),
    ("hydrogen a string", "m3", 2, lambda t: t.gas.string_m3),
    ("hydrogen peak, all circuits", "m3/h", 2, lambda t: t.gas.bath_peak_m3_h),
    ("hydrogen in the duct", "%LEL", 1, lambda t: t.gas.peak_percent_LEL),
    ("water lost a cell", "g", 1, lambda t: t.water_g_per_cell),
    ("cooling, the bath, at most", "kW", 1, lambda t: t.cooling_kW_bath),
)


def figures(old: Totals | None, new: Totals | None) -> Iterator[Figure]:
    """Each quantity that one of the two has; None: that one has none of them."""
    for name, unit, digits, read in QUANTITIES:
        one, other = (None if totals is None else read(totals) for totals in (old, new))
        if one is not None or other is not None:
            yield Figure(name, unit, one, other, digits)


def told(old: Dry, new: Dry, comparison: Comparison) -> list[str]:
    """Both in words: differences, the table, what the new one costs and gains, and each one's own warnings."""
    lines = [*_heads(old, new), *_changes(comparison)]
    rows = [("at the same setting", "old", "new", "new - old")]
    rows += [_row(figure) for figure in comparison.figures]
    rows.append(("nearest limit", _nearest(old), _nearest(new), ""))
    rows.append(("warnings", str(len(old.doubts)), str(len(new.doubts)), ""))
    lines += beside(rows, WIDTHS)
    lines += wrapped(verdict(old, new, comparison))
    known = {doubt.sentence for doubt in old.doubts}
    lines += [
        line
        for doubt in new.doubts
        if doubt.sentence not in known
        for line in wrapped(f"warning, new only: {clean(doubt.sentence, 600)}")
    ]
    there = {doubt.sentence for doubt in new.doubts}
    lines += [
        line
        for doubt in old.doubts
        if doubt.sentence not in there
        for line in wrapped(f"gone with the new one: {clean(doubt.sentence, 600)}")
    ]
    return lines


def _heads(old: Dry, new: Dry) -> Iterator[str]:
    for word, dry in (("old", old), ("new", new)):
        plan = dry.tried.plan
        yield from wrapped(
            f"{word} {clean(dry.asked.name, 80)}: {clean(plan.name)}, revision {plan.revision}: {dry.verdict}"
        )
    setting = new.asked.setting
    where = f", bath {setting.bath.file.name}" if setting.bath is not None else ""
    hottest = "" if new.asked.water_given else " (the hottest that either is for)"
    yield from wrapped(f"both on {setting.batteries} batteries, water {setting.water_C:g} C{hottest}{where}")


def _changes(comparison: Comparison) -> Iterator[str]:
    if not comparison.changes:
        yield "the two files ask for the same"
    for change in comparison.changes:
        if change.old is None:
            yield from wrapped(f"only new: {change.where}: {change.new}")
        elif change.new is None:
            yield from wrapped(f"only old: {change.where}: {change.old}")
        else:
            yield from wrapped(f"differs: {change.where}: {change.old} -> {change.new}")


def _row(figure: Figure) -> tuple[str, str, str, str]:
    name = f"{figure.name}, {figure.unit}" if figure.unit else figure.name
    return name, _number(figure.old, figure.digits), _number(figure.new, figure.digits), _signed(figure)


def _number(value: float | None, digits: int) -> str:
    return MISSING if value is None or math.isnan(value) else f"{value:.{digits}f}"


def _signed(figure: Figure) -> str:
    gained = figure.gained
    if gained is None or math.isnan(gained):
        return MISSING
    return "same" if _same(gained, figure.digits) else f"{gained:+.{figure.digits}f}"


def _same(gained: float, digits: int) -> bool:
    return abs(gained) < 0.5 * 10.0**-digits


def _nearest(dry: Dry) -> str:
    if not dry.totals.near:
        return MISSING
    near = dry.totals.near[0]
    short = {"step_limit": "V limit", "voltage_trip": "V trip", "longest_time": "longest time"}
    return f"{short.get(near.code, LIMITS[near.code])} {100.0 * min(near.share, 9.99):.0f} %"


WEIGHED: tuple[tuple[str, str, str], ...] = (
    ("hours", "longer", "shorter"),
    ("energy a battery", "more energy a battery", "less energy a battery"),
    ("cost by the tariff", "dearer", "cheaper"),
    ("hottest", "hotter", "cooler"),
    ("hydrogen a string", "more hydrogen", "less hydrogen"),
    ("water lost a cell", "more water lost a cell", "less water lost a cell"),
)
"""What is better small: what to call it when there is more, and less."""
FORMED = "positive formed (estimate)"


def verdict(old: Dry, new: Dry, comparison: Comparison) -> str:
    """What the new one costs and what it gains, in one sentence."""
    if new.verdict in (Verdict.UNSTARTED, Verdict.UNENDED) or old.verdict in (Verdict.UNSTARTED, Verdict.UNENDED):
        return f"the two cannot be weighed: the old one {old.verdict}, the new one {new.verdict}"
    found = {figure.name: figure for figure in comparison.figures}
    costs: list[str] = []
    gains: list[str] = []
    for name, more, less in WEIGHED:
        figure = found.get(name)
        if figure is None or figure.gained is None or _same(figure.gained, figure.digits):
            continue
        (costs if figure.gained > 0.0 else gains).append(_amount(figure, more if figure.gained > 0.0 else less))
    formed = found[FORMED]
    if formed.gained is not None and not _same(formed.gained, formed.digits):
        text = _amount(formed, "of the positive more" if formed.gained > 0.0 else "of the positive less")
        (gains if formed.gained > 0.0 else costs).append(text + " formed")
    return f"the new one costs: {', '.join(costs) or 'nothing'}; it gains: {', '.join(gains) or 'nothing'}"


def _amount(figure: Figure, word: str) -> str:
    gained = abs(figure.gained or 0.0)
    if figure.name == "hours":
        return f"{h_mm(gained)} h {word}"
    unit = "K" if figure.unit == "C" else figure.unit
    return " ".join(part for part in (f"{gained:.{figure.digits}f}", unit, word) if part)
