"""Where a key leads in the console: selection, pages, scrolling. Pure; no order is given here.

The selection is a circuit's name. It stays where it is when rows, filters or screens change.
"""

from __future__ import annotations

from dataclasses import replace

from controller.console.scene import BathSeen, Place, Scene
from controller.console.trend import QUANTITIES, RIGHT_END

PARENT = {"bath": "hall", "circuit": "bath", "trend": "circuit"}
WINDOWS_S = (600.0, 3600.0, 4 * 3600.0, 0.0)
PAGE = 8
DEEPER = {"hall": "bath", "bath": "circuit", "circuit": "trend"}
STEPS = {"up": -1, "down": 1, "page up": -PAGE, "page down": PAGE, "home": -(10**6), "end": 10**6}


def moved(scene: Scene, key: str, columns: int, plot: int) -> Place:
    """Return the place after a navigation key; unknown keys change nothing.

    `columns`: of the hall's cells; `plot`: of a trend's times.
    """
    place = scene.place
    if key == "enter" and place.page in DEEPER:
        return _deeper(scene)
    if place.page == "hall":
        return _in_hall(scene, key, columns)
    if place.page == "bath":
        return _in_bath(scene, key)
    if place.page in {"circuit", "trend"}:
        return _in_trend(place, key, plot)
    if place.page == "alarms":
        return _listed(scene, key, len(scene.alarms()))
    if place.page == "events":
        return replace(place, top=max(0, place.top - STEPS.get(key, 0)))
    return _listed(scene, key, None)


def _deeper(scene: Scene) -> Place:
    place = with_selection(scene)
    return (
        replace(place, page=DEEPER[place.page], cursor=0, top=0, trend_cursor=None, trend_utc="")
        if place.circuit
        else place
    )


def with_selection(scene: Scene) -> Place:
    """Return the place with a circuit selected, where there is one: the one selected, else the bath's first."""
    if scene.selected is not None:
        return replace(scene.place, bath=scene.selected[0].name)
    seen = scene.selected_bath
    every = ((seen, each) for each in seen.picture.circuits) if seen is not None and seen.picture is not None else ()
    first = next(iter(every), None) or next(iter(scene.circuits()), None)
    return replace(scene.place, bath=first[0].name, circuit=first[1].name) if first is not None else scene.place


def _in_hall(scene: Scene, key: str, columns: int) -> Place:
    """Move through the cells: left and right in order, up and down to the cell above or below, over all baths."""
    cells = [(seen.name, each.name) for seen, each in scene.circuits()]
    if not cells or key not in {*STEPS, "left", "right"}:
        return scene.place
    place = with_selection(scene)
    at = cells.index((place.bath, place.circuit))
    if scene.selected is None:
        return place
    if key in {"left", "right"}:
        at += 1 if key == "right" else -1
    elif key in {"home", "end"}:
        at = 0 if key == "home" else len(cells) - 1
    else:
        at = _vertical(scene.baths, cells, at, columns, STEPS[key])
    bath, circuit = cells[max(0, min(at, len(cells) - 1))]
    return replace(place, bath=bath, circuit=circuit)


def _vertical(baths: tuple[BathSeen, ...], cells: list[tuple[str, str]], at: int, columns: int, by: int) -> int:
    """Return the index of the cell `by` rows further; a row ends where its bath ends."""
    rows: list[list[int]] = []
    for seen in baths:
        own = [index for index, cell in enumerate(cells) if cell[0] == seen.name]
        rows += [own[first : first + columns] for first in range(0, len(own), columns)]
    here = next(number for number, row in enumerate(rows) if at in row)
    column = rows[here].index(at)
    row = rows[max(0, min(here + by, len(rows) - 1))]
    return row[min(column, len(row) - 1)]


def _in_bath(scene: Scene, key: str) -> Place:
    place = with_selection(scene)
    seen = scene.bath(place.bath)
    if seen is None or seen.picture is None or key not in STEPS or scene.selected is None:
        return place
    names = [each.name for each in seen.picture.circuits]
    at = max(0, min(names.index(place.circuit) + STEPS[key], len(names) - 1))
    return replace(place, circuit=names[at])


def _in_trend(place: Place, key: str, columns: int) -> Place:
    if key in {"left", "right"}:
        at = QUANTITIES.index(place.trend) if place.trend in QUANTITIES else 0
        return replace(place, trend=QUANTITIES[(at + (1 if key == "right" else -1)) % len(QUANTITIES)])
    if key in {"+", "-"}:
        at = WINDOWS_S.index(place.window_s) if place.window_s in WINDOWS_S else 2
        at = max(0, min(at + (1 if key == "-" else -1), len(WINDOWS_S) - 1))
        return replace(place, window_s=WINDOWS_S[at], trend_cursor=None, trend_utc="")
    if key in {"up", "down"}:
        # The cursor comes in at the right end, the newest, and goes back in time with Up.
        at = place.trend_cursor if place.trend_cursor is not None else RIGHT_END
        at = at - 1 if key == "up" else at + 1
        return replace(place, trend_cursor=max(RIGHT_END - columns + 1, min(at, RIGHT_END)), trend_utc="")
    return place


def _listed(scene: Scene, key: str, length: int | None) -> Place:
    place = scene.place
    most = (length - 1) if length is not None else 10**6
    return replace(place, cursor=max(0, min(place.cursor + STEPS.get(key, 0), max(0, most))))


def found(scene: Scene, name: str) -> list[Place]:
    """Return the places of that name, a circuit's or a bath's; case does not matter.

    Several where more baths than one have such a circuit and the selected one has none: then `bath/circuit` names one.
    """
    wanted = name.strip().lower()
    circuits = [
        replace(scene.place, page="circuit", bath=seen.name, circuit=each.name, trend_cursor=None, trend_utc="")
        for seen, each in scene.circuits()
        if wanted in {each.name.lower(), f"{seen.name}/{each.name}".lower()}
    ]
    own = [place for place in circuits if place.bath == scene.place.bath]
    baths = [
        replace(scene.place, page="bath", bath=seen.name, circuit="", cursor=0, top=0)
        for seen in scene.baths
        if wanted == seen.name.lower()
    ]
    return own[:1] or circuits or baths
