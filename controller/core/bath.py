"""One bath, one cycle: its inputs and all its circuits' readings and orders in, commands and events out. Pure.

The bath judges what all circuits share (water, air, hood, emergency stop), hands each circuit its part, and lets
`circuit.step` decide; a circuit's decision hangs on its own `CircuitIn` alone, which is what its record keeps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from controller.core import alarms, circuit, limits
from controller.core.conditions import judge
from controller.core.facts import ZERO_A, hottest_C, number
from controller.core.interlocks import BATH_LAWS
from controller.core.orderchecks import NOTE_CHARACTERS, note_refusal
from controller.core.orders import BATH_VERBS, RULES
from controller.core.settings import BathSettings
from controller.core.state import BathState, CircuitState
from controller.core.types import (
    Advice,
    BathCommand,
    BathIn,
    BathShare,
    CircuitIn,
    Command,
    Condition,
    Event,
    EventKind,
    Order,
    Quality,
    Reaction,
    Scalar,
    State,
    Value,
)
from controller.core.view import BathFacts, BathView


@dataclass(frozen=True, slots=True)
class BathOut:
    """What a cycle decided: a command for each circuit in the settings' order, the bath's outputs, what happened,
    what each circuit was told (for its record), and the conditions that stood for each.
    """

    commands: tuple[Command, ...]
    bath: BathCommand
    events: tuple[Event, ...]
    told: tuple[CircuitIn, ...]
    standing: tuple[tuple[Condition, ...], ...]


def fresh_state(settings: BathSettings) -> BathState:
    """Return a bath nobody has seen yet: every circuit unknown, the purge not begun."""
    return BathState(tuple(CircuitState(own.name) for own in settings.circuits))


def step(settings: BathSettings, state: BathState, given: BathIn) -> tuple[BathState, BathOut]:
    """Decide one cycle of a bath; return its new state and what to write."""
    facts = bath_facts(settings, state, given)
    state = _timed(settings, state, given, facts)
    after_run = _after_run(settings, state, given)
    events: list[Event] = []
    in_use = any(each.state is State.RUNNING for each in state.circuits)
    state, standing = _judged(settings, state, BathView(settings, state, facts, in_use, after_run), events)
    to_circuits, state = _bath_orders(settings, state, facts, given.orders, standing, events)
    share = _share(settings, state, given, facts, standing)
    circuits: list[CircuitState] = []
    commands: list[Command] = []
    told: list[CircuitIn] = []
    stands: list[tuple[Condition, ...]] = []
    blocked = [f"{each.name} by {each.blocked_by}" for each in state.circuits if each.blocked_by]
    blocked += [f"{order.target} by {order.who}" for order in to_circuits if order.verb == "block"]
    stand_ins = _stand_ins(settings, given, facts)
    for own, each, reading, stand_in in zip(settings.circuits, state.circuits, given.channels, stand_ins, strict=True):
        mine = share if not blocked else replace(share, blocked=_others(blocked, each.name))
        orders = tuple(order for order in to_circuits if order.target == each.name) if to_circuits else ()
        advice: tuple[Advice, ...] = tuple(said for name, said in given.advice if name == each.name)
        cin = CircuitIn(given.now_ms, reading, mine, None, stand_in, orders, advice)
        new, happened, stood = circuit.decided(settings, own, each, cin)
        circuits.append(new)
        commands.append(new.command)
        events += happened
        told.append(cin)
        stands.append(stood)
    outputs = _outputs(state, circuits)
    state = replace(state, circuits=tuple(circuits), now_ms=given.now_ms, command=outputs)
    return state, BathOut(tuple(commands), outputs, tuple(events), tuple(told), tuple(stands))


def bath_facts(settings: BathSettings, state: BathState, given: BathIn) -> BathFacts:
    """Turn the bath's inputs into facts; what is stale or missing is None."""
    stale_ms, bath = settings.stale_ms, given.bath
    airflow = number(bath.airflow, stale_ms)
    stop = number(bath.emergency_stop_ok, stale_ms)
    hood = number(bath.hood_closed, stale_ms)
    hood_unread = bath.hood_closed is not None and hood is None
    return BathFacts(
        now_ms=given.now_ms,
        dt_ms=given.now_ms - state.now_ms,
        fresh=bath.airflow.age_ms == 0 and airflow is not None,
        stale=airflow is None or stop is None or hood_unread,
        water_C=hottest_C(bath.water_C, stale_ms),
        airflow=None if airflow is None else airflow > 0.5,
        hood_closed=None if hood is None else hood > 0.5,
        emergency_stop_ok=None if stop is None else stop > 0.5,
    )


