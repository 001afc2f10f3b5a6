"""How a new service begins with what an earlier one left: from which core time, in which state, telling what. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.bathstate import BathState
from controller.core.settings import BathSettings
from controller.core.types import Event
from controller.core.version import CORE
from controller.service.away import Away, found_open
from controller.service.keeping import base_ms, begun_again, first_cycle_ms
from controller.service.left import Left


@dataclass(frozen=True)
class Begun:
    """Where a new service begins: core time, state, the events of its first cycle, the runs that were found open.

    `first_ms`: its first cycle comes no sooner.
    """

    begin_ms: int
    first_ms: int
    state: BathState
    told: tuple[Event, ...]
    away: Away | None


def begun(settings: BathSettings, left: Left, utc_ms: int, moved_ms: int) -> Begun:
    """Return how a service begins at the wall time `utc_ms`, that was set by `moved_ms` since (0: not, or unknown)."""
    begin_ms, known = begins_at(left, utc_ms, moved_ms, settings.stale_ms)
    first_ms = 0 if is_first(left) else first_cycle_ms(left.now_ms, settings.stale_ms)
    # Gas leaves cells for a time after a run: where there was one, or nobody knows, the after-run begins anew.
    after_run = any(each.run is not None or each.blocked_by for each in left.circuits.values())
    state = begun_again(
        settings,
        left.circuits,
        left.now_ms,
        left.alarms,
        after_run=after_run,
        duty=left.duty,
        resume_for=left.resume_for,
        memory=left.memory,
    )
    away = found_open(settings, left.circuits, left.utc_ms, utc_ms, known=known)
    return Begun(begin_ms, first_ms, state, _told(settings, left, moved_ms, known=known), away)


def is_first(left: Left) -> bool:
    """Return whether no service of this bath has left anything; one whose state is lost left its circuits blocked."""
    lost = any(each.blocked_by for each in left.circuits.values())
    return left.utc_ms is None and not left.now_ms and not left.records and not lost


def begins_at(left: Left, utc_ms: int, moved_ms: int, stale_ms: int) -> tuple[int, bool]:
    """Return the core time at which a new service goes on, and whether it is known how long nobody was there."""
    if is_first(left):
        return 0, True
    return base_ms(left.now_ms, None if moved_ms else left.utc_ms, utc_ms, stale_ms)


def _told(settings: BathSettings, left: Left, moved_ms: int, *, known: bool) -> tuple[Event, ...]:
    events = [Event("service_started", settings.name, data={"core": CORE}), *left.events]
    if moved_ms:
        step = {"seconds": moved_ms / 1000.0}
        events += [Event("clock_step", name, data=step) for name in (settings.name, *left.records)]
    if not known:
        events.append(Event("notice", settings.name, data={"what": "how long the service was away is not known"}))
    return tuple(events)
