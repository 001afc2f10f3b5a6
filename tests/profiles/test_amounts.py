"""How much a step asks for: current, charge, and what is planned where neither charge nor hours end it."""

from __future__ import annotations

import pytest

from profiles.amounts import amount, charge_end_Ah, charge_is_open, current_A, planned_Ah, time_end_hours
from profiles.loader import load_model, parse_document
from profiles.profile import Profile, Step
from profiles.warnings import profile_problems


def step(kind="charge", end=None, **keys):
    return Step.model_validate({"name": "a", "kind": kind, "end": end or {}, **keys})


def test_an_amount_is_given_directly_or_per_rated_capacity_or_not():
    """3 A are 3 A; 0.25 of 60 Ah are 15; the direct one counts first; neither is None."""
    assert amount(3.0, None, 60.0) == 3.0
    assert amount(None, 0.25, 60.0) == 15.0
    assert amount(3.0, 0.25, 60.0) == 3.0
    assert amount(None, None, 60.0) is None
    assert current_A(step(current_C20=0.25), 60.0) == 15.0
    assert current_A(step("rest"), 60.0) == 0.0
    assert charge_end_Ah(step(end={"charge_C20": 1.5}), 60.0) == 90.0
    assert charge_end_Ah(step(end={"hours": 1.0}), 60.0) is None
    assert charge_end_Ah(Step.model_validate({"name": "a", "kind": "repeat"}), 60.0) is None


@pytest.mark.parametrize(
    ("end", "keys", "planned"),
    [
        ({"charge_Ah": 30.0}, {}, 30.0),
        ({"hours": 2.0}, {}, 20.0),
        ({"charge_Ah": 30.0, "hours": 2.0}, {}, 20.0),
        ({"charge_Ah": 15.0, "hours": 2.0}, {}, 15.0),
        ({"charge_Ah": 30.0, "current_A": 2.0}, {"longest_hours": 9.0}, 30.0),
        ({"current_A": 2.0}, {"longest_hours": 9.0}, 90.0),
        ({"order": True, "hours": 3.0}, {}, 30.0),
        ({"order": True, "hours": 3.0, "charge_Ah": 40.0}, {}, 40.0),
        ({"order": True}, {"longest_hours": 4.0}, 40.0),
        ({"voltage_V_per_cell": 2.6}, {}, 0.0),
    ],
)
def test_planned_charge_is_by_the_first_end_else_by_the_longest_time(end, keys, planned):
    """At 10 A: charge or hours, the less; hours beside an order are only the longest time, which counts last."""
    assert planned_Ah(step(current_A=10.0, end=end, **keys), 60.0) == pytest.approx(planned)


@pytest.mark.parametrize(
    ("end", "kind", "is_open"),
    [
        ({"current_A": 2.0}, "charge", True),
        ({"order": True, "hours": 3.0}, "charge", True),
        ({"hours": 3.0}, "charge", False),
        ({"charge_C20": 1.0, "current_A": 2.0}, "charge", False),
        ({"charge_Ah": 1.0}, "charge", False),
        ({"temperature_C": 30.0}, "rest", False),
        ({"voltage_V_per_cell": 1.8}, "discharge", False),
    ],
)
def test_a_charge_is_open_where_neither_charge_nor_hours_end_it(end, kind, is_open):
    """Hours beside an order end nothing; only charges count toward a cap."""
    assert charge_is_open(step(kind, end=end)) is is_open
    assert time_end_hours(step(end={"hours": 3.0})) == 3.0
    assert time_end_hours(step(end={"hours": 3.0, "order": True})) is None
    assert not charge_is_open(Step.model_validate({"name": "a", "kind": "repeat"}))


HEAD = """kind = "profile"
name = "a test"
revision = 1
battery = { cells = 6, capacity_C20_Ah = 60 }
[limits]
charge_cap_percent = %s
[[step]]
name = "bulk"
kind = "charge"
current_A = 6
voltage_limit_V_per_cell = 2.80
end = { charge_C20 = 3 }
[[step]]
name = "pulses"
kind = "repeat"
times = %s
[[step.step]]
name = "pulse"
kind = "charge"
current_A = 6
voltage_limit_V_per_cell = 2.80
end = { %s }
longest_hours = 4
[[reading]]
after_step = "pulse"
what = "density"
batteries = [1]
"""


def warned(cap="105", times="6", end="charge_Ah = 1"):
    document = parse_document(HEAD % (cap, times, end), "a.toml")
    found = profile_problems(load_model(document, Profile), document)
    return [str(one) for one in found if one.warning]


def test_a_charge_that_ends_by_fallen_current_alone_is_warned_of_with_its_planned_charge():
    """6 A for 4 h are 24 Ah, and caps count from that; a charge end beside it makes it plain."""
    said = [line for line in warned(end="current_A = 3") if "caps are as wide" in line]
    assert len(said) == 1
    assert "24 Ah" in said[0]
    assert said[0].startswith("a.toml:22")
    assert not [line for line in warned(end="current_A = 3, charge_Ah = 9") if "caps are as wide" in line]


@pytest.mark.parametrize(("cap", "warns"), [("100", True), ("101.9", True), ("102", False), ("105", False)])
def test_a_cap_without_room_for_a_cycle_is_warned_of(cap, warns):
    """A step ends in the cycle after it met its end: what that adds must fit below the cap."""
    assert any("a cycle late" in line for line in warned(cap=cap)) is warns


@pytest.mark.parametrize(("times", "warns"), [("6", False), ("7", True)])
def test_a_reading_after_each_of_many_pulses_is_warned_of(times, warns):
    """Six readings by hand are work, seven are hardly meant."""
    assert any(f"falls due {times} times" in line for line in warned(times=times)) is warns