def _timed(settings: BathSettings, state: BathState, given: BathIn, facts: BathFacts) -> BathState:
    """Move the purge's clock and the moment of the last current; a break of any kind starts the purge anew."""
    shut = facts.hood_closed is not False and not facts.stale
    gap = _gap(settings, facts)
    air = state.air_since_ms
    if not (shut and facts.airflow) or gap:
        air = given.now_ms if shut and facts.airflow else None
    elif air is None:
        air = given.now_ms
    flows = False
    for reading in given.channels:
        current = number(reading.current_A, settings.stale_ms)
        flows = flows or (current is not None and abs(current) >= ZERO_A)
    current_ms = given.now_ms if flows else state.current_ms
    if air == state.air_since_ms and current_ms == state.current_ms:
        return state
    return replace(state, air_since_ms=air, current_ms=current_ms)


def _gap(settings: BathSettings, facts: BathFacts) -> bool:
    """Return whether nothing was read for too long before this cycle."""
    return facts.dt_ms > settings.stale_ms or facts.dt_ms < 0


def _after_run(settings: BathSettings, state: BathState, given: BathIn) -> bool:
    """Return whether gas may still leave cells: not long after the last current, or while a battery is still warm."""
    if state.current_ms is None:
        return False
    if given.now_ms - state.current_ms < settings.after_run_ms:
        return True
    hottest = (hottest_C(reading.probes, settings.stale_ms) for reading in given.channels)
    return any(hot is not None and hot > settings.after_run_probe_C for hot in hottest)


def _judged(
    settings: BathSettings, state: BathState, view: BathView, events: list[Event]
) -> tuple[BathState, tuple[Condition, ...]]:
    """Ask the bath's laws and move its alarms; return what stands, derates with their share."""
    facts, water = view.facts, settings.laws.water
    wanted = limits.curve_percent(facts.water_C, water.derate_C, water.hold_C)
    eased = limits.allowed(state.allowed, wanted, facts.now_ms, max(0, facts.dt_ms))
    if eased is not state.allowed:
        state = replace(state, allowed=eased)
        view = replace(view, state=state)
    judged = judge(BATH_LAWS, view, settings, state.timers, facts.now_ms, facts.fresh)
    if judged.timers != state.timers:
        state = replace(state, timers=judged.timers)
    if judged.begun or judged.ended:
        new, raised = alarms.raised(state.alarms, judged.begun, settings.name, facts.now_ms)
        new, returned = alarms.returned(new, judged.ended, settings.name)
        events += raised + returned
        state = replace(state, alarms=new, revision=state.revision + 1)
    percent = state.allowed.percent
    standing = tuple(
        replace(found, allowed_percent=percent) if found.reaction is Reaction.DERATE else found
        for found in judged.standing
    )
    return state, standing


def _share(
    settings: BathSettings, state: BathState, given: BathIn, facts: BathFacts, standing: tuple[Condition, ...]
) -> BathShare:
    """Return what every circuit is told of its bath."""
    aired_ms = 0 if state.air_since_ms is None else given.now_ms - state.air_since_ms
    water = facts.water_C
    latched = any(alarm.latched for alarm in state.alarms)
    return BathShare(
        water_C=Value(water) if water is not None else Value(None, Quality.LOST),
        purge_left_ms=max(0, settings.purge_ms - aired_ms) if state.air_since_ms is not None else settings.purge_ms,
        hood_closed=given.bath.hood_closed is None or facts.hood_closed is True,
        airflow_ok=facts.airflow is True,
        inputs_ok=not facts.stale,
        emergency_stop_ok=facts.emergency_stop_ok is True and not latched,
        reactions=tuple(found for found in standing if found.reaction >= Reaction.DERATE),
    )


