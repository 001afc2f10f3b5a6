"""The mouse, where it was asked for: a click selects the circuit it stands on, the wheel scrolls. Never an order."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from controller.console.app import App
from controller.console.row import Row

WHEEL = {4: "up", 5: "down"}


def keys_of(key: object, shown: Sequence[Row], app: App) -> Iterator[object]:
    """Yield the keys that one input stands for; a click on a circuit's name selects it and yields none."""
    if not isinstance(key, tuple):
        yield key
        return
    if len(key) != 4 or key[0] != "mouse press":
        return
    _, button, column, line = key
    if button in WHEEL:
        yield WHEEL[button]
    elif button == 1 and 0 <= line < len(shown):
        select([row.text for row in shown[: line + 1]], column, app)


def select(lines: Sequence[str], column: int, app: App) -> None:
    """Select the circuit whose name stands last at or before the column of the last of these lines.

    Where several baths have that name it is the one whose own line stands nearest above, else the selected one's.
    """
    scene = app.scene(0.0)
    names: dict[str, list[str]] = {}
    for seen, each in scene.circuits():
        names.setdefault(each.name, []).append(seen.name)
    hit = ""
    for word in re.finditer(r"[A-Za-z0-9_.-]+", lines[-1]):
        if word.start() > column:
            break
        hit = word.group() if word.group() in names else hit
    if not hit or app.prompt is not None:
        return
    above = next((bath for text in reversed(lines) for bath in names[hit] if text.startswith(f"Bath {bath} ")), "")
    bath = above or (scene.place.bath if scene.place.bath in names[hit] else names[hit][0])
    app.place = replace(app.place, circuit=hit, bath=bath)
