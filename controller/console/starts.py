"""The start list of the selected circuit: what the machine has checked, what only a person can see. Pure.

Enter ticks the one item at the cursor, `x` refuses it with a reason; there is no way to tick all. The cursor moves over
the persons' items only: what the machine found is the machine's.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.console import promptfacts as facts
from controller.console.amounts import finite
from controller.console.outlook import clock_at, hm, shown, state_word
from controller.console.picture import CheckView, CircuitView, Picture, TickView
from controller.console.promptopen import open_prompt
from controller.console.prompttypes import Step, Wanted
from controller.console.row import Row, fitted, row, wrapped
from controller.console.scene import BathSeen, Scene
from controller.console.sentence import profile_words

FORMED_V = 12.7
"""A formed battery in a fresh string shows by its volts."""

SHORT = {
    "in_use": "lists.short_in_use",
    "is_released": "lists.short_is_released",
    "not_blocked": "lists.short_not_blocked",
    "no_latch": "lists.short_no_latch",
    "read": "lists.short_read",
    "right_device": "lists.short_right_device",
    "not_stuck": "lists.short_not_stuck",
    "cause_gone": "lists.short_cause_gone",
    "flows_alone": "lists.short_flows_alone",
    "record_has_room": "lists.short_record_has_room",
    "remote": "lists.short_remote",
    "first_is_maintenances": "lists.short_maintenance",
}
OF_PERSONS = "start_list_done"

Seen = tuple[BathSeen, Picture, CircuitView]


def _selected(scene: Scene) -> Seen | None:
    found = scene.selected
    return (found[0], found[0].picture, found[1]) if found is not None and found[0].picture is not None else None


def length(scene: Scene) -> int:
    """How many items the cursor moves over."""
    found = _selected(scene)
    return len(found[1].start_items) if found is not None and _has_list(found[2]) else 0


def _has_list(circuit: CircuitView) -> bool:
    return circuit.state == "idle" and circuit.load is not None


def pressed(scene: Scene, key: str, now_s: float) -> Step:
    """Take Enter (the item at the cursor is right) or `x` (it is not: a reason is asked for)."""
    found, say = _selected(scene), scene.say
    if key.lower() not in {"enter", "x"}:
        return Step(None)
    if scene.replay:
        return Step(None, said=say("orders.replay"))
    if found is None:
        return Step(None, said=say("orders.menu_none"))
    seen, picture, circuit = found
    if not seen.trusted:
        return Step(None, said=say("orders.dead_silent", bath=seen.name))
    if not _has_list(circuit):
        return Step(None, said=say("lists.none", name=circuit.name, state=state_word(scene, seen, circuit)))
    if not picture.start_items:
        return Step(None, said=say("lists.no_items"))
    item = _cursor(scene, len(picture.start_items)) + 1
    if key.lower() == "x":
        return open_prompt("refuse", scene, now_s, circuit.name, bath=seen.name, item=item)
    return Step(None, (Wanted(seen.name, "done", circuit.name, {"item": item, "ok": True}, circuit.revision),))


def _cursor(scene: Scene, count: int) -> int:
    return max(0, min(scene.place.cursor, count - 1))


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return machine items, then the persons', and on the last row what is still missing."""
    if height <= 0:
        return []
    found = _selected(scene)
    if found is None:
        return [fitted(Row(scene.say("orders.menu_none")), width)]
    seen, picture, circuit = found
    if not _has_list(circuit):
        said = scene.say("lists.none", name=circuit.name, state=state_word(scene, seen, circuit))
        return [fitted(Row(said), width)]
    head = [Row(scene.say("lists.title", name=circuit.name, batch=circuit.load.batch if circuit.load else "--"))]
    last = wrapped(_missing(scene, seen, picture, circuit), width, "   ", 2)
    room = max(1, height - len(head) - len(last))
    blocks = _machine(scene, found, width) + _persons(scene, found, width)
    count = len(picture.start_items)
    at = len(blocks) - count + _cursor(scene, count) if count else len(blocks) - 1
    body = _around(scene, blocks, at, room)
    return [fitted(each, width) for each in (*head, *body, *last)][:height]


def _around(scene: Scene, blocks: list[list[Row]], at: int, room: int) -> list[Row]:
    """Return the rows around the item at the cursor; what is above and does not fit is told of."""
    if at < 0 or sum(len(block) for block in blocks) <= room:
        return [one for block in blocks for one in block]
    first, used = at, len(blocks[at])
    while first > 0 and used + len(blocks[first - 1]) < room:
        first -= 1
        used += len(blocks[first])
    told = [Row(scene.say("lists.above", n=first))] if first else []
    return [*told, *(one for block in blocks[first:] for one in block)][:room]


def _machine(scene: Scene, found: Seen, width: int) -> list[list[Row]]:
    """Return the machine's items: what does not hold first, then what does, with its values."""
    checks = [each for each in found[2].start_checks if each.check != OF_PERSONS]
    if not checks:
        return [[Row(scene.say("lists.no_checks"))]]
    bad = [_item(scene.say("lists.no"), each.refusal, width) for each in checks if each.refusal]
    good = [each for each in checks if not each.refusal]
    short = facts.joined(scene.say(SHORT[each.check]) for each in good if each.check in SHORT)
    texts = [short, *(_value(scene, found, each) for each in good if each.check not in SHORT)]
    return bad + [_item(scene.say("lists.ok"), text, width) for text in texts if text]


