"""The columns of every table that a record holds, by the table's name. Stands alone, so that light readers load fast.

A format only grows: a later version may put columns between the last one here and `chain`, which stays the last.
"""

from __future__ import annotations

LOG_COLUMNS = (
    "time_utc", "elapsed_s", "step", "state", "set_current_A", "current_A", "voltage_V", "bath_C", "probe_C",
    "charge_Ah", "discharge_Ah", "energy_Wh", "allowed_percent", "quality", "chain",
)  # fmt: skip
EVENT_COLUMNS = (
    "time_utc", "elapsed_s", "id", "kind", "code", "target", "who", "role", "priority", "value", "limit", "unit",
    "text", "chain",
)  # fmt: skip
BATTERY_COLUMNS = (
    "position", "batch", "pallet", "serial", "ocv_V", "ocv_age_h", "density", "density_C", "level", "outcome",
    "reason", "text", "chain",
)  # fmt: skip
AFTER_COLUMNS = (
    "time_utc", "taken_utc", "position", "what", "value", "unit", "temperature_C", "instrument", "who", "chain",
)  # fmt: skip
PROOF_COLUMNS = ("time_utc", "item", "serial", "result", "by", "due", "chain")
LOG_HEADER = ",".join(LOG_COLUMNS)
EVENT_HEADER = ",".join(EVENT_COLUMNS)
BATTERY_HEADER = ",".join(BATTERY_COLUMNS)
AFTER_HEADER = ",".join(AFTER_COLUMNS)
PROOF_HEADER = ",".join(PROOF_COLUMNS)

TABLES = {
    "log.csv": LOG_COLUMNS,
    "events.csv": EVENT_COLUMNS,
    "batteries.csv": BATTERY_COLUMNS,
    "after.csv": AFTER_COLUMNS,
}
"""The tables of a run folder; the first two are always there."""


def grown(columns: tuple[str, ...], known: tuple[str, ...]) -> bool:
    """Whether a table's columns are the known ones, or those of a later version: more of them before the chain."""
    before = len(known) - 1
    return (
        len(columns) >= len(known)
        and columns[:before] == known[:before]
        and columns[-1] == known[-1]
        and len(set(columns)) == len(columns)
        and all(columns)
    )
