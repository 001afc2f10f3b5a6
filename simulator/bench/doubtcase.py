"""What a doubt is, and what it looks at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller.core.planned import PlanStep
from controller.core.settings import BathSettings
from simulator.bench.figures import Totals
from simulator.bench.setting import Setting
from simulator.bench.tried import StepDone, Tried

RESISTOR_C20 = 0.1
"""As the check of a profile has it: below it a profile is for a bench's resistor."""
ENDLESS = ("never_started", "never_ended")


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing to look at. `at_h`: hours since the start order; `step`: number after unrolling; None: of the whole."""

    code: str
    sentence: str
    at_h: float | None = None
    step: int | None = None

    @property
    def text(self) -> str:
        """The sentence."""
        return self.sentence

    @property
    def error(self) -> bool:
        """Whether nobody can confirm it away: the profile did not come to its end."""
        return self.code in ENDLESS


@dataclass(frozen=True, slots=True)
class Case:
    """All that a doubt looks at. `water_C`: the range that the profile names; `water_given`: whether a person said the
    water by its option.
    """

    setting: Setting
    tried: Tried
    totals: Totals
    laws: BathSettings
    water_C: tuple[float, float] | None = None
    water_given: bool = True

    @property
    def water(self) -> str:
        """The water as it was asked for."""
        return f"--water-C {self.setting.water_C:g}" if self.water_given else f"water of {self.setting.water_C:g} C"

    @property
    def forms(self) -> bool:
        """Whether it came to its end and forms plates at all: a profile for a resistor does not."""
        return self.tried.state == "complete" and not self.for_resistor

    @property
    def for_resistor(self) -> bool:
        """Whether so little charge is planned that it is no formation."""
        plan = self.tried.plan
        return plan.planned_charge_Ah < RESISTOR_C20 * plan.capacity_C20_Ah

    def steps(self) -> Iterator[tuple[PlanStep, StepDone]]:
        """Each step that began: as planned, as it went."""
        for done in self.tried.steps:
            yield self.tried.plan.steps[done.number - 1], done
