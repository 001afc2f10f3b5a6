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
        select(shown[line].text, column, app)


def select(text: str, column: int, app: App) -> None:
    """Select the circuit whose name stands last at or before the column of this row."""
    names = {each.name: seen.name for seen, each in app.scene(0.0).circuits()}
    hit = ""
    for word in re.finditer(r"[A-Za-z0-9_.-]+", text):
        if word.start() > column:
            break
        hit = word.group() if word.group() in names else hit
    if hit and app.prompt is None:
        app.place = replace(app.place, circuit=hit, bath=names[hit])
