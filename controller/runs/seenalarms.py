"""What a run's own events tell of its alarms: how many came, tripped, reduced; which stood open at the end. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.records.reader import Table
from controller.records.rows import clean
from controller.records.stream import cells_of

LONGEST = 200


@dataclass(frozen=True, slots=True)
class Alarms:
    """`came`: how many were told. `left`: codes of those whose cause had not gone when the record ended.

    `trips`, `derates`: how many came, told or silent, that trip or that reduce current.
    """

    came: int = 0
    left: tuple[str, ...] = ()
    trips: int = 0
    derates: int = 0


def alarms_of(events: Table | None) -> Alarms:
    """Count the alarms of events.csv; none where there is no such table."""
    told = _codes(events) if events is not None else []
    if not told:
        return Alarms()
    from controller.records.trips import is_derate, is_trip  # with all laws, which a run without alarms does without

    lives = [(law, life) for law, _, life in (code.partition(":") for code in told)]
    # Shelved, suppressed, shown again: none of these says whether the cause stands.
    last = {law: life for law, life in lives if life.startswith("new") or life == "returned"}
    return Alarms(
        came=sum(life == "new" for _, life in lives),
        left=tuple(sorted(clean(law, LONGEST) for law, life in last.items() if life != "returned")),
        trips=sum(map(is_trip, told)),
        derates=sum(map(is_derate, told)),
    )


def _codes(events: Table) -> list[str]:
    """The code of each row that is an alarm."""
    kind, code = events.columns.index("kind"), events.columns.index("code")
    # Most rows are no alarms: only those that may be are cut into cells.
    rows = (cells_of(line) for line in events.lines if b",alarm," in line)
    return [cells[code] for cells in rows if len(cells) > max(kind, code) and cells[kind] == "alarm"]
