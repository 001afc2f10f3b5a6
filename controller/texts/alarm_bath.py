"""Alarms about what the whole bath shares: cause, what was done, what to do, and what happens where nobody does it."""

from __future__ import annotations

from controller.texts.alarmtext import AlarmText

GAS = "gas gathers under the hood and any spark lights it"
NO_AIR = "people out of the hood, open and close no clamp, switch nothing inside; electrician first, then fan"

ALARMS: dict[str, AlarmText] = {
    "extraction_lost": AlarmText("extraction airflow not proved", "all held", NO_AIR, consequence=GAS),
    "extraction_lost_after_run": AlarmText(
        "extraction airflow not proved while gas still leaves the cells",
        "bath shut for orders",
        NO_AIR,
        consequence=GAS,
    ),
    "emergency_stop": AlarmText(
        "emergency stop",
        "all tripped, off ordered",
        "help first; then find the cause, acknowledge, reset",
        consequence="somebody may lie hurt at the bath; batteries stand still and fresh plates are harmed",
    ),
    "hood_open": AlarmText(
        "hood open",
        "all held",
        "shut it; current comes back by order, after the purge",
        consequence="gas is not drawn off where people stand; fresh plates are harmed by the hold",
    ),
    "inputs_stale": AlarmText(
        "bath inputs not read for {limit:.0f} s",
        "all held",
        "look at the input box, its cable and supply",
        "s",
        consequence="nobody knows whether the bath is shut and aired; fresh plates are harmed by the hold",
    ),
    "inputs_chatter": AlarmText(
        "one contact of the bath changed {value:.0f} times in a minute",
        "told",
        "look at its switch and cable",
        "times",
        consequence="the bath is held by a loose wire, or a real alarm is taken for one",
    ),
    "hydrogen_warn": AlarmText(
        "hydrogen {value:.1f} % of its explosive limit, warning level {limit:.1f}",
        "told; nothing starts",
        "no sparks, keep the hood shut; look at fan, duct and dampers from outside",
        "%",
        consequence="it rises to the level that trips the bath, and beyond it an explosion",
    ),
    "hydrogen_trip": AlarmText(
        "hydrogen {value:.1f} % of its explosive limit, trip level {limit:.1f}",
        "all tripped, extraction stays on",
        "people out, nobody opens the hood, switch nothing inside; wait until the meter outside is low",
        "%",
        consequence="an explosion under the hood, with acid",
    ),
    "hydrogen_unknown": AlarmText(
        "hydrogen not known: no value, frozen, or its proof is overdue",
        "told; runs on with airflow proved",
        "portable meter at every round; have the sensor proved",
        consequence="gas gathers unseen when the airflow is not what it seems",
    ),
    "flow_lost": AlarmText(
        "cooling water {value:.1f} L/min, should be {limit:.1f}",
        "told; no step up into gassing",
        "look at pump, valve and filter from outside",
        "L/min",
        consequence="the water warms, currents are reduced, then the bath stops",
    ),
    "flow_hold": AlarmText(
        "no cooling water for {value:.0f} min, or the water rises fast without it",
        "all held",
        "bring the water back; current comes back by order",
        "min",
        consequence="fresh plates are harmed by the hold; the batch is late",
    ),
    "level_low": AlarmText(
        "water level low",
        "told; water asked for",
        "look at the water valve and for leaks, from outside",
        consequence="batteries stand dry, get hot, and currents are reduced",
    ),
    "level_high": AlarmText(
        "water level high",
        "all held, water shut off",
        "do not touch: water may join the strings; shut the water by its valve outside",
        consequence="water runs into the vents and over terminals: spoilt acid, and shocks",
    ),
    "level_hold": AlarmText(
        "water {value:.0f} mm, below the plates at {limit:.0f} mm",
        "all held; water asked for",
        "look for the leak or the open drain, from outside",
        "mm",
        consequence="batteries have no cooling left; fresh plates are harmed by the hold",
    ),
    "level_falls": AlarmText(
        "water falls by {value:.0f} mm a minute, limit {limit:.0f}",
        "all held; water asked for",
        "look for the leak or the open drain, from outside; warm water on the floor",
        "mm/min",
        consequence="the bath runs empty within the hour",
    ),
    "leak": AlarmText(
        "water falls by {value:.0f} mm an hour, evaporation explains less than {limit:.0f}",
        "told; water asked for",
        "look for the leak from outside, and for acid in the drain",
        "mm/h",
        consequence="the level gets low, or water with acid goes where it must not",
    ),
    "level_unknown": AlarmText(
        "water level not read",
        "told; runs on",
        "look at the level through the bath's glass at every round; have the sensor and its cable looked at",
        consequence="a leak or an overflow comes unseen",
    ),
    "earth_unknown": AlarmText(
        "leakage to earth not read",
        "told; runs on",
        "touch no terminal, no frame with wet hands; have the meter and its cable looked at",
        consequence="a string that leaks to the frame is not seen, nor who touches it",
    ),
    "earth_low": AlarmText(
        "leakage to earth {value:.0f} ohm per volt, warning level {limit:.0f}",
        "told",
        "touch no terminal, no frame with wet hands; call the electrician",
        "ohm/V",
        consequence="who touches a terminal and the frame gets a shock",
    ),
    "earth_trip": AlarmText(
        "leakage to earth {value:.0f} ohm per volt, trip level {limit:.0f}: a person, or water",
        "all tripped",
        "look for a person first; help only when the rectifiers are off; strings still stand at their volts",
        "ohm/V",
        consequence="somebody may be in the circuit",
    ),
    "block_ignored": AlarmText(
        "a circuit of this bath is driven where nothing was asked for",
        "all held",
        "HANDS OFF every string of this bath; find who drives it, then lock that off",
        consequence="somebody with hands at a string is in its circuit",
    ),
    "hands_off": AlarmText(
        "{value:.1f} A or an output that is on, in a circuit blocked, open or not purged",
        "tripped, contactor opens",
        "HANDS OFF this string; find who drives it, lock that off; maintenance resets",
        "A",
        consequence="somebody with hands at this string is in its circuit",
    ),
    "record_slow": AlarmText(
        "the record's disk is slow, a row has waited {value:.0f} s, limit {limit:.0f}",
        "told; runs on",
        "look what else uses the disk; have it checked before it fails",
        "s",
        consequence="the disk may be failing; a power cut now loses the rows that wait",
    ),
    "record_space_low": AlarmText(
        "the disk holds {value:.0f} h more of every circuit's record, warning below {limit:.0f}",
        "told; runs on",
        "make room on the disk of the records this week",
        "h",
        consequence="below a day nothing is started any more",
    ),
    "record_space_ends": AlarmText(
        "the disk holds {value:.0f} h more of every circuit's record, {limit:.0f} are wanted",
        "told; open runs go on, nothing is started",
        "make room on the disk of the records now",
        "h",
        consequence="filled batteries wait for their start; when the disk is full rows wait in memory",
    ),
    "record_space_unknown": AlarmText(
        "how much room the record's disk has is not known",
        "told; runs on",
        "have the disk of the records looked at, and its room",
        consequence="nobody is told before it is full",
    ),
    "record_waits": AlarmText(
        "the record cannot be written, its rows wait for {value:.1f} h more",
        "told; open runs go on, nothing is started",
        "make room on the disk, or bring it back",
        "h",
        consequence="when no more rows can wait the bath stops",
    ),
    "record_ends": AlarmText(
        "the record cannot be written, its rows wait for {value:.1f} h more",
        "told; open runs go on, nothing is started",
        "make room on the disk now",
        "h",
        consequence="within the hour the bath stops",
    ),
    "record_full": AlarmText(
        "the record cannot be written any more",
        "all held",
        "make room on the disk, or bring it back; current comes back by order",
        consequence="fresh plates are harmed by the hold",
    ),
    "power_limited": AlarmText(
        "the bath wants {value:.1f} kW, its grid limit is {limit:.1f}",
        "told; shares given by priority",
        "nothing, or start the next batch later",
        "kW",
        consequence="steps take longer than planned",
    ),
}
