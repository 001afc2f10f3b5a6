"""Which keys summary.json has: those that its version always writes, and none that no version knows. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from controller.records.ended import verdict_of_end
from controller.records.ours import by_service
from controller.records.sealed import SEAL
from controller.records.summary import FORMAT, UNSEALED
from controller.verify.telling import some

ENDED = (
    "charge_Ah", "discharge_Ah", "energy_Wh", "circuit", "state", "batch", "batteries", "battery_type", "trial",
    "follow_on", "profile", "revision", "duration_s", "planned_Ah", "owed_Ah", "hottest_C", "highest_V_per_cell",
    "link_rides", "verdict",
)  # fmt: skip
"""Keys that a summary has from the last state of an ended run; see `ended.ended`, with which a test compares."""
_OTHERS = (
    "format", "start_utc", "end_utc", "trips", "unknown_gaps", "virtual", "core", "run_json_sha256", "cycles_sha256",
    "readme_sha256", "rows", "chain", "cycles", "lost_cycles", "lost_rows", SEAL,
)  # fmt: skip
_SIGNED = ("verdict_at_end", "outcomes", "signed_off_by", "signed_off_role", "signed_off_utc", "sign_offs")
_UNKNOWN_GAP = "gap_unknown"
KNOWN = frozenset({*ENDED, *_OTHERS, *_SIGNED})
"""Every key that a version up to this one writes."""


def missing_keys(summary: Mapping[str, Any], run_json: Mapping[str, Any]) -> list[str]:
    """Keys that a service always writes, of a record whose version says so."""
    if not by_service(run_json) or run_json.get("summary_format") in (None, UNSEALED):
        return []
    return [f"summary.json: {key} is missing" for key in ENDED if key not in summary]


def strange_keys(summary: Mapping[str, Any]) -> list[str]:
    """A note of keys that this version does not know: they were added, or a later version wrote them."""
    strange = sorted(str(key) for key in summary if key not in KNOWN)
    told = [f"summary.json: holds keys that this version does not know: {some(strange)}"] if strange else []
    if summary.get("format") not in (FORMAT, UNSEALED):
        told.append(f"summary.json: is of a form that this version does not know: {str(summary.get('format'))[:40]!r}")
    return told


def wrong_gaps(summary: Mapping[str, Any], events: Iterable[Mapping[str, str]]) -> list[str]:
    """Another number of gaps of unknown length than events.csv tells of; not to be asked of a record that lost rows."""
    told, found = summary.get("unknown_gaps"), sum(row.get("code") == _UNKNOWN_GAP for row in events)
    return [] if told is None or told == found else [
        f"summary.json: unknown_gaps is {str(told)[:40]}, events.csv tells of {found}"
    ]  # fmt: skip


def wrong_verdict(summary: Mapping[str, Any], run_json: Mapping[str, Any]) -> list[str]:
    """A verdict at the end that is not that of the state at the end."""
    key = "verdict_at_end" if "sign_offs" in summary else "verdict"
    if not by_service(run_json) or key not in summary or "state" not in summary:
        return []
    return (
        []
        if summary[key] == verdict_of_end(str(summary["state"]))
        else [f"summary.json: {key} is not that of a run that ended as it says"]
    )
