"""What a person must know before an order: air and purge, why it was held, what will flow, who is needed when. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from controller.console.amounts import ends_utc, expected_ms, finite, step_of
from controller.console.outlook import code_words, hm, hot_reading, minutes_seconds, shown
from controller.console.picture import CircuitView, Picture, PlanView, Reading, StepView
from controller.console.prompttypes import blocked_beside
from controller.console.scene import BathSeen, Scene
from controller.console.sentence import moment as spoken

BY_PERSON = frozenset({"order", "block"})
"""Causes of a hold that no alarm explains: somebody wanted it."""

TELLS_THE_HOLD = frozenset({"service_away", "service_gap"})
"""Alarms that stand for as long as the hold does: that they stand says nothing of the cause."""

UNSHOWN = frozenset({
    "open_string", "rectifier_fault", "voltage_trip", "voltage_trip_profile", "current_trip", "set_not_taken",
    "below_least", "step_overrun", "arcing", "dry_string", "string_count", "ripple_hold", "not_obeyed",
    "cap_not_obeyed", "limit_not_taken", "output_off",
})  # fmt: skip
"""Causes that only current shows: while none flows, that their alarm went proves nothing."""

SHOWN_AH = 0.05
"""Charge below which nothing of it would be seen in its sentence."""

OPEN_BELOW_V_PER_CELL = 1.0
"""A string that has had current and reads less looks open."""


def joined(parts: Iterable[str], between: str = ", ") -> str:
    """The parts that say something, one behind the other."""
    return between.join(part for part in parts if part)


def air(scene: Scene, seen: BathSeen) -> str:
    """How long the hood has been aired of how long it must be, or how far its purge is."""
    picture, say = seen.picture, scene.say
    if picture is None or not seen.trusted:
        return say("orders.air_unknown")
    left, due, aired = finite(picture.purge_left_s), finite(picture.purge_s) or 0.0, finite(picture.air_s)
    if left is None:
        return say("orders.air_unknown")
    if left > 0.0:
        return say("orders.purge", done=minutes_seconds(max(0.0, due - left)), due=minutes_seconds(due))
    return say("orders.air", done=(aired if aired is not None else due) / 60.0, due=due / 60.0)


def purging(picture: Picture) -> bool:
    """Whether the purge is not over, or not known to be."""
    left = finite(picture.purge_left_s)
    return left is None or left > 0.0


def _flag(scene: Scene, seen: BathSeen, reading: Reading | None, yes: str, no: str, unsure: str) -> str:
    """An input that is 0 or 1 in words; empty where the bath has no such input."""
    if reading is None or seen.picture is None:
        return ""
    number = finite(seen.picture.fresh(reading)) if seen.trusted else None
    if number is None:
        return scene.say(unsure, age=shown(seen, reading, ".0f"))
    return scene.say(yes if number > 0.5 else no)


def hood(scene: Scene, seen: BathSeen) -> str:
    """Whether the hood is shut; empty where nothing tells."""
    reading = seen.picture.inputs.hood_closed if seen.picture is not None else None
    return _flag(scene, seen, reading, "orders.hood_shut", "orders.hood_open", "orders.hood_unsure")


def hydrogen(scene: Scene, seen: BathSeen) -> str:
    """Hydrogen under the hood; empty where the bath does not measure it."""
    reading = seen.picture.inputs.hydrogen_percent_LEL if seen.picture is not None else None
    return "" if reading is None else scene.say("orders.hydrogen", value=shown(seen, reading, ".0f"))


def water(scene: Scene, seen: BathSeen) -> str:
    """The bath's warmest water; empty where it is not measured."""
    values = seen.picture.inputs.water_C if seen.picture is not None else ()
    hottest = max(values, key=lambda each: finite(each.number) or -1e9, default=None)
    return "" if hottest is None else scene.say("orders.water", value=shown(seen, hottest, ".1f"))


def under_hood(scene: Scene, seen: BathSeen) -> str:
    """Air, hydrogen and hood in one line."""
    return joined((air(scene, seen), hydrogen(scene, seen), hood(scene, seen)))


def hot(seen: BathSeen, circuit: CircuitView) -> str:
    """The hottest probe now (the water where there is none), its age where it is old."""
    return shown(seen, hot_reading(seen.picture, circuit), ".1f") if seen.picture is not None else "--"


