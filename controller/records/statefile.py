"""state.json and limits.json, what of a bath outlives a restart: bytes that carry their own hash.

A changed byte of a state could take a block from a circuit, or write another current into a plan: where the hash does
not fit nothing of the file is used. The formats before were written without; such a file is read as it stands, but a
state is not where it, or what stands beside it, shows a version that seals: then somebody took the hash away.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from controller.records.errors import RecordError
from controller.records.place import Place, read_all
from controller.records.sealed import SEAL, seal_holds, sealed, unsealed

NAME = "state.json"
FORMAT = "formbath/state/2"
UNSEALED = "formbath/state/1"
"""The format before a state carried its own hash."""
LIMITS = "limits.json"
"""What a bath's own folder holds beside its log, its proofs and its state: the settings of its services."""
BATH_LOST = "bath_lost_rows"
"""A state's count of the bath's own rows that no memory had room for."""
_SEALED_ALWAYS = frozenset({"lost", BATH_LOST})
"""What no version kept in a state before it sealed them."""
_LIMITS_KEYS = frozenset({"format", "limits", "begun"})
"""All that limits.json held before it carried its own hash."""
_NOT_WRITTEN = "is not as it was written: its own SHA-256"
_OLDER = "is of an older form, not sealed: a changed byte in it would not show"


def state_before_seal(content: Mapping[str, Any]) -> bytes:
    """What is kept, up to its hash (`sealed.sealed` adds it). ValueError: no plain JSON."""
    return unsealed({"format": FORMAT, **{key: value for key, value in content.items() if key != "format"}})


def read_state(data: bytes, *, must_be_sealed: bool = False) -> tuple[dict[str, Any] | None, str | None]:
    """What state.json holds (None: nothing usable), and what is wrong with it (None: nothing, or no bytes at all).

    `must_be_sealed`: what stands beside it was left by a version that seals.
    """
    plain, trouble = _object(NAME, data)
    if plain is None:
        return None, trouble
    # Only the old format may lack the hash: a changed byte in the key's name must not make it one of old.
    if (SEAL in plain or plain.get("format") == FORMAT) and not seal_holds(data):
        return None, f"{NAME}: {_NOT_WRITTEN} does not fit"
    if plain.get("format") not in (FORMAT, UNSEALED):
        return None, f"{NAME}: is not of the format {FORMAT}"
    if SEAL not in plain and (must_be_sealed or _SEALED_ALWAYS & plain.keys()):
        return None, f"{NAME}: {_NOT_WRITTEN} is gone"
    return plain, None


def read_state_at(place: Place) -> tuple[dict[str, Any] | None, str | None, str | None]:
    """The same of a bath's own folder, held against what stands beside it; and what a person must know of an older one.

    RecordError: it cannot be read.
    """
    data = read_all(place, NAME)
    plain, trouble = read_state(data)
    if plain is None or SEAL in plain:
        return plain, trouble, None
    plain, trouble = read_state(data, must_be_sealed=_is_sealing(place))
    return plain, trouble, None if plain is None else f"{NAME}: {_OLDER}"


def limits_file(content: Mapping[str, Any]) -> bytes:
    """The bytes of limits.json. ValueError: no plain JSON."""
    return sealed(unsealed(content, indent=1), indent=1)


def read_limits(data: bytes) -> tuple[dict[str, Any] | None, str | None]:
    """What limits.json holds, and what is wrong with it; None and None: no bytes at all."""
    plain, trouble = _limits(data)
    return plain if plain is None else {key: plain[key] for key in plain if key != SEAL}, trouble


def _limits(data: bytes) -> tuple[dict[str, Any] | None, str | None]:
    """The same with its hash."""
    plain, trouble = _object(LIMITS, data)
    if plain is None:
        return None, trouble
    if SEAL in plain and not seal_holds(data, indent=1):
        return None, f"{LIMITS}: {_NOT_WRITTEN} does not fit"
    if SEAL not in plain and plain.keys() - _LIMITS_KEYS:
        return None, f"{LIMITS}: {_NOT_WRITTEN} is gone"
    return plain, None


def read_limits_at(place: Place) -> tuple[dict[str, Any] | None, str | None, str | None]:
    """The same of a bath's own folder, and what a person must know of an older one. RecordError: it cannot be read."""
    plain, trouble = _limits(read_all(place, LIMITS))
    return plain, trouble, f"{LIMITS}: {_OLDER}" if plain is not None and SEAL not in plain else None


def _is_sealing(place: Place) -> bool:
    """Whether a limits.json beside a state was left by a version that seals both; one that cannot be read counts."""
    try:
        plain, trouble = _limits(read_all(place, LIMITS))
    except RecordError:
        return True
    return trouble is not None or (plain is not None and SEAL in plain)


def _object(name: str, data: bytes) -> tuple[dict[str, Any] | None, str | None]:
    if not data:
        return None, None
    try:
        plain = json.loads(data)
    except (ValueError, RecursionError) as error:
        return None, f"{name}: is not readable: {error}"
    return (plain, None) if isinstance(plain, dict) else (None, f"{name}: is no object")
