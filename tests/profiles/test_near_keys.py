"""Wrong keys are met with the right one: same quantity in another unit, or a slip of the finger."""

from __future__ import annotations

import pytest

from profiles.nearkeys import advice, nearest, split_unit
from profiles.profile import End, Limits, Profile, Soak, Step

UNITS = [
    (Step, "current_mA", "mA", "current_A"),
    (Step, "current_kA", "kA", "current_A"),
    (End, "charge_mAh", "mAh", "charge_Ah"),
    (End, "temperature_F", "F", "temperature_C"),
    (End, "temperature_K", "K", "temperature_C"),
    (End, "hours_min", "min", "hours"),
    (End, "minutes", "minutes", "hours"),
    (End, "seconds", "seconds", "hours"),
    (End, "voltage_mV_per_cell", "mV_per_cell", "voltage_V_per_cell"),
    (End, "voltage_V", "V", "voltage_V_per_cell"),
    (Step, "voltage_limit_V", "V", "voltage_limit_V_per_cell"),
    (Step, "voltage_limit_mV_per_cell", "mV_per_cell", "voltage_limit_V_per_cell"),
    (Step, "voltage_floor_V", "V", "voltage_floor_V_per_cell"),
    (Step, "ramp_hours", "hours", "ramp_minutes"),
    (Step, "ramp_s", "s", "ramp_minutes"),
    (Step, "longest_minutes", "minutes", "longest_hours"),
    (Step, "restart_s", "s", "restart_minutes"),
    (Limits, "probe_F", "F", "probe_C"),
    (Soak, "start_below_F", "F", "start_below_C"),
]


@pytest.mark.parametrize(("model", "key", "unit", "right"), UNITS, ids=[row[1] for row in UNITS])
def test_a_key_with_another_unit_names_the_right_one(model, key, unit, right):
    """The unit that is not used is named, and the key to write instead."""
    assert advice(key, model.model_fields) == f"unit {unit} is not used here, write {right}"


@pytest.mark.parametrize(
    ("model", "key", "right"),
    [
        (Step, "curent_A", "current_A"),
        (Step, "Current_C20", "current_C20"),
        (Step, "voltage_limit", "voltage_limit_V_per_cell"),
        (Step, "nmae", "name"),
        (End, "hour", "hours"),
        (Profile, "steps", "step"),
        (Profile, "bathh", "bath"),
    ],
)
def test_a_slip_gets_the_nearest_right_key(model, key, right):
    """The nearest spelling is offered, whatever the case."""
    assert right in advice(key, model.model_fields)


def test_a_key_like_none_gets_the_list_of_those_known():
    """Nothing is guessed where nothing is near."""
    assert advice("qqqqq", ["hours", "order"]) == "unknown key, known here: hours, order"
    assert nearest("qqqqq", ["hours"]) is None


def test_every_key_of_the_profile_splits_into_a_base_and_a_unit():
    """A capacity is not a unit: C20 as rate and Ah as charge are told apart."""
    assert split_unit("current_C20") == ("current", "C20")
    assert split_unit("charge_Ah") == ("charge", "Ah")
    assert split_unit("voltage_V_per_cell") == ("voltage", "V_per_cell")
    assert split_unit("hours") == ("", "hours")
    assert split_unit("name") == ("name", "")
