"""Alarms about temperatures, and what rests on a comparison over time: cause, what was done, what to do."""

from __future__ import annotations

from controller.texts.alarmtext import BEFORE_HANDS, LOOK_ONLY, AlarmText

HEAT = "acid above 55 C sheds active mass and softens cases; beside hydrogen it can burn"
BLIND = "nobody sees the battery heat up"
WATER = "look at flow, inlet and valve"
LESS_COOLING = "every battery of the bath loses its margin at once"
NEW_PROBE = f"{BEFORE_HANDS}: put the spare probe in. Then unblock, resume"
PROBE_LATER = f"{LOOK_ONLY}. Note it for the end of the run"
JOINT = f"{LOOK_ONLY}. Do not touch, block first"

ALARMS: dict[str, AlarmText] = {
    "probe_derate": AlarmText(
        "probe {value:.1f} C, above {limit:.1f}", "reduced, runs on", LOOK_ONLY, "C", consequence=HEAT
    ),
    "probe_hold": AlarmText(
        "probe {value:.1f} C, hold level {limit:.1f}",
        "held",
        "look at water flow and level; resume when cooled",
        "C",
        consequence="it cools by itself with water; fresh plates are harmed by a long hold",
    ),
    "probe_trip": AlarmText(
        "probe {value:.1f} C, trip level {limit:.1f}",
        "tripped, off ordered",
        "keep water and air on, stay away from the battery; acknowledge and reset when cooled",
        "C",
        consequence="what heats it without current goes on: boiling acid, fire",
    ),
    "probe_rise": AlarmText(
        "probe rises by {value:.0f} K an hour, above {limit:.0f}",
        "told, runs on",
        LOOK_ONLY,
        "K/h",
        consequence="it reaches its derate and hold levels within the hour, or a joint burns off",
    ),
    "runaway": AlarmText(
        "volts fall by {value:.1f} mV a kelvin and cell while it warms, above {limit:.1f}: heats itself",
        "reduced to a fifth, runs on",
        LOOK_ONLY,
        "mV/K",
        consequence="it heats itself faster and faster: boiling acid, gas, fire",
    ),
    "runaway_hold": AlarmText(
        "heated itself and did not cool at a fifth of its current",
        "held",
        "look at water flow and level; resume when cooled",
        consequence="a string that does not cool without current burns",
    ),
    "probe_lost": AlarmText("no valid probe", "reduced, runs on with a stand-in", LOOK_ONLY, consequence=BLIND),
    "probe_lost_long": AlarmText(
        "no valid probe for too long",
        "held",
        NEW_PROBE,
        hands=True,
        consequence="fresh plates are harmed by a long hold",
    ),
    "probe_lost_warm": AlarmText(
        "no valid probe, and the bath ({value:.1f} C, at most {limit:.1f}) leaves no margin",
        "held",
        NEW_PROBE,
        "C",
        hands=True,
        consequence="fresh plates are harmed by a long hold",
    ),
    "probe_part_lost": AlarmText(
        "{value:.0f} of {limit:.0f} probes without a value",
        "the others count",
        PROBE_LATER,
        "probes",
        consequence="with the next one lost nobody sees the battery heat up",
    ),
    "probe_frozen": AlarmText(
        "probe has shown {value:.1f} C for {limit:.0f} min while it should have moved",
        "counts as lost",
        PROBE_LATER,
        "C",
        consequence=BLIND,
    ),
    "probes_differ": AlarmText(
        "probes differ by {value:.1f} K, at most {limit:.1f}",
        "the higher counts",
        PROBE_LATER,
        "K",
        consequence="one of them is wrong, or one battery is badly cooled and ages early",
    ),
    "several_hot": AlarmText(
        "{value:.0f} circuits at once at the probes' hold level",
        "nothing beside what each circuit does by itself",
        "look at the bath's water: flow, level, inlet; stay away from the batteries",
        "circuits",
        consequence="the bath has lost its cooling: string after string boils",
    ),
    "water_warm": AlarmText(
        "bath water {value:.1f} C, above {limit:.1f}", "nothing", WATER, "C", consequence=LESS_COOLING
    ),
    "water_derate": AlarmText(
        "bath water {value:.1f} C, above {limit:.1f}", "all reduced", WATER, "C", consequence=LESS_COOLING
    ),
    "water_hold": AlarmText(
        "bath water {value:.1f} C, hold level {limit:.1f}",
        "all held",
        WATER,
        "C",
        consequence="batteries stay hot; fresh plates are harmed by a long hold",
    ),
    "water_cold": AlarmText(
        "bath water {value:.1f} C, below {limit:.1f}",
        "nothing",
        "look at inlet and valve",
        "C",
        consequence="volts stand at their limit, steps take longer, batteries come out unevenly formed",
    ),
    "water_lost": AlarmText(
        "no valid water temperature",
        "all reduced, run on",
        "look at the water sensor, its cable and the input box; hand thermometer every round",
        consequence="nobody sees the bath warm up",
    ),
    "water_lost_long": AlarmText(
        "no valid water temperature for too long",
        "all held",
        "mend the water sensor; resume when it reads",
        consequence="fresh plates of every circuit are harmed by the hold",
    ),
    "water_part_lost": AlarmText(
        "{value:.0f} of {limit:.0f} water sensors without a value",
        "the others count",
        "look at the sensor and its cable",
        "sensors",
        consequence="with the next one lost nobody sees the bath warm up",
    ),
    "water_differ": AlarmText(
        "water sensors differ by {value:.1f} K, at most {limit:.1f}",
        "the higher counts",
        "hand thermometer beside each; look at flow and mixing",
        "K",
        consequence="one of them is wrong, or part of the bath is not cooled",
    ),
    "joint_resistance": AlarmText(
        "a joint has {value:.0f} mOhm more than its sisters, above {limit:.0f}",
        "told, runs on",
        JOINT,
        "mOhm",
        consequence="it grows hot, burns off and arcs in gas",
    ),
    "joint_hot": AlarmText(
        "a joint makes {value:.1f} W, above {limit:.1f}",
        "told, runs on",
        JOINT,
        "W",
        consequence="it burns off within the shift and arcs in gas",
    ),
    "cells_missing": AlarmText(
        "volts of {value:.1f} cells are missing against the sisters",
        "told, runs on",
        f"{LOOK_ONLY}. Note it: find the shorted cell at the end check",
        "cells",
        consequence="a battery with a shorted cell is shipped",
    ),
    "probe_reads_low": AlarmText(
        "probe reads {value:.1f} K below what its battery's heat makes, at most {limit:.1f}",
        "told, runs on",
        PROBE_LATER,
        "K",
        consequence="the battery is hotter than its limits know",
    ),
    "probe_in_air": AlarmText(
        "probe does not follow the current: out of the acid?", "told, runs on", PROBE_LATER, consequence=BLIND
    ),
    "probe_elsewhere": AlarmText(
        "probe follows another circuit's current", "told, runs on", PROBE_LATER, consequence=BLIND
    ),
    "knee_early": AlarmText(
        "volts rise after {value:.0f} % of the charge, expected at {limit:.0f}: a smaller or formed battery?",
        "told, runs on",
        f"{LOOK_ONLY}. Compare type and load list",
        "%",
        consequence="batteries are overcharged, hot and dry",
    ),
    "knee_late": AlarmText(
        "volts have not risen after {value:.0f} % of the charge, expected at {limit:.0f}: a larger battery?",
        "told, runs on",
        f"{LOOK_ONLY}. Compare type and load list",
        "%",
        consequence="batteries are shipped half formed",
    ),
    "acid_differs": AlarmText(
        "volts {value:.0f} mV a cell off, beyond {limit:.0f}, in all that were filled from this tank: another acid?",
        "told, runs on",
        f"{LOOK_ONLY}. Measure the density in the filling tank; engineer",
        "mV",
        consequence="all of them come out with the wrong acid",
    ),
    "leads_crossed": AlarmText(
        "another circuit's current moves this string's volts: leads crossed?",
        "told, runs on",
        f"{LOOK_ONLY}. Hold both; meter walk before anything is touched",
        consequence="a string that is off for one circuit is live from another: whoever works on it is hurt",
    ),
    "course_late": AlarmText(
        "{value:.0f} min behind the expected course, beyond {limit:.0f}",
        "told, runs on",
        LOOK_ONLY,
        "min",
        consequence="its end moves; more and more of the current goes elsewhere",
    ),
    "advice_unknown": AlarmText(
        "{value:.0f} hints of a kind this version does not know",
        "told",
        f"{LOOK_ONLY}. Engineer: which version made this record",
        "hints",
        consequence="a fault that a later version would name goes unseen",
    ),
}
