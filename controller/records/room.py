"""For how long rows can still wait in memory while their disk takes none: what is left of it, by how fast it fills."""

from __future__ import annotations

from controller.records.writer import Writer

PLANNED_MS = 8 * 3_600_000
"""What the memory for rows is meant to last; said until its filling has been measured."""

MEASURED_MS = 60_000


class Room:
    """The writer's memory, watched once a cycle."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._began: tuple[int, int] | None = None

    def left_ms(self, now_ms: int) -> int | None:
        """Return for how long rows can still wait; None: they are written; 0: no more can wait."""
        writer = self._writer
        if not writer.has_room:
            return 0
        waiting = writer.waiting_bytes
        if writer.trouble is None:
            self._began = None
            return None
        if self._began is None or waiting < self._began[1]:
            self._began = (now_ms, waiting)
        took_ms, grown = now_ms - self._began[0], waiting - self._began[1]
        room = max(0, writer.limit_bytes - waiting)
        if took_ms < MEASURED_MS or grown <= 0:
            return max(1, PLANNED_MS * room // writer.limit_bytes)
        return max(1, room * took_ms // grown)
