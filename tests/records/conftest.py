"""The record's tests share one small real run."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "records"))

from realrun import kept_run, rec, writer  # noqa: F401 - fixtures
