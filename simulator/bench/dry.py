"""One profile tried once on the real core: its story, figures, doubts and verdict in one piece."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from simulator.bench.asked import Asked
from simulator.bench.doubts import Doubt, doubts_of
from simulator.bench.figures import Totals, totals_of
from simulator.bench.moments import h_mm
from simulator.bench.tried import Tried
from simulator.bench.tryout import Progress, try_out

STOPPED = ("never_started", "never_ended", "held", "tripped", "alarm", "derated")
"""Codes of doubts after which a try is not clean: the core held, tripped, reduced or warned, or it never ended."""


class Verdict(StrEnum):
    """How a try went. CLEAN: complete without an alarm. WARNED: complete, the core warned or reduced. HELPED: complete,
    but held or tripped on the way. UNENDED: it never ended. UNSTARTED: it never began.
    """

    CLEAN = "complete"
    WARNED = "complete, with alarms"
    HELPED = "complete, with help"
    UNENDED = "never ended"
    UNSTARTED = "never started"


@dataclass(frozen=True, slots=True)
class Dry:
    """A dry run. `asked`: what was tried; `doubts`: what to look at, also where all went well."""

    asked: Asked
    tried: Tried
    totals: Totals
    doubts: tuple[Doubt, ...]
    verdict: Verdict

    @property
    def said(self) -> str:
        """How it went, in one line."""
        totals = self.totals
        return (
            f"{self.verdict}, {h_mm(totals.hours)} h, {totals.charge_Ah - totals.discharge_Ah:.1f} Ah, hottest "
            f"{totals.hottest.value:.1f} C at water {self.asked.setting.water_C:g} C"
        )

    @property
    def remarks(self) -> tuple[Doubt, ...]:
        """What to know before releasing."""
        return self.doubts

    @property
    def code(self) -> int:
        """Exit code: 0 complete and no alarm, 1 anything else."""
        return 0 if self.verdict is Verdict.CLEAN else 1


def run_dry(asked: Asked, progress: Progress | None = None) -> Dry:
    """Try the profile that is asked for, once, on one string. `progress(hours, strings_over)` comes every cycle."""
    return dry_of(asked, try_out(asked.setting, progress))


def dry_of(asked: Asked, tried: Tried) -> Dry:
    """The same from a try at hand."""
    totals = totals_of(asked.setting, tried, asked.start, asked.tariff)
    water = asked.profile.bath.water_C if asked.profile.bath is not None else None
    doubts = doubts_of(asked.setting, tried, totals, water, given=asked.water_given)
    return Dry(asked, tried, totals, doubts, verdict_of(tried, doubts))


def verdict_of(tried: Tried, doubts: tuple[Doubt, ...]) -> Verdict:
    """The verdict from how it ended and what stood in its way."""
    codes = {doubt.code for doubt in doubts}
    if tried.state == "idle":
        return Verdict.UNSTARTED
    if tried.state != "complete":
        return Verdict.UNENDED
    if codes & {"held", "tripped"}:
        return Verdict.HELPED
    return Verdict.WARNED if codes & set(STOPPED) else Verdict.CLEAN
