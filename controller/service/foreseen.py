"""What a profile's file asks for, told before it is loaded: charge, highest current and voltage. Reads one file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from controller.core.plan import compile_plan
from controller.core.planned import StepKind
from controller.service.desk import LARGEST_PROFILE_BYTES
from profiles.loader import load_model, read_document
from profiles.profile import Profile


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What a string would receive by a profile; `most_*`: over all its steps of charge."""

    name: str
    revision: int
    charge_Ah: float
    most_A: float
    most_V_per_cell: float


def foreseen(path: Path | str) -> Foreseen:
    """Return what the profile at `path` asks for. Raises InputError where the file cannot be used."""
    document = read_document(path, LARGEST_PROFILE_BYTES)
    plan = compile_plan(load_model(document, Profile), document.sha256)
    charges = [step for step in plan.steps if step.kind is StepKind.CHARGE]
    return Foreseen(
        plan.name,
        plan.revision,
        plan.planned_charge_Ah,
        max((step.current_A for step in charges), default=0.0),
        max((step.voltage_V_per_cell for step in charges), default=0.0),
    )
