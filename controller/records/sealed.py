"""JSON whose last key is the SHA-256 of all bytes before it, so that a changed byte of the file itself shows. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import sha256
from typing import Any

SEAL = "sha256"
_BEGIN = f' "{SEAL}": "'.encode()


def unsealed(content: Mapping[str, Any], *, indent: int | None = None) -> bytes:
    """The bytes of an object up to where its seal begins. ValueError: the content is no plain JSON."""
    kept = {key: value for key, value in content.items() if key != SEAL}
    text = json.dumps({**kept, SEAL: ""}, indent=indent, allow_nan=False)
    return text[: text.rindex(_BEGIN.decode())].encode()


def sealed(before: bytes, *, indent: int | None = None) -> bytes:
    """The whole file, from what `unsealed` gave with the same `indent`."""
    end = b"" if indent is None else b"\n"
    return before + _BEGIN + sha256(before).hexdigest().encode() + b'"' + end + b"}\n"


def seal_holds(data: bytes, *, indent: int | None = None) -> bool:
    """Whether a file ends with its seal, and this is the hash of what stands before."""
    return data == sealed(data[: max(data.rfind(_BEGIN), 0)], indent=indent)
