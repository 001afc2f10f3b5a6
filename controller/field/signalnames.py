"""The signal names that register maps may use, by sort of device, and what the program loses without each."""

from __future__ import annotations

import re

COMMANDS = {
    "rectifier": frozenset(
        {
            "set_current_A",
            "set_voltage_V",
            "output_on",
            "contactor_closed",
            "discharge_mode",
            "heartbeat",
            "remote_request",
        }
    ),
    "inputs": frozenset({"horn", "beacon", "healthy", "water_call", "heartbeat"}),
}
REQUIRED = {
    "rectifier": ("current_A", "voltage_V", "set_current_A", "set_voltage_V", "output_on"),
    "inputs": ("water_C", "airflow", "emergency_stop_ok"),
}
NEEDS_RANGE = re.compile(r"(set_)?(current_A|voltage_V)|(probe|water)(_\d+)?_C")
SENSOR = {"rectifier": re.compile(r"probe(_([2-9]|\d\d))?_C"), "inputs": re.compile(r"water(_([2-9]|\d\d))?_C")}
OPTIONAL = {
    "rectifier": {
        "probe_C": "battery temperature: its laws stand on the bath's water instead, at reduced current",
        "uptime_s": "seeing a restart: a link loss, however short, never resumes by rule",
        "local": "seeing local control: an operator at the device reads as a foreign set-point",
        "fault_code": "seeing the device's own trips",
        "watchdog_s": "comparing the device's own time-out with the bath file's",
        "counter_Ah": "comparing the device's Ah counter with ours",
        "ripple_percent": "the ripple and hunting law",
        "contactor_closed": "cutting an output that does not obey, from this map",
        "rating_current_A": "checking the current rating at the start",
        "rating_voltage_V": "checking the voltage rating at the start",
    },
    "inputs": {
        "hood_closed": "holding the bath when its hood is opened",
        "flow_L_min": "the law of lost cooling flow",
        "level": "the laws of low and high water level",
        "level_mm": "the laws of water below the plates, of falling water and of leaks",
        "hydrogen_percent_LEL": "the hydrogen law",
        "contactors": "proving that the contactors opened",
        "earth_ohm_per_V": "the earth leakage law",
        "heard_button": "silencing the horn at the bath",
    },
}
QUIET = {
    "rectifier": frozenset({"model_code", "discharge_mode", "heartbeat", "remote_request"}),
    "inputs": frozenset({"model_code", "horn", "beacon", "healthy", "water_call", "heartbeat"}),
}
