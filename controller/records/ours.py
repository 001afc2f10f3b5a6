"""Which version of the program writes records here, and whether a record was begun by this very one. Pure.

What a version makes of a file's text is only known for that version: a record of another one is not asked for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.core.version import CORE

VERSION = "0.1.0"


def is_ours(run_json: Mapping[str, Any]) -> bool:
    """Whether a record was begun by a service of this version, with the same decisions."""
    return version_of(run_json) == VERSION and run_json.get("core") == CORE


def by_service(run_json: Mapping[str, Any]) -> bool:
    """Whether a service began the record: it names its version; what writes records for tests alone does not."""
    return version_of(run_json) is not None


def version_of(run_json: Mapping[str, Any]) -> str | None:
    """The version of the program that began a record; None: it does not say."""
    versions = run_json.get("versions")
    version = versions.get("formbath") if isinstance(versions, Mapping) else None
    return version if isinstance(version, str) else None
