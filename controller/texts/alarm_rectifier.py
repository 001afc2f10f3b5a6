"""Alarms about what the rectifier, its link, its contactor and the string's current do: cause, reaction, what to do."""

from __future__ import annotations

from controller.texts.alarmtext import BEFORE_HANDS, LOOK_ONLY, AlarmText

OFF = "tripped, off ordered"
OPENED = "tripped, off ordered, contactor opened where there is one"
GASSING = f"which battery gasses hardest? Look. Before any hand: {BEFORE_HANDS}. Then acknowledge and reset"
STANDS = "the batteries stand without charge; in the first hours that harms the plates"
UNWATCHED = "current goes on that nobody limits"

LINK: dict[str, AlarmText] = {
    "link_lost": AlarmText(
        "no fresh readings for {limit:.0f} s",
        "held, zero NOT confirmed; the rectifier's watchdog takes it to zero",
        "read the rectifier's own display; look at cable and switch",
        "s",
        consequence=STANDS,
    ),
    "wrong_answer": AlarmText(
        "{value:.0f} wrong answers on end, none good between",
        "held, zero NOT confirmed; the rectifier's watchdog takes it to zero",
        "two devices with one unit number? Look at unit, map and gateway",
        "answers",
        consequence=STANDS,
    ),
    "link_garbled": AlarmText(
        "{value:.0f} wrong answers in a minute",
        "thrown away, runs on",
        f"{LOOK_ONLY}; then cable, screen and end resistor of this line",
        "answers",
        consequence="the link will be lost, and the circuit held",
    ),
    "link_slow": AlarmText(
        "{value:.0f} late answers in a minute",
        "skipped, runs on",
        f"{LOOK_ONLY}; then the gateway's time-outs, and who else asks on this line",
        "answers",
        consequence="the link will be lost, and the circuit held",
    ),
    "link_rides": AlarmText(
        "{value:.0f} short link losses ridden through in an hour, at most {limit:.0f} are usual",
        "came back by rule each time, at restart current",
        f"{LOOK_ONLY}; then the link's cable, plug and switch",
        "rides",
        consequence="each costs the batteries minutes at restart current",
    ),
}

DEVICE: dict[str, AlarmText] = {
    "another_device": AlarmText(
        "the device that answers is not the one in the register map",
        "held, nothing is written to it",
        "check unit and map",
        consequence=STANDS,
    ),
    "local_control": AlarmText(
        "rectifier is in local control",
        "held",
        "nothing is written to it any more: ask who switched it; back to remote, then resume",
        consequence=UNWATCHED,
    ),
    "rectifier_fault": AlarmText(
        "rectifier reports its own fault, code {value:.0f}",
        OFF,
        "read its display; maintenance",
        consequence=STANDS,
    ),
    "rectifier_restarted": AlarmText(
        "rectifier restarted in mid-run",
        "held",
        "look why it restarted, then resume",
        "s",
        consequence=STANDS,
    ),
    "set_not_taken": AlarmText(
        "rectifier does not take the set-point: {value:.2f} A read back, {limit:.2f} A written",
        "held",
        "look at its display for a limit or a lock",
        "A",
        consequence="it does not follow to zero either, when that is ordered",
    ),
    "foreign_master": AlarmText(
        "somebody else wrote a set-point: {value:.2f} A read back, {limit:.2f} A was ours",
        OFF,
        "find the other writer before any reset; maintenance",
        "A",
        consequence=UNWATCHED,
    ),
    "limit_not_taken": AlarmText(
        "rectifier does not take the voltage limit: {value:.1f} V read back, {limit:.1f} V written",
        "held",
        "look at its display for a limit or a lock",
        "V",
        consequence="volts go where the rectifier lets them, not where the profile does",
    ),
    "foreign_limit": AlarmText(
        "somebody else wrote a voltage limit: {value:.1f} V read back, {limit:.1f} V was ours",
        OFF,
        "find the other writer before any reset; maintenance",
        "V",
        consequence="volts go on that nobody limits",
    ),
    "output_off": AlarmText(
        "output reads off though it was switched on, {value:.2f} A read",
        "held",
        "look at its display, switch and fuses why it went off; then resume, at restart current",
        "A",
        consequence=STANDS,
    ),
    "not_obeyed": AlarmText(
        "rectifier does not obey: {value:.2f} A flows, at most {limit:.2f} A was asked for",
        OPENED,
        "its hard-wired switch, now; keep everybody off the string; maintenance",
        "A",
        consequence=UNWATCHED,
    ),
    "output_stuck": AlarmText(
        "output does not go off, {value:.2f} A read",
        OPENED,
        "its hard-wired switch, now; keep everybody off the string; maintenance",
        "A",
        consequence="a string taken for dead is live",
    ),
    "output_came_on": AlarmText(
        "output reads on though it was off, {value:.0f} V read",
        OPENED,
        "keep everybody off the string; find who or what switched it on, lock that off; maintenance",
        "V",
        consequence="a string taken for dead is live",
    ),
    "current_though_off": AlarmText(
        "output reads off, and {value:.2f} A flows (more than {limit:.2f})",
        OPENED,
        "its hard-wired switch, now; keep everybody off the string; maintenance",
        "A",
        consequence="a string taken for dead is live",
    ),
    "zero_unconfirmed": AlarmText(
        "zero NOT confirmed: it should stand at zero and is not read so",
        "zero and off ordered in every cycle",
        f"{LOOK_ONLY}; read the rectifier's own display",
        "A",
        consequence="a string taken for dead is live",
    ),
    "zero_unconfirmed_long": AlarmText(
        "zero STILL not confirmed",
        "zero and off ordered in every cycle",
        f"{LOOK_ONLY}; switch the rectifier off at its own switch, keep everybody off the string",
        "A",
        consequence="a string taken for dead is live",
    ),
    "contactor_welded": AlarmText(
        "contactor ordered open, reads closed: NOT OPEN",
        OFF,
        "lock the rectifier off with a padlock before anybody works here; maintenance",
        consequence="a string taken for dead can be live",
    ),
    "contactor_not_closed": AlarmText(
        "contactor ordered closed, reads open",
        "held",
        "look at its supply, its auxiliary contact and the emergency stop's wiring; maintenance",
        consequence=STANDS,
    ),
    "contactor_inspection": AlarmText(
        "contactor opened {value:.0f} times under load, inspection is due after {limit:.0f}",
        "nothing",
        f"{LOOK_ONLY}; maintenance inspects the contactor once the run is over, and says so",
        "openings",
        consequence="it may weld, and not open when it must",
    ),
}

