"""Which circuits a restart found with an open run, and what answer each of them has got. Pure."""

from __future__ import annotations

from datetime import datetime

from controller.console.amounts import finite
from controller.console.picture import AwayView, RecoveryView
from controller.console.scene import BathSeen, Scene

SEVERAL = 2
HOLDS = frozenset({"held", "tripped", "unknown"})
"""States in which an open run waits for an answer."""

Entry = tuple[BathSeen, str, AwayView]


def entries(scene: Scene) -> list[Entry]:
    """The circuits of all baths that a restart found with an open run, in the order of the baths."""
    return [
        (seen, name, away)
        for seen in scene.baths
        if seen.picture is not None and seen.picture.recovery is not None
        for name, away in seen.picture.recovery.circuits.items()
    ]


def length(scene: Scene) -> int:
    """How many circuits the cursor moves over."""
    return len(entries(scene))


def wanted(scene: Scene) -> bool:
    """Whether the list must be shown: some circuit has no answer yet."""
    return not scene.replay and any(not answered(scene, seen, name) for seen, name, _ in entries(scene))


def answered(scene: Scene, seen: BathSeen, name: str) -> str:
    """The answer that a circuit got, in one word: it runs again, it ended, or somebody left it held; empty: none."""
    picture = seen.picture
    circuit = picture.circuit(name) if picture is not None else None
    if picture is None or circuit is None or picture.recovery is None:
        return scene.say("recovery.gone")
    if circuit.state == "running":
        return scene.say("recovery.runs")
    if circuit.state not in HOLDS:
        return scene.say("recovery.ended")
    return scene.say("recovery.left") if _left_held(scene, seen, name, picture.recovery) else ""


def _left_held(scene: Scene, seen: BathSeen, name: str, recovery: RecoveryView) -> bool:
    """Whether an accepted note since the restart says that the circuit stays held, at this console or another.

    A note on another bath's circuit of that name says nothing about this one.
    """
    begin, note = moment_of(recovery.to_utc), scene.say("recovery.left_note")
    for line in scene.orders:
        if line.bath != seen.name or line.target != name:
            continue
        if line.verb == "note" and line.accepted and note in line.text:
            at = moment_of(line.time_utc)
            if at is not None and begin is not None and at >= begin:
                return True
    return False


def moment_of(text: str | None) -> datetime | None:
    """Return a moment with its zone, None where the text is none."""
    try:
        found = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def group(scene: Scene, seen: BathSeen) -> tuple[str, ...]:
    """The circuits of a bath that one typed answer resumes: all that may, at their whole current."""
    picture = seen.picture
    if picture is None or picture.recovery is None or not seen.trusted:
        return ()
    found = tuple(
        name
        for name in picture.recovery.circuits
        if (each := picture.circuit(name)) is not None
        and each.may.get("resume") == ""
        and (finite(each.allowed_percent) or 0.0) >= 100.0
        and not answered(scene, seen, name)
    )
    return found if len(found) >= SEVERAL else ()
