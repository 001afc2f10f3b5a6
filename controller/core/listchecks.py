"""The preconditions about lists and hands: the start list, the meter walk, readings by hand, what was added."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from controller.core.mixing import left_ms
from controller.core.orderchecks import Ask, Refusal, amount_of, text_of, whole_of
from controller.core.planned import Plan, PlanReading
from controller.core.state import Run, Tick
from controller.core.types import Scalar

TAKEN_MINUTES = 240
"""How long ago a reading may have been taken that is typed now (own choice: half a shift)."""

MOST_mL = 2000.0


class Kind(NamedTuple):
    """What is read by hand: its unit, what is believed (least and most), what must be said beside it."""

    unit: str
    believed: tuple[float, float]
    needs_C: bool = False
    needs_instrument: bool = False


KINDS: Mapping[str, Kind] = {
    "density": Kind("kg/L", (1.0, 1.4), needs_C=True, needs_instrument=True),
    "voltage": Kind("V", (-500.0, 500.0), needs_instrument=True),
    "temperature": Kind("C", (-20.0, 100.0)),
    "level": Kind("mm", (0.0, 1000.0)),
    "joint_mV": Kind("mV", (0.0, 5000.0), needs_instrument=True),
}
"""What lies outside is a slip of the pen, or a comma (own choice: wider than anything a battery can be)."""


def item_of(ask: Ask) -> int | None:
    """Return the number of the start list's item that an order means, or None where there is no such item."""
    return _number(ask.order.args, "item", len(ask.settings.start_items))


def walk_item_of(ask: Ask) -> int | None:
    """Return the number of the meter walk's item that an order means, or None where there is no such item."""
    return _number(ask.order.args, "walk", len(ask.settings.walk_items))


def _number(args: Mapping[str, Scalar], key: str, most: int) -> int | None:
    number = whole_of(args, key)
    return number if number is not None and 1 <= number <= most else None


def item_known(ask: Ask) -> Refusal | None:
    """Refuse to tick what is not on the start list."""
    if item_of(ask) is not None:
        return None
    return Refusal("no_item", {"item": ask.order.args.get("item"), "items": len(ask.settings.start_items)})


def answered(ask: Ask) -> Refusal | None:
    """Refuse an item that is neither found right nor, with a reason, wrong."""
    args = ask.order.args
    ok = args.get("ok")
    if ok is True or (ok is False and text_of(args, "reason")):
        return None
    return Refusal("no_reason", {"item": args.get("item", args.get("walk"))})


def start_list_done(ask: Ask) -> Refusal | None:
    """Refuse a start before each item of the start list was found right, not long ago.

    Where the bath file asks for two people, the first item (polarity) needs the word of another person too.
    """
    for item in range(1, len(ask.settings.start_items) + 1):
        ticks = [tick for tick in ask.state.ticks if tick.item == item]
        if not ticks:
            return Refusal("start_list", {"item": item})
        for tick in ticks:
            if not tick.ok:
                return Refusal("start_list_refused", {"item": item, "by": tick.who, "reason": tick.reason})
            age_ms = ask.facts.now_ms - tick.at_ms
            if not 0 <= age_ms <= ask.settings.tick_stale_ms:
                return Refusal("start_list_stale", {"item": item, "minutes": age_ms / 60_000.0})
        if item == 1 and ask.settings.two_people and len(ticks) < 2:
            return Refusal("second_person", {"item": item, "by": ticks[0].who})
    return None


def ticked(ticks: tuple[Tick, ...], new: Tick, people: int) -> tuple[Tick, ...]:
    """Return a list with a new word on an item: the newest counts, of as many different people as are asked for.

    What is found wrong wipes away every right before it, and the other way round.
    """
    same = [tick for tick in ticks if tick.item == new.item and new.ok and tick.ok and tick.who != new.who]
    kept = [tick for tick in ticks if tick.item != new.item]
    newest = [*same, new][-people:]
    return tuple(sorted((*kept, *newest), key=lambda tick: tick.item))


