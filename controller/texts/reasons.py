"""Words for why a person gave an order, where the order's own sentence has no place for it."""

from __future__ import annotations

EVENTS: dict[str, str] = {
    "loaded_trial": "{verb} by {who}, an engineer's trial run",
    "reason": "reason of {verb} by {who}: {reason}",
}


def behind(reason: object, template: str) -> str:
    """Return what is added to an accepted order's sentence, made of `template`: the reason that it lacks."""
    if "{reason}" in template or not isinstance(reason, str) or not reason:
        return ""
    return f"{';' if ': ' in template else ':'} {reason}"
