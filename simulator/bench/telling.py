"""A dry run in words and a table of 80 columns: steps, totals, limits, gas, hands, doubts, what comes next. Pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from profiles.problems import clean
from simulator.bench.dry import Dry, Verdict
from simulator.bench.figures import LOW_PERCENT_LEL, RECTIFIER_EFFICIENCY, Hands, Totals
from simulator.bench.moments import h_mm
from simulator.bench.nearness import Near
from simulator.bench.tried import StepDone

COLUMNS = 80
MOST_PERIOD = 4
LEAST_TIMES = 3
LEAST_GAS_M3_H = 0.005
LIMITS = {
    "derate": "derate",
    "hold": "hold",
    "trip": "trip",
    "water": "bath water",
    "step_limit": "the step's limit",
    "voltage_trip": "trip",
    "charge_cap": "charge cap",
    "longest_time": "a step's longest time",
}
"""What a limit is called behind its number."""


GRAVE = ("ended_at_once", "longest_time", "constant_voltage", "underformed", "overformed", "fill", "start_refused")
"""Doubts that speak against the profile itself, though it came to its end."""


TASK = "task: "
"""What stands before a task's name among the things that people did."""
LOOKS = ("look", "resume", "reset and resume")
"""What people do at a string that stands."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: a step, or so many like it in a repeat."""

    label: str
    ended_by: str
    hours: float
    current_A: float | None
    charge_Ah: float
    discharge_Ah: float
    end_V_per_cell: float | None
    hottest_C: float
    energy_kWh: float


def told(dry: Dry) -> list[str]:
    """All lines of a dry run."""
    return [*_head(dry), *table(dry), *_body(dry), *_warnings(dry), *_next(dry)]


def _head(dry: Dry) -> Iterator[str]:
    setting, plan = dry.asked.setting, dry.tried.plan
    where = f"bath {setting.bath.file.name}, " if setting.bath is not None else ""
    text = (
        f"{clean(plan.name)}, revision {plan.revision}: {dry.verdict}. {setting.batteries} batteries, {where}"
        f"{water_said(dry)}"
    )
    yield from wrapped(text)
    if setting.faults:
        yield from wrapped("faults: " + "; ".join(clean(str(line)) for line in setting.faults))


def water_said(dry: Dry) -> str:
    """The water, and where its warmth comes from where the person did not say it."""
    text, own = f"water {dry.asked.setting.water_C:g} C", dry.asked.profile.bath
    if dry.asked.water_given:
        return text
    return f"{text} ({'the usual one' if own is None else 'the hottest that the profile is for'})"


def table(dry: Dry) -> list[str]:
    """The steps and their sum."""
    if dry.verdict is Verdict.UNSTARTED:
        return []
    lines = [_line("step", "ended by", "hours", "A", "Ah", "V/cell end", "hottest C", "kWh")]
    lines += [_row(row) for row in folded(dry.tried.steps)]
    totals = dry.totals
    net = totals.charge_Ah - totals.discharge_Ah
    lines.append(
        _line("total", "", f"{totals.hours:.2f}", "", f"{net:.1f}", f"{totals.highest.value:.2f} top",
              f"{totals.hottest.value:.1f}", f"{totals.energy_kWh:.1f}")
    )  # fmt: skip
    return lines


def folded(steps: Sequence[StepDone]) -> list[Row]:
    """The steps as rows; what repeats `LEAST_TIMES` times and more on end is one row a step of the repeat."""
    rows: list[Row] = []
    at = 0
    while at < len(steps):
        period, times = _repeat(steps, at)
        if times < LEAST_TIMES:
            rows.append(_as_row(steps[at : at + 1]))
            at += 1
            continue
        rows += [_as_row(steps[at + part : at + period * times : period]) for part in range(period)]
        at += period * times
    return rows


def _repeat(steps: Sequence[StepDone], at: int) -> tuple[int, int]:
    """The repeat that begins here: after how many steps, and how often; the one that covers most."""
    keys = [(step.name, step.kind, step.asked_A) for step in steps]
    best = (1, 1)
    for period in range(1, MOST_PERIOD + 1):
        times = 1
        while keys[at : at + period] == keys[at + period * times : at + period * (times + 1)] and keys[at + period :]:
            times += 1
        if times >= LEAST_TIMES and period * times > best[0] * best[1]:
            best = (period, times)
    return best