def walk_open(ask: Ask) -> Refusal | None:
    """Refuse what is not on the meter walk's list, or comes before its first minute: early it shows nothing."""
    walk_ms, run = ask.settings.walk_ms, ask.state.run
    if walk_ms is None or run is None or walk_item_of(ask) is None:
        return Refusal("no_item_walk", {"item": ask.order.args.get("walk"), "items": len(ask.settings.walk_items)})
    if run.first_ms is None:
        return Refusal("walk_early", {"minutes": walk_ms[0] / 60_000.0})
    left_ms = walk_ms[0] - (ask.facts.now_ms - run.first_ms)
    return Refusal("walk_early", {"minutes": left_ms / 60_000.0}) if left_ms > 0 else None


def walk_right(ask: Ask) -> Refusal | None:
    """Refuse current while an item of the meter walk was found wrong and not right again."""
    run = ask.state.run
    for tick in run.walk if run is not None else ():
        if not tick.ok:
            return Refusal("walk_wrong", {"item": tick.item, "by": tick.who, "reason": tick.reason})
    return None


def at_a_place(ask: Ask) -> Refusal | None:
    """Refuse what names no place of the string."""
    position = _number(ask.order.args, "position", ask.own.places)
    if position is not None:
        return None
    return Refusal("position", {"position": ask.order.args.get("position"), "places": ask.own.places})


def reading_said(ask: Ask) -> Refusal | None:
    """Refuse a reading of something else, out of all range, or without what makes it worth anything later."""
    args = ask.order.args
    what = text_of(args, "what")
    kind, value = KINDS.get(what), amount_of(args, "value")
    if kind is None:
        return Refusal("reading_what", {"what": what})
    least, most = kind.believed
    if value is None or not least <= value <= most:
        return Refusal("reading_value", {"value": args.get("value"), "least": least, "most": most})
    if args.get("unit") not in (None, "", kind.unit):
        return Refusal("reading_unit", {"unit": kind.unit})
    if kind.needs_C and amount_of(args, "temperature_C") is None:
        return Refusal("reading_C", {})
    if kind.needs_instrument and not _named(args, "instrument"):
        return Refusal("reading_instrument", {})
    minutes = amount_of(args, "taken_minutes_ago") if "taken_minutes_ago" in args else 0.0
    if minutes is None or not 0.0 <= minutes <= TAKEN_MINUTES:
        return Refusal("reading_age", {"most": TAKEN_MINUTES})
    return None


def _named(args: Mapping[str, Scalar], key: str) -> bool:
    """Return whether something is named, by words or by a whole number."""
    return bool(text_of(args, key)) or whole_of(args, key) is not None


def mixed(ask: Ask) -> Refusal | None:
    """Refuse a density of a battery whose added water has not been stirred by an hour of charging."""
    run, args = ask.state.run, ask.order.args
    if run is None or args.get("what") != "density":
        return None
    left = left_ms(run, whole_of(args, "position") or 0)
    return Refusal("not_mixed", {"minutes": left / 60_000.0}) if left > 0 else None


def added_said(ask: Ask) -> Refusal | None:
    """Refuse an addition of anything but water or acid, or of an amount no battery takes."""
    if text_of(ask.order.args, "what") not in ("water", "acid"):
        return Refusal("added_what", {})
    amount_mL = amount_of(ask.order.args, "mL")
    return None if amount_mL is not None and 0.0 < amount_mL <= MOST_mL else Refusal("added_mL", {"most": MOST_mL})


def run_there(ask: Ask) -> Refusal | None:
    """Refuse what belongs to a run where there is none."""
    return None if ask.state.run is not None else Refusal("no_run", {})


def due_readings(run: Run, plan: Plan) -> tuple[tuple[int, PlanReading], ...]:
    """Return the readings by hand whose step has ended, with their number in the plan."""
    return tuple(
        (index, reading)
        for index, reading in enumerate(plan.readings)
        if run.end_ms is not None or run.step > reading.after_step
    )
