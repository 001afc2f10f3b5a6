"""The preconditions about batteries: a load list, its profile, a change of count, what is said of each at the end."""

from __future__ import annotations

import re

from controller.core.flowchecks import CONTINUED_LEAST_V_PER_CELL, CONTINUED_MOST_V_PER_CELL
from controller.core.orderchecks import Ask, Refusal, text_of, whole_of
from controller.core.planned import Plan, StepKind
from controller.core.sequence import charged_Ah, slowed

LEVEL_mm = 1.0
"""Two level marks closer than this are the same (own choice: nobody measures them finer)."""

FORMED_PART = 0.5
"""A fresh string whose volts at rest count its cells has had this part of its planned charge (own choice)."""

# Of an accepted load list, which places batteries stand at: `K3107:1-11 K3108:12` in any order.
_STANDS = re.compile(r":([0-9]{1,3})(?:-([0-9]{1,3}))?")

OUTCOMES = ("pass", "re-form", "rework", "scrap")
SIGN_OFF_CHARACTERS = 2000


def _links(said: object) -> int | None:
    """Return a number of links as an order says it (nothing said: none), or None where it is no number."""
    text = str(said or 0)
    return int(text) if text.isdecimal() and len(text) <= 4 else None


def count_fits(ask: Ask) -> Refusal | None:
    """Refuse a load list that does not fill the circuit's places with batteries and links."""
    load, places = ask.order.load, ask.own.places
    if load is None:
        return Refusal("no_load_list", {})
    said = ask.order.args.get("links")
    links = _links(said)
    if links is None or load.batteries < 1 or load.batteries + links != places:
        return Refusal("count", {"batteries": load.batteries, "links": said or 0, "places": places})
    return None


def profile_fits(ask: Ask) -> Refusal | None:
    """Refuse a profile that is not released, is past the circuit's current or volts, or discharges where it cannot."""
    load = ask.order.load
    return None if load is None else is_released(ask) or _plan_refusal(ask, load.plan, load.batteries)


def is_released(ask: Ask) -> Refusal | None:
    """Refuse a profile that nobody released where the bath asks for it; an engineer's trial may run without.

    An order that loads says how its release was found: `release` (missing, changed, unreadable), where and what in
    words. Of a load that stands there nothing of that is known any more: it was loaded without.
    """
    load = ask.order.load or ask.state.load
    if load is None or load.released or load.trial or not ask.settings.asks_release:
        return None
    args = ask.order.args if ask.order.load is not None else {"release": "loaded_without"}
    why, line, what = text_of(args, "release"), whole_of(args, "release_line"), text_of(args, "release_said")
    plan = load.plan
    return Refusal(
        "not_released",
        {"profile": plan.name, "revision": plan.revision, "why": why or "missing", "line": line, "what": what},
    )


def _plan_refusal(ask: Ask, plan: Plan, batteries: int) -> Refusal | None:
    """Return why a plan for so many batteries is past this circuit, or None."""
    own, cells = ask.own, plan.cells * batteries
    first = next((step for step in plan.steps if step.kind is StepKind.CHARGE), None)
    for step in plan.steps:
        if step.kind is StepKind.REST:
            continue
        if step.kind is StepKind.DISCHARGE and not own.can_discharge:
            return Refusal("no_discharge", {"step": step.number})
        if step.current_A > own.current_max_A:
            return Refusal(
                "profile_current", {"step": step.number, "value": step.current_A, "limit": own.current_max_A}
            )
        smallest = slowed(step) if step is first and plan.late_start == "slow" else step
        if min(smallest.current_A, step.restart_current_A) < own.current_min_A:
            return Refusal("profile_least", {"step": step.number, "limit": own.current_min_A})
        volts = step.voltage_V_per_cell * cells
        if volts > own.voltage_max_V:
            return Refusal("profile_voltage", {"step": step.number, "value": volts, "limit": own.voltage_max_V})
    return None


def battery_fits(ask: Ask) -> Refusal | None:
    """Refuse another battery than the profile's, or one whose level mark is not the bath's; what is not said fits."""
    load = ask.order.load
    if load is None:
        return None
    listed, wanted = load.battery_type.strip(), load.plan.battery_type.strip()
    if listed and wanted and listed.lower() != wanted.lower():
        return Refusal("battery_type", {"listed": listed, "wanted": wanted})
    mark, water = load.plan.level_mm, ask.settings.level_mm
    if mark is not None and water is not None and abs(mark - water) > LEVEL_mm:
        return Refusal("level", {"value": mark, "limit": water})
    return None


