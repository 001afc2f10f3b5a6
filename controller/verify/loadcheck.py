"""What a run was loaded with, which a record says several times: in run.json, in the states of cycles.bin, in summary.

Compares all of them; the cycles' first block is what nobody changes with an editor. Pure.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from controller.core.planned import Load
from controller.core.state import CircuitState
from controller.core.types import Order
from controller.records.batchlist import MAX_POSITION, listed
from controller.records.batteries import batteries_of, links_of, plain_batteries
from controller.records.cycles import Cycle
from controller.records.head import ADDED, Head, follow_on
from controller.records.ours import by_service
from controller.records.outside import plain_number
from controller.records.plain import Codec, PlainError
from controller.records.rows import clean
from controller.verify.telling import literal

LONGEST_LIST = 65_536
"""Characters: an order's message is no longer."""
RECOUNTED = "recounted"
"""The event of an order that changed the number of batteries."""
_INTERRUPTED = {"gap", "gap_unknown"}
_CHANGES = "change-count"
Plain = Mapping[str, Any]


def wrong_lists(run_json: Plain) -> list[str]:
    """What run.json's batteries, links and load_list say otherwise than its load's own words do."""
    load = _part(run_json, "load")
    text = load.get("text")
    if not isinstance(text, str):
        return []
    if len(text) > LONGEST_LIST:
        return ["run.json: load: its list is longer than any order"]
    wrong = []
    if (text or by_service(run_json)) and run_json.get("load_list", text) != text:
        wrong.append("run.json: load_list: is not the list of the load")
    kind = load.get("battery_type")
    string = listed(text, kind if isinstance(kind, str) else "")
    told = run_json.get("batteries")
    # What writes records for tests gives batteries without a list.
    if (by_service(run_json) or (string and told)) and told is not None and told != plain_batteries(string):
        wrong.append("run.json: batteries: are not those of the load's list")
    if string and by_service(run_json) and run_json.get("batch") != string[0].batch:
        wrong.append(f"run.json: batch: the load's list begins with {string[0].batch}")
    places = places_of(run_json)
    if told and places is not None and run_json.get("links") != list(links_of(batteries_of(run_json), places)):
        wrong.append("run.json: links: are not the places that the batteries leave free")
    return wrong


def places_of(run_json: Plain) -> int | None:
    """How many places the run's string has; None: run.json does not say, or says what no string has."""
    circuits = _part(run_json, "settings").get("circuits")
    for own in circuits if isinstance(circuits, list) else ():
        if isinstance(own, Mapping) and own.get("name") == run_json.get("circuit"):
            places = own.get("places")
            return places if type(places) is int and 1 <= places <= MAX_POSITION else None
    return None


def wrong_load(head: Head, start: CircuitState | None, cycles: Sequence[Cycle]) -> list[str]:
    """What run.json says otherwise than the state before the first cycle (`start`) and that cycle's orders.

    A record may begin with the orders that load and start at once, or in the midst of a run that lost its folder; and
    where a crash took its first cycles, those that are there begin later and tell of the load alone.
    """
    if start is None or not cycles:
        return []
    begins = cycles[0].cin.now_ms == head.start_ms
    orders = cycles[0].cin.orders
    loads = [order.load for order in orders if order.load is not None]
    wrong = [f"run.json: circuit: the states of cycles.bin are of {start.name}"] if start.name != head.circuit else []
    counted = begins and not any(order.verb == _CHANGES for order in orders)
    candidates = [*loads, *([start.load] if start.load is not None else [])]
    tries = [list(_other_fields(head.load, each, counted=counted)) for each in candidates]
    if tries and all(tries):
        wrong += [f"run.json: load: {name} is {literal(told)}, cycles.bin has {literal(held)}"
                  for name, told, held in tries[-1]]  # fmt: skip
    return wrong + _wrong_orders(head, orders) + _wrong_follow_on(head, start) if begins else wrong


def _other_fields(told: Load, held: Load, *, counted: bool) -> Iterator[tuple[str, object, object]]:
    for field in dataclasses.fields(Load):
        one, other = getattr(told, field.name), getattr(held, field.name)
        if one == other or (field.name == "batteries" and not counted):
            continue
        yield (field.name, "this plan", "another") if field.name == "plan" else (field.name, one, other)