def _item(word: str, text: str, width: int) -> list[Row]:
    """Return one item: its word, then the text set in; never cut, it may carry a caution."""
    lines = wrapped(text, max(8, width - 6), "", 1000)
    return [row(f"  {word:<3} " if number == 0 else " " * 6, line.text) for number, line in enumerate(lines)]


def _value(scene: Scene, found: Seen, check: CheckView) -> str:
    """Return what the picture says about a check that holds."""
    maker = _VALUES.get(check.check)
    return maker(scene, found) if maker is not None else check.check.replace("_", " ")


def _loaded(scene: Scene, found: Seen) -> str:
    circuit = found[2]
    load = circuit.load
    if load is None:
        return ""
    plan = found[1].plan_of(circuit)
    name = profile_words(scene, circuit, plan)
    return scene.say("lists.loaded", batteries=load.batteries, places=circuit.places, batch=load.batch, profile=name)


def _bath(scene: Scene, found: Seen) -> str:
    return facts.joined((facts.under_hood(scene, found[0]), facts.water(scene, found[0])))


def _neighbours(scene: Scene, found: Seen) -> str:
    return facts.who_is_blocked(scene, found[1], (found[2].name,)) or scene.say("lists.no_neighbour")


def _soaked(scene: Scene, found: Seen) -> str:
    seen, picture, circuit = found
    load = circuit.load
    if load is None:
        return ""
    if not load.fresh:
        return scene.say("lists.continued")
    last, first = hm(picture.now_ms - load.last_filled_ms), hm(picture.now_ms - load.first_filled_ms)
    by = "" if load.start_by_ms is None else scene.say("lists.start_by", at=clock_at(scene, seen, load.start_by_ms))
    return facts.joined((scene.say("lists.soaked", last=last, first=first), by), "; ")


def _cool(scene: Scene, found: Seen) -> str:
    return scene.say("lists.cool", hot=facts.hot(found[0], found[2]))


def _volts(scene: Scene, found: Seen) -> str:
    seen, picture, circuit = found
    volts, amps = shown(seen, circuit.voltage_V, ".1f"), shown(seen, circuit.current_A, ".1f")
    if circuit.load is None or not circuit.load.fresh:
        return scene.say("lists.volts_continued", volts=volts, amps=amps)
    limits = picture.limits
    return scene.say(
        "lists.volts",
        volts=volts, amps=amps, expected=limits.fresh_V, scatter=limits.fresh_scatter_V, formed=FORMED_V,
    )  # fmt: skip


_VALUES: dict[str, Callable[[Scene, Seen], str]] = {
    "loaded": _loaded, "bath_shut_and_aired": _bath, "neighbours_told": _neighbours, "soaked": _soaked,
    "cool_enough": _cool, "string_volts": _volts,
}  # fmt: skip


def _persons(scene: Scene, found: Seen, width: int) -> list[list[Row]]:
    """Return the persons' items, each with who found what and when."""
    _, picture, circuit = found
    ticks = {tick.item: tick for tick in circuit.ticks}
    at = _cursor(scene, len(picture.start_items))
    made = []
    for number, item in enumerate(picture.start_items):
        tick = ticks.get(number + 1)
        box = scene.say(_box(picture, tick))
        text = facts.joined((f"{number + 1} {item}", _ticked(scene, found, tick)), "   ")
        lines = wrapped(text, max(8, width - 6), "", 1000)
        mark = "> " if number == at else "  "
        made.append([row(f"{mark}{box} " if part == 0 else " " * 6, line.text) for part, line in enumerate(lines)])
    return made


def stale(picture: Picture, tick: TickView) -> bool:
    """Whether a tick is too old to count."""
    limit_s = finite(picture.tick_stale_s) or 0.0
    return not 0 <= picture.now_ms - tick.at_ms <= limit_s * 1000.0


def _box(picture: Picture, tick: TickView | None) -> str:
    if tick is None:
        return "lists.box_empty"
    if not tick.ok:
        return "lists.box_refused"
    return "lists.box_stale" if stale(picture, tick) else "lists.box_ticked"


def _ticked(scene: Scene, found: Seen, tick: TickView | None) -> str:
    if tick is None:
        return ""
    seen, picture, _ = found
    at = clock_at(scene, seen, tick.at_ms)
    if not tick.ok:
        return scene.say("lists.refused", who=tick.who, at=at, reason=tick.reason)
    age = hm(picture.now_ms - tick.at_ms)
    return scene.say("lists.stale" if stale(picture, tick) else "lists.ticked", who=tick.who, at=at, age=age)


def _missing(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """Return what is still missing for a start, as the service sees it, and how many items are open."""
    if not seen.trusted:
        return scene.say("orders.dead_silent", bath=seen.name)
    why = circuit.may.get("start")
    if why == "":
        return scene.say("lists.ready", name=circuit.name)
    good = {tick.item for tick in circuit.ticks if tick.ok and not stale(picture, tick)}
    left = [str(item) for item in range(1, len(picture.start_items) + 1) if item not in good]
    items = scene.say("lists.missing_items", items=" ".join(left)) if left else ""
    # The service's word about the persons' items says the same again.
    persons = next((each.refusal for each in circuit.start_checks if each.check == OF_PERSONS), "")
    machine = why or "" if not left or why != persons else ""
    return scene.say("lists.missing", what=facts.joined((items, machine), "; ") or "--")
