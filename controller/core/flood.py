"""More alarms than a person can take in: counted over the whole bath, told when it begins and when it ends.

More than ten new ones in ten minutes begin a flood, fewer than five end it (metrics of IEC 62682 and ISA-18.2, from
memory). Nothing is dropped for it: it says that the first alarm matters more than the newest.
"""

from __future__ import annotations

from controller.core.bathstate import BathState, Flood
from controller.core.changed import changed
from controller.core.settings import BathSettings
from controller.core.types import Event, EventKind

WINDOW_MS = 600_000
MOST = 200
"""How many moments are kept: a flood is none the less a flood where more came."""


def counted(settings: BathSettings, state: BathState, events: list[Event], now_ms: int) -> BathState:
    """Return the bath with the alarms that came in this cycle counted; tells when a flood begins or ends."""
    new = (
        sum(1 for event in events if event.kind is EventKind.ALARM and event.data.get("life") == "new") if events else 0
    )
    flood = state.flood
    if not new and not flood.came_ms and not flood.active:
        return state
    came_ms = (*(at_ms for at_ms in flood.came_ms if now_ms - at_ms < WINDOW_MS), *(now_ms,) * new)[-MOST:]
    limits = settings.laws.alarm
    begins, ends = len(came_ms) > limits.flood_begins, len(came_ms) < limits.flood_ends
    active = not ends if flood.active else begins
    if active is not flood.active:
        code = "flood_begins" if active else "flood_ends"
        events.append(Event(code, settings.name, data={"count": len(came_ms)}))
    if came_ms == flood.came_ms and active is flood.active:
        return state
    return changed(state, flood=Flood(came_ms, active))
