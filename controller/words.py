"""Every sentence for a person: events, alarms, refusals. One catalogue, keyed by the core's codes. Pure.

An alarm has a cause (with value and limit), what was done, and what to do. A text that sends hands to a string carries
its caution in this order: held or off, zero read back; block; air on; wait; meter; only then hands. One about a string
under current is LIVE, LOOK ONLY. Texts use named places, so that they can be translated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.core.ordertold import REASON_APART
from controller.core.types import Event, EventKind, Scalar
from controller.texts import (
    alarm_bath,
    alarm_battery,
    alarm_rectifier,
    alarm_run,
    alarm_work,
    bath,
    circuit,
    events,
    frame,
    hall,
    holders,
    link,
    lists,
    orders,
    plain,
    reasons,
    recovery,
    replay,
)
from controller.texts import alarms as alarm_page
from controller.texts import help as help_page
from controller.texts.alarmtext import BEFORE_HANDS, LOOK_ONLY, AlarmText
from controller.texts.filling import filled

__all__ = ["BEFORE_HANDS", "LOOK_ONLY", "AlarmText", "filled"]

ALARMS: dict[str, AlarmText] = {
    **alarm_rectifier.ALARMS,
    **alarm_battery.ALARMS,
    **alarm_run.ALARMS,
    **alarm_bath.ALARMS,
    **alarm_work.ALARMS,
}

EVENTS: dict[str, str] = {
    "zero_read": "zero read back, circuit is {state}",
    "gap": "nothing was read for {seconds:.0f} s; nothing is counted for it",
    "gap_not_known": "nothing was read for a time that is not known; nothing is counted for it",
    "gap_unknown": "how long nothing was read is not known: elapsed time and duration hold {seconds:.0f} s for it",
    "held": "held: {cause}",
    "tripped": "tripped: {cause}",
    "running": "running again",
    "resumed_by_rule": "resumed by rule after a link loss of {minutes:.1f} min, at restart current",
    "step_began": "step {step} begins: {name}",
    "step_ended": "step {step} ({name}) ended by {by} after {minutes:.1f} min, {charge_Ah:.2f} Ah in",
    "complete": "complete, {charge_Ah:.2f} Ah in when its last step ended",
    "accepted": "{verb} by {who}",
    "ticked": "start list, item {item} found right by {who}: {item_text}",
    "crossed": "start list, item {item} found WRONG by {who}: {item_text}; {reason}",
    "start_list_item": "start list, item {item} found right by {who} {minutes:.0f} min before: {item_text}",
    "note": "note by {who}: {text}",
    "late_start": "late start, {minutes:.0f} min after the first was filled: the first charge runs at half its current",
    "escalated": "nobody acknowledged for {minutes:.0f} min: {cause}",
    "flood_begins": "alarm flood: {count} new alarms in 10 min; look at the first, not at the newest",
    "flood_ends": "alarm flood over: {count} new alarms in the last 10 min",
    "opened_under_load": "contactor opened under load, {openings} times since its last inspection",
    "walked": "meter walk, item {walk} found right by {who}: {item_text}",
    "walked_wrong": "meter walk, item {walk} found WRONG by {who}: {item_text}; {reason}",
    "skipped": "step {step} ({name}) skipped by {who}: {reason}; next is step {next} ({next_name})",
    "extended": "step lengthened by {minutes} min by {who}",
    "recounted": "change-count by {who}: {before} batteries before, {batteries} now",
    "recounted_early": (
        "change-count by {who}: {before} batteries before, {batteries} now; too early in a fresh run for volts to tell"
    ),
    "shelved": "{alarm} shelved for {minutes} min by {who}: {reason}",
    "unshelved": "{alarm} taken back from the shelf by {who}",
    "log_continues": "events go on from {limit}, whose last chain value is {value}",
    "reading": (
        "reading by {who}: {what} of battery {position} {value} {unit} at {temperature_C} C, "
        "{taken_minutes_ago} min before, instrument {instrument}"
    ),
    "added": "{mL} mL {what} into battery {position} by {who}",
    "round": "round by {who}, every item looked at",
    "round_skipped": "round by {who}, left out: {skipped_text}; {reason}",
    "took_over": "shift taken over by {who} from {before}; nothing is shelved any more",
    "horn_test": "horn test begun by {who}: is it heard?",
    "horn_heard": "horn test: heard by {who}",
    "horn_silent": "horn test: NOT heard by {who}",
    "permit": "hood may stand open for {minutes:.0f} min by {who}, for readings; it ends when a string gasses",
    "put_out": "out-of-use by {who}: {reason}",
    "bath_inspected": "bath looked at by {who} after {cause}: {reason}; resumes and starts as ever",
    "proof": "proof of {item} by {who}: {result}",
    "signed_off": "signed off by {who}: {result}",
    "read_back_zero": "{verb}: zero read back ({current_A:.1f} A), {state}",
    "read_back": "{verb}: read back {current_A:.1f} A, {state}",
    "service_started": "service started, core {core}",
    "service_ended": "service ended: {why}",
    "clock_step": "the wall clock was moved by {seconds:.0f} s; no duration and no charge changes",
    "record_trouble": "record: {why}",
    "rows_lost": "{value} rows of the bath's own record are lost: no memory was left while no disk took them",
    "limit_changed": "changed since the last service: {key} is {now}, it was {was}; started by {who}: {why}",
    "limits_changed": "{count} more settings changed since the last service; started by {who}: {why}",
    "notice": "{what}",
    **reasons.EVENTS,
    **holders.EVENTS,
}

REFUSALS: dict[str, str] = {
    "unknown_verb": "no such order: {verb}",
    "unknown_target": "no circuit or bath of that name here",
    "not_for_a_bath": "this order is for one circuit",
    "role": "your roles do not allow it: {needs}",
    "changed": "the circuit changed since you looked; look again",
    "late": "nothing was read for {seconds:.0f} s; look again, then order again",
    "state": "not while it is {state}",
    "not_blocked": "it is not blocked",
    "latched": "a trip waits for its reset: {cause}",
    "nothing_latched": "nothing is latched",
    "nothing_new": "no alarm waits to be acknowledged",
    "not_acknowledged": "acknowledge first: {cause}",
    "cause_stands": "its cause still stands: {cause}",
    "local": "the rectifier is in local control: switch it to remote first",
    "nothing_grave": "nothing waits for maintenance to have looked at this bath",
    "not_read": "its values are not fresh (link {link})",
    "device": "the device is not proved to be the one of the map: {fit}",
    "output_on": "its output reads on though it is off here; hands off, find who switched it on, then maintenance",
    "stuck": "the rectifier ignores its off; its hard-wired switch, then maintenance",
    "inputs_unknown": "the bath's inputs are not known",
    "emergency_stop": "emergency stop pressed or not reset",
    "hood_open": "hood open",
    "no_airflow": "extraction airflow not proved",
    "unpurged": "bath not purged, {minutes:.1f} min left",
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
    "not_released": "{profile}, revision {revision}, is not released; an engineer releases it, or loads it as a trial",
    "not_released_changed": "not released: {what}; an engineer releases it, or loads it as a trial",
    "not_released_loaded_without": (
        "{profile}, revision {revision}, was loaded without a release; have it released, then unload and load it again"
    ),
    "not_released_unreadable": (
        "{profile}, revision {revision}: its release cannot be used: {what}; an engineer releases it, or loads a trial"
    ),
    "bad_profile": "profile refused: {what}",
    "bad_list": "load list refused: {what}",
    "reason": "say why: reason=...",
    "block_first": "block it first: hands come only behind a block",
    "not_zero": "zero current and output off are not read back",
    "same_count": "it has {batteries} batteries already",
    "last_step": "it is the last step; a stop ends the run",
    "no_longest": "this step has no longest time",
    "minutes": "minutes=1 to {most}",
    "no_alarm": "no alarm of that code: {alarm}",
    "not_shelvable": "priority 1, what holds and what trips are never shelved: {cause}",
    "shelve_minutes": "an alarm is shelved for 15, 60 or 240 minutes",
    "not_shelved": "it is not shelved: {alarm}",
    "maintenance_reset": "{cause}: maintenance resets it, or who the bath file names",
    "maintenance_resume": (
        "first current after {cause}: maintenance resumes, or who the bath file names; or it gives the bath `inspected`"
    ),
    "alone": "{circuit}'s first current flows alone for {seconds:.0f} s more, so that crossed leads show",
    "hydrogen": "hydrogen not below its warning level",
    "contactor_closed": "the contactor reads as closed though ordered open: NOT OPEN, padlock; then maintenance",
    "out_of_use": "out of use: {reason}",
    "in_use": "it is in use",
    "leads_on": "no block has said that the leads are off: block it with leads_off=true, look, unblock",
    "no_contactor": "it has no contactor",
    "battery_type": "the list says {listed}, the profile is for {wanted}",
    "level": "the profile's battery has its level mark at {value:.0f} mm, this bath's water fits {limit:.0f}",
    "from_step": "step {step}: the profile has {steps}",
    "credited": "{value:.1f} Ah credited, the profile's cap is {limit:.1f}",
    "continues": "a start in mid-plan names the run that it continues",
    "second_person": "item {item} was found right by {by}; it needs another person's word too",
    "no_item_walk": "the meter walk has {items} items, {item} is none of them",
    "walk_early": "too early for the meter walk, {minutes:.0f} min left: it shows nothing yet",
    "walk_wrong": "item {item} of the meter walk was found wrong by {by}: {reason}; right it, walk it again",
    "position": "position={position}: the string has places 1 to {places}",
    "reading_what": "what is read: density, voltage, temperature, level or joint_mV, not {what}",
    "reading_value": "value={value}: such a reading lies between {least} and {most}",
    "reading_unit": "this reading is in {unit}",
    "reading_C": "a density needs the acid's temperature_C",
    "reading_no_number": "reading refused: temperature_C is a number, or left out",
    "reading_instrument": "name the instrument",
    "reading_age": "taken_minutes_ago=0 to {most}",
    "not_mixed": "water was added: {minutes:.0f} min of charging left until its density says anything",
    "added_what": "what was added: water or acid",
    "added_mL": "mL=1 to {most:.0f}",
    "no_run": "no run is there",
    "outcome": (
        "right would be result='pass, 4 scrap reversed': pass, re-form, rework or scrap for all, then by place, "
        "each but pass followed by its cause; not {said}"
    ),
    "outcome_count": (
        "{passed} batteries would pass, {stood} of {listed} stood in the string to the end: give each that left it "
        "another outcome, such as result='pass, 7 scrap taken out'"
    ),
    "round_items": "skipped= numbers of the {items} items that were left out, not all of them",
    "permit_stands": "{by} has a permit to open this hood for readings; ask {by}, and wait until it is over",
    "no_permit": "this bath's file allows no open hood",
    "gasses": "{circuit} gasses, or did within half an hour, or nobody can tell",
    "no_horn_test": "no horn test was begun",
    "horn_answer": "ok=true where it was heard, else ok=false",
    "proof": "say item= and result=",
    "proof_due": "proof refused: {what}",
    "record_full": "the record cannot be written any more, and nothing may flow without it",
    "record_space": (
        "the disk holds {value:.1f} h more of every circuit's record, {limit:.0f} are wanted before a start: make room"
    ),
    "record_space_eased": "the disk held too little lately, now {value:.1f} h: wait for {eased:.1f} h, {seconds:.0f} s",
    "record_waits": "rows wait for the record's disk, or did until lately: no start; bring it back, or make room",
    "service_ending": "the service is ending",
    "full": "{most} clients are attached to this service already; close one, then attach again",
    "full_of_one": "{most} clients of this user are attached to this service already; close one, then attach again",
    "no_pace": "only a stepped plant has a pace",
    "no_seek": "only a replay goes to another time",
    "replay": "a replay takes no order",
    **holders.REFUSALS,
}


LIVES: dict[str, str] = {
    "returned": "gone",
    "chattering": "comes and goes, told only once from now on",
    "steady": "comes and goes no more, stands",
    "shelved": "shelved",
    "new_shelved": "came while shelved",
    "suppressed": "explained by another, suppressed",
    "new_suppressed": "came explained by another, suppressed",
    "out_of_use": "circuit out of use, silent",
    "new_out_of_use": "came while out of use, silent",
}
"""What is told of an alarm that asks nobody for anything now, before its cause; every other life is told in full."""


def text(event: Event) -> str:
    """Return the sentence for an event, in one line."""
    if event.kind is EventKind.REFUSAL:
        verb = event.data.get("verb", "order")
        return f"{verb} refused: " + refusal_text(event.code, event.data)
    if event.kind is EventKind.ALARM:
        return alarm_text(event.code, event.data)
    template = EVENTS.get(_spoken(event), event.code)
    apart = event.kind is not EventKind.ORDER or event.data.get("verb") in REASON_APART
    return filled(template, event.data) + ("" if apart else reasons.behind(event.data.get("reason"), template))


def refusal_text(code: str, data: Mapping[str, Scalar]) -> str:
    """Return why not, without the order's own name before it."""
    return filled(REFUSALS.get(refusal_key(code, data), code), data)


