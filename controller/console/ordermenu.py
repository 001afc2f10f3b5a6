"""The orders of the selected circuit that fit its state, and what became of those given. Pure.

What the service would refuse now stands there with its reason and does not open.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from controller.console import promptopen
from controller.console.amounts import step_of
from controller.console.outlook import state_word
from controller.console.picture import CircuitView, Picture
from controller.console.prompttypes import open_run
from controller.console.promptwords import named
from controller.console.row import Row, fitted, row, wrapped
from controller.console.scene import BathSeen, OrderLine, Scene

MOST = 9
"""Entries have one digit each."""

LEAST_FOLLOWED = 4
SEVERAL = 2


@dataclass(frozen=True, slots=True)
class Entry:
    """One order. `kind` opens its dialogue (`open_prompt`). `refusal`: why the service would refuse it now."""

    kind: str
    label: str
    refusal: str = ""


def entries(scene: Scene) -> list[Entry]:
    """The orders that fit the selected circuit's state, in a fixed order: away from current first."""
    found = _selected(scene)
    if found is None or found[0].picture is None:
        return []
    seen, circuit = found
    picture = found[0].picture
    kinds = [*_of_state(picture, circuit), *_of_bath(picture)]
    return [Entry(kind, _label(scene, seen, circuit, kind), _refusal(scene, seen, circuit, kind)) for kind in kinds][
        :MOST
    ]


def _selected(scene: Scene) -> tuple[BathSeen, CircuitView] | None:
    """The selected circuit; of another bath than the selected one it never is, though that one be gone."""
    found = scene.selected
    return found if found is not None and found[0] is promptopen.home(scene) else None


def _of_state(picture: Picture, circuit: CircuitView) -> list[str]:
    """A trip's three steps stand in their order: block, acknowledge, reset."""
    state, step = circuit.state, step_of(picture, circuit)
    kinds = {
        # What is not read back may flow, whatever its state is called.
        "hold": state in {"running", "held", "unknown"} or not circuit.confirmed,
        "unblock": bool(circuit.blocked_by),
        "block": not circuit.blocked_by,
        "acknowledge": state == "tripped" and any(not (each.acknowledged or each.quiet) for each in circuit.alarms),
        "load": state == "idle" and circuit.load is None,
        "start": "start" in circuit.may and circuit.load is not None,
        "resume": "resume" in circuit.may,
        "done": state == "running" and step is not None and step.order,
        "reset": "reset" in circuit.may,
        "unload": "unload" in circuit.may,
        "note": True,
    }
    return [kind for kind, fits in kinds.items() if fits]


def _of_bath(picture: Picture) -> list[str]:
    kinds = {
        "reset bath": any(each.latched for each in picture.alarms),
        "start all": len(promptopen.may_now("start", picture)) >= SEVERAL,
        "resume all": len(promptopen.may_now("resume", picture)) >= SEVERAL,
        "note bath": True,
    }
    return [kind for kind, fits in kinds.items() if fits]


def _refusal(scene: Scene, seen: BathSeen, circuit: CircuitView, kind: str) -> str:
    picture = seen.picture
    if picture is None:
        return ""
    if kind == "acknowledge":
        return scene.say("orders.acknowledge_key")
    if kind == "reset bath":
        return promptopen.bath_refusal(scene, picture)
    return promptopen.refusal(kind, scene, seen, picture, circuit)


_LABELS = {
    "hold": "orders.do_hold",
    "acknowledge": "orders.do_acknowledge",
    "start": "orders.do_start",
    "resume": "orders.do_resume",
    "reset": "orders.do_reset",
    "reset bath": "orders.do_reset_bath",
    "block": "orders.do_block",
    "unblock": "orders.do_unblock",
    "load": "orders.do_load",
    "unload": "orders.do_unload",
    "note": "orders.do_note",
    "note bath": "orders.do_note_bath",
    "done": "orders.do_done",
}


def _label(scene: Scene, seen: BathSeen, circuit: CircuitView, kind: str) -> str:
    picture = seen.picture
    if picture is None:
        return kind
    if kind == "start all":
        return scene.say.count("orders.do_start_all", len(promptopen.may_now("start", picture)), bath=seen.name)
    if kind == "resume all":
        return scene.say.count("orders.do_resume_all", len(promptopen.may_now("resume", picture)), bath=seen.name)
    step = step_of(picture, circuit)
    return scene.say(
        "orders.do_hold_end" if kind == "hold" and open_run(circuit) else _LABELS[kind],
        name=circuit.name,
        bath=seen.name,
        who=circuit.blocked_by or "",
        step=step.number if step is not None else None,
        task=(step.task or step.name) if step is not None else "",
    )


