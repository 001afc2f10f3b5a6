"""What an accepted order tells beside its own answer. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from controller.core.orderchecks import Ask
from controller.core.types import Event, EventKind, Scalar

REASON_APART = ("reading", "sign-off")
"""Orders whose words are taken apart again when a record is read: their reason is told by an event of its own."""


def start_list(ask: Ask) -> list[Event]:
    """Return what the start list said when a start was accepted, for the run's own record."""
    items, events = ask.settings.start_items, list[Event]()
    for tick in ask.state.ticks:
        if not 1 <= tick.item <= len(items):
            continue
        minutes = (ask.facts.now_ms - tick.at_ms) / 60_000.0
        text = items[tick.item - 1]
        data: dict[str, Scalar] = {"item": tick.item, "item_text": text, "who": tick.who, "minutes": minutes}
        events.append(Event("start_list_item", ask.state.name, data=data))
    return events


def reason(target: str, data: Mapping[str, Scalar]) -> list[Event]:
    """Return why an order was given, of its answer's `data`; without its id: this is not the answer to it."""
    if not isinstance(data.get("reason"), str) or not data["reason"]:
        return []
    return [Event("reason", target, EventKind.ORDER, {key: data[key] for key in ("verb", "who", "role", "reason")})]
