"""The trend of one circuit: a chart of what its record holds, in ASCII glyphs that survive every font and copy. Pure.

`*` was read, and stands in the row whose label is the nearest; `-` is a limit with its name at the line, `#` in its row
what was read at or past it. Each column keeps the extreme of its interval, never the mean; where nothing was read
nothing is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from controller.console import outlook
from controller.console.picture import CircuitView, Picture, PlanView
from controller.console.row import BLANK, Row, fitted, row
from controller.console.scale import LARGEST, Limit, Span, edges, levels, row_of
from controller.console.scene import BathSeen, Scene, TrendData
from controller.console.series import Column, Number, Window, columns_of, extremes
from controller.console.thinning import GAP_INTERVALS, usual_interval_s

QUANTITIES = ("hot", "V", "A", "Ah")
RIGHT_END = 10**6
"""A cursor so far right is the newest column; smaller ones by as much are as many columns to its left."""

_LEFT = 7
_NAMES = 6
_FULL_HOT_K = 20.0
_FULL_VOLTS = 1.0
_VOLTS_WITHOUT_PLAN = 2.4
_OPEN_VOLTS = 1.0
"""Below it a string is fresh or open: no cell under charge stands there, and the scale does not widen for it."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """One quantity, ready to be drawn. `read`: format of a value with its unit."""

    title: str
    read: str
    span: Span
    values: tuple[Number, ...]
    highest: bool


def plot_width(width: int) -> int:
    """Return how many columns of time a chart of that width has: the places of the cursor."""
    return max(1, width - _LEFT - _NAMES)


def chart(scene: Scene, width: int, height: int, quantity: str) -> list[Row]:
    """Return the chart of the selected circuit in exactly `height` rows: what it shows, the plot, the times."""
    chosen = scene.selected
    if height <= 0:
        return []
    if chosen is None or chosen[0].picture is None:
        return [BLANK] * height
    seen, circuit = chosen
    picture, data = chosen[0].picture, scene.trend
    drawn = _drawn(scene, picture, circuit, data, quantity)
    window = _window(scene, picture, circuit, data, plot_width(width))
    if data is None or window is None or height < 4:
        why = _missing(scene, circuit, data)
        lines = [_head(scene, drawn, "", width), row("  ", why)][:height]
        return [fitted(each, width) for each in (*lines, *[BLANK] * (height - len(lines)))]
    read = columns_of(data.elapsed_s, drawn.values, window)
    cursor = _cursor(scene, seen, circuit, window)
    told = _told(scene, seen, circuit, window, read, cursor, drawn) if cursor is not None else data.trouble
    plot = _plot(drawn, read, height - 2)
    lines = [
        _head(scene, drawn, told, width, earlier=window.to_s < data.elapsed_s[-1]),
        *plot,
        _times(scene, seen, circuit, window, cursor),
    ]
    return [fitted(each, width) for each in lines]


# -- what is drawn


def _drawn(scene: Scene, picture: Picture, circuit: CircuitView, data: TrendData | None, quantity: str) -> Drawn:
    say, plan = scene.say, picture.plan_of(circuit)
    given = data if data is not None else TrendData("")
    if quantity == "V":
        cells = circuit.cells if circuit.cells is not None and circuit.cells > 0 else None
        volts = tuple(v / cells if v is not None and cells is not None else None for v in given.voltage_V)
        span = _volts_span(scene, picture, circuit, plan)
        return Drawn(say("circuit.trend.V"), "circuit.trend.read_V", span, volts, highest=True)
    if quantity == "A":
        return Drawn(say("circuit.trend.A"), "circuit.trend.read_A", _amps_span(plan), given.current_A, highest=False)
    if quantity == "Ah":
        span = _charge_span(scene, circuit, plan)
        return Drawn(say("circuit.trend.Ah"), "circuit.trend.read_Ah", span, given.charge_Ah, highest=False)
    probed = bool(circuit.probes_C) or any(value is not None for value in given.hot_C)
    title = say("circuit.trend.hot" if probed else "circuit.trend.water")
    values = given.hot_C if probed else given.bath_C
    return Drawn(title, "circuit.trend.read_C", _hot_span(scene, picture), values, highest=True)


def _hot_span(scene: Scene, picture: Picture) -> Span:
    say, laws = scene.say, picture.limits
    hold = outlook.finite(laws.probe_hold_C) or 0.0
    named = (
        ("circuit.trend.hold", hold), ("circuit.trend.trip", laws.probe_trip_C),
        ("circuit.trend.derate", laws.probe_derate_C),
    )  # fmt: skip
    limits = [Limit(at, say(key)) for key, at in named if outlook.finite(at) is not None]
    return Span(hold - _FULL_HOT_K, hold, hold, tuple(limits), least_step=0.5)


def _volts_span(scene: Scene, picture: Picture, circuit: CircuitView, plan: PlanView | None) -> Span:
    """The scale ends at the step's voltage limit: that of a rest is the highest of the plan."""
    step = outlook.step_of(picture, circuit)
    steps = [each.voltage_V_per_cell for each in plan.steps] if plan is not None else []
    known = [at for at in steps if outlook.finite(at) is not None and at > 0.0]
    own = step.voltage_V_per_cell if step is not None and step.kind != "rest" else 0.0
    top = own if own > 0.0 and outlook.finite(own) is not None else max(known, default=0.0)
    if top <= 0.0:
        return Span(_VOLTS_WITHOUT_PLAN - _FULL_VOLTS, _VOLTS_WITHOUT_PLAN, _VOLTS_WITHOUT_PLAN, least_step=0.02)
    limits = [Limit(top, scene.say("circuit.trend.limit"))]
    trip = outlook.finite(plan.voltage_trip_V_per_cell) if plan is not None else None
    if trip is not None and trip > top:
        limits.append(Limit(trip, scene.say("circuit.trend.trip")))
    return Span(top - _FULL_VOLTS, top, top, tuple(limits), least_step=0.02)


