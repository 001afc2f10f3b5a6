"""The model file: what it may hold, how its faults are told, and that no value in its ranges breaks the physics."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from profiles.loader import parse_document
from profiles.problems import InputError
from simulator import cell, rows
from simulator.modelfile import (
    DEFAULTS,
    RANGES,
    Model,
    ModelFile,
    load_model_file,
    model_check,
    model_of,
    read_model,
    to_toml,
)
from simulator.parameters import CellParameters, build_cells

NAMES = [each.name for each in fields(CellParameters)]
HEAD = 'kind = "model"\n'
COURSE = [(0.0, 6), (0.3, 5), (0.4, 12), (-0.1, 4), (0.4, 10), (0.0, 3)]
"""C20 rates, and how many steps of a minute: soak, first current, formation, discharge, formation, rest."""


def wrong(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        model_of(parse_document(text, "m.toml"))
    return [str(problem) for problem in caught.value.problems]


def at_limit(name: str, limit: float) -> CellParameters:
    usual = getattr(DEFAULTS, name)
    model = replace(DEFAULTS, **{name: (limit, limit) if isinstance(usual, tuple) else limit})
    return replace(model, sulfate=0.0) if name == "sulfate_most" else model


def test_every_parameter_has_a_range_around_its_default():
    """No parameter of the physics is forgotten, and the built-in type is one that a file may hold."""
    assert list(RANGES) == NAMES
    for name, (low, high) in RANGES.items():
        assert np.all(low <= np.asarray(getattr(DEFAULTS, name))), name
        assert np.all(np.asarray(getattr(DEFAULTS, name)) < high), name


@pytest.mark.parametrize("end", [0, 1])
def test_no_value_within_the_ranges_breaks_the_physics(end):
    """Each parameter at its limit, through soak, formation, discharge and gassing: finite, no floating-point error."""
    for name in NAMES:
        cells = build_cells(np.array([60.0]), np.array([6.0]), at_limit(name, RANGES[name][end]))
        state = rows.new_state(cells)
        with np.errstate(divide="raise", invalid="raise", over="raise"):
            for rate, minutes in COURSE:
                for _ in range(minutes):
                    state, shown = cell.advance(cells, state, rate * 60.0, 28.0, 60.0, 22.0)
                assert np.all(np.isfinite(state)), name
                assert abs(float(shown.cell_V[0])) < 20.0, name


def test_a_file_changes_what_it_lists_and_nothing_else(tmp_path):
    """Values come in by name, pairs as pairs; what is not listed is built in."""
    place = tmp_path / "m.toml"
    place.write_text(HEAD + "[parameter.water_W_K]\nvalue = 6\n[parameter.use]\nvalue = [0.5, 0.55]\n")
    assert load_model_file(place) == replace(DEFAULTS, water_W_K=6.0, use=(0.5, 0.55))
    assert model_of(parse_document(HEAD, "m.toml")) == Model()


def test_what_is_written_is_read_again(tmp_path):
    """All parameters moved, errors for some, hostile names: text and back gives the same model, in plain ASCII."""
    moved = {name: at_limit(name, 0.5 * sum(RANGES[name])) for name in NAMES}
    values = {name: getattr(model, name) for name, model in moved.items()}
    model = Model(replace(DEFAULTS, **values), {"use": (0.01, 0.02), "gas_A": 0.1 / 3.0}, ("run 1",), "n")
    place = tmp_path / "m.toml"
    place.write_text(to_toml(model))
    assert read_model(place) == model
    hostile = to_toml(Model(runs=('a"]\n[parameter.use]\\', "\x1b[2J\u202e" + 500 * "x"), note="\u2028"))
    assert hostile.isascii()
    again = model_of(parse_document(hostile, "m.toml"))
    assert again.parameters == DEFAULTS
    assert [len(run) for run in again.runs] == [20, 200]


def test_an_error_alone_keeps_its_parameter_in_the_file():
    """A value found equal to the built-in one is still known to its standard error."""
    text = to_toml(Model(errors={"gas_A": 1e-5}))
    assert "[parameter.gas_A]\nvalue = 0.0002\nstandard_error = 1e-05\n" in text
    assert text.count("[parameter") == 1


def test_faults_are_told_at_their_lines():
    """Every fault of a file at once: wrong names with the right one, ranges, pairs, what must hold together."""
    found = wrong(
        HEAD + "[parameter.water_W_k]\nvalue = 6.1\n[parameter.paste_Ah]\nvalue = [2.1]\n[parameter.gas_A]\n"
        "value = 1\nstandard_error = -1\n[parameter.use]\nvalue = [0.5, 3]\n[parameter.metal_ohm]\nstandard_error = 1\n"
    )
    assert found == [
        "m.toml:2: parameter.water_W_k: unknown key, write water_W_K if that is meant",
        "m.toml:5: parameter.paste_Ah.value[2]: missing, write it = a number from 0.5 to 6",
        "m.toml:7: parameter.gas_A.value: 1 is above 0.02, write a number from 2e-06 to 0.02",
        "m.toml:8: parameter.gas_A.standard_error: -1 is below 0, write a number from 0 to 1000000",
        "m.toml:10: parameter.use.value[2]: 3 is above 0.9, write a number from 0.1 to 0.9",
        "m.toml:11: parameter.metal_ohm.value: missing, write value = a number from 0.001 to 0.3",
    ]
    assert wrong('kind = "profile"\n')[0].startswith("m.toml:1: kind:")
    assert wrong(HEAD + "note = 3\nfrom = 3\n")[0].startswith("m.toml:2: note: 3 does not fit, write 1 to 200")
    assert "nan is no figure" in wrong(HEAD + "[parameter.gas_A]\nvalue = nan\n")[0]


@pytest.mark.parametrize(
    ("lines", "place"),
    [("sulfate]\nvalue = 0.3\n[parameter.sulfate_most]\nvalue = 0.3\n", "3: parameter.sulfate.value"),
     ("sulfate_most]\nvalue = 0.1\n", "3: parameter.sulfate_most.value")],
)  # fmt: skip
def test_sulfate_at_filling_leaves_room_for_the_soak(lines, place):
    """As much sulfate at filling as the soak could ever make is refused, where it is written."""
    (found,) = wrong(HEAD + "[parameter." + lines)
    assert found.startswith(f"m.toml:{place}: sulfate 0.")
    assert "is not below sulfate_most" in found


def test_check_asks_about_far_values_and_missing_errors():
    """Warnings stand at the value's line; a value near the built-in one with its error is fine."""
    document = parse_document(
        HEAD + "[parameter.water_W_K]\nvalue = 15\n[parameter.use]\nvalue = [0.5, 0.2]\nstandard_error = [0.1, 0.1]\n"
        "[parameter.gas_A]\nvalue = 3e-4\nstandard_error = 1e-5\n",
        "m.toml",
    )
    assert [str(problem) for problem in model_check(document)] == [
        "m.toml:3: warning: 15 is far from the built-in 7.2, look whether it is meant",
        "m.toml:3: warning: water_W_K has no standard_error, nobody can tell how well it is known",
        "m.toml:5: warning: [0.5, 0.2] is far from the built-in [0.4958, 0.53], look whether it is meant",
    ]
    (note,) = model_check(parse_document(HEAD, "m.toml"))
    assert note.note
    assert not note.wrong


def test_its_schema_names_every_parameter():
    """What `formbath schema` prints of it: each parameter with its range."""
    shape = ModelFile.model_json_schema()
    assert set(shape["$defs"]["Parameters"]["properties"]) == set(NAMES)
    assert shape["$defs"]["Entry_gas_A"]["properties"]["value"]["maximum"] == RANGES["gas_A"][1]