CURRENT: dict[str, AlarmText] = {
    "current_trip": AlarmText(
        "{value:.2f} A flows, at most {limit:.2f} A is explained by the set-points",
        OFF,
        "read the rectifier's display; does it obey? Else its hard-wired switch",
        "A",
        consequence="batteries heat and gas beyond their profile",
    ),
    "current_warn": AlarmText(
        "{value:.2f} A flows, more than the {limit:.2f} A that regulation explains",
        "nothing",
        LOOK_ONLY,
        "A",
        consequence="batteries heat more than their profile wants",
    ),
    "current_low": AlarmText(
        "{value:.2f} A flows, less than {limit:.2f}, and volts are under their limit",
        "runs on; only what is read is counted",
        LOOK_ONLY,
        "A",
        consequence="the run ends later",
    ),
    "below_least": AlarmText(
        "the limits leave less than the {limit:.2f} A this rectifier can regulate",
        "held",
        "look for what limits it, then resume",
        "A",
        consequence=STANDS,
    ),
    "ripple": AlarmText(
        "current is ragged: {value:.0f} % ripple or swing, at most {limit:.0f} is usual",
        "nothing",
        LOOK_ONLY,
        "%",
        consequence="held, if it goes on",
    ),
    "ripple_hold": AlarmText(
        "current stays ragged: {value:.0f} % ripple or swing, at most {limit:.0f} is usual",
        "held",
        "a phase lost, a thyristor, its regulation? Read the rectifier's display; maintenance",
        "%",
        consequence=STANDS,
    ),
    "counter_differs": AlarmText(
        "the rectifier's Ah counter and ours are {value:.2f} Ah apart, at most {limit:.2f} is usual",
        "both are on the record",
        f"{LOOK_ONLY}; was its counter reset by hand? Else a third instrument says which is right",
        "Ah",
        consequence="the charge on the record may be wrong",
    ),
}

STRING: dict[str, AlarmText] = {
    "voltage_trip": AlarmText(
        "{value:.3f} V/cell, above {limit:.3f} (the limit written and its margin)",
        OFF,
        GASSING,
        "V/cell",
        hands=True,
        consequence="batteries heat and gas at hundreds of volts",
    ),
    "voltage_trip_profile": AlarmText(
        "{value:.3f} V/cell, the profile's trip level is {limit:.3f}",
        OFF,
        GASSING,
        "V/cell",
        hands=True,
        consequence="batteries heat and gas at hundreds of volts",
    ),
    "voltage_warn": AlarmText(
        "{value:.3f} V/cell, above {limit:.3f}: the rectifier's own limit is not sharp",
        "nothing",
        LOOK_ONLY,
        "V/cell",
        consequence="tripped, if it rises further",
    ),
    "open_string": AlarmText(
        "no current at voltage limit: {value:.2f} A, below {limit:.2f} (open clamp, cell)",
        OFF,
        f"{BEFORE_HANDS}: clamps first. A clamp that arced is replaced. Then unblock, acknowledge, reset, resume",
        "A",
        hands=True,
        consequence="a clamp that moves arcs in gas; the batteries stand without charge",
    ),
    "arcing": AlarmText(
        "current turned ragged and stopped, volts jumped to their limit: an arc (open clamp, cell)",
        OFF,
        f"{BEFORE_HANDS}: the clamp that arced is replaced. Then unblock, acknowledge, reset, resume",
        "A",
        hands=True,
        consequence="an arc under the hood ignites gas",
    ),
    "dry_string": AlarmText(
        "{value:.2f} A at the voltage limit right after the start, below {limit:.2f}: a battery not filled?",
        OFF,
        f"{BEFORE_HANDS}: look for a dry battery and take it out; never pour acid into a hot one",
        "A",
        hands=True,
        consequence="plates heat and arc inside a dry battery",
    ),
    "string_count": AlarmText(
        "{value:.2f} V/cell in the first minutes, {limit:.2f} is the edge: number or poles do not fit the load list",
        "held",
        f"{BEFORE_HANDS}: count the batteries, look at every pole. Then correct the load list or the string",
        "V/cell",
        hands=True,
        consequence="a reversed battery is spoilt, others are overcharged",
    ),
}

ALARMS: dict[str, AlarmText] = {**LINK, **DEVICE, **CURRENT, **STRING}