def cause(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """Why a run stands held, and whether that is gone, or not proved to be."""
    code = circuit.run.held_by if circuit.run is not None else None
    if not code:
        return scene.say("orders.cause_none")
    if code in BY_PERSON:
        return scene.say("orders.cause_order" if code == "order" else "orders.cause_block")
    for alarm in (*circuit.alarms, *picture.alarms):
        if alarm.code == code and alarm.active and code not in TELLS_THE_HOLD:
            words = scene.say.alarm(code, alarm.value, alarm.limit).cause
            return scene.say("orders.cause_stands", cause=words)
    said = code.replace("_", " ")
    if code == "open_string":
        return scene.say("orders.cause_clamp", cause=said, volts=shown(seen, circuit.voltage_V, ".1f"))
    return scene.say("orders.cause_unproved" if code in UNSHOWN else "orders.cause_gone", cause=said)


def looks_open(scene: Scene, seen: BathSeen, circuit: CircuitView) -> str:
    """A warning where a string that has had current reads hardly any volts; empty: it reads some, or is not read."""
    picture, cells = seen.picture, circuit.cells
    if picture is None or circuit.run is None or not cells or cells < 0 or not seen.trusted:
        return ""
    volts = finite(picture.fresh(circuit.voltage_V))
    if volts is None or abs(volts) / cells >= OPEN_BELOW_V_PER_CELL:
        return ""
    if circuit.run.charge_Ah < SHOWN_AH and circuit.run.held_by != "open_string":
        return ""  # a fresh string that has had no charge yet reads nothing by its nature
    return scene.say("orders.looks_open", name=circuit.name, volts=volts, cell=volts / cells)


def held(scene: Scene, picture: Picture, circuit: CircuitView) -> str:
    """How long a run has been held of how long it may be, h:mm."""
    run, step = circuit.run, step_of(picture, circuit)
    if run is None or run.held_since_ms is None:
        return scene.say("orders.not_held")
    limit = hm(step.resume_within_ms) if step is not None else "--"
    return scene.say("orders.held", since=hm(picture.now_ms - run.held_since_ms), limit=limit)


def amount(scene: Scene, step: StepView) -> str:
    """The current of a step and its voltage limit; a rest has none."""
    if step.kind == "rest":
        return scene.say("orders.flow_rest")
    key = "orders.flow_discharge" if step.kind == "discharge" else "orders.flow_charge"
    return scene.say(key, current=step.current_A, volts=step.voltage_V_per_cell)


def resume_flow(scene: Scene, seen: BathSeen, circuit: CircuitView) -> str:
    """What a resume lets flow: the restart current first, then the step's; what it adds; when it ends."""
    picture, say = seen.picture, scene.say
    step = step_of(picture, circuit) if picture is not None else None
    if picture is None or step is None or circuit.run is None:
        return say("orders.flow_unknown")
    parts = [amount(scene, step)]
    if step.kind != "rest" and step.restart_ms > 0:
        parts.insert(0, say("orders.flow_restart", current=step.restart_A, minutes=step.restart_ms / 60_000.0))
    line = say("orders.will_flow", what=say("orders.then").join(parts))
    owed = circuit.run.would_owe_Ah
    more = "" if 0.0 <= owed < SHOWN_AH else say("orders.more", charge=owed)
    return joined((line, more, ends(scene, picture, circuit), derate(scene, circuit)), "; ")


def derate(scene: Scene, circuit: CircuitView) -> str:
    """What reduces the current now, percent and law; empty while nothing does."""
    percent = finite(circuit.allowed_percent) or 0.0
    if percent >= 100.0:
        return ""
    return scene.say("orders.derated", percent=int(percent), why=code_words(scene, circuit.allowed_code or ""))


def ends(scene: Scene, picture: Picture, circuit: CircuitView) -> str:
    """When the run ends, or that this is not known."""
    return _ends_at(scene, picture, ends_utc(picture, circuit))


def _ends_at(scene: Scene, picture: Picture, moment: datetime | None) -> str:
    if moment is None:
        return scene.say("orders.ends_open")
    return scene.say("orders.ends", at=spoken(scene, moment, picture.utc))


def start_flow(scene: Scene, plan: PlanView | None) -> str:
    """What a start lets flow, how long, and when the first current comes."""
    if plan is None or not plan.steps:
        return scene.say("orders.flow_unknown")
    lengths = expected_ms(plan)
    flowing = [step for step in plan.steps if step.kind != "rest"]
    before = 0.0
    for step, length in zip(plan.steps, lengths, strict=True):
        if step.kind != "rest":
            break
        before += length
    first = (
        ""
        if not flowing
        else scene.say("orders.first_at_once", current=flowing[0].current_A)
        if before <= 0.0
        else scene.say("orders.first_in", current=flowing[0].current_A, left=hm(before))
    )
    most_A = max((step.current_A for step in flowing), default=0.0)
    volts = max((step.voltage_V_per_cell for step in flowing), default=0.0)
    said = scene.say(
        "orders.start_flow",
        charge=plan.planned_Ah, steps=len(plan.steps), current=most_A, volts=volts, hours=hm(sum(lengths)),
    )  # fmt: skip
    return joined((said, first), "; ")


def people_needed(scene: Scene, plan: PlanView | None) -> str:
    """When a person is needed: each step that waits for a word, and the end."""
    if plan is None:
        return ""
    parts: list[str] = []
    before = 0.0
    for step, length in zip(plan.steps, expected_ms(plan), strict=True):
        if step.order or step.task:
            task = step.task or step.name
            parts.append(scene.say("orders.needed_step", left=hm(before), step=step.number, task=task))
        before += length
    parts.append(scene.say("orders.needed_end", left=hm(before)))
    return scene.say("orders.needed", when=joined(parts, "; "))


def who_is_blocked(scene: Scene, picture: Picture, targets: tuple[str, ...]) -> str:
    """Who works on which other circuit of this bath; empty where nobody does."""
    found = (
        scene.say("orders.blocked_told", name=each.name, who=each.blocked_by or "")
        for each in blocked_beside(picture, targets)
    )
    return joined(found, "; ")
