"""The demo on a terminal watched to its end: as planned, and still alive for whoever wants to unload."""

from __future__ import annotations

import io
import os
import time
from pathlib import Path

import pytest

from controller.service.client import Connection
from controller.service.protocol import OrderMessage
from simulator import watching
from simulator.demo import SEED

BOUND_S = 600.0


def complete(seen: dict) -> int:
    return sum(each["state"] == "complete" for each in seen["circuits"])


@pytest.mark.skipif(not os.environ.get("FORMBATH_LONG"), reason="plays the whole demo once more: set FORMBATH_LONG=1")
@pytest.mark.slow
def test_watched_to_its_end_it_is_as_planned_and_goes_on(tmp_path):
    """At the fastest pace, with a client attached: faults as planned; then time goes on, and A01 unloads."""
    folder = Path(tmp_path / "demo-runs" / "1")
    folder.mkdir(parents=True)
    done: list[bool] = []

    def console(paths):
        give_up_s = time.monotonic() + BOUND_S
        with Connection(paths[0], 30.0) as connection:
            while complete(seen := connection.snapshot(30.0)) < 8:
                assert time.monotonic() < give_up_s, f"{complete(seen)} of 8 complete in time"
            cooled_ms = seen["now_ms"] + 2 * 3_600_000
            while connection.snapshot(30.0)["now_ms"] < cooled_ms:
                assert time.monotonic() < give_up_s, "time stands still after the end"
            message = OrderMessage(id="mine", verb="unload", target="A01")
            done.append(connection.order(message, 30.0).accepted)
        return 0

    out = io.StringIO()
    assert watching.watch(folder, SEED, 3_600.0, console, out) == 0, out.getvalue()
    assert done == [True]
    assert "8 of 8 complete, faults as planned." in out.getvalue()
    assert "A01 complete 18:24 " in out.getvalue()
