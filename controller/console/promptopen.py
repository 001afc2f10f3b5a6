"""How a dialogue opens: on which circuits, in which order it asks, and why it cannot open now. Pure.

Whether an order is accepted is the service's to say; here it only is not asked for what the service would refuse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller import words
from controller.console import loadform
from controller.console.amounts import step_of
from controller.console.picture import CircuitView, Picture
from controller.console.prompttypes import ENERGY, Prompt, Step, blocked_beside, what_stands
from controller.console.scene import BathSeen, Scene

KINDS = (
    "hold", "block", "unblock", "reset", "reset bath", "start", "start all", "resume", "resume all", "done", "unload",
    "load", "note", "note bath", "refuse", "go", "find",
)  # fmt: skip

REASON_TAKEN = "with a reason"
"""Stands in every refusal that a reason lifts."""


def open_prompt(
    kind: str,
    scene: Scene,
    now_s: float,
    target: str | None = None,
    *,
    bath: str | None = None,
    targets: tuple[str, ...] = (),
    item: int = 0,
) -> Step:
    """Open a dialogue; without a prompt in the answer, `said` tells why not.

    `target`: a circuit, None: the selected one; `bath`: the bath it is of, None: the selected one, never another that
    has a circuit of that name. `targets`: several circuits of that bath for `start all` and `resume all`, empty: all
    that may. `item`: of the start list.
    """
    if scene.replay and kind not in {"go", "find"}:
        return Step(None, said=scene.say("orders.replay"))
    if kind in {"go", "find"}:
        return Step(Prompt(kind, "", (), "text", now_s, now_s))
    if kind in {"start all", "resume all"}:
        return _several(kind.split(" ", 1)[0], scene, now_s, bath, targets)
    if kind in {"reset bath", "note bath"}:
        return _on_bath(kind.split(" ", 1)[0], scene, now_s, bath)
    found = _found(scene, target, bath)
    if found is None:
        if kind == "hold" and target is None:
            return _hold_bath(scene, now_s, bath)
        return Step(None, said=scene.say("orders.no_circuit", name=target or scene.place.circuit or "--"))
    seen, picture, circuit = found
    if kind == "acknowledge":
        return Step(None, said=scene.say("orders.acknowledge_how", name=circuit.name))
    opener = _OPENERS.get(kind)
    if opener is None:
        return Step(None, said=scene.say("orders.no_such", kind=kind))
    if kind in ENERGY and not seen.trusted:
        return Step(None, said=scene.say("orders.dead_silent", bath=seen.name))
    why = refusal(kind, scene, seen, picture, circuit)
    if why:
        return Step(None, said=scene.say("orders.cannot", verb=kind, target=circuit.name, why=why))
    stage = "reason" if wants_reason(kind, seen, circuit) else opener
    return Step(_prompt(kind, seen, picture, (circuit.name,), stage, now_s, item))


_OPENERS = {
    "hold": "ask", "block": "ask", "unload": "ask", "note": "text", "refuse": "reason", "load": "form",
    "unblock": "name", "reset": "name", "start": "told", "resume": "told", "done": "told",
}  # fmt: skip


def _prompt(
    kind: str, seen: BathSeen, picture: Picture, targets: tuple[str, ...], stage: str, now_s: float, item: int = 0
) -> Prompt:
    circuits = [picture.circuit(name) for name in targets]
    flows = kind in {"start", "resume"} or (kind == "done" and _next_flows(picture, circuits[0]))
    blocked = blocked_beside(picture, targets) if flows else ()
    return Prompt(
        kind, seen.name, targets,
        stage="name" if stage == "told" and not blocked else stage,
        opened_s=now_s,
        touched_s=now_s,
        revisions=tuple(each.revision if each is not None else None for each in circuits),
        seen=what_stands(picture, targets),
        neighbours=tuple(each.name for each in blocked),
        fields=loadform.EMPTY if kind == "load" else (),
        item=item,
        own=picture.bath,
        step=_step(circuits[0]) if kind == "done" else None,
        library=loadform.library() if kind == "load" else (),
    )  # fmt: skip


def _next_flows(picture: Picture, circuit: CircuitView | None) -> bool:
    """Whether the step after the one that stands brings current: then each neighbour is told, as at a start."""
    if circuit is None or circuit.run is None or circuit.load is None:
        return False
    plan, number = picture.plans.get(circuit.load.plan), circuit.run.step + 1
    return plan is not None and any(step.number == number and step.kind != "rest" for step in plan.steps)


def _step(circuit: CircuitView | None) -> int | None:
    """Where the circuit's run stands."""
    return circuit.run.step if circuit is not None and circuit.run is not None else None


def home(scene: Scene, bath: str | None = None) -> BathSeen | None:
    """Return the bath named, else the selected one; never another because that one is gone."""
    name = bath if bath is not None else scene.place.bath
    return scene.bath(name) if name else scene.selected_bath


def _found(scene: Scene, target: str | None, bath: str | None) -> tuple[BathSeen, Picture, CircuitView] | None:
    """Return the circuit of that name in the bath named, or in the selected one."""
    name, seen = target if target is not None else scene.place.circuit, home(scene, bath)
    if seen is None or seen.picture is None:
        return None
    found = seen.picture.circuit(name)
    return (seen, seen.picture, found) if found is not None else None


