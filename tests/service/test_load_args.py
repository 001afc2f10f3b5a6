"""What a load order's arguments say of the run: type, trial, a run that is continued; and what they may not say."""

from __future__ import annotations

from pathlib import Path

import pytest

import profiles
from controller.core.plan import compile_plan
from controller.service.loadargs import LoadArgs, load_args
from profiles.profile import load_profile

PROFILE, DOCUMENT = load_profile(Path(profiles.__file__).parent / "library" / "starter-60.toml")
PLAN = compile_plan(PROFILE, DOCUMENT.sha256)
RUN = "20260316T080000Z-A-A01-K3107"
FOLLOW = {"continues": RUN, "from_step": 4, "credited_Ah": 99.5}


def said(**args):
    return load_args(args, PLAN)


def test_a_load_that_says_nothing_is_a_fresh_run_from_its_first_step():
    """Nothing said, or said as empty."""
    assert said() == LoadArgs(True, "", False, "", 0, 0.0)
    assert said(continued=False, trial=False, continues="", type=None) == said()
    assert said(continued=True) == LoadArgs(False)


def test_type_and_trial_come_through():
    """A type loses its blanks, and may be as long as a profile's."""
    assert said(type=" L3 ", trial=True) == LoadArgs(True, "L3", trial=True)
    assert said(type="x" * 60).battery_type == "x" * 60


def test_a_follow_on_run_names_run_step_and_charge_and_is_not_fresh():
    """Step 4 is the plan's index 3; whole ampere hours count too."""
    assert said(**FOLLOW) == LoadArgs(False, "", False, RUN, 3, 99.5)
    assert said(**FOLLOW | {"continued": False, "credited_Ah": 0}) == LoadArgs(False, "", False, RUN, 3, 0.0)
    assert said(**FOLLOW | {"from_step": 1}).first_step == 0
    assert said(**FOLLOW | {"from_step": len(PLAN.steps)}).first_step == len(PLAN.steps) - 1
    assert said(**FOLLOW | {"credited_Ah": PLAN.charge_cap_Ah}).credited_Ah == PLAN.charge_cap_Ah


@pytest.mark.parametrize(
    ("args", "why"),
    [
        ({"continues": RUN}, "continues without from_step, credited_Ah; a follow-on run says all three"),
        ({"from_step": 2}, "from_step without continues, credited_Ah"),
        ({"credited_Ah": 0.0}, "credited_Ah without continues, from_step"),
        ({"continues": RUN, "from_step": 2}, "continues, from_step without credited_Ah"),
        (FOLLOW | {"continues": "../run"}, "continues: no run's name"),
        (FOLLOW | {"continues": "a b"}, "continues: no run's name"),
        (FOLLOW | {"continues": 7}, "continues: no run's name"),
        (FOLLOW | {"continues": "a" * 102}, "continues: no run's name"),
        (FOLLOW | {"from_step": 0}, "from_step: 0 is no step of this profile, write 1 to 6"),
        (FOLLOW | {"from_step": 7}, "from_step: 7 is no step"),
        (FOLLOW | {"from_step": True}, "from_step: True is no step"),
        (FOLLOW | {"from_step": "2"}, "from_step: 2 is no step"),
        (FOLLOW | {"credited_Ah": -0.1}, "credited_Ah: -0.1 is no charge below the profile's cap of 212.6 Ah"),
        (FOLLOW | {"credited_Ah": 212.7}, "credited_Ah: 212.7 is no charge"),
        (FOLLOW | {"credited_Ah": float("nan")}, "credited_Ah: nan is no charge"),
        (FOLLOW | {"credited_Ah": "9"}, "credited_Ah: 9 is no charge"),
        (FOLLOW | {"credited_Ah": True}, "credited_Ah: True is no charge"),
        ({"trial": "yes"}, "trial: yes is neither true nor false"),
        ({"continued": 1}, "continued: 1 is neither true nor false"),
        ({"type": 7}, "type: no battery type"),
        ({"type": "x" * 61}, "type: no battery type, write up to 60 characters"),
    ],
)
def test_what_is_wrong_or_contradicts_is_said(args, why):
    """One sentence each, that names the argument."""
    with pytest.raises(ValueError) as caught:
        load_args(args, PLAN)
    assert str(caught.value).startswith(why)