def _amps_span(plan: PlanView | None) -> Span:
    """From zero, or the strongest discharge of the plan, to its highest current."""
    steps = plan.steps if plan is not None else ()
    amps = [-one.current_A if one.kind == "discharge" else one.current_A for one in steps if one.kind != "rest"]
    known = [one for one in amps if outlook.finite(one) is not None]
    low, high = min([0.0, *known]), max([1.0, *known])
    return Span(low, high, 0.0, marks=(high, low))


def _charge_span(scene: Scene, circuit: CircuitView, plan: PlanView | None) -> Span:
    planned = outlook.finite(plan.planned_Ah) if plan is not None else None
    cap = cap_Ah(circuit, plan)
    limits = (Limit(cap, scene.say("circuit.trend.hold")),) if cap is not None else ()
    return Span(0.0, max(1.0, planned or 0.0, cap or 0.0), 0.0, limits)


def cap_Ah(circuit: CircuitView, plan: PlanView | None) -> float | None:
    """Return the charge at which the run would be held, with what interruptions added; None: no such limit is known."""
    cap = outlook.finite(plan.charge_cap_Ah) if plan is not None else None
    if cap is None:
        return None
    return cap + (outlook.finite(circuit.run.owed_Ah) or 0.0 if circuit.run is not None else 0.0)


# -- which time


def _missing(scene: Scene, circuit: CircuitView, data: TrendData | None) -> str:
    """Return why there is nothing to draw."""
    if circuit.run is None:
        return scene.say("circuit.trend.no_run")
    if data is not None and data.folder == circuit.folder and data.trouble:
        return data.trouble
    return scene.say("circuit.trend.nothing_yet")


def _window(
    scene: Scene, picture: Picture, circuit: CircuitView, data: TrendData | None, columns: int
) -> Window | None:
    """Return the time to be shown; None where there is no record of this circuit's run."""
    if data is None or circuit.run is None or not data.elapsed_s or data.folder != circuit.folder:
        return None
    to_s = _newest_s(picture, circuit, data)
    width_s = outlook.finite(scene.place.window_s) or 0.0
    if width_s <= 0.0:
        return Window(0.0, max(60.0, to_s), columns)
    width_s = max(1.0, min(width_s, LARGEST))
    asked_s = _asked_s(scene, picture, circuit)
    if asked_s is not None and asked_s < to_s - width_s:
        to_s = max(width_s / 2.0, asked_s + width_s / 2.0)
    return Window(to_s - width_s, to_s, columns)


def _newest_s(picture: Picture, circuit: CircuitView, data: TrendData) -> float:
    """Return the right edge: the newest row, but where an open run's record lags behind, so that its gap is seen."""
    last_s = data.elapsed_s[-1]
    run = circuit.run
    if run is None or run.end_ms is not None:
        return last_s
    now_s = (picture.now_ms - run.start_ms) / 1000.0
    pace = outlook.finite(picture.pace.ratio) if picture.pace is not None else None
    # Rows reach the disk a few seconds after they are made; a fast plant's time runs on meanwhile.
    usual_s = max(GAP_INTERVALS * usual_interval_s(data.elapsed_s), 5.0 * (pace or 1.0))
    return now_s if now_s - last_s > usual_s else last_s


def _asked_s(scene: Scene, picture: Picture, circuit: CircuitView) -> float | None:
    """Return the moment that an opened event asked for, in seconds since the run's start."""
    if not scene.place.trend_utc or circuit.run is None:
        return None
    try:
        moment = datetime.fromisoformat(scene.place.trend_utc)
        return (moment - picture.moment(circuit.run.start_ms)).total_seconds()
    except (ValueError, TypeError, OverflowError):
        return None


