"""What the page in view needs from the records: the selected circuit's trend, the baths' events. Files only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from controller.console.records import EventTail, TrendReader
from controller.console.scene import BathSeen, EventLine, Scene, TrendData

MOST_EVENTS = 2000


class Feed:
    """Keeps the readers of what was last looked at, so that only what is new is read. Called off the loop's thread."""

    def __init__(self) -> None:
        self.trend: TrendData | None = None
        self.events: tuple[EventLine, ...] | None = None
        """None: not read yet."""
        self._trend: tuple[Path, TrendReader] | None = None
        self.trouble = ""
        """What of the events cannot be read, as a sentence."""
        self._tails: dict[str, EventTail] = {}
        self._replayed: dict[str, Mapping[str, str]] = {}
        self._shown: Mapping[str, Mapping[str, str]] = {}

    def update(self, scene: Scene) -> None:
        """Read on for the page in view."""
        if scene.place.page in {"circuit", "trend", "bath", "hall"}:
            self._read_trend(scene)
        if scene.place.page == "events":
            self._read_events(scene)

    def fits(self, baths: Sequence[BathSeen]) -> bool:
        """Return whether the events are of the files that a replay shows now: one that went back has others."""
        return all(self._shown.get(seen.name, folders) == folders for seen in baths if (folders := _replayed(seen)))

    def _read_trend(self, scene: Scene) -> None:
        folder = self._folder(scene)
        if folder is None:
            self.trend, self._trend = None, None
            return
        if self._trend is None or self._trend[0] != folder:
            self._trend = (folder, TrendReader(folder))
        self.trend = self._trend[1].update()

    def _folder(self, scene: Scene) -> Path | None:
        if scene.selected is None:
            return None
        seen, circuit = scene.selected
        # A name from the socket is one part of a path here, never a way up.
        if not seen.runs or not circuit.folder or Path(circuit.folder).name != circuit.folder:
            return None
        return Path(seen.runs) / circuit.folder

    def _read_events(self, scene: Scene) -> None:
        lines: list[EventLine] = []
        trouble = ""
        for seen in scene.baths:
            if not seen.runs or seen.picture is None:
                continue
            folders = {
                each.name: each.folder
                for each in seen.picture.circuits
                if each.folder and Path(each.folder).name == each.folder
            }
            tail = self._tails.get(seen.name)
            if tail is None or self._replayed.get(seen.name) != _replayed(seen):
                # What a replay has shown before it went back is no past of the moment that it shows now.
                self._replayed[seen.name] = _replayed(seen)
                tail = self._tails[seen.name] = EventTail(Path(seen.runs), seen.name, folders)
            tail.follow(folders)
            lines += tail.update()
            trouble = trouble or tail.trouble
        self.events = tuple(sorted(lines, key=lambda line: line.time_utc)[-MOST_EVENTS:])
        self._shown = dict(self._replayed)
        self.trouble = trouble


def _replayed(seen: BathSeen) -> dict[str, str]:
    """Return a replay's run folders by circuit; of what is live, nothing."""
    if seen.picture is None or seen.picture.replay is None:
        return {}
    return {each.name: each.folder or "" for each in seen.picture.circuits}