def length(scene: Scene) -> int:
    """How many entries the cursor moves over."""
    return len(entries(scene))


def picked(scene: Scene, key: str) -> Entry | None:
    """The entry that a key opens: its digit, or Enter for the one at the cursor; None: the key opens nothing."""
    listed = entries(scene)
    if key == "enter" and listed:
        return listed[max(0, min(scene.place.cursor, len(listed) - 1))]
    if len(key) == 1 and key in "123456789" and int(key) <= len(listed):
        return listed[int(key) - 1]
    return None


def chosen(scene: Scene, key: str) -> str:
    """The kind of dialogue that a key opens, empty where it opens none. A refused one says its reason on opening."""
    entry = picked(scene, key)
    return entry.kind if entry is not None else ""


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the menu, and below it the orders given lately, newest first."""
    if height <= 0:
        return []
    made = _menu(scene, width, height)
    room = height - len(made) - 2
    if room > 0:
        made += [Row(), Row(scene.say("orders.menu_followed")), *_followed(scene, width, room)]
    return [fitted(each, width) for each in made[:height]]


def _menu(scene: Scene, width: int, height: int) -> list[Row]:
    found = _selected(scene)
    if found is None:
        return [Row(scene.say("orders.menu_none"))]
    seen, circuit = found
    listed = entries(scene)
    at = max(0, min(scene.place.cursor, len(listed) - 1))
    head = [
        Row(
            scene.say("orders.menu", name=named(scene, circuit.name, seen.name), state=state_word(scene, seen, circuit))
        )
    ]
    parts = [_entry_rows(scene, entry, number, width, chosen_one=number == at) for number, entry in enumerate(listed)]
    room = max(1, height - 1)
    first = 0
    while first < at and sum(len(part) for part in parts[first : at + 1]) > room:
        first += 1
    shown = [one for part in parts[first:] for one in part]
    return [*head, *shown[:room]]


def _entry_rows(scene: Scene, entry: Entry, number: int, width: int, *, chosen_one: bool) -> list[Row]:
    label = entry.label
    if entry.refusal:
        key = "orders.menu_hint" if entry.kind == "acknowledge" else "orders.menu_refused"
        label = scene.say(key, label=entry.label, why=entry.refusal)
    text = scene.say("orders.menu_entry", n=number + 1, label=label)
    lines = wrapped(text, max(8, width - 2), "  ", 12)
    mark = ">" if chosen_one else " "
    return [row(f"{mark if index == 0 else ' '} {line.text}") for index, line in enumerate(lines)]


def _followed(scene: Scene, width: int, room: int) -> list[Row]:
    if not scene.orders:
        return [Row(scene.say("orders.menu_nothing"))]
    made: list[Row] = []
    for line in reversed(scene.orders):
        made += wrapped(followed_text(scene, line), width, "   ", 2)
        if len(made) >= room:
            break
    return made[:room]


def followed_text(scene: Scene, line: OrderLine) -> str:
    """One order from asking to its end, in one sentence that says its verb once."""
    say, verb = scene.say, line.verb
    text = line.text.removeprefix(f"{verb} refused: ").removeprefix(f"{verb}: ")
    read_back = line.read_back.removeprefix(f"{verb}: ")
    if line.accepted is None:
        end = say("orders.line_asked")
    elif not line.accepted:
        end = say("orders.line_refused", text=text)
    else:
        end = read_back if read_back and line.kept else text
    target = f"{line.bath}/{line.target}" if len(scene.baths) > 1 and line.bath else line.target
    return say("orders.line", at=_clock(scene, line.time_utc), verb=verb, target=target, who=line.who, end=end)


def _clock(scene: Scene, time_utc: str) -> str:
    try:
        moment = datetime.fromisoformat(time_utc)
        return scene.local(moment).strftime("%H:%M:%S") if moment.tzinfo is not None else "--:--:--"
    except (ValueError, OverflowError):
        return "--:--:--"
