"""What the arguments of a load order say of the run: a battery type, a trial, a run that is continued. Pure.

A follow-on run (`continues`: the earlier run's name, `from_step`: number of the step it begins with, `credited_Ah`: the
charge that its string has had) is not fresh, and says all three.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from controller.core.planned import Plan
from controller.core.types import Scalar

LONGEST_NAME = 60
RUN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
FOLLOW_ON = ("continues", "from_step", "credited_Ah")


@dataclass(frozen=True, slots=True)
class LoadArgs:
    """What a load order says beside its list: the fields of `Load` of the same names; `first_step` is an index."""

    fresh: bool = True
    battery_type: str = ""
    trial: bool = False
    continues: str = ""
    first_step: int = 0
    credited_Ah: float = 0.0


def load_args(args: Mapping[str, Scalar], plan: Plan) -> LoadArgs:
    """Return what the arguments say. Raises `ValueError` with a sentence where they are wrong or contradict."""
    given = {key: args.get(key) for key in (*FOLLOW_ON, "type")}
    battery_type, continues = _type(given["type"]), given["continues"]
    trial, continued = _flag(args, "trial"), _flag(args, "continued")
    said = [key for key in FOLLOW_ON if given[key] is not None and given[key] != ""]
    if not said:
        return LoadArgs(not continued, battery_type, trial)
    lacks = [key for key in FOLLOW_ON if key not in said]
    if lacks:
        raise ValueError(f"{', '.join(said)} without {', '.join(lacks)}; a follow-on run says all three")
    if not isinstance(continues, str) or RUN_NAME.fullmatch(continues) is None:
        raise ValueError("continues: no run's name, write it as the records' folder is called")
    step = given["from_step"]
    if isinstance(step, bool) or not isinstance(step, int) or not 1 <= step <= len(plan.steps):
        raise ValueError(f"from_step: {step} is no step of this profile, write 1 to {len(plan.steps)}")
    return LoadArgs(False, battery_type, trial, continues, step - 1, _credited_Ah(given["credited_Ah"], plan))


def _credited_Ah(value: Scalar, plan: Plan) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= plan.charge_cap_Ah:
        raise ValueError(f"credited_Ah: {value} is no charge below the profile's cap of {plan.charge_cap_Ah:.1f} Ah")
    return float(value)


def _type(value: Scalar) -> str:
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > LONGEST_NAME:
        raise ValueError(f"type: no battery type, write up to {LONGEST_NAME} characters")
    return value.strip()


def _flag(args: Mapping[str, Scalar], key: str) -> bool:
    value = args.get(key)
    if value is None or isinstance(value, bool):
        return value is True
    raise ValueError(f"{key}: {value} is neither true nor false")
