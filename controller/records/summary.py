"""summary.json: bytes that carry their own hash, so that a changed byte of the summary itself shows. Pure.

The last key is `sha256`, hex digest of all bytes before its line. Summaries of format 1 were written without; they are
read, and `is_sealed` says that nothing guards them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.records.outside import read_json
from controller.records.sealed import SEAL, seal_holds, sealed, unsealed

FORMAT = "formbath/summary/2"
UNSEALED = "formbath/summary/1"
"""The format before a summary carried its own hash."""
NAME = "summary.json"


def summary_bytes(content: Mapping[str, Any]) -> bytes:
    """The bytes of summary.json: `format` first, then what is given, last its own hash (one of old is left out).

    ValueError: the content is no plain JSON.
    """
    kept = {key: value for key, value in content.items() if key != "format"}
    return sealed(unsealed({"format": FORMAT, **kept}, indent=1), indent=1)


def read_summary(data: bytes) -> tuple[Mapping[str, Any] | None, str | None]:
    """What summary.json holds (None: nothing that can be used), and what is wrong with it (None: nothing).

    No bytes at all, a run that is still open, is nothing wrong. One whose hash does not fit is given all the same.
    """
    if not data:
        return None, None
    try:
        plain = read_json(data)
    except ValueError as error:
        return None, f"{NAME}: is not readable: {error}"
    if not isinstance(plain, dict):
        return None, f"{NAME}: is no object"
    return plain, None if _holds(data, plain) else f"{NAME}: is not as it was written: its own SHA-256 does not fit"


def is_sealed(summary: Mapping[str, Any]) -> bool:
    """Whether it carries its own hash; the format before did not."""
    return SEAL in summary


def is_stripped(summary: Mapping[str, Any], head: Mapping[str, Any]) -> bool:
    """Whether it lacks its own hash though the record was begun by a version that writes it (`head`: run.json)."""
    return not is_sealed(summary) and head.get("summary_format") not in (None, UNSEALED)


def _holds(data: bytes, plain: Mapping[str, Any]) -> bool:
    # Only the old format may lack the hash: a changed byte in the key's name must not make it one of old.
    if SEAL not in plain:
        return plain.get("format") in (UNSEALED, None)
    return seal_holds(data, indent=1)
