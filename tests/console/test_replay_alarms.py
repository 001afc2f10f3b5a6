"""Alarms in a replay: what to do is told as what was to be done then, and no key that would do nothing there."""

from __future__ import annotations

import re
from dataclasses import replace

import pictures
import pytest

from controller.console import layout, plainwords

CODES = ("probe_hold", "open_string", "probe_derate")


def scene_of(page, code="probe_hold", **over):
    """A bath with one alarm of a circuit, on a page."""
    one = pictures.alarm("A07", code, priority=2, **over)
    circuit = pictures.circuit("A07", alarms=(one,))
    return pictures.scene(pictures.picture([circuit]), page=page, bath="A", circuit="A07")


def drawn(scene):
    return " ".join(row.text.strip() for row in layout.rows(scene, None, 120, 40))


@pytest.mark.parametrize("page", ["alarms", "circuit", "hall"])
@pytest.mark.parametrize("gone", [False, True])
@pytest.mark.parametrize("code", CODES)
def test_what_was_to_be_done_then(page, gone, code):
    """Live it is asked for; in a replay of the same moment it is told as past, without the key that acknowledges."""
    live = scene_of(page, code, active=not gone)
    shown = drawn(replace(live, replay=True))
    assert re.search(r"\b[Dd]o: ", drawn(live)) or "LIVE, LOOK ONLY" in drawn(live)
    assert not re.search(r"(?<!What to )\b[Dd]o: |k acknowledges", shown)
    assert re.search("[Tt]o do then: |then: LIVE, LOOK ONLY", shown)
    assert ("to do then: look what it was" in shown.lower()) is gone


def test_the_plain_console_says_it_so_too():
    """Line by line, the same words."""
    live = scene_of("hall", active=False)
    (seen,), (alarm,) = live.baths, live.baths[0].picture.circuits[0].alarms
    now, then = (plainwords.alarm_lines(each, seen, alarm)[1].text for each in (live, replace(live, replay=True)))
    assert now == "alarm did: its cause is gone. Do: look what it was, then k acknowledges"
    assert then == "alarm did: its cause is gone. To do then: look what it was"
