"""A study as figures: the band of the course over hours, and how many strings stay below which value."""

from __future__ import annotations

from controller.charts.figure import Figure, Line, Number, Panel, Span, band, limit, mark, shares
from simulator.bench.setting import settings_for
from simulator.bench.study import Study, water_text
from simulator.bench.studyrow import FIGURES, KEYS

SHARES = {
    "hottest_C": ("hottest", "hottest battery", "C"),
    "hours": ("end", "end", "h"),
    "charge_Ah": ("charge", "charge", "Ah"),
}
"""Figures drawn as cumulative shares: the word in the file's name, the axis and its unit."""


def figures(study: Study) -> dict[str, Figure]:
    """All figures of a study by the word that its file's name ends in; "": the course. Empty without a course."""
    if not study.strings:
        return {}
    found = {word: _shares(study, key) for key, (word, _, _) in SHARES.items()}
    return {"": _course(study), **found} if study.course else found


def _title(study: Study, what: str) -> str:
    return f"{what}: {study.plan.name}, revision {study.plan.revision}; n {study.strings}, seed {study.seed}"


def _shares(study: Study, key: str) -> Figure:
    _, axis, unit = SHARES[key]
    three = study.quantity(key)
    words = FIGURES[KEYS.index(key)]
    finding = "no string came to it"
    if three is not None:
        low, high = (f"{each.value:.{words.decimals}f}" for each in (three.low, three.high))
        finding = f"nine strings in ten lie between {low} and {high} {unit}, {water_text(study.water_C)}"
    lines = [shares("strings", study.of(key).tolist())]
    if key == "hottest_C":
        # The law looks at a probe, not at the hottest battery: the mark shows how near that comes.
        lines += [mark("probe derates", settings_for(study.setting).laws.probe.derate_C)]
    return Figure(
        title=_title(study, words.words.partition(",")[0]),
        finding=finding,
        x_name=axis,
        x_unit=unit,
        panels=(Panel("runs", "%", lines, include=(0.0, 100.0)),),
    )


def _course(study: Study) -> Figure:
    course, laws = study.course, settings_for(study.setting).laws
    # At the very first point no current flows yet, and a battery never charged shows no volts: that says nothing.
    hours: list[Number] = [hour for step in course for hour in step.elapsed_h.middle][1:]
    panels = []
    for name, axis, unit, limits in (
        ("voltage_V_per_cell", "cell", "V/cell", ()),
        ("probe_C", "probe", "C", (limit("derate", laws.probe.derate_C),)),
    ):
        bands = [getattr(step, name) for step in course]
        low, middle, high = (
            [value for each in bands for value in getattr(each, edge)][1:] for edge in ("low", "middle", "high")
        )
        lines = (band("5 to 95 %", hours, low, high), Line("50 %", hours, middle, "course"), *limits)
        panels.append(Panel(axis, unit, lines))
    ends = [(step.name, step.elapsed_h.middle[0], step.elapsed_h.middle[-1]) for step in course]
    spans = [
        Span(name, begin, end) for name, begin, end in ends if begin is not None and end is not None and end >= begin
    ]
    return Figure(
        title=_title(study, "course"),
        finding=f"the course of nine strings in ten, {water_text(study.water_C)}",
        x_name="since first current",
        x_unit="h",
        panels=panels,
        spans=spans,
    )
