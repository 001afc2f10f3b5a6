"""What holds for all tests: no library under comparison calls home, examples repeat from run to run, long files first.

`FORMBATH_EXAMPLES=new pytest` lets the property tests look for examples they have not tried yet.
"""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("new", deadline=None)
settings.load_profile("new" if os.environ.get("FORMBATH_EXAMPLES") == "new" else "same")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One process more than there are processors: tests at real clocks and terminals wait half of their time."""
    return (len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    """Processes that share the tests out take the files as they come here, not by how many tests they hold."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests come first: else one process plays the last of them while all others wait."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)
