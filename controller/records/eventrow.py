"""The row of events.csv that tells of an event of the core or the service. Pure."""

from __future__ import annotations

from controller import words
from controller.core.types import Event, EventKind
from controller.records.rows import EventRow


def event_row(event: Event, utc_ms: int, now_ms: int | None) -> EventRow:
    """What events.csv says of this event: an alarm's code carries what happened to it, the text is the catalogue's."""
    data = event.data
    alarm = event.kind is EventKind.ALARM
    return EventRow(
        utc_ms=utc_ms,
        now_ms=now_ms,
        id=str(data.get("order") or ""),
        kind=event.kind.value,
        code=f"{event.code}" if not alarm else f"{event.code}:{data.get('life')}",
        target=event.target,
        who=str(data.get("who") or ""),
        role=str(data.get("role") or ""),
        priority=event.priority or None,
        value=data.get("value"),
        limit=data.get("limit"),
        unit=words.unit_of(event.code) if alarm else _unit_told(event),
        text=words.text(event),
    )


def _unit_told(event: Event) -> str:
    """The unit of a value that a person gave: of a reading by hand."""
    return str(event.data.get("unit") or "") if event.data.get("value") is not None else ""
