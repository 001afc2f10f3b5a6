"""The figures of a dry run hold its numbers, limits and steps; its table reads back as its course."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from drykit import asked_of, course_of, done_step, plan_of, plan_step, tried_of

from controller.core.planned import Ends
from simulator.bench.dry import dry_of
from simulator.bench.pictures import course_csv, figures_of, planned_course, whole_figure
from simulator.bench.tried import COLUMNS


def dry(**given):
    tried = tried_of(**given)
    return dry_of(asked_of(tried), tried)


def lines_of(panel):
    return {line.name: line for line in panel.lines}


def test_three_questions_three_figures():
    """Charge against its plan; A over V/cell with the limits; heat with water, derate and hold; steps named on top."""
    course, gas, heat = figures_of([dry()])
    assert {name: line.style for name, line in lines_of(course.panels[0]).items()} == {
        "net charge": "read", "plan": "course",
    }  # fmt: skip
    assert [panel.y_unit for panel in gas.panels] == ["A", "V/cell"]
    assert {line.y[0] for line in gas.panels[1].lines if line.style == "limit"} == {2.85, 2.95}
    assert [(line.name, line.y[0]) for line in heat.panels[0].lines if line.style == "limit"] == [
        ("derate", 50.0), ("hold", 55.0),
    ]  # fmt: skip
    assert {"hottest", "water"} < set(lines_of(heat.panels[0]))
    assert [span.name for span in course.spans] == ["1 charge"]


def test_net_charge_is_what_a_discharge_leaves():
    """10 Ah in, 2 out: 8 on the line."""
    figure = figures_of([dry(course=course_of(discharge_Ah=2.0))])[0]
    assert lines_of(figure.panels[0])["net charge"].y[-1] == pytest.approx(8.0)


def test_two_runs_share_axes_and_only_the_new_one_is_solid():
    """The old one dashed, under its own name; limits are the new one's."""
    old, new = dry(course=course_of(hottest_C=40.0)), dry()
    figure = whole_figure([old, new])
    assert len(figure.panels) == 4
    heat = lines_of(figure.panels[3])
    assert (heat["hottest, old"].style, heat["hottest, new"].style) == ("course", "read")
    assert heat["hottest, old"].y[0] == 40.0
    assert "plan" not in lines_of(figure.panels[0])


def test_volts_before_the_plates_show_any_are_left_out():
    """A fresh string's first readings and an open string's zero would squeeze the axis; a discharged cell's stay."""
    volts = np.full(61, 2.2)
    volts[:3], volts[30], volts[40] = (0.0, 0.7, 1.9), 0.0, 1.75
    shown = lines_of(figures_of([dry(course=course_of(voltage_V_per_cell=volts))])[1].panels[1])["volts"].y
    assert [at for at, value in enumerate(shown) if value is None] == [0, 1, 2, 30]
    assert shown[40] == 1.75


def test_the_planned_course_by_hand():
    """Wetting by time, a ramp of half an hour, a rest, a discharge; then an end that nobody can tell."""
    plan = plan_of(
        plan_step(1, current_A=3.0, ends=Ends(time_ms=1_800_000)),
        plan_step(2, current_A=10.0, ramp_ms=1_800_000, ends=Ends(charge_Ah=20.0)),
        plan_step(3, kind="rest", current_A=0.0, ends=Ends(time_ms=3_600_000)),
        plan_step(4, kind="discharge", current_A=4.0, ends=Ends(time_ms=900_000)),
        plan_step(5, ends=Ends(current_A=2.0)),
        plan_step(6, ends=Ends(time_ms=900_000)),
    )
    hours, charge = planned_course(plan)
    assert hours == pytest.approx([0.0, 0.5, 2.75, 3.75, 4.0])
    assert charge == pytest.approx([0.0, 1.5, 21.5, 21.5, 20.5])


def test_the_table_reads_back_as_the_course():
    """Every column with its unit, every cycle, missing values empty; of two runs a column says which."""
    one = dry(course=course_of(probe_C=np.where(np.arange(61) == 5, np.nan, 40.0)))
    rows = list(csv.reader(io.StringIO(course_csv([one]))))
    assert len(rows) == 62
    assert len(rows[0]) == len(COLUMNS)
    assert rows[0][:4] == ["hours (h)", "step", "asked (A)", "current (A)"]
    assert rows[6][COLUMNS.index("probe_C")] == ""
    read = np.array([[float(cell or "nan") for cell in row] for row in rows[1:]]).T
    np.testing.assert_allclose(read, one.tried.course.data, rtol=1e-6, equal_nan=True)
    both = list(csv.reader(io.StringIO(course_csv([one, one]))))
    assert both[0][0] == "run"
    assert [row[0] for row in both[1:]] == ["old"] * 61 + ["new"] * 61


def test_a_step_that_took_no_time_has_no_span():
    """An end met at once: nothing to name."""
    figure = figures_of(
        [dry(plan=plan_of(plan_step(), plan_step(2)), steps=(done_step(), replace(done_step(2), begin_h=1.0)))]
    )[0]
    assert len(figure.spans) == 1
