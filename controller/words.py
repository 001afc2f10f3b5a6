"""Every sentence for a person: events, alarms, refusals. One catalogue, keyed by the core's codes. Pure.

An alarm has a cause (with value and limit), what was done, and what to do. A text that sends hands to a string carries
its caution in this order: held or off, zero read back; block; air on; wait; meter; only then hands. One about a string
under current is LIVE, LOOK ONLY. Texts use named places, so that they can be translated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.core.types import Event, EventKind, Scalar
from controller.texts import alarms as alarm_page
from controller.texts import bath, circuit, events, frame, hall, link, lists, orders, plain, recovery
from controller.texts import help as help_page

LOOK_ONLY = "LIVE, LOOK ONLY: flow, level, gassing from outside; touch nothing"
BEFORE_HANDS = "off, zero read back; block it, lock the rectifier off; air on; wait 10 min; meter; only then hands"


@dataclass(frozen=True, slots=True)
class AlarmText:
    """What an alarm says. `unit` is that of its value and limit. `hands`: `do` sends hands to a string."""

    cause: str
    did: str
    do: str
    unit: str = ""
    hands: bool = False


ALARMS: dict[str, AlarmText] = {
    "link_lost": AlarmText(
        "no fresh readings for {limit:.0f} s",
        "held, zero NOT confirmed; the rectifier's watchdog takes it to zero",
        "read the rectifier's own display; look at cable and switch",
        "s",
    ),
    "another_device": AlarmText(
        "the device that answers is not the one in the register map",
        "held, nothing is written to it",
        "check unit and map",
    ),
    "local_control": AlarmText(
        "rectifier is in local control", "held", "ask who switched it; back to remote, then resume"
    ),
    "rectifier_fault": AlarmText(
        "rectifier reports its own fault, code {value:.0f}",
        "tripped, off ordered",
        "read its display; maintenance",
    ),
    "rectifier_restarted": AlarmText(
        "rectifier restarted in mid-run", "held", "look why it restarted, then resume", "s"
    ),
    "set_not_taken": AlarmText(
        "rectifier does not take the set-point: {value:.2f} A read back, {limit:.2f} A written",
        "held",
        "look at its display for a limit or a lock",
        "A",
    ),
    "foreign_master": AlarmText(
        "somebody else wrote a set-point: {value:.2f} A read back, at most {limit:.2f} A was ours",
        "tripped, off ordered",
        "find the other writer before any reset; maintenance",
        "A",
    ),
    "current_trip": AlarmText(
        "{value:.2f} A flows, at most {limit:.2f} A is explained by the set-points",
        "tripped, off ordered",
        "read the rectifier's display; does it obey? Else its hard-wired switch",
        "A",
    ),
    "current_warn": AlarmText(
        "{value:.2f} A flows, more than the {limit:.2f} A that regulation explains", "nothing", LOOK_ONLY, "A"
    ),
    "below_least": AlarmText(
        "the limits leave less than the {limit:.2f} A this rectifier can regulate",
        "held",
        "look for what limits it, then resume",
        "A",
    ),
    "voltage_trip": AlarmText(
        "{value:.3f} V/cell, above {limit:.3f} (the limit written and its margin)",
        "tripped, off ordered",
        f"which battery gasses hardest? Look. Before any hand: {BEFORE_HANDS}. Then acknowledge and reset",
        "V/cell",
        hands=True,
    ),
    "voltage_trip_profile": AlarmText(
        "{value:.3f} V/cell, the profile's trip level is {limit:.3f}",
        "tripped, off ordered",
        f"which battery gasses hardest? Look. Before any hand: {BEFORE_HANDS}. Then acknowledge and reset",
        "V/cell",
        hands=True,
    ),
    "open_string": AlarmText(
        "no current at voltage limit: {value:.2f} A, below {limit:.2f} (open clamp, cell)",
        "tripped, off ordered",
        f"{BEFORE_HANDS}: clamps first. A clamp that arced is replaced. Then unblock, acknowledge, reset, resume",
        "A",
        hands=True,
    ),
    "probe_derate": AlarmText("probe {value:.1f} C, above {limit:.1f}", "reduced, runs on", LOOK_ONLY, "C"),
    "probe_hold": AlarmText(
        "probe {value:.1f} C, hold level {limit:.1f}", "held", "look at water flow and level; resume when cooled", "C"
    ),
    "probe_trip": AlarmText(
        "probe {value:.1f} C, trip level {limit:.1f}",
        "tripped, off ordered",
        "keep water and air on, stay away from the battery; acknowledge and reset when cooled",
        "C",
    ),
    "probe_lost": AlarmText("no valid probe", "reduced, runs on with a stand-in", LOOK_ONLY),
    "probe_lost_long": AlarmText(
        "no valid probe for too long",
        "held",
        f"{BEFORE_HANDS}: put the spare probe in. Then unblock, resume",
        hands=True,
    ),
    "probe_lost_warm": AlarmText(
        "no valid probe, and the bath ({value:.1f} C, at most {limit:.1f}) leaves no margin",
        "held",
        f"{BEFORE_HANDS}: put the spare probe in. Then unblock, resume",
        "C",
        hands=True,
    ),
    "charge_cap": AlarmText(
        "{value:.1f} Ah counted, the cap is {limit:.1f}", "held", "engineer: why did the steps not end? Then stop", "Ah"
    ),
    "step_slow": AlarmText(
        "step takes {value:.2f} h, its longest is {limit:.2f}", "runs on at restart current", LOOK_ONLY, "h"
    ),
    "step_overrun": AlarmText(
        "step takes {value:.2f} h, its longest is {limit:.2f}", "held", "find why its end was not met, then resume", "h"
    ),
    "water_warm": AlarmText("bath water {value:.1f} C, above {limit:.1f}", "nothing", "look at flow and inlet", "C"),
    "water_derate": AlarmText(
        "bath water {value:.1f} C, above {limit:.1f}", "all reduced", "look at flow and inlet", "C"
    ),
    "water_hold": AlarmText(
        "bath water {value:.1f} C, hold level {limit:.1f}", "all held", "look at flow and inlet", "C"
    ),
    "water_cold": AlarmText("bath water {value:.1f} C, below {limit:.1f}", "nothing", "look at inlet and valve", "C"),
    "extraction_lost": AlarmText(
        "extraction airflow not proved",
        "all held",
        "people out of the hood, open and close no clamp, switch nothing inside; electrician first, then fan",
    ),
    "extraction_lost_after_run": AlarmText(
        "extraction airflow not proved while gas still leaves the cells",
        "bath shut for orders",
        "people out of the hood, open and close no clamp, switch nothing inside; electrician first, then fan",
    ),
    "emergency_stop": AlarmText(
        "emergency stop", "all tripped, off ordered", "help first; then find the cause, acknowledge, reset"
    ),
    "hood_open": AlarmText("hood open", "all held", "shut it; current comes back by order, after the purge"),
    "inputs_stale": AlarmText(
        "bath inputs not read for {limit:.0f} s", "all held", "look at the input box, its cable and supply", "s"
    ),
}

EVENTS: dict[str, str] = {
    "zero_read": "zero read back, circuit is {state}",
    "gap": "nothing was read for {seconds:.0f} s; nothing is counted for it",
    "held": "held: {cause}",
    "tripped": "tripped: {cause}",
    "running": "running again",
    "resumed_by_rule": "resumed by rule after a link loss of {minutes:.1f} min, at restart current",
    "step_began": "step {step} begins: {name}",
    "step_ended": "step {step} ({name}) ended by {by} after {minutes:.1f} min, {charge_Ah:.2f} Ah in",
    "complete": "complete, {charge_Ah:.1f} Ah",
    "accepted": "{verb} by {who}",
    "ticked": "start list, item {item} found right by {who}: {item_text}",
    "crossed": "start list, item {item} found WRONG by {who}: {item_text}; {reason}",
    "start_list_item": "start list, item {item} found right by {who} {minutes:.0f} min before: {item_text}",
    "note": "note by {who}: {text}",
    "read_back_zero": "{verb}: zero read back ({current_A:.1f} A), {state}",
    "read_back": "{verb}: read back {current_A:.1f} A, {state}",
    "service_started": "service started, core {core}",
    "service_ended": "service ended: {why}",
    "clock_step": "the wall clock was moved by {seconds:.0f} s; no duration and no charge changes",
    "record_trouble": "record: {why}",
    "notice": "{what}",
}

REFUSALS: dict[str, str] = {
    "unknown_verb": "no such order: {verb}",
    "unknown_target": "no circuit or bath of that name here",
    "not_for_a_bath": "this order is for one circuit",
    "role": "your roles do not allow it: {needs}",
    "changed": "the circuit changed since you looked; look again",
    "late": "nothing was read for {seconds:.0f} s; look again, then order again",
    "state": "not while it is {state}",
    "blocked": "BLOCKED by {by}: somebody works on the string",
    "not_blocked": "it is not blocked",
    "blocked_by_another": "blocked by {by}, who alone lifts it (maintenance: with a reason)",
    "latched": "a trip waits for its reset: {cause}",
    "nothing_latched": "nothing is latched",
    "nothing_new": "no alarm waits to be acknowledged",
    "not_acknowledged": "acknowledge first: {cause}",
    "cause_stands": "its cause still stands: {cause}",
    "not_read": "its values are not fresh (link {link})",
    "device": "the device is not proved to be the one of the map: {fit}",
    "stuck": "the rectifier ignores its off; its hard-wired switch, then maintenance",
    "inputs_unknown": "the bath's inputs are not known",
    "emergency_stop": "emergency stop pressed or not reset",
    "hood_open": "hood open",
    "no_airflow": "extraction airflow not proved",
    "unpurged": "bath not purged, {minutes:.1f} min left",
    "neighbour_blocked": "{neighbour} under this hood: was that person told? Then say so: told={name}",
    "not_loaded": "no batteries on its list: load first",
    "loaded_already": "loaded already with {batch}; unload first",
    "no_load_list": "no load list",
    "count": "{batteries} batteries and {links} links do not fill {places} places",
    "no_discharge": "step {step} discharges, this rectifier cannot",
    "profile_current": "step {step} asks for {value:.1f} A, this circuit takes {limit:.1f}",
    "profile_least": "step {step} asks for less than the {limit:.2f} A this rectifier regulates",
    "profile_voltage": "step {step} needs {value:.0f} V, this circuit takes {limit:.0f}",
    "soak_short": "soak {minutes:.0f} min too short",
    "soak_long": "soak is over: {minutes:.0f} min since the first was filled; the engineer with a reason",
    "no_temperature": "no valid temperature",
    "too_hot": "{value:.1f} C, the profile starts below {limit:.1f}",
    "string_volts": (
        "string {value:.1f} V at 0 A, expected {expected:.1f} +- {scatter:.1f}: a formed or reversed battery (12.7 V), "
        "or another list. "
        f"{BEFORE_HANDS}"
    ),
    "cool_down": "cool-down, {minutes:.0f} min left; unload with a reason",
    "still_hot": "{value:.1f} C, cool-down ends below {limit:.1f}; unload with a reason",
    "nothing_to_do": "no step waits for it",
    "past_resume_limit": "held {minutes:.0f} of {limit:.0f} min allowed; the engineer with a reason",
    "start_list": "item {item} of the start list is not ticked",
    "start_list_refused": "item {item} of the start list was found wrong by {by}: {reason}",
    "start_list_stale": "item {item} of the start list was ticked {minutes:.0f} min ago; look and tick again",
    "no_item": "the start list has {items} items, {item} is none of them",
    "no_reason": "item {item}: found right, or wrong with a reason",
    "no_text": "a note has 1 to {most} characters",
    "require_release": "this bath asks for released profiles; there are no releases yet",
    "bad_profile": "profile refused: {what}",
    "bad_list": "load list refused: {what}",
    "record_full": "the record cannot be written any more, and nothing may flow without it",
    "service_ending": "the service is ending",
    "full": "{most} clients are attached to this service already; close one, then attach again",
    "full_of_one": "{most} clients of this user are attached to this service already; close one, then attach again",
    "no_pace": "only a stepped plant has a pace",
}


class _Shown:
    """A value that formats as a number where it is one, and as -- where it is missing."""

    def __init__(self, value: Scalar) -> None:
        self._value = value

    def __format__(self, spec: str) -> str:
        if self._value is None:
            return "--"
        try:
            shown = format(self._value, spec)
        except (ValueError, TypeError):
            return str(self._value)
        zero = not isinstance(self._value, str) and not shown.strip("-0.")
        return shown[1:] if zero and shown.startswith("-") else shown  # never a negative zero


def filled(template: str, data: Mapping[str, Scalar]) -> str:
    """Return a text with its named places filled; missing values show as `--`, nothing raises."""
    shown = {key: _Shown(_plain(key, value)) for key, value in data.items()}
    return template.format_map(_Missing(shown))


def _plain(key: str, value: Scalar) -> Scalar:
    """Return a cause's code as words."""
    return value.replace("_", " ") if key == "cause" and isinstance(value, str) else value