def refusal_key(code: str, data: Mapping[str, Scalar]) -> str:
    """Return the catalogue's key for a refusal: what it is about may have words of its own."""
    value, limit = data.get("value"), data.get("limit")
    if code == "record_space" and isinstance(value, float) and isinstance(limit, float) and value >= limit:
        return "record_space_eased"
    by_cause = f"{code}_{data.get('why')}"
    return by_cause if code == "not_released" and by_cause in REFUSALS else holders.fitting(code, data, REFUSALS)


def _spoken(event: Event) -> str:
    """Return the catalogue's key for an event: an item of the start list is an accepted order with words of its own."""
    # What a client sends stands among an order's data too; only such a `done` has passed the core as a tick.
    verb, found = event.data.get("verb"), event.data.get("ok") is True
    if event.code == "accepted" and verb == "done" and "item" in event.data:
        return "ticked" if found else "crossed"
    if event.code == "accepted" and verb == "done" and "walk" in event.data:
        return "walked" if found else "walked_wrong"
    if event.code == "accepted" and verb == "unblock" and event.data.get("by") != event.data.get("who"):
        return holders.fitting("unblocked_by_another", event.data, EVENTS)
    if event.code == "accepted" and verb == "load" and event.data.get("trial") is True:
        return "loaded_trial"
    if event.code == "round" and event.data.get("skipped_text"):
        return "round_skipped"
    if event.code == "recounted" and event.data.get("volts_fit") is False:
        return "recounted_early"
    if event.code == "gap" and event.data.get("unknown") is True:
        return "gap_not_known"
    if event.code == "horn_test" and "ok" in event.data:
        return "horn_heard" if found else "horn_silent"
    if event.code == "read_back" and event.data.get("verb") in {"hold", "stop", "block"}:
        return "read_back_zero"
    return event.code


def alarm_text(code: str, data: Mapping[str, Scalar]) -> str:
    """Return an alarm's cause, what was done and what to do; one that returned or is silent says only so."""
    words = ALARMS.get(code)
    if words is None:
        return code
    cause = filled(words.cause, data)
    short = LIVES.get(str(data.get("life")))
    if short is not None:
        return f"{short}: {cause}" if data.get("value") is not None else f"{short}: {code.replace('_', ' ')}"
    return f"{cause}; {words.did}. {words.do}"


def unit_of(code: str) -> str:
    """Return the unit of an alarm's value and limit, or an empty text."""
    words = ALARMS.get(code)
    return words.unit if words is not None else ""


_PAGES = (
    frame.TEXTS, hall.TEXTS, bath.TEXTS, circuit.TEXTS, events.TEXTS, alarm_page.TEXTS, orders.TEXTS, lists.TEXTS,
    recovery.TEXTS, help_page.TEXTS, plain.TEXTS, link.TEXTS, replay.TEXTS,
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
        return filled(self.translate(SCREEN[holders.fitting(key, data, SCREEN)]), data)

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
