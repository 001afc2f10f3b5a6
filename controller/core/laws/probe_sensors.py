"""Probes that contradict each other, that stand still, or of which some are lost.

Hazard: the limits are watched by sensors; a battery may be hotter than any of them says.
Law: two probes of a circuit that differ by more than `differ_K` for ten minutes: warn; the higher counts. One that
reads the same to the bit for `frozen_minutes` while it should have moved (`controller.core.sensors`): warn; it counts
as lost, and where it was the only one `probe_loss` reduces. Some of several probes without a value: warn; the others
count. All in an open run only.
Defaults: 3 K is more than two batteries of one string in one bath part by (own choice); the virtual string's probes,
which show tenths of a kelvin, stand still for a quarter of an hour at the longest, so 30 min (own choice).
Clears: by readings that agree to `differ_K` less half a kelvin, that move, that are there again.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law, kept
from controller.core.sensors import each_C
from controller.core.types import Reaction
from controller.core.view import CircuitView

DIFFER_MS = 600_000.0
AGREE_K = 0.5


def _each_C(view: CircuitView) -> tuple[float | None, ...]:
    return each_C(view.state.probes, view.cin.reading.probes, view.settings.stale_ms)


def differ(view: CircuitView, active: bool) -> Finding:
    """Return whether the highest and the lowest probe are too far apart; one probe alone tells nothing."""
    if not view.open_run:
        return CLEAR
    valid = [probe for probe in _each_C(view) if probe is not None]
    if len(valid) < 2:
        return CANNOT_TELL
    apart, limit = max(valid) - min(valid), view.settings.laws.probe.differ_K
    found = Finding(apart > (limit - AGREE_K if active else limit), apart, limit)
    return kept(found, active, view.facts.probe_part)


def frozen(view: CircuitView, active: bool) -> Finding:
    """Return whether a probe stood still while it should have moved."""
    if not view.open_run:
        return CLEAR
    still = next((one for one in view.state.probes if one.frozen), None)
    if still is None:
        return CLEAR
    return Finding(True, still.believed_C, view.settings.laws.probe.frozen_minutes)


def part_lost(view: CircuitView, active: bool) -> Finding:
    """Return whether some, not all, of the probes have no value."""
    if not view.open_run:
        return CLEAR
    probes = _each_C(view)
    lost = sum(probe is None for probe in probes)
    if lost == len(probes):
        return CANNOT_TELL
    return Finding(lost > 0, float(lost), float(len(probes)))


LAWS: tuple[Law[CircuitView], ...] = (
    Law("probes_differ", Reaction.WARN, 3, differ, lambda _: DIFFER_MS),
    Law("probe_frozen", Reaction.WARN, 2, frozen),
    Law("probe_part_lost", Reaction.WARN, 3, part_lost, readings=2),
)


def asleep(view: CircuitView) -> bool:
    """Return whether every probe moves and, of several, each has a value and they agree; or there is no open run."""
    probes = view.state.probes
    if len(probes) == 1 and not probes[0].frozen:
        return True
    if not view.open_run or not probes:
        return True
    if any(one.frozen for one in probes):
        return False
    valid = [probe for probe in _each_C(view) if probe is not None]
    return not valid or (len(valid) == len(probes) and max(valid) - min(valid) <= view.settings.laws.probe.differ_K)


FAMILY = Family(LAWS, asleep)