class _Missing(dict[str, _Shown]):
    def __missing__(self, key: str) -> _Shown:
        return _Shown(None)


def text(event: Event) -> str:
    """Return the sentence for an event, in one line."""
    if event.kind is EventKind.REFUSAL:
        verb = event.data.get("verb", "order")
        return f"{verb} refused: " + refusal_text(event.code, event.data)
    if event.kind is EventKind.ALARM:
        return alarm_text(event.code, event.data)
    return filled(EVENTS.get(_spoken(event), event.code), event.data)


def refusal_text(code: str, data: Mapping[str, Scalar]) -> str:
    """Return why not, without the order's own name before it."""
    return filled(REFUSALS.get(code, code), data)


def _spoken(event: Event) -> str:
    """Return the catalogue's key for an event: an item of the start list is an accepted order with words of its own."""
    # What a client sends stands among an order's data too; only such a `done` has passed the core as a tick.
    if event.code == "accepted" and event.data.get("verb") == "done" and "item" in event.data:
        return "ticked" if event.data.get("ok") is True else "crossed"
    if event.code == "read_back" and event.data.get("verb") in {"hold", "stop", "block"}:
        return "read_back_zero"
    return event.code


def alarm_text(code: str, data: Mapping[str, Scalar]) -> str:
    """Return an alarm's cause, what was done and what to do; one that returned says only so."""
    words = ALARMS.get(code)
    if words is None:
        return code
    cause = filled(words.cause, data)
    if data.get("life") == "returned":
        return f"gone: {cause}" if data.get("value") is not None else f"gone: {code.replace('_', ' ')}"
    return f"{cause}; {words.did}. {words.do}"