def _stand_ins(settings: BathSettings, given: BathIn, facts: BathFacts) -> tuple[float | None, ...]:
    """Return for each circuit without a valid probe the water plus its sisters' median rise; None elsewhere."""
    hottest = [hottest_C(reading.probes, settings.stale_ms) for reading in given.channels]
    if facts.water_C is None or all(hot is not None for hot in hottest):
        return (None,) * len(hottest)
    rises = sorted(hot - facts.water_C for hot in hottest if hot is not None)
    rise = max(0.0, rises[len(rises) // 2]) if rises else 0.0
    return tuple(facts.water_C + rise if hot is None else None for hot in hottest)


def _bath_orders(
    settings: BathSettings,
    state: BathState,
    facts: BathFacts,
    orders: tuple[Order, ...],
    standing: tuple[Condition, ...],
    events: list[Event],
) -> tuple[tuple[Order, ...], BathState]:
    """Return the orders for circuits, those to the bath spread over them, and the bath's alarms after its own."""
    if not orders:
        return (), state
    names = {own.name for own in settings.circuits}
    forward: list[Order] = []
    for order in orders:
        if order.target in names:
            forward.append(order)
            continue
        role = order.roles[0] if order.roles else ""
        data: dict[str, Scalar] = {"order": order.id, "verb": order.verb, "who": order.who, "role": role}
        code = _refused(settings, state, facts, order, standing)
        if code is not None:
            latched = next((alarm.code for alarm in state.alarms if alarm.latched), None)
            why: dict[str, Scalar] = {
                "needs": "technician or maintenance",
                "cause": latched,
                "most": NOTE_CHARACTERS,
                "seconds": abs(facts.dt_ms) / 1000.0,
            }
            events.append(Event(code, order.target, EventKind.REFUSAL, {**data, **why}))
            continue
        data.update({key: value for key, value in order.args.items() if key not in data})
        events.append(Event(RULES[order.verb].told, order.target, EventKind.ORDER, data))
        if order.verb == "acknowledge":
            left = alarms.acknowledged(state.alarms, order.args.get("alarm"))
            state = replace(state, alarms=left, revision=state.revision + 1)
        elif order.verb == "reset":
            state = replace(state, alarms=alarms.reset(state.alarms), revision=state.revision + 1)
        elif order.verb != "note":
            forward += [replace(order, target=each.name) for each in state.circuits if _takes(each, order.verb)]
    return tuple(forward), state


def _takes(each: CircuitState, verb: str) -> bool:
    open_states = (State.RUNNING, State.HELD) if verb == "hold" else (State.RUNNING, State.HELD, State.TRIPPED)
    return each.state in open_states


def _refused(
    settings: BathSettings, state: BathState, facts: BathFacts, order: Order, standing: tuple[Condition, ...]
) -> str | None:
    """Return why an order to the bath is refused, or None."""
    if order.target != settings.name:
        return "unknown_target"
    if order.verb not in BATH_VERBS:
        return "not_for_a_bath"
    if order.verb in ("hold", "stop"):
        return None
    said, wanted = order.args.get("text"), order.args.get("alarm")
    if order.verb == "note":
        return None if note_refusal(said) is None else "no_text"
    if not {"technician", "maintenance"} & set(order.roles):
        return "role"
    if order.verb == "acknowledge":
        return None if alarms.waits(state.alarms, wanted) else "nothing_new"
    if _gap(settings, facts):
        return "late"
    if not any(alarm.latched for alarm in state.alarms):
        return "nothing_latched"
    if any(alarm.latched and not alarm.acknowledged for alarm in state.alarms):
        return "not_acknowledged"
    return "cause_stands" if any(found.reaction is Reaction.TRIP for found in standing) else None


def _outputs(state: BathState, circuits: list[CircuitState]) -> BathCommand:
    """Return the bath's outputs: horn on a new alarm of priority 1 or 2, beacon on any open one."""
    if not state.alarms and not any(each.alarms for each in circuits):
        return BathCommand(healthy=True)
    open_alarms = [*state.alarms, *(alarm for each in circuits for alarm in each.alarms)]
    horn = any(alarm.priority <= 2 and not alarm.acknowledged for alarm in open_alarms)
    return BathCommand(horn=1 if horn else 0, beacon=True, healthy=True)


def _others(blocked: list[str], name: str) -> tuple[str, ...]:
    return tuple(entry for entry in blocked if not entry.startswith(f"{name} "))
