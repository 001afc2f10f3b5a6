"""Frozen data to plain JSON values and back."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.planned import Load
from controller.core.settings import BathSettings
from controller.core.state import CircuitState, Run, Timer
from controller.core.types import Order, State
from controller.records.plain import Codec, PlainError, layout

scalars = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20)


def through_json(plain):
    return json.loads(json.dumps(plain, allow_nan=False))


@pytest.mark.parametrize("compact", [False, True])
def test_settings_and_state_come_back_equal(rec, compact):
    """Nested dataclasses, tuples, enums and missing values survive JSON in both forms."""
    codec = Codec(compact=compact)
    run = Run(5, "anna", steady=((1, 2.5), (2, 2.25)), hottest_C=41.0)
    state = CircuitState("A01", 7, State.HELD, load=Load(rec.plan(), 18, "K1"), run=run, timers=(Timer("probe", 3),))
    assert codec.load(CircuitState, through_json(codec.dump(CircuitState, state))) == state
    assert codec.load(BathSettings, through_json(codec.dump(BathSettings, rec.settings))) == rec.settings


@given(st.dictionaries(st.text(max_size=10), scalars, max_size=5))
def test_any_arguments_of_an_order_come_back(args):
    """Mappings of any scalars, infinite numbers among them, come back with the same types."""
    order = Order("1", "note", "A01", "anna", ("technician",), args)
    back = Codec().load(Order, through_json(Codec().dump(Order, order)))
    assert back == order
    assert [type(value) for value in back.args.values()] == [type(value) for value in args.values()]


def test_not_a_number_has_a_word():
    """What JSON cannot say as a number is written as one, and read back."""
    plain = Codec().dump(float, float("nan"))
    assert plain == {"float": "nan"}
    assert Codec().load(float, plain) != Codec().load(float, plain)


def test_a_known_object_is_left_out_and_another_is_not(rec):
    """The run's plan stands by reference; a load with another plan keeps it whole."""
    codec = Codec((rec.plan(),))
    plain = codec.dump(Load, Load(rec.plan(), 18, "K1"))
    assert plain["plan"] == {"known": 0}
    assert codec.load(Load, plain).plan == rec.plan()
    other = Load(replace(rec.plan(), revision=2), 18, "K1")
    assert codec.load(Load, through_json(codec.dump(Load, other))) == other


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"places": "18"}, "circuits.0.places: must be int"),
        ({"places": True}, "circuits.0.places: must be int"),
        ({"colour": 1}, "colour: unknown"),
        ({"name": None}, "circuits.0.name: must be str"),
    ],
)
def test_wrong_plain_values_are_refused_by_name(rec, change, said):
    """Another type, an unknown or a missing field is refused, and the text names the field."""
    plain = through_json(Codec().dump(BathSettings, rec.settings))
    plain["circuits"][0].update(change)
    with pytest.raises(PlainError, match=said):
        Codec().load(BathSettings, plain)


def test_missing_fields_and_unknown_references_are_refused(rec):
    """Nothing is filled in silently."""
    plain = Codec().dump(BathSettings, rec.settings)
    del plain["laws"]
    with pytest.raises(PlainError, match="laws: missing"):
        Codec().load(BathSettings, plain)
    with pytest.raises(PlainError, match="unknown object 3"):
        Codec((rec.plan(),)).load(Load, {**Codec().dump(Load, Load(rec.plan(), 1, "")), "plan": {"known": 3}})


def test_enums_are_closed():
    """A word that is no member is refused with those that are."""
    with pytest.raises(PlainError, match="must be one of unknown, idle"):
        Codec().load(State, "asleep")


def test_layout_names_every_field_of_the_compact_form():
    """The list form can be read by name: every class inside a state is laid out, in order."""
    found = layout(CircuitState)
    assert found["CircuitState"][:2] == ["name", "now_ms"]
    assert {"Run", "Counters", "Load", "Plan", "Timer", "Alarm"} <= found.keys()
