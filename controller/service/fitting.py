"""A snapshot as one line that fits: what says least is left out first, and the snapshot names what it left out. Pure.

In this order: the ends of the start checks' sentences (what is refused never looks as if it held), those of the other
refusals, load lists and the ends of reasons, the checks themselves, each run beside its course and sisters, plans that
few circuits use, all plans, and of each circuit's alarms those behind the three worst. States, values, what was read
back and what keeps current off (latches, standing holds and trips, what a circuit is held by) are never left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

from controller.service.protocol import MAX_SHOWN_BYTES, encode

SHORT = 24
"""Characters that are left of a sentence: enough to tell one refusal from another."""

PLANS = 3
ALARMS = 3

Plain = dict[str, Any]


def snapshot_line(snapshot: Mapping[str, Any]) -> bytes:
    """The snapshot as a line, with `left_out` naming the parts that it lost.

    Raises `ValueError` where it does not fit even without them, `TypeError` where it is no plain data.
    """
    shown: Plain = {**snapshot, "type": "snapshot"}
    left_out: list[str] = []
    for name, without in PARTS.items():
        try:
            return encode(shown, MAX_SHOWN_BYTES)
        except ValueError:
            left_out.append(name)
            shown = {**without(shown), "left_out": tuple(left_out)}
    return encode(shown, MAX_SHOWN_BYTES)


def _each_circuit(shown: Plain, change: Callable[[Plain], Plain]) -> Plain:
    return {**shown, "circuits": [change(each) for each in shown.get("circuits", ())]}


def _cut(text: str) -> str:
    return text if len(text) <= SHORT else text[: SHORT - 1] + "~"


def _short_checks(shown: Plain) -> Plain:
    def change(each: Plain) -> Plain:
        checks = [(name, _cut(refusal)) for name, refusal in each.get("start_checks", ())]
        return {**each, "start_checks": checks} if checks else each

    return _each_circuit(shown, change)


def _short_lists(shown: Plain) -> Plain:
    def change(each: Plain) -> Plain:
        load, ticks = each.get("load"), each.get("ticks")
        if load:
            each = {**each, "load": {key: load[key] for key in load if key != "text"}}
        if ticks:
            each = {**each, "ticks": [{**tick, "reason": _cut(tick.get("reason", ""))} for tick in ticks]}
        return each

    return _each_circuit(shown, change)


def _no_checks(shown: Plain) -> Plain:
    return _each_circuit(shown, lambda each: {key: each[key] for key in each if key != "start_checks"})


def _not_beside(shown: Plain) -> Plain:
    return _each_circuit(shown, lambda each: {key: each[key] for key in each if key != "beside"})


def _short_refusals(shown: Plain) -> Plain:
    def change(each: Plain) -> Plain:
        may = each.get("may")
        return {**each, "may": {verb: _cut(refusal) for verb, refusal in may.items()}} if may else each

    return _each_circuit(shown, change)


def _common_plans(shown: Plain) -> Plain:
    used = Counter(each["load"]["plan"] for each in shown.get("circuits", ()) if each.get("load"))
    common = {key for key, _ in used.most_common(PLANS)}
    return {**shown, "plans": {key: plan for key, plan in shown.get("plans", {}).items() if key in common}}


def _no_plans(shown: Plain) -> Plain:
    return {**shown, "plans": {}}


def _worst_alarms(shown: Plain) -> Plain:
    def change(each: Plain) -> Plain:
        alarms = each.get("alarms", ())
        if len(alarms) <= ALARMS:
            return each
        held_by = (each.get("run") or {}).get("held_by")
        needed = sorted((alarm for alarm in alarms if _keeps_off(alarm, held_by)), key=_urgency)
        others = sorted((alarm for alarm in alarms if not _keeps_off(alarm, held_by)), key=_urgency)
        return {**each, "alarms": [*needed, *others[: max(0, ALARMS - len(needed))]]}

    return _each_circuit(shown, change)


def _keeps_off(alarm: Plain, held_by: str | None) -> bool:
    """Whether an alarm tells why no current flows: however old it is, it stays."""
    stands = alarm.get("active", True) and "reaction" in alarm
    return bool(alarm.get("latched") or stands or alarm["code"] == held_by)


def _urgency(alarm: Plain) -> tuple[bool, int, int]:
    return (alarm.get("acknowledged", False), alarm["priority"], alarm["since_ms"])


PARTS: dict[str, Callable[[Plain], Plain]] = {
    "ends of start checks": _short_checks,
    "ends of refusals": _short_refusals,
    "load lists and ends of reasons": _short_lists,
    "start checks": _no_checks,
    "course and sisters": _not_beside,
    "rare plans": _common_plans,
    "plans": _no_plans,
    "later alarms": _worst_alarms,
}
"""What may be left out, in the order in which it is."""
