"""The tests of many runs take them from the record's kits."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "records"))
sys.path.insert(0, str(Path(__file__).parent))

from realrun import kept_run, rec, writer  # noqa: F401 - fixtures

from controller.service.locks import hold, runs_lock


@pytest.fixture
def served():
    """Hold a bath's folder as its service does, until the test ends."""
    held = []
    yield lambda folder: held.append(hold([runs_lock(folder)], "a.toml"))
    for one in held:
        one.close()