def _cursor(scene: Scene, seen: BathSeen, circuit: CircuitView, window: Window) -> int | None:
    """Return the cursor's column; None: there is none."""
    at, last = scene.place.trend_cursor, window.columns - 1
    if at is not None:
        return max(0, min(last, at if at < RIGHT_END // 2 else last - (RIGHT_END - at)))
    asked_s = _asked_s(scene, seen.picture, circuit) if seen.picture is not None else None
    if asked_s is None:
        return None
    column = window.column(asked_s)
    return column if 0 <= column <= last else None


# -- rows


def _head(scene: Scene, drawn: Drawn, told: str, width: int, *, earlier: bool = False) -> Row:
    """Return the first row: quantity, glyphs or the cursor's values, the window's width (`earlier`: not the newest)."""
    say, window_s = scene.say, outlook.finite(scene.place.window_s) or 0.0
    glyphs = say("circuit.trend.glyphs" if drawn.span.limits else "circuit.trend.glyph")
    if window_s <= 0.0:
        shown = say("circuit.trend.whole_run")
    else:
        long = window_s >= 3600.0
        length = say(
            "circuit.trend.hours" if long else "circuit.trend.minutes", n=window_s / (3600.0 if long else 60.0)
        )
        shown = say("circuit.trend.earlier" if earlier else "circuit.trend.last", length=length)
    left = f"{drawn.title}  {told or glyphs}"
    right = f"{shown}  [+ -]"
    return Row(f"{left:<{max(0, width - len(right) - 1)}} {right}" if len(left) + len(right) < width else left)


def _plot(drawn: Drawn, read: list[Column | None], count: int) -> list[Row]:
    """Return the rows of the plot, the highest first."""
    known = [column for column in read if column is not None]
    floor = _OPEN_VOLTS if drawn.read == "circuit.trend.read_V" else -LARGEST
    least = min((one.least for one in known if one.least >= floor), default=None)
    rows = levels(drawn.span, count, least, max((one.greatest for one in known), default=None))
    bounds = edges(rows)
    step = min((above.label - below.label for below, above in pairwise(rows)), default=1.0)
    cells = [list(("-" if level.name else " ") * len(read)) for level in rows]
    before: Column | None = None
    for at, column in enumerate(read):
        if column is not None:
            for value in extremes(column, before, max(step, 1e-9), highest=drawn.highest):
                touched = row_of(bounds, value)
                reached = rows[touched].name and value >= rows[touched].label
                cells[touched][at] = "#" if reached else "*"
        before = column
    below = any(one.least < floor for one in known)
    labels = [f"<{level.text}" if below and index == 0 else level.text for index, level in enumerate(rows)]
    made = [
        Row(f"{label:>5} |{''.join(line)}{f' {level.name}' if level.name else ''}".rstrip())
        for label, line, level in zip(labels, cells, rows, strict=True)
    ]
    return made[::-1]


def _at(scene: Scene, seen: BathSeen, circuit: CircuitView, elapsed_s: float, spec: str) -> str:
    """Return a moment of the run on this terminal's clock."""
    if seen.picture is None or circuit.run is None:
        return "--"
    try:
        moment = seen.picture.moment(circuit.run.start_ms) + timedelta(seconds=elapsed_s)
        return scene.local(moment).strftime(spec)
    except (OverflowError, ValueError):
        return "--"


def _told(
    scene: Scene, seen: BathSeen, circuit: CircuitView, window: Window, read: list[Column | None], at: int,
    drawn: Drawn,
) -> str:  # fmt: skip
    """Return what the cursor reads out: its time, and the extreme of its column."""
    column = read[at]
    before = read[at - 1] if at > 0 else None
    when = _at(scene, seen, circuit, window.moment_s(at), "%H:%M:%S")
    if column is None:
        return scene.say("circuit.trend.read_none", at=when)
    value = extremes(column, before, float("inf"), highest=drawn.highest)[0]
    return scene.say(drawn.read, at=when, value=value)


def _times(scene: Scene, seen: BathSeen, circuit: CircuitView, window: Window, cursor: int | None) -> Row:
    """Return the axis: times where their columns begin, the newest at its end, `|` under the cursor."""
    line = ["-"] * window.columns
    count = max(1, (window.columns - 5) // 20 + 1)
    spec = "%H:%M" if window.to_s - window.from_s >= 600.0 else "%H:%M:%S"
    for number in range(count + 1 if window.columns >= 12 else 1):
        column = (window.columns - 5) * number // count
        moment_s = window.to_s if number == count else window.moment_s(column)
        text = _at(scene, seen, circuit, moment_s, spec)
        begin = min(column, max(0, window.columns - len(text)))
        if cursor is None or not begin <= cursor < begin + len(text):
            line[begin : begin + len(text)] = list(text)
    if cursor is not None:
        line[cursor] = "|"
    # No plus there: a time since the start is written with one.
    return Row(" " * (_LEFT - 1) + "|" + "".join(line[: window.columns]))
