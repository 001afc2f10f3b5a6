"""What a dialogue is: its circuits as they were when it opened, what has been typed, the orders it may end in. Pure.

A dialogue names its circuits and acts on those, whatever is selected meanwhile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from controller.console.picture import AlarmView, CircuitView, Picture
from controller.console.scene import BathSeen, Scene
from controller.service.foreseen import Foreseen

Scalar = bool | int | float | str | None

ENERGY = frozenset({"start", "resume", "done", "reset", "unblock"})
"""Kinds that can let current flow, now or later: they end in a typed name and die with any change of their circuit."""

LIFE_S = 60.0
"""How long after its last key a dialogue with a typed name is still answered."""

NAME_MOST, TEXT_MOST = 40, 500
RESTS = frozenset({"idle", "tripped", "complete", "stopped"})
"""States without current and without a hold; `at_rest` asks for the read-back too."""

TEXT_STAGES = frozenset({"text", "reason"})


@dataclass(frozen=True, slots=True)
class Wanted:
    """An order to send. `seen_revision`: of the circuit when the dialogue opened; None: the order is for any state."""

    bath: str
    verb: str
    target: str
    args: Mapping[str, Scalar] = field(default_factory=dict)
    seen_revision: int | None = None


@dataclass(frozen=True, slots=True)
class Prompt:
    """An open dialogue. `kind`: hold, block, unblock, reset, start, resume, done, unload, load, note, refuse, go, find.

    `stage`: ask, end, bath, reason, told, name, text, form, summary. `seen`: what must not change while it is open.
    `neighbours`: blocked circuits of the bath that are yet to be named as told, `told` those that were. `bath` is this
    console's name for it, `own` the service's. `step`: where the run stood, of a task that is said to be done.
    """

    kind: str
    bath: str
    targets: tuple[str, ...]
    stage: str
    opened_s: float
    touched_s: float
    revisions: tuple[int | None, ...] = ()
    seen: tuple[object, ...] = ()
    neighbours: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    typed: str = ""
    reason: str = ""
    fields: tuple[str, ...] = ()
    at: int = 0
    item: int = 0
    own: str = ""
    step: int | None = None
    library: tuple[str, ...] = ()
    foreseen: Foreseen | None = None
    """What the profile named in the form asks for, once its file was read."""
    old: tuple[int, ...] = ()
    """Fields of a form kept from before: typing replaces them."""

    @property
    def target(self) -> str:
        """The circuit, or the bath where the dialogue is about several circuits or about the bath itself."""
        return self.targets[0] if len(self.targets) == 1 else self.own or self.bath

    @property
    def verb(self) -> str:
        """The order that it may end in, as others are told of it; empty: it ends in none."""
        return {"refuse": "done", "go": "", "find": ""}.get(self.kind, self.kind)

    @property
    def phrase(self) -> str:
        """What is typed to confirm: the name, or bath and count; never so short that one key types it."""
        several = len(self.targets) > 1
        said = " ".join((f"{self.bath} {len(self.targets)}" if several else self.target).split())
        return said if len(said) > 1 else f"{self.kind} {said}".strip()


@dataclass(frozen=True, slots=True)
class Step:
    """What a key did. `prompt` None: no dialogue is open now. `said`: one line for the person. `find`: a text."""

    prompt: Prompt | None
    wanted: tuple[Wanted, ...] = ()
    said: str = ""
    find: str | None = None


def same(typed: str, wanted: str) -> bool:
    """Whether a typed confirmation is the wanted one; case and extra spaces do not matter."""
    return " ".join(typed.split()).casefold() == " ".join(wanted.split()).casefold()


def circuit_of(prompt: Prompt, scene: Scene) -> tuple[BathSeen, Picture, CircuitView] | None:
    """The first circuit of a dialogue as it stands now; None: not a circuit, or not seen any more."""
    seen = scene.bath(prompt.bath)
    if seen is None or seen.picture is None or not prompt.targets:
        return None
    found = seen.picture.circuit(prompt.targets[0])
    return (seen, seen.picture, found) if found is not None else None


def has_no_run(prompt: Prompt, scene: Scene) -> bool:
    """Whether the circuit is surely without an open run; what is not current is not sure."""
    found = circuit_of(prompt, scene)
    return found is not None and found[0].trusted and not open_run(found[2])


def open_run(circuit: CircuitView) -> bool:
    """Whether a run is open there: begun, and not ended."""
    return circuit.run is not None and circuit.run.end_ms is None


def at_rest(seen: BathSeen, circuit: CircuitView) -> bool:
    """Whether there is nothing to hold: no run that flows or is held, and zero read back."""
    return seen.trusted and circuit.confirmed and circuit.link == "up" and circuit.state in RESTS


def what_stands(picture: Picture, targets: tuple[str, ...]) -> tuple[object, ...]:
    """What a dialogue for current hangs on: revision, state, step, block and alarms of its circuits, the bath's alarms.

    A target that is the bath has its alarms only.
    """
    found: list[object] = [_alarms(picture.alarms)]
    for name in targets:
        each = picture.circuit(name)
        if each is not None:
            step = each.run.step if each.run is not None else None
            found.append((name, each.revision, each.state, step, each.blocked_by, _alarms(each.alarms)))
        elif name != picture.bath:
            found.append(name)
    return tuple(found)


def _alarms(alarms: tuple[AlarmView, ...]) -> frozenset[tuple[str, bool, bool, bool]]:
    return frozenset((each.code, each.active, each.acknowledged, each.latched) for each in alarms)


def blocked_beside(picture: Picture, targets: tuple[str, ...]) -> tuple[CircuitView, ...]:
    """The other circuits of the bath that somebody works on."""
    return tuple(each for each in picture.circuits if each.blocked_by and each.name not in targets)