def _wrong_orders(head: Head, orders: Sequence[Order]) -> list[str]:
    told = head.plain.get("orders")
    if not isinstance(told, list) or not (told or by_service(head.plain)):
        return []
    codec = Codec((head.load.plan,), added=ADDED)
    try:
        read = [codec.dump(Order, codec.load(Order, each)) for each in told]
    except PlainError as error:
        return [f"run.json: orders: {error}"]
    # As plain values: a number in an order may be none, which equals nothing.
    return (
        []
        if read == [codec.dump(Order, each) for each in orders]
        else ["run.json: orders: are not those of the first cycle in cycles.bin"]
    )


def _wrong_follow_on(head: Head, start: CircuitState) -> list[str]:
    if "follow_on" not in head.plain:
        return []
    told = head.plain["follow_on"]
    # It went on while the record's folder was lost: what it is owed may have grown in that very cycle.
    owed_Ah = None if start.run is None else plain_number(_part(head.plain, "follow_on").get("owed_Ah"))
    wanted = follow_on(head.load, owed_Ah or 0.0)
    return [] if told == wanted else ["run.json: follow_on: is not what the load says"]


def wrong_starters(run_json: Plain, events: Iterable[Mapping[str, str]]) -> list[str]:
    """Who gave the orders that started the run, otherwise in run.json than in events.csv.

    Only rows of the first cycle count: later on another person may use the same id. A crash may have taken them.
    """
    orders = run_json.get("orders")
    given = {
        clean(str(order.get("id"))): (clean(str(order.get("who"))), order.get("roles"))
        for order in (orders if isinstance(orders, list) else ())
        if isinstance(order, Mapping)
    }
    wrong = []
    for row in events:
        who, roles = given.get(row.get("id", ""), ("", None))
        if not who or not row.get("who") or row.get("kind") != "order" or row.get("elapsed_s") != "0.000":
            continue
        if row.get("who") != who:
            wrong.append(f"run.json: orders: {row.get('id')} is by {literal(who)}, events.csv says {row.get('who')!r}")
        elif isinstance(roles, list) and row.get("role") not in roles:
            wrong.append(f"run.json: orders: {row.get('id')}: its roles lack that in events.csv, {row.get('role')!r}")
    return wrong


def wrong_loaded(summary: Plain, run_json: Plain) -> list[str]:
    """What summary.json says of the load otherwise than run.json; keys that one of both lacks are not asked for."""
    load, plan = _part(run_json, "load"), _part(run_json, "plan")
    wanted: dict[str, object] = {}
    if "trial" in load:
        wanted["trial"] = load["trial"]
    if "battery_type" in load:
        wanted["battery_type"] = load["battery_type"] or plan.get("battery_type", "")
    wrong = [
        f"summary.json: {key} is {literal(summary[key])}, the load says {literal(value)}"
        for key, value in wanted.items()
        if key in summary and summary[key] != value
    ]
    if "follow_on" in summary and "follow_on" in run_json:
        told, begun = summary["follow_on"], run_json["follow_on"]
        # What is owed grows with each interruption.
        if _without_owed(told) != _without_owed(begun):
            wrong.append("summary.json: follow_on is not that of run.json")
    return wrong


def wrong_count(summary: Plain, run_json: Plain, events: Iterable[Mapping[str, str]]) -> tuple[list[str], list[str]]:
    """Another number of batteries at the end than at the begin, with no order in events.csv that changed it.

    Not to be asked of a record that lost rows. A note where an interruption may have taken the order's row: only
    decisions made again tell then.
    """
    told, begun = summary.get("batteries"), _part(run_json, "load").get("batteries")
    codes = {row.get("code") for row in events}
    if told is None or begun is None or told == begun or RECOUNTED in codes:
        return [], []
    said = f"summary.json: batteries is {literal(told)}, the load says {literal(begun)}"
    if codes & _INTERRUPTED:
        return [], [f"{said}, and no order that changed it is left: an interruption may have taken its row"]
    return [f"{said}, and nobody changed the number"], []


def _without_owed(part: object) -> object:
    return {key: value for key, value in part.items() if key != "owed_Ah"} if isinstance(part, Mapping) else part


def _part(plain: Plain, name: str) -> Plain:
    part = plain.get(name)
    return part if isinstance(part, Mapping) else {}
