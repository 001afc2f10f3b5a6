"""The bath's laws sleep only while none of their comparisons would hold: thousands of made-up cycles are compared."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from controller.core.bathstate import BathState, Duty, Inputs
from controller.core.laws import (
    block_ignored,
    earth,
    extraction,
    flow,
    hands_off,
    hydrogen,
    level,
    people,
    power_limited,
    record,
    record_space,
)
from controller.core.lawsettings import LawSettings, LevelLimits
from controller.core.state import CircuitState, Timer
from controller.core.types import Output, State

BATH = (block_ignored, earth, extraction, flow, hydrogen, level, people, power_limited, record, record_space)
FLAGS = (True, True, True, False, None)
HAS = ("hood_closed", "flow_L_min", "level", "level_mm", "hydrogen_percent_LEL", "earth_ohm_per_V")
LAWS = LawSettings(level=LevelLimits(plates_mm=150.0))
NOW_MS = 90 * 60_000


def bath_view(kit, draw):
    """One made-up cycle: every input at random, mostly sound ones, over a memory that is as random."""
    has = frozenset(name for name in HAS if draw.random() < 0.7)
    hot = draw.random() < 0.5
    facts = kit.bath_facts(
        now_ms=NOW_MS,
        stale=draw.random() < 0.2,
        airflow=draw.choice(FLAGS),
        hood_closed=draw.choice(FLAGS),
        emergency_stop_ok=draw.choice(FLAGS),
        has=has,
        flow_L_min=draw.choice((None, 0.0, 5.0)) if "flow_L_min" in has else None,
        level=draw.choice((None, -1.0, -0.5, 0.0, 0.5, 1.0)) if "level" in has else None,
        level_mm=draw.choice((None, 100.0, 200.0)) if "level_mm" in has else None,
        hydrogen_LEL=draw.choice((None, 0.0, 9.9, 10.0, 26.0)) if "hydrogen_percent_LEL" in has else None,
        earth_ohm_per_V=draw.choice((None, 20.0, 900.0)) if "earth_ohm_per_V" in has else None,
        record_left_ms=draw.choice((None, None, 0, 5, 10**8)),
        record_age_ms=draw.choice((None, 0, 2_999, 3_000)),
        record_space_h=draw.choice((None, 23.0, 24.0, 167.0, 168.0, 900.0)),
        record_space_unknown=draw.random() < 0.1,
        overdue=draw.choice(((), (), ("hydrogen",), ("shunt",))),
        volts_per_cell=(2.3, 2.3),
    )
    inputs = Inputs(
        flow_lost_ms=draw.choice((None, None, 0)),
        level_mm=draw.choice(((), ((NOW_MS - 3_600_000, 220.0), (NOW_MS - 60_000, 215.0)))),
        earth=draw.choice(((), ((NOW_MS, 900.0),))),
        hydrogen_still_ms=draw.choice((None, NOW_MS - 5 * 3_600_000)),
        rise_LEL=draw.choice((0.0, 3.0)),
        changes=draw.choice(((), ((NOW_MS, 0),) * 5, ((NOW_MS, 0),) * 6)),
    )
    timers = draw.choice(((), (Timer("hands_off", active=True),), (Timer("probe_hold"),)))
    running = kit.state(timers=timers, share_A=draw.choice((None, 1.0)))
    circuits = (running, CircuitState("A02"))
    duty = Duty(permit_until_ms=draw.choice((None, NOW_MS + 1)))
    state = BathState(circuits, inputs=inputs, duty=duty)
    settings = kit.settings(laws=LAWS, power_limit_kW=draw.choice((None, 1.0)))
    return kit.bath_view(facts, draw.random() < 0.7, hot, settings, state)


@pytest.mark.parametrize("file", BATH, ids=lambda file: file.__name__.rsplit(".", 1)[-1])
def test_a_bath_law_sleeps_only_when_nothing_would_hold(kit, file):
    """Neither a comparison that holds is slept over, nor does a file never sleep, nor never wake."""
    draw = random.Random(11)
    slept = held = 0
    for _ in range(1_000):
        view = bath_view(kit, draw)
        holds = [law.code for law in file.LAWS if law.compare(view, False).holds]
        asleep = file.FAMILY.asleep(view)
        assert not (asleep and holds), holds
        slept += asleep
        held += bool(holds)
    assert slept > 50
    assert held > 50
    assert file.FAMILY.laws is file.LAWS


def test_a_sound_bath_finds_all_its_laws_asleep(kit):
    """No comparison is made where all inputs are good."""
    facts = kit.bath_facts(
        has=frozenset({"hood_closed", "flow_L_min", "level", "hydrogen_percent_LEL"}),
        flow_L_min=5.0,
        level=0.0,
        hydrogen_LEL=0.4,
        record_age_ms=900,
        record_space_h=9_000.0,
    )
    view = kit.bath_view(facts)
    assert [file.__name__ for file in BATH if not file.FAMILY.asleep(view)] == []


def test_hands_off_sleeps_only_where_nobody_may_be_near(kit):
    """Over every mix of block, hood, purge, state and reading."""
    draw = random.Random(5)
    slept = held = 0
    for _ in range(1_000):
        state = kit.state(
            draw.choice(tuple(State)),
            set_A=0.0,
            output=draw.choice(tuple(Output)),
            blocked_by=draw.choice(("", "", "bert")),
        )
        share = kit.share(hood_closed=draw.random() < 0.7, purge_left_ms=draw.choice((0, 0, 1)))
        facts = kit.facts(current_A=draw.choice((None, 0.0, 5.0)), output_on=draw.choice((None, False, True)))
        view = kit.view(state=replace(state, load=None), facts=facts, share=share)
        holds = bool(hands_off.driven(view, False).holds)
        asleep = hands_off.FAMILY.asleep(view)
        assert not (asleep and holds)
        slept += asleep
        held += holds
    assert slept > 50
    assert held > 50
