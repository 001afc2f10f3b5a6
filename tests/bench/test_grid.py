"""A study over settings: what `--vary` means, one cell a value, the same draws in each."""

from __future__ import annotations

import csv
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from controller.core.plan import compile_plan
from profiles.loader import found_profile, load_model, read_document
from profiles.problems import InputError
from profiles.profile import Profile
from simulator.bench.grid import Axis, names, read_axes, read_axis, settings_of, study_grid
from simulator.bench.setting import Setting
from simulator.bench.studyjson import as_json, grid_csv
from simulator.bench.studyrow import INPUTS
from simulator.bench.studytelling import grid_lines


def plan_of(name):
    document = read_document(found_profile(name))
    return compile_plan(load_model(document, Profile), document.sha256)


SHORT = Setting(plan_of("bench-36s"), batteries=2)


def test_values_are_those_that_a_person_would_write():
    """Both ends are in, tenths stay tenths, a last step that does not fit is left out."""
    assert read_axis("water_C=20:34:2").values == (20, 22, 24, 26, 28, 30, 32, 34)
    assert read_axis("contact_ohm=0.1e-3:0.7e-3:0.1e-3").values == tuple(k / 10_000 for k in range(1, 8))
    assert read_axis("batteries=12:17:2") == Axis("batteries", (12, 14, 16))
    assert read_axis(" air_C=20:20:1").values == (20,)
    assert read_axis("air_C= 20 : 2.1e1 : .5 ").values == (20, 20.5, 21)
    assert read_axis("air_C=20:21:1e300").values == (20,)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("water_C=20:34", "write NAME=LOW:HIGH:STEP"),
        ("water_C", "write NAME=LOW:HIGH:STEP"),
        ("water_C=20:x:2", "are numbers"),
        ("water_C=nan:30:2", "are numbers"),
        ("water_C=20:1e999999:2", "are numbers"),
        ("water_C=34:20:2", "HIGH is at least LOW"),
        ("water_C=20:34:0", "STEP above 0"),
        ("water_C=20:90:2", "water_C is out of range, write 0 to 50"),
        ("water_C=20:34:0.01", "more than 50 values"),
        ("water=20:34:2", "did you mean water_C"),
        ("gas_A=1e-30:1:1", "gas_A is out of range, write 2e-06 to 0.02"),
        ("water_C=20:1e400:2", "water_C is out of range"),
        ("water_C=20:34:1e-300", "more than 50 values"),
        ("water_C=2_0:34:2", "are numbers"),
        ("water_C=\uff12\uff10:34:2", "are numbers"),
        ("water_C=20:inf:2", "are numbers"),
        ("water_C=20:34:0x2", "are numbers"),
        ("gas_A=1:2:1", "gas_A is out of range, write 2e-06 to 0.02"),
        ("paste_Ah=1:2:1", "write paste_Ah.positive or paste_Ah.negative"),
        ("batteries=12:13:0.5", "batteries are whole"),
        ("\x1b[2J=1:2:1", "cannot be varied"),
    ],
)
def test_wrong_axes_say_what_would_be_right(text, said):
    """Each wrong option is one line that names it, without a control character of its own."""
    with pytest.raises(InputError) as error:
        read_axes([text])
    (problem,) = error.value.problems
    assert said in str(problem)
    assert str(problem).startswith("study: --vary: ")
    assert "\x1b" not in str(problem)


def test_at_most_two_different_settings_and_not_too_many_cells():
    """A table has rows and columns; more settings, one twice, or too many cells are refused together."""
    with pytest.raises(InputError, match="a table has 2") as error:
        read_axes(["air_C=1:3:1", "water_C=20:24:1", "air_C=1:2:1"])
    assert "given twice" in str(error.value)
    with pytest.raises(InputError, match="at most 200"):
        read_axes(["air_C=1:20:1", "water_C=1:20:1"])


def test_every_parameter_of_the_model_can_be_varied():
    """Each name changes exactly its own value, of a pair one plate's."""
    for name in names():
        low = {"water_C": 20, "air_C": 20, "batteries": 2}.get(name, 0.3)
        setting = settings_of(SHORT, [Axis(name, (low,))])[0]
        key, _, plate = name.partition(".")
        if key in {"water_C", "air_C", "batteries"}:
            assert replace(setting, **{key: getattr(SHORT, key)}) == SHORT
            assert getattr(setting, key) == low
            continue
        was, now = getattr(SHORT.model, key), getattr(setting.model, key)
        assert now == (low if not plate else (low, was[1]) if plate == "positive" else (was[0], low))
        assert replace(setting.model, **{key: was}) == SHORT.model


def test_a_cell_that_cannot_be_is_refused():
    """Sulfate at filling must leave room for that of the soak, in every cell."""
    with pytest.raises(InputError, match="is not below sulfate_most"):
        settings_of(SHORT, [Axis("sulfate", (0.1, 0.3)), Axis("sulfate_most", (0.2,))])


@pytest.fixture(scope="module")
def grid():
    with ThreadPoolExecutor(1) as pool:
        return study_grid(SHORT, read_axes(["water_C=25:35:5", "air_C=20:30:10"]), 6, 4, pool)


def test_all_cells_have_the_same_draws(grid):
    """What was drawn is the same in each cell but for what was varied, so that differences are the setting's."""
    drawn = [name != "water temperature" for name in INPUTS]
    assert len(grid.cells) == 6
    for cell in grid.cells:
        assert np.array_equal(cell.inputs[:, drawn], grid.cells[0].inputs[:, drawn])
        assert cell.strings == 6
        assert cell.courses == ()
    hottest = [grid.at(at, 0).of("hottest_C") for at in range(3)]
    assert (hottest[0] < hottest[1]).all()
    assert (hottest[1] < hottest[2]).all()


def test_cells_stand_where_their_values_say(grid):
    """Rows are the first setting's values, columns the second's; table, JSON and CSV agree."""
    assert [(cell.setting.water_C, cell.setting.air_C) for cell in grid.cells] == [
        (25, 20), (25, 30), (30, 20), (30, 30), (35, 20), (35, 30)
    ]  # fmt: skip
    assert grid.at(2, 1) is grid.cells[5]
    told = json.loads(as_json(grid))
    assert told["cells"][3]["at"] == {"water_C": 30.0, "air_C": 30.0}
    table = list(csv.DictReader(grid_csv(grid).splitlines()))
    for row, cell in zip(table, grid.cells, strict=True):
        assert (float(row["water_C"]), float(row["air_C"])) == (cell.setting.water_C, cell.setting.air_C)
        assert float(row["hottest_C_q95"]) == cell.quantity("hottest_C").high.value
    text = grid_lines(grid)
    assert max(len(line) for line in text) < 80
    start = text.index("hottest battery, C, 95 %")
    assert text[start + 1].split() == ["20", "30"]
    assert text[start + 3].split() == ["30", *(f"{grid.at(1, c).quantity('hottest_C').high.value:.1f}" for c in (0, 1))]


def test_one_setting_is_one_table():
    """With one setting varied each value has its row, with the sample size in it."""
    with ThreadPoolExecutor(1) as pool:
        grid = study_grid(SHORT, [Axis("batteries", (1.0, 2.0))], 3, 4, pool)
    text = grid_lines(grid)
    assert "2 cells of 3 strings, the same draws in each; seed 4" in text
    assert [line.split()[:2] for line in text[-2:]] == [["1", "3"], ["2", "3"]]
    assert max(len(line) for line in text) < 80
