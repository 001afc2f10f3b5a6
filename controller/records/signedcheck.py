"""A sign-off as summary.json tells it, held against batteries.csv and against itself. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from controller.records.batteries import Outcome, verdict_of

_SIGNED = ("outcomes", "signed_off_by", "signed_off_role", "signed_off_utc", "verdict_at_end")
_NEWEST = {"verdict": "verdict", "outcomes": "outcomes", "signed_off_by": "who", "signed_off_role": "role",
           "signed_off_utc": "time_utc"}  # fmt: skip


def wrong_sign_off(summary: Mapping[str, Any], batteries: Sequence[Mapping[str, str]]) -> list[str]:
    """What summary.json says of its newest sign-off otherwise than that itself, or than each battery's last row."""
    signed = summary.get("sign_offs")
    if signed is None:
        odd = next((key for key in _SIGNED if key in summary), None)
        return [f"summary.json: {odd} is there, and no sign-off"] if odd is not None else []
    if not isinstance(signed, list) or not signed or not isinstance(signed[-1], dict):
        return ["summary.json: sign_offs is no list of sign-offs"]
    newest = signed[-1]
    found = [
        f"summary.json: {key} is not that of the newest sign-off"
        for key, name in _NEWEST.items()
        if summary.get(key) != newest.get(name)
    ]
    last = {row.get("position", ""): row.get("outcome", "") for row in batteries}
    verdict, counts = verdict_of(Outcome(outcome) for outcome in last.values())
    if batteries and (summary.get("verdict"), summary.get("outcomes")) != (verdict, counts):
        found.append(f"summary.json: verdict or outcomes are not what batteries.csv says: {verdict}")
    return found
