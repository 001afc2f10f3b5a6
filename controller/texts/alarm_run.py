"""Alarms about the run: its charge, its steps, how long it stands: cause, what was done, what to do."""

from __future__ import annotations

from controller.texts.alarmtext import LOOK_ONLY, AlarmText

ALARMS: dict[str, AlarmText] = {
    "charge_cap": AlarmText(
        "{value:.1f} Ah counted, the cap is {limit:.1f}",
        "held",
        "engineer: why did the steps not end? Then stop",
        "Ah",
        consequence="overcharge: heat, gas, shed plates in the whole string",
    ),
    "step_cap": AlarmText(
        "{value:.1f} Ah in this step, it may move {limit:.1f}",
        "held",
        "engineer: why did the step not end? Then skip it, or stop",
        "Ah",
        consequence="overcharge in this step: heat and gas in the whole string",
    ),
    "cap_not_obeyed": AlarmText(
        "{value:.1f} A still flow past the charge cap",
        "tripped",
        "rectifier's hard-wired switch, then maintenance",
        "A",
        consequence="overcharge without end: batteries boil dry, gas, fire",
    ),
    "step_late": AlarmText(
        "step takes {value:.2f} h, {limit:.2f} were expected",
        "goes on",
        LOOK_ONLY,
        "h",
        consequence="the step runs into its longest time, then it is held or slow",
    ),
    "step_slow": AlarmText(
        "step takes {value:.2f} h, its longest is {limit:.2f}",
        "runs on at restart current",
        LOOK_ONLY,
        "h",
        consequence="the batch comes out hours late",
    ),
    "step_overrun": AlarmText(
        "step takes {value:.2f} h, its longest is {limit:.2f}",
        "held",
        "find why its end was not met, then resume",
        "h",
        consequence="the string stands without current; past its resume limit only an engineer resumes",
    ),
    "flow_no_step_up": AlarmText(
        "gassing at {value:.2f} V/cell ({limit:.2f}), and no cooling flow",
        "reduced to the current of the charge before",
        LOOK_ONLY,
        "V/cell",
        consequence="the step takes longer; without this the bath would overheat",
    ),
    "service_gap": AlarmText(
        "held for {value:.0f} min: nothing was read for a time, or the bath not proved shut and aired",
        "told",
        "look at the string from outside, then resume",
        "min",
        consequence="the string stands without current, and nothing else tells",
    ),
    "service_away": AlarmText(
        "held for {value:.0f} min: this service was away",
        "told",
        "look at the string from outside, then resume",
        "min",
        consequence="the string stands without current, and nothing else tells",
    ),
    "hold_harms": AlarmText(
        "no current for {value:.0f} min this early, harm begins after {limit:.0f}",
        "nothing",
        "clear what holds it, then resume",
        "min",
        consequence="hardly formed plates sulphate: lost capacity that no charge brings back",
    ),
}