def _as_row(steps: Sequence[StepDone]) -> Row:
    first, last = steps[0], steps[-1]
    many = len(steps) > 1
    by = {step.ended_by or "not ended" for step in steps}
    return Row(
        label=f"{first.number} {clean(first.name)}" + (f" x{len(steps)}" if many else ""),
        ended_by=by.pop() if len(by) == 1 else "various",
        hours=sum(step.end_h - step.begin_h for step in steps),
        current_A=None if last.kind == "rest" else last.end_A if last.ended_by == "current" else last.asked_A,
        charge_Ah=sum(step.charge_Ah for step in steps),
        discharge_Ah=sum(step.discharge_Ah for step in steps),
        end_V_per_cell=last.end_V_per_cell,
        hottest_C=max(step.hottest_C for step in steps),
        energy_kWh=sum(step.energy_kWh for step in steps),
    )


def _row(row: Row) -> str:
    moved = row.charge_Ah - row.discharge_Ah
    rest = row.current_A is None
    return _line(
        row.label,
        row.ended_by,
        f"{row.hours:.2f}",
        "-" if row.current_A is None else f"{row.current_A:.1f}",
        "-" if rest else f"{moved:.1f}",
        "-" if row.end_V_per_cell is None else f"{row.end_V_per_cell:.2f}",
        "-" if math.isnan(row.hottest_C) else f"{row.hottest_C:.1f}",
        "-" if rest else f"{row.energy_kWh:.1f}",
    )


def _line(step: str, by: str, hours: str, current: str, charge: str, volts: str, hot: str, energy: str) -> str:
    name = step if len(step) <= 21 else step[:19] + ".."
    return f"{name:<21} {by:<12} {hours:>5} {current:>6} {charge:>6} {volts:>10} {hot:>9} {energy:>4}".rstrip()


def _body(dry: Dry) -> Iterator[str]:
    totals = dry.totals
    if dry.verdict is Verdict.UNSTARTED:
        return
    near = [_near(one) for one in _two_kinds(totals.near)]
    if near:
        yield from wrapped("nearest limit: " + "; ".join(near))
    yield from wrapped(
        f"plates (estimate): positive {totals.formed_positive_percent:.1f} %, negative "
        f"{totals.formed_negative_percent:.1f} % formed; {totals.of_theory_percent / 100.0:.2f} x theory"
    )
    yield from wrapped(
        f"acid {totals.density:.3f} kg/L at {totals.reference_C:g} C, {totals.open_circuit_V:.2f} V a battery at rest;"
        f" water {totals.water_g_per_cell:.0f} g a cell, {totals.water_L_bath:.1f} L in the bath"
    )
    if totals.gas.string_peak_m3_h >= LEAST_GAS_M3_H:
        yield from wrapped(_gas(dry))
    yield from wrapped(_energy(totals))
    yield from wrapped(_heat(dry))
    if totals.hands:
        yield from wrapped("hands: " + "; ".join(_all_hands(dry, totals.hands)))


def _heat(dry: Dry) -> str:
    totals = dry.totals
    start = f"; start peak {totals.start_V_per_cell:.2f} V/cell" if totals.start_V_per_cell is not None else ""
    gassing = f"; gassing from {h_mm(totals.gassing_from_h)}" if totals.gassing_from_h is not None else ""
    return (
        f"soak {h_mm(dry.tried.soak_h)}, {dry.tried.soak_C:.1f} C at its end; cooling {totals.cooling.value:.1f} kW a "
        f"string at {h_mm(totals.cooling.at_h)}, {totals.cooling_kW_bath:.1f} the bath{start}{gassing}"
    )


def _two_kinds(near: Sequence[Near]) -> list[Near]:
    """The nearest limit, and the nearest one of another unit."""
    first = near[:1]
    return [*first, *[one for one in near if one.unit != first[0].unit and one.share > 0.0][:1]] if first else []


def _near(near: Near) -> str:
    name = LIMITS[near.code]
    if near.unit == "V/cell":
        return f"{near.value:.2f} of {near.limit:.2f} V/cell ({name}) at {h_mm(near.at_h)}"
    if near.unit == "h":
        return f"{h_mm(near.value)} of {h_mm(near.limit)} h ({name})"
    what = "" if near.code in ("water", "charge_cap") else "probe "
    return f"{what}{near.value:.1f} of {near.limit:.1f} {near.unit} ({name}) at {h_mm(near.at_h)}"