def unit_of(code: str) -> str:
    """Return the unit of an alarm's value and limit, or an empty text."""
    words = ALARMS.get(code)
    return words.unit if words is not None else ""


_PAGES = (
    frame.TEXTS, hall.TEXTS, bath.TEXTS, circuit.TEXTS, events.TEXTS, alarm_page.TEXTS, orders.TEXTS, lists.TEXTS,
    recovery.TEXTS, help_page.TEXTS, plain.TEXTS, link.TEXTS,
)  # fmt: skip
SCREEN: dict[str, str] = {key: text for page in _PAGES for key, text in page.items()}
"""The console's sentences, by key; each page's stand in `controller.texts`."""


@dataclass(frozen=True, slots=True)
class AlarmLines:
    """One alarm in words: cause with value and limit, what was done, what to do; `hands`: hands go to a string."""

    cause: str
    did: str
    do: str
    hands: bool


def _untranslated(text: str) -> str:
    return text


@dataclass(frozen=True, slots=True)
class Say:
    """The catalogue with its places filled. `translate` is any function from text to text, such as gettext's."""

    translate: Callable[[str], str] = _untranslated

    def __call__(self, key: str, /, **data: Scalar) -> str:
        """The console's sentence of that key. Raises KeyError where the catalogue has none."""
        return filled(self.translate(SCREEN[key]), data)

    def count(self, key: str, number: int, /, **data: Scalar) -> str:
        """The sentence for one, or for another number: keys `key.one` and `key.many`, place `{n}`."""
        return self(f"{key}.one" if number == 1 else f"{key}.many", n=number, **data)

    def alarm(self, code: str, value: float | None, limit: float | None) -> AlarmLines:
        """An alarm's lines; a code that the catalogue does not know stands for itself."""
        words = ALARMS.get(code)
        if words is None:
            return AlarmLines(code.replace("_", " "), "", "", hands=False)
        data: dict[str, Scalar] = {"value": value, "limit": limit}
        cause, did, do = (filled(self.translate(part), data) for part in (words.cause, words.did, words.do))
        return AlarmLines(cause, did, do, words.hands)
