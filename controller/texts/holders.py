"""Words for a block, by who holds it: a person, or a restart, of whose block nobody knows who works on the string.

A restart blocks what it cannot know. Its block names no one who could be asked, and only maintenance lifts it.
"""

from __future__ import annotations

from collections.abc import Mapping

RESTART = "restart: "
"""How the name of such a holder begins; an account's name holds no colon."""

NEW_HERE = f"{RESTART}new in the bath file"
"""Who blocks a circuit that state.json does not hold, or whose name now means another rectifier."""

UNREADABLE = f"{RESTART}kept state unreadable"
"""Who blocks a circuit of which nobody knows whether a person works on its string."""

OTHERWISE = ".by_restart"
"""Ends the key of a text that stands in for another one where a restart holds the block."""

REFUSALS: dict[str, str] = {
    "blocked": "BLOCKED by {by}: somebody works on the string",
    "blocked.by_restart": "BLOCKED by {by}: nobody knows whether somebody works on the string; maintenance looks first",
    "blocked_by_another": "blocked by {by}, who alone lifts it (maintenance: with a reason)",
    "blocked_by_another.by_restart": (
        "blocked by {by}: nobody knows whether somebody works on the string; maintenance looks, says why and unblocks"
    ),
    "neighbour_blocked": "{neighbour} under this hood: was that person told? Then say so: told={name}",
    "neighbour_blocked.by_restart": (
        "{neighbour} under this hood: nobody knows whether somebody works there; look, then say so: told={name}"
    ),
}

EVENTS: dict[str, str] = {
    "unblocked_by_another": "unblock by {who}, the block was {by}'s: {reason}",
    "unblocked_by_another.by_restart": "unblock by {who}, the block was by {by}: {reason}",
}


def by_restart(holder: str) -> bool:
    """Return whether a block is held by a restart, not by a person."""
    return holder.startswith(RESTART)


def fitting(key: str, data: Mapping[str, object], catalogue: Mapping[str, str]) -> str:
    """Return the key of the text that fits who holds the block: some have one more, for a restart's.

    The holder is what a text calls `by`, or `who` where nobody else is told of, or stands behind a `neighbour`'s name.
    """
    other = f"{key}{OTHERWISE}"
    if other not in catalogue:
        return key
    holder = data.get("by") or str(data.get("neighbour", "")).partition(" by ")[2] or data.get("who")
    return other if by_restart(str(holder)) else key
