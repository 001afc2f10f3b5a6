"""The whole screen from a scene: frame, page, dialogue at the bottom of the body. Pure.

The four lines on top and the two key lines stand on every page and are never covered; where the terminal is too small
for a page, what is left is the first alarm, the counts and the key that holds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from controller.console import (
    alarms,
    bath,
    circuit,
    events,
    frame,
    hall,
    ordermenu,
    prompt,
    recovery,
    starts,
    trend,
)
from controller.console import help as help_page
from controller.console.prompt import Prompt
from controller.console.row import BLANK, Row, beside, fitted, row, wrapped
from controller.console.scene import Scene

Page = Callable[[Scene, int, int], list[Row]]

WIDE = 160
"""From this width on the selected circuit stands beside the hall."""
HALL_WIDTH = 80
TALL_BATH = 12
"""Rows that a trend below the bath's table needs at least."""
LEAST_HEIGHT = 12


def rows(scene: Scene, dialogue: Prompt | None, width: int, height: int) -> list[Row]:
    """Return every row of the screen, top to bottom: exactly `height`, none wider than `width`."""
    if height < LEAST_HEIGHT:
        return _small(scene, dialogue, width, height)
    top = [fitted(each, width) for each in frame.top(scene, width)]
    keys = [fitted(each, width) for each in frame.keys(scene, width)]
    room = height - len(top) - len(keys)
    asked = _asked(scene, dialogue, width, room)
    body = PAGES[scene.place.page](scene, width, room)[: room - len(asked)]
    body = _filled(body, room - len(asked)) + asked[:room]
    return [*top, *(fitted(each, width) for each in body), *keys]


def _asked(scene: Scene, dialogue: Prompt | None, width: int, room: int) -> list[Row]:
    """Return what stands at the bottom of the body: what was said of the last key or order, then the open dialogue."""
    said = wrapped(scene.said, width, "  ", most=2) if scene.said else []
    return [*said, *(prompt.rows(dialogue, scene, width, room - len(said)) if dialogue is not None else [])]


def _small(scene: Scene, dialogue: Prompt | None, width: int, height: int) -> list[Row]:
    """Return what a terminal of a few lines can still say."""
    path, second, first, more = frame.top(scene, width)
    # Nobody takes a replay for the plant: where it stands comes before any alarm of then, and before the keys.
    head = [path, second] if scene.replay else [path]
    if scene.replay and height <= len(head):
        return _of_replay(scene, width, height)
    keys = frame.keys(scene, width)[-1:]
    room = max(0, height - 1 - len(keys))
    asked = prompt.rows(dialogue, scene, width, room) if dialogue is not None else []
    body = [*head, *(_last(asked, room - 1) if asked else [first, Row(scene.said) if scene.said else more])]
    left = room + 1 - len(body)
    if left > 2 and not asked:
        body += PAGES[scene.place.page](scene, width, left)[:left]
    return [fitted(each, width) for each in (*_filled(body[: room + 1], room + 1), *keys)][:height]


def _of_replay(scene: Scene, width: int, height: int) -> list[Row]:
    """Return what two lines, or one, can still say of a replay."""
    word = scene.say("frame.replay")
    if height > 1:
        return frame.top(scene, width)[:height]
    # As in a narrow window, where the day stands in the second line.
    second = frame.top(scene, min(width - len(word), frame.LONG_CLOCK) - 1)[1]
    return [fitted(row(("replay", word), " ", second.text), width)][:height]


def _last(asked: list[Row], room: int) -> list[Row]:
    """Return the end of a dialogue, where it is typed."""
    return asked[-room:] if room > 0 else []


def _filled(body: list[Row], room: int) -> list[Row]:
    return body[:room] + [BLANK] * max(0, room - len(body))


def _hall(scene: Scene, width: int, height: int) -> list[Row]:
    """The hall; on a wide terminal the selected circuit on its right."""
    if width < WIDE or scene.selected is None:
        return hall.rows(scene, width, height)
    left = _filled(hall.rows(scene, HALL_WIDTH, height), height)
    right = _filled(circuit.rows(scene, width - HALL_WIDTH - 2, height), height)
    return [beside(one, other, HALL_WIDTH + 2) for one, other in zip(left, right, strict=True)]


def _bath(scene: Scene, width: int, height: int) -> list[Row]:
    """The bath's table; where there is room below it, the selected circuit's trend."""
    seen = scene.selected_bath
    count = len(seen.picture.circuits) if seen is not None and seen.picture is not None else 0
    need = min(height, count + 5)
    spare = height - need
    if spare < TALL_BATH or scene.selected is None:
        return bath.rows(scene, width, height)
    table = bath.rows(scene, width, need)
    return [*_filled(table, need), *trend.chart(scene, width, spare, scene.place.trend)]


def _trend(scene: Scene, width: int, height: int) -> list[Row]:
    """The trend, as large as the body, below the circuit's state."""
    head = circuit.headline(scene, width)
    return [*head, *trend.chart(scene, width, height - len(head), scene.place.trend)]


PAGES: dict[str, Page] = {
    "hall": _hall,
    "bath": _bath,
    "circuit": circuit.rows,
    "trend": _trend,
    "alarms": alarms.rows,
    "events": events.rows,
    "orders": ordermenu.rows,
    "starts": starts.rows,
    "recovery": recovery.rows,
    "help": help_page.rows,
}


def hall_columns(scene: Scene, width: int) -> int:
    """Return how many cells of the hall stand in a row, for the keys that move among them."""
    split = width >= WIDE and scene.selected is not None
    return hall.columns(HALL_WIDTH if split else width, hall.longest_name(scene))


def at(scene: Scene, page: str) -> Scene:
    """Return the scene on another page."""
    return replace(scene, place=replace(scene.place, page=page))
