"""The bath's own outputs: horn, beacon, healthy lamp, water call. Pure.

A silenced alarm (shelved, suppressed, out of use) rings nothing. The button "heard" stops the sound until a newer alarm
comes, or one escalates; it acknowledges nothing. The water call is one switch to the plant's own valve control: open
where water is wanted or where it cannot be told whether it is, shut whenever the bath is too full.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core.alarmlife import quiet
from controller.core.bathstate import BathState, Duty
from controller.core.changed import changed
from controller.core.settings import BathSettings
from controller.core.state import Alarm
from controller.core.types import BathCommand, Event
from controller.core.view import BathFacts

SILENT, NEW, ESCALATED = 0, 1, 2

HORN_TEST_MS = 3_000
"""A horn test sounds for so long (own choice), or for two cycles where those are longer."""

CALLS_WATER = (
    "level_low", "leak", "level_hold", "level_falls", "water_warm", "water_derate", "water_hold", "water_lost"
)  # fmt: skip
"""Laws of the bath that ask for water while they stand."""

TOO_FULL = "level_high"


def decided(
    settings: BathSettings, state: BathState, facts: BathFacts, events: list[Event]
) -> tuple[BathState, BathCommand]:
    """Return the bath with what it remembers of its horn, and its outputs; the very same ones where nothing changed."""
    told = [*state.alarms, *[alarm for each in state.circuits for alarm in each.alarms]]
    told = [alarm for alarm in told if not quiet(alarm)] if told else told
    ringing = [alarm for alarm in told if alarm.priority <= 2 and not alarm.acknowledged]
    duty = _heard(state.duty, facts, ringing, events)
    horn = SILENT
    if ringing and not duty.muted:
        horn = ESCALATED if any(alarm.escalated for alarm in ringing) else NEW
    if horn == SILENT and _tested(settings, duty, facts.now_ms):
        horn = NEW
    state = state if duty is state.duty else changed(state, duty=duty)
    command = BathCommand(horn, bool(told), True, _water_call(state, facts))
    return state, state.command if command == state.command else command


def _heard(duty: Duty, facts: BathFacts, ringing: list[Alarm], events: list[Event]) -> Duty:
    """Return what is remembered of the button: a press mutes what rings now, what comes later sounds again."""
    pressed = facts.heard if facts.heard is not None else duty.heard
    # Only a press counts: a button that is stuck never mutes what is still to come.
    muted = duty.muted or (pressed and not duty.heard)
    muted = muted and bool(ringing) and not _newer(ringing, events, facts.now_ms)
    if muted is duty.muted and pressed is duty.heard:
        return duty
    return replace(duty, muted=muted, heard=pressed)


def _newer(ringing: list[Alarm], events: list[Event], now_ms: int) -> bool:
    """Return whether one of these came in this cycle, or any escalated."""
    return any(alarm.told_ms == now_ms for alarm in ringing) or any(each.code == "escalated" for each in events)


def _tested(settings: BathSettings, duty: Duty, now_ms: int) -> bool:
    """Return whether a horn test sounds now."""
    since_ms = duty.horn_test_ms
    return since_ms is not None and now_ms - since_ms < max(HORN_TEST_MS, 2 * settings.period_ms)


def _water_call(state: BathState, facts: BathFacts) -> bool:
    """Return whether water is called for: what is not known calls for it, a bath too full never does."""
    standing = {timer.code for timer in state.timers if timer.active} if state.timers else set()
    if TOO_FULL in standing or (facts.level is not None and facts.level > 0.0):
        return False
    unknown = facts.water_C is None or ("level" in facts.has and facts.level is None)
    return unknown or not standing.isdisjoint(CALLS_WATER)