def _hold_bath(scene: Scene, now_s: float, bath: str | None) -> Step:
    """With no circuit selected the bath can be held; the dialogue says that it is the bath."""
    seen = home(scene, bath)
    if seen is None:
        return Step(None, said=scene.say("orders.no_circuit", name="--"))
    own = seen.picture.bath if seen.picture is not None else ""
    return Step(Prompt("hold", seen.name, (), "bath", now_s, now_s, own=own))


def _on_bath(kind: str, scene: Scene, now_s: float, bath: str | None) -> Step:
    seen = home(scene, bath)
    if seen is None or seen.picture is None:
        return Step(None, said=scene.say("orders.no_circuit", name=bath or scene.place.bath or "--"))
    if kind in ENERGY and not seen.trusted:
        return Step(None, said=scene.say("orders.dead_silent", bath=seen.name))
    why = bath_refusal(scene, seen.picture) if kind == "reset" else ""
    if why:
        return Step(None, said=scene.say("orders.cannot", verb=kind, target=seen.name, why=why))
    return Step(_prompt(kind, seen, seen.picture, (seen.picture.bath,), "text" if kind == "note" else "name", now_s))


def _several(verb: str, scene: Scene, now_s: float, bath: str | None, targets: tuple[str, ...]) -> Step:
    seen = home(scene, bath)
    if seen is None or seen.picture is None:
        return Step(None, said=scene.say("orders.no_circuit", name=bath or scene.place.bath or "--"))
    if not seen.trusted:
        return Step(None, said=scene.say("orders.dead_silent", bath=seen.name))
    names = tuple(name for name in may_now(verb, seen.picture) if not targets or name in targets)
    if not names:
        return Step(None, said=scene.say("orders.none_may", verb=verb, bath=seen.name))
    return Step(_prompt(verb, seen, seen.picture, names, "told", now_s))


def may_now(verb: str, picture: Picture) -> tuple[str, ...]:
    """The circuits of a bath of which the service would accept the order now, without a reason."""
    return tuple(each.name for each in picture.circuits if each.may.get(verb) == "")


@dataclass(frozen=True, slots=True)
class _About:
    """What a check looks at."""

    scene: Scene
    seen: BathSeen
    picture: Picture
    circuit: CircuitView

    def words(self, code: str, **data: str) -> str:
        """The catalogue's sentence of a refusal."""
        return words.filled(self.scene.say.translate(words.REFUSALS[words.refusal_key(code, data)]), data)


def refusal(kind: str, scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """Why a dialogue cannot open, in words; empty: it can. What a reason lifts is no obstacle to who may give one."""
    about = _About(scene, seen, picture, circuit)
    if kind in {"start", "resume", "reset", "unload"}:
        return _of_core(about, kind)
    check = _REFUSALS.get(kind)
    return check(about) if check is not None else ""


def wants_reason(kind: str, seen: BathSeen, circuit: CircuitView) -> bool:
    """Whether the order is taken with a reason only."""
    if kind == "unblock":
        return bool(circuit.blocked_by) and bool(seen.who) and circuit.blocked_by != seen.who
    return kind == "refuse" or REASON_TAKEN in circuit.may.get(kind, "")


def _of_core(about: _About, verb: str) -> str:
    """Return the refusal that the service itself has found; the engineer's reason lifts some of them."""
    said = about.circuit.may.get(verb)
    if said is None:
        return about.words("state", state=about.circuit.state)
    may_give_reason = verb == "unload" or "engineer" in about.seen.roles
    if REASON_TAKEN not in said or not may_give_reason:
        return said
    # A reason lifts this one; what else the service found stays.
    others = about.circuit.start_checks if verb == "start" else ()
    return next((each.refusal for each in others if each.refusal and REASON_TAKEN not in each.refusal), "")


def _unblock(about: _About) -> str:
    by = about.circuit.blocked_by
    if not by:
        return about.words("not_blocked")
    if wants_reason("unblock", about.seen, about.circuit) and "maintenance" not in about.seen.roles:
        return about.words("blocked_by_another", by=by)
    return ""


def _block(about: _About) -> str:
    by = about.circuit.blocked_by
    return about.words("blocked", by=by) if by else ""


def _done(about: _About) -> str:
    step = step_of(about.picture, about.circuit)
    waits = about.circuit.state == "running" and step is not None and step.order
    return "" if waits else about.words("nothing_to_do")


def _load(about: _About) -> str:
    circuit = about.circuit
    if circuit.state != "idle":
        return about.words("state", state=circuit.state)
    return about.words("loaded_already", batch=circuit.load.batch) if circuit.load is not None else ""


_REFUSALS: dict[str, Callable[[_About], str]] = {"unblock": _unblock, "block": _block, "done": _done, "load": _load}


def bath_refusal(scene: Scene, picture: Picture) -> str:
    """Why a reset of the bath itself cannot be asked for; empty: it can."""
    if not any(each.latched for each in picture.alarms):
        return scene.say.translate(words.REFUSALS["nothing_latched"])
    waiting = next((each.code for each in picture.alarms if each.latched and not (each.acknowledged or each.quiet)), "")
    if not waiting:
        return ""
    said = scene.say.translate(words.REFUSALS["not_acknowledged"])
    return words.filled(said, {"cause": waiting.replace("_", " ")})