def _gas(dry: Dry) -> str:
    gas, circuits = dry.totals.gas, dry.asked.setting.circuits
    air = "the bath's" if gas.air_is_the_baths else "0.05 m3/h a cell and A"
    all_of = f"all {circuits} circuits" if circuits > 1 else "the one circuit"
    rule = f", {gas.rule_air_m3_h:.0f} by 0.05 m3/h a cell and A" if gas.air_is_the_baths else ""
    return (
        f"hydrogen {gas.string_m3:.1f} m3 a string, at most {gas.string_peak_m3_h:.2f} m3/h at {h_mm(gas.peak_h)}; "
        f"{all_of} at once: {gas.peak_percent_LEL:.0f} %LEL in {gas.air_m3_h:.0f} m3/h ({air}), "
        f"{LOW_PERCENT_LEL:g} in {gas.low_air_m3_h:.0f}{rule}"
    )


def _energy(totals: Totals) -> str:
    cost = f"; it costs {totals.cost:.2f} by the tariff" if totals.cost is not None else ""
    return (
        f"energy {totals.energy_kWh:.1f} kWh, {totals.battery_kWh:.2f} a battery; mains {totals.mains_kWh:.0f} kWh at "
        f"{100.0 * RECTIFIER_EFFICIENCY:.0f} % (assumed){cost}"
    )


def _all_hands(dry: Dry, hands: Sequence[Hands]) -> Iterator[str]:
    """Everything that people do; what they do many times at a string that stands is told once, at its first time."""
    for at, one in enumerate(hands):
        same = [other for other in hands if one.name in LOOKS and (other.what, other.name) == ("task", one.name)]
        if len(same) < LEAST_TIMES:
            yield _hands(dry, one)
        elif one.name not in {before.name for before in hands[:at]}:
            yield f"{one.name} {len(same)} times from {_at(dry, one.begin_h)} to {_at(dry, same[-1].begin_h)}"


def _at(dry: Dry, hours: float) -> str:
    start = dry.asked.start
    return h_mm(hours) if start is None else start.after(hours)


def _hands(dry: Dry, hands: Hands) -> str:
    begin = _at(dry, hands.begin_h)
    if hands.what == "walk":
        return f"meter walk {begin} to {_at(dry, hands.end_h or hands.begin_h)}"
    if hands.what == "unload":
        return f"unload from {begin}"
    if hands.what == "task":
        return f"{clean(hands.name.removeprefix(TASK))} at {begin}" + ("" if hands.name in LOOKS else " (assumed)")
    if hands.name:
        return f"{clean(hands.name)} at {begin}" + (" (done)" if hands.what == "done" else "")
    return f"{hands.what} {begin}"


def _warnings(dry: Dry) -> Iterator[str]:
    for doubt in dry.doubts:
        yield from wrapped(f"warning: {clean(doubt.sentence, 600)}")


def _next(dry: Dry) -> Iterator[str]:
    """The one thing to do now."""
    yield from wrapped(f"next: {next_step(dry)}")


def next_step(dry: Dry) -> str:
    """What an engineer does after this result."""
    name, setting = clean(dry.asked.name, 80), dry.asked.setting
    if dry.code and not setting.faults:
        return "settle the first warning, then run it again; --json holds every event"
    if setting.faults:
        return f"formbath dryrun {name} without the faults, to compare with"
    grave = [doubt for doubt in dry.doubts if doubt.code in GRAVE]
    if grave:
        return f"settle the warnings, or know why not; then formbath study {name}"
    range_ = dry.asked.profile.bath
    if range_ is not None and setting.water_C < range_.water_C[1]:
        return f"formbath dryrun {name} --water-C {range_.water_C[1]:g}, the hottest water it is for"
    return f"formbath study {name}"


def wrapped(text: str) -> list[str]:
    """A text in lines of 80 columns, the later ones two columns in."""
    return textwrap.wrap(text, COLUMNS, subsequent_indent="  ", break_long_words=True, break_on_hyphens=False)


def beside(rows: Iterable[Sequence[str]], widths: Sequence[int]) -> list[str]:
    """Rows of cells in columns: the first to the left, the others to the right."""
    lines = []
    for row in rows:
        first, *rest = row
        cells = [f"{first:<{widths[0]}}", *(f"{cell:>{width}}" for cell, width in zip(rest, widths[1:], strict=True))]
        lines.append(" ".join(cells).rstrip())
    return lines
