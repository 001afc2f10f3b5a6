"""state.json, what of a bath outlives a restart: bytes that carry their own hash. Pure.

A changed byte of it could take a block from a circuit, or write another current into a plan: where the hash does not
fit nothing of the file is used. The format before was written without; it is read as it stands.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from controller.records.sealed import SEAL, seal_holds, unsealed

NAME = "state.json"
FORMAT = "formbath/state/2"
UNSEALED = "formbath/state/1"
"""The format before a state carried its own hash."""


def state_before_seal(content: Mapping[str, Any]) -> bytes:
    """What is kept, up to its hash (`sealed.sealed` adds it). ValueError: no plain JSON."""
    return unsealed({"format": FORMAT, **{key: value for key, value in content.items() if key != "format"}})


def read_state(data: bytes) -> tuple[dict[str, Any] | None, str | None]:
    """What state.json holds (None: nothing usable), and what is wrong with it (None: nothing, or no bytes at all)."""
    if not data:
        return None, None
    try:
        plain = json.loads(data)
    except (ValueError, RecursionError) as error:
        return None, f"{NAME}: is not readable: {error}"
    if not isinstance(plain, dict):
        return None, f"{NAME}: is no object"
    # Only the old format may lack the hash: a changed byte in the key's name must not make it one of old.
    if (SEAL in plain or plain.get("format") == FORMAT) and not seal_holds(data):
        return None, f"{NAME}: is not as it was written: its own SHA-256 does not fit"
    if plain.get("format") not in (FORMAT, UNSEALED):
        return None, f"{NAME}: is not of the format {FORMAT}"
    return plain, None
