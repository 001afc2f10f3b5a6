"""An orderly circuit: what its question leaves out is asleep, and it is asked in nearly every cycle of a charge."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from controller.core.interlocks import CIRCUIT_FAMILIES, NUMBER_FAMILIES
from controller.core.orderly import orderly
from controller.core.state import Interruption, LinkMemory, Timer, TrailPoint
from controller.core.types import Advice, Command, Fit, LinkState, Output, State

OTHERS = tuple(family for family in CIRCUIT_FAMILIES if family not in NUMBER_FAMILIES)
SET_A, LIMIT_V, NOW_MS = 15.0, 307.8, 10_000_000
BEFORE = ((9_999_000, SET_A),)
POINT = TrailPoint(NOW_MS - 1, SET_A, 2.4, 30.0, 25.0)


def view_of(kit, *, state=None, run=None, link=None, facts=None, share=None, own=None, **cin):
    """A sound running circuit, but for what is said."""
    memory = LinkMemory(**{"fresh_ms": NOW_MS - 1_000, "uptime_s": 999.0, **(link or {})})
    there = kit.state(set_A=SET_A, run=kit.run(**{"first_ms": 0, "flowing": True, **(run or {})}), link=memory)
    sound = {"command": Command(SET_A, LIMIT_V, True, False), "output": Output.ON, "trail": (POINT,), "written": BEFORE}
    seen = {"now_ms": NOW_MS, "current_A": SET_A, "set_current_A": SET_A, "set_voltage_V": LIMIT_V, **(facts or {})}
    view = kit.view(
        replace(there, **{**sound, **(state or {})}),
        kit.facts(**seen),
        kit.settings(own=own),
        kit.share(**(share or {})),
    )
    return replace(view, cin=replace(view.cin, **cin))


def test_a_sound_running_circuit_is_orderly(kit):
    """With every optional signal there, and with none of them."""
    assert orderly(view_of(kit))
    assert orderly(view_of(kit, facts={"uptime_s": None, "set_voltage_V": None, "fault_code": None, "local": None}))
    assert orderly(view_of(kit, link={"uptime_s": None}, state={"trail": ()}))
    assert orderly(view_of(kit, link={"uptime_s": 1_000.0}, facts={"uptime_s": 1_000.0}))
    assert orderly(view_of(kit, facts={"set_current_A": 15.14, "set_voltage_V": 309.3}))
    assert orderly(view_of(kit, own={"has_contactor": True}, contactor=None))


DISORDER = {
    "held": {"state": {"state": State.HELD}},
    "output": {"state": {"output": Output.TO_ZERO}},
    "no run": {"state": {"run": None}},
    "interrupted": {"run": {"interruption": Interruption(0, "hood_open")}},
    "timer": {"state": {"timers": (Timer("current_low"),)}},
    "blocked": {"state": {"blocked_by": "bert"}},
    "advice": {"advice": (Advice("joint_hot"),)},
    "rides": {"run": {"rides_ms": (1,)}},
    "hood": {"share": {"hood_closed": False}},
    "purge": {"share": {"purge_left_ms": 1}},
    "flow": {"share": {"flow_lost_ms": 0}},
    "probe": {"facts": {"probe_lost": True}},
    "point": {"state": {"trail": (replace(POINT, at_ms=NOW_MS),)}},
    "stale": {"facts": {"stale": True}},
    "late": {"facts": {"link": LinkState.LATE}},
    "wrong answers": {"link": {"wrong": 1}},
    "late cycles": {"link": {"late_ms": (1,)}},
    "garbled cycles": {"link": {"garbled_ms": (1,)}},
    "fault": {"facts": {"fault_code": 5.0}},
    "local": {"facts": {"local": True}},
    "fit": {"facts": {"fit": Fit.RATING}},
    "not checked": {"facts": {"fit": Fit.NOT_CHECKED}},
    "restart": {"facts": {"uptime_s": 998.0}},
    "nothing asked": {"state": {"command": Command(0.0, LIMIT_V, True, False)}, "facts": {"set_current_A": 0.0}},
    "off": {"facts": {"output_on": False}},
    "set-point unread": {"facts": {"set_current_A": None}},
    "set-point": {"facts": {"set_current_A": 15.16}},
    "limit": {"facts": {"set_voltage_V": 309.4}},
    "contactor": {"own": {"has_contactor": True}, "contactor": True},
}  # fmt: skip


@pytest.mark.parametrize("what", DISORDER)
def test_one_thing_out_of_order_has_every_law_asked(kit, what):
    """Each of them alone: whatever the question does not know to be fine is asked of the laws."""
    assert orderly(view_of(kit)) is True
    assert orderly(view_of(kit, **DISORDER[what])) is False


@pytest.mark.parametrize("seed", range(5))
def test_what_an_orderly_circuit_is_not_asked_would_not_have_held(kit, seed):
    """Several disorders at once, or none: orderly means that each family left out sleeps, and finds nothing."""
    draw = random.Random(seed)
    was_orderly = 0
    for _ in range(300):
        said = {}
        for what in draw.sample(list(DISORDER), draw.choice((0, 0, 1, 2, 3))):
            for where, entry in DISORDER[what].items():
                said[where] = {**said.get(where, {}), **entry} if isinstance(entry, dict) else entry
        view = view_of(kit, **said)
        if orderly(view):
            was_orderly += 1
            assert [family.laws[0].code for family in OTHERS if not family.asleep(view)] == []
            assert [law.code for family in OTHERS for law in family.laws if law.compare(view, False).holds] == []
    assert was_orderly > 50


def test_the_families_of_numbers_stand_in_the_order_of_all(kit):
    """Conditions and alarms come in the same order, whoever asks."""
    assert [family for family in CIRCUIT_FAMILIES if family in NUMBER_FAMILIES] == list(NUMBER_FAMILIES)
    assert len(OTHERS) == len(CIRCUIT_FAMILIES) - len(NUMBER_FAMILIES) == 14