def follows_on(ask: Ask) -> Refusal | None:
    """Refuse to begin in mid-plan without naming the run that is continued, or past the plan's end."""
    load = ask.order.load
    if load is None:
        return None
    steps = len(load.plan.steps)
    if not 0 <= load.first_step < steps:
        return Refusal("from_step", {"step": load.first_step + 1, "steps": steps})
    if not 0.0 <= load.credited_Ah <= load.plan.charge_cap_Ah:
        return Refusal("credited", {"value": load.credited_Ah, "limit": load.plan.charge_cap_Ah})
    if (load.first_step > 0 or load.credited_Ah > 0.0) and not load.continues:
        return Refusal("continues", {})
    return None


def recount_fits(ask: Ask) -> Refusal | None:
    """Refuse a new number of batteries that does not fill the places, is the old one, or is past the circuit."""
    load, places, args = ask.state.load, ask.own.places, ask.order.args
    if load is None:
        return Refusal("not_loaded", {})
    batteries = whole_of(args, "batteries")
    links = _links(args["links"]) if "links" in args else places - (batteries or 0)
    if batteries is None or links is None or batteries < 1 or links < 0 or batteries + links != places:
        return Refusal("count", {"batteries": args.get("batteries"), "links": args.get("links"), "places": places})
    if batteries == load.batteries:
        return Refusal("same_count", {"batteries": batteries})
    return _plan_refusal(ask, load.plan, batteries)


def volts_count(ask: Ask) -> bool:
    """Return whether the string's volts at rest say how many batteries it has.

    Early in a fresh string's run they do not: each plate stands anywhere between its acid's and a formed one's.
    """
    load, run = ask.state.load, ask.state.run
    if load is None or run is None:
        return False
    return not load.fresh or charged_Ah(run) >= FORMED_PART * load.plan.planned_charge_Ah


def recount_volts(ask: Ask) -> Refusal | None:
    """Refuse a new number of batteries that the formed string's volts at zero current do not fit."""
    load, volts = ask.state.load, ask.facts.voltage_V
    if load is None or not volts_count(ask):
        return None
    if volts is None:
        return Refusal("not_read", {"link": ask.facts.link.value})
    cells = load.plan.cells * (whole_of(ask.order.args, "batteries") or 0)
    least, most = CONTINUED_LEAST_V_PER_CELL * cells, CONTINUED_MOST_V_PER_CELL * cells
    if least <= volts <= most:
        return None
    return Refusal("string_volts", {"value": volts, "expected": (least + most) / 2.0, "scatter": (most - least) / 2.0})


def outcomes_said(ask: Ask) -> Refusal | None:
    """Refuse a sign-off that does not give each battery its outcome, and every outcome but a pass its reason.

    `result`: one outcome for all, then exceptions by place, as in `pass, 4 scrap reversed, 9 re-form low density`.
    """
    result = text_of(ask.order.args, "result")
    parts = [part.split() for part in result.split(",")]
    for number, words in enumerate(parts):
        if number > 0 and words and not _is_place(words[0], ask.own.places):
            return Refusal("outcome", {"said": " ".join(words)})
        said = words[1:] if number > 0 else words
        if not said or said[0] not in OUTCOMES or (said[0] != "pass" and len(said) < 2):
            return Refusal("outcome", {"said": " ".join(words)})
    return None if len(result) <= SIGN_OFF_CHARACTERS else Refusal("outcome", {"said": "too long"})


def passes_stood(ask: Ask) -> Refusal | None:
    """Refuse a sign-off that passes more batteries of the load list than stand in the string now.

    One that a change of count left out had no current from then on. Which one it was the sign-off says.
    """
    load = ask.state.load
    if load is None:
        return None
    first, *others = text_of(ask.order.args, "result").split(",")
    said = {int(words[0]): words[1] for words in map(str.split, others)}
    listed = [place for begin, end in _STANDS.findall(load.text) for place in range(int(begin), int(end or begin) + 1)]
    passed = sum(said.get(place, first.split()[0]) == "pass" for place in listed)
    if passed <= load.batteries:
        return None
    return Refusal("outcome_count", {"passed": passed, "stood": load.batteries, "listed": len(listed)})


def _is_place(word: str, places: int) -> bool:
    return word.isdecimal() and len(word) <= 3 and 1 <= int(word) <= places
