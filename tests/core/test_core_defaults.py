"""The core's records: which there are, that none can be changed in place, and every default, number for number.

A default decides where nobody has said anything, so that a slip in one is a slip in a protection.
"""

from __future__ import annotations

import dataclasses
import enum
import importlib
import inspect
import pkgutil
import re

import controller.core
from controller.core.types import Reaction

DEFAULTS = """
alarmhush.Hush: outer=(), idle=False, out_of_use=False
alarms.Lived:
bath.BathOut: began=()
bathchecks.BathAsk:
bathorders.BathRule: spread=(), told='accepted', tells=_tells_nothing
bathstate.Inputs: water_C=(), level_mm=(), earth=(), base_ohm_per_V=None, hydrogen_LEL=None, hydrogen_still_ms=None,
    flow_lost_ms=None, minute_ms=None, contacts=(), changes=(), expected_LEL=0.0, seen_LEL=0.0, rise_LEL=0.0
bathstate.Duty: round_ms=None, permit_until_ms=None, permit_by='', shift_by='', shift_ms=None, horn_test_ms=None,
    horn_ok=True, muted=False, heard=False
bathstate.Flood: came_ms=(), active=False
bathstate.BathState: now_ms=0, revision=0, air_since_ms=None, current_ms=None, timers=(), alarms=(),
    allowed=Allowed(), command=BathCommand(), water=(), inputs=Inputs(), duty=Duty(), flood=Flood(), alone='',
    alone_until_ms=0, resume_for=''
conditions.Finding: value=None, limit=None, allowed_A=None, allowed_percent=100.0
conditions.Law: wait_ms=None, readings=1, quiet_ms=None, explains=(), repeat_ms=None,
    counts_on=False
conditions.Family:
conditions.Judged: again=()
facts.Facts: set_voltage_V=None, counter_Ah=None, ripple_percent=None, seen_C=None,
    probe_part=False, any_read=False
lawsettings.ProbeLimits: derate_C=50.0, hold_C=55.0, trip_C=60.0, return_K=3.0, rise_K_per_h=30.0,
    rise_minutes=10.0, differ_K=3.0, frozen_minutes=30.0
lawsettings.WaterLimits: cold_C=15.0, warn_C=40.0, derate_C=45.0, hold_C=50.0, return_K=2.0
lawsettings.VoltageLimits: above_mV_per_cell=50.0, seconds=10.0, warn_mV_per_cell=20.0, first_minutes=10.0,
    least_V_per_cell=2.0, most_V_per_cell=2.8
lawsettings.CurrentLimits: above_percent=10.0, above_A=1.0, warn_percent=2.0, warn_s=10.0, low_percent=5.0,
    low_s=30.0, ripple_percent=15.0, ripple_warn_s=15.0, ripple_hold_s=60.0, counter_percent=1.0,
    counter_minutes=10.0
lawsettings.OpenStringLimits: least_A=0.3, least_percent=1.0, seconds=5.0, dry_s=60.0
lawsettings.ProbeLossLimits: derate_C20=0.1, hold_minutes=60.0, bath_C=40.0
lawsettings.RunawayLimits: mV_per_K=6.0, rise_K=1.0, hold_minutes=30.0
lawsettings.LinkLimits: wrong_answers=3, late_a_minute=6, garbled_a_minute=3, rides_an_hour=5
lawsettings.FlowLimits: least_L_min=1.0, opens_C=28.0, above_K=2.0, warn_s=60.0, hold_minutes=60.0, rise_K_per_h=6.0
lawsettings.LevelLimits: plates_mm=None, fall_mm_per_minute=10.0, leak_mm_per_h=20.0, seconds=10.0
lawsettings.HydrogenLimits: warn_percent_LEL=10.0, trip_percent_LEL=25.0, return_percent_LEL=2.0, dead_s=60.0,
    frozen_minutes=240.0
lawsettings.EarthLimits: warn_ohm_per_V=100.0, trip_ohm_per_V=None, baseline_share=0.5, minutes=10.0
lawsettings.AlarmLimits: quiet_s=10.0, escalate_1_minutes=5.0, escalate_2_minutes=15.0, group_s=10.0,
    chatter_returns=3, flood_begins=10, flood_ends=5, harm_minutes=30.0
lawsettings.RecordLimits: slow_s=3.0, space_warn_h=168.0, space_refuse_h=24.0
lawsettings.LawSettings: probe=ProbeLimits(), water=WaterLimits(), voltage=VoltageLimits(), current=CurrentLimits(),
    open_string=OpenStringLimits(), probe_loss=ProbeLossLimits(), runaway=RunawayLimits(), link=LinkLimits(),
    flow=FlowLimits(), level=LevelLimits(), hydrogen=HydrogenLimits(), earth=EarthLimits(), alarm=AlarmLimits(),
    record=RecordLimits()
listchecks.Kind: needs_C=False, needs_instrument=False
orderchecks.Refusal:
orderchecks.Ask: contactor=None
orders.Rule: reads_back=False, ignores_revision=False, told='accepted', tells=_tells_nothing
planned.Ends: time_ms=None, charge_Ah=None, voltage_V_per_cell=None, current_A=None, temperature_C=None,
    steady_rise_mV_per_cell=None, steady_over_ms=0, steady_not_before_Ah=0.0, order=False
planned.PlanStep: takes_owed=False, task='', refill_density=None, expected_ms=None, charge_cap_Ah=None
planned.PlanReading:
planned.Plan: soak_min_ms=0, soak_max_ms=None, start_below_C=None, late_start='engineer', battery_type='',
    level_mm=None, readings=()
planned.Load: fresh=True, first_filled_ms=0, last_filled_ms=0, text='', battery_type='', continues='', first_step=0,
    credited_Ah=0.0, trial=False, released=False
power.Demand:
setpoint.ReadBack:
settings.CircuitSettings: priority=1, probes=1, can_discharge=False, has_uptime=True, has_contactor=False,
    default_A=None, default_V=None
settings.BathSettings: laws=LawSettings(), auto_resume_link_ms=120000, fresh_V=0.0, fresh_scatter_V=3.0,
    purge_ms=600000, after_run_ms=3600000, after_run_probe_C=40.0, power_limit_kW=None, start_items=(),
    tick_stale_ms=1800000, walk_items=(), walk_ms=None, round_ms=None, round_items=(), permit_ms=0, alone_ms=60000,
    apart_ms=10000, resets_by=(), two_people=False, inspect_after=1, level_mm=None, contactors_outside=False,
    airflow_m3_h=None, require_release=None
state.Counters: charge_Ah=0.0, discharge_Ah=0.0, energy_Wh=0.0, last_ms=None, last_A=0.0, last_W=0.0
state.Interruption: resumable_by_rule=False
state.Tick: reason=''
state.Run: step=0, step_time_ms=0, fair_ms=0.0, step_charge_Ah=0.0, step_discharge_Ah=0.0, step_entered_ms=0,
    slow=False, done=False, restart_left_ms=0, ramp_from_A=0.0, owed_Ah=0.0, interruption=None, link_rides=0,
    steady=(), meets=0, flowing=False, end_ms=None, first_ms=None, late=False, extended_ms=0, before_A=0.0,
    device_Ah=None, ours_Ah=0.0, rides_ms=(), credited_Ah=0.0, walk=(), read=(), watered=(), hottest_C=None,
    highest_V_per_cell=None, counters=Counters()
state.Timer: since_ms=0, readings=0, active=False, reaction=Reaction.NONE, active_since_ms=0, quiet_ms=None
state.Alarm: active=True, acknowledged=False, latched=False, value=None, limit=None, first='',
    shelved_until_ms=None, shelved_by='', shelved_why='', suppressed=False, returns_ms=(), chattering=False,
    times=0, escalated=False, told_ms=0, out_of_use=False
state.Allowed: percent=100.0, wanted_percent=100.0, eased_ms=None
state.LinkMemory: fresh_ms=None, uptime_s=None, lost=False, lost_ms=0, bath_good=True, uptime_before_s=None,
    wrong=0, late_ms=(), garbled_ms=()
state.ProbeMemory: believed_C=None, lately=(), still_ms=None, frozen=False
state.TrailPoint:
state.CircuitState: now_ms=0, state=State.UNKNOWN, stored=State.IDLE, since_ms=0, revision=0, output=Output.OFF,
    output_since_ms=0, confirmed=False, blocked_by='', blocked_ms=0, load=None, run=None, command=Command(),
    asked=(), recent=(), pending=(), timers=(), alarms=(), allowed=Allowed(), hot_C=None, link=LinkMemory(),
    ticks=(), probes=(), trail=(), written=(), openings=0, out_of_use='', leads_off=False, resume_for='',
    share_A=None, moved_K=None, written_V=()
types.Value: quality=Quality.GOOD, age_ms=0
types.ChannelReading: local=None, fault_code=None, uptime_s=None, watchdog_s=None, counter_Ah=None,
    ripple_percent=None, probes=(), link=LinkState.DOWN, fit=Fit.NOT_CHECKED
types.BathReading: hood_closed=None, flow_L_min=None, level=None, level_mm=None, hydrogen_percent_LEL=None,
    contactors=None, earth_ohm_per_V=None, heard_button=None, link=LinkState.DOWN, fit=Fit.NOT_CHECKED
types.Command: set_current_A=0.0, voltage_limit_V=0.0, output_on=False, contactor_closed=False, silent=False
types.BathCommand: horn=0, beacon=False, healthy=False, water_call=False
types.Condition: value=None, limit=None, allowed_percent=100.0, allowed_A=None, priority=3
types.Order: args={}, seen_revision=None, load=None
types.Event: kind=EventKind.EVENT, data={}, reaction=Reaction.NONE, priority=0
types.BathShare: blocked=(), reactions=(), flow_lost_ms=None, keep_contactor=False, resume_for='', gas_ok=True,
    sisters_K=None, alone='', alone_until_ms=0, permit=False, permit_by=''
types.Advice: value=None, limit=None
types.CircuitIn: share_A=None, stand_in_C=None, orders=(), advice=(), contactor=None
types.BathIn: orders=(), advice=(), record_left_ms=None, overdue=(), record_age_ms=None, record_space_h=None,
    record_space_unknown=False
view.CircuitView:
view.BathFacts: has=frozenset(), flow_L_min=None, level=None, level_mm=None, hydrogen_LEL=None,
    earth_ohm_per_V=None, heard=None, currents_A=(), hots_C=(), volts_per_cell=(), contactors=(),
    record_left_ms=None, overdue=(), waters_C=(), probe_parts=(), any_read=False, record_age_ms=None,
    record_space_h=None, record_space_unknown=False
view.BathView:
"""
"""By record: what a field is where nothing is said (0.0 is no whole number); one that must be said is absent."""

NUMBERS = """
alarmtime: CHATTER_MS=60000
atlimit: NEAR_LIMIT=0.985, FALLS_V_PER_CELL=0.002
bathchecks: PROOF_CHARACTERS=200
bathfacts: MOST_CIRCUITS=64
counters: MS_PER_H=3600000.0
ends: STEADY_SAMPLES=12, STEADY_REFERENCE_C=40.0, MEETS=2
flood: WINDOW_MS=600000, MOST=200
flowchecks: CONTINUED_LEAST_V_PER_CELL=1.8, CONTINUED_MOST_V_PER_CELL=2.4, EXTEND_MINUTES=240
gassing: GASSING_V_PER_CELL=2.35
inputs: MINUTE_MS=60000, HOUR_MS=3600000, EASED_K=1.0, SLOWLY=0.06666666666666667,
    BASE_A_MINUTE=0.0006944444444444445
laws.bath_water: LOST_PERCENT=40.0, DIFFER_MS=600000.0
laws.charge_cap: NOT_OBEYED_MS=10000
laws.dues: MS_PER_MINUTE=60000.0, READING_MINUTES=30.0
laws.earth: STEP=0.5, RETURN=1.1, UNREAD_MS=60000.0
laws.first_minutes: DRY_WITHIN_MS=120000, DRY_SHARE=0.5, COUNT_MS=60000.0, RISEN_SHARE=0.002
laws.flow: SPAN_MS=600000, MS_PER_H=3600000.0
laws.hold_harm: MS_PER_MINUTE=60000.0, EARLY_SHARE=0.3333333333333333
laws.hydrogen: MOVED_LEL=3.0
laws.level: LOW=-0.5, UNREAD_MS=60000.0, FAST_MS=30000
laws.link: MINUTE_MS=60000, HOUR_MS=3600000
laws.open_string: BEFORE_MS=10000, BEFORE_CYCLES=2, ARC_CYCLES=4, ARC_TURNS=2, ARC_SHARE=0.1,
    ARC_JUMP_V_PER_CELL=0.05
laws.people: CHATTERS=6
laws.power_limited: WAIT_MS=5000.0
laws.probe: EASED_K=1.0
laws.probe_moves: EASED_SHARE=0.8, MS_PER_H=3600000.0
laws.probe_sensors: DIFFER_MS=600000.0, AGREE_K=0.5
laws.record: LAST_MS=3600000, MS_PER_H=3600000.0, MS_PER_S=1000.0
laws.record_space: EASED=1.1
laws.ripple: HUNT_MS=15000, HUNT_CYCLES=8, TURNS=4, POINTS=6
laws.rounds: MS_PER_MINUTE=60000.0, LATE_MINUTES=30.0
laws.runaway: METER_V=0.2, STEADY=0.02, LAST_THIRD=0.6666666666666666
laws.several_hot: SEVERAL=2
laws.zero: LONG_MS=60000
limits: LEAST_PERCENT=20.0, RISE_PERCENT_PER_S=1.0, EASED_MS=60000
listchecks: TAKEN_MINUTES=240
loadchecks: FORMED_PART=0.5, SIGN_OFF_CHARACTERS=2000
mixing: MIXED_MS=3600000
moves: MS_PER_H=3600000.0
orderchecks: NOTE_CHARACTERS=500, REASON_CHARACTERS=500, SHELVE_MINUTES=(15, 60, 240)
outputs: SILENT=0, HORN_TEST_MS=3000
plan: MS_PER_MINUTE=60000, MS_PER_H=3600000, LONGEST_FACTOR=1.5, EXPECTED_FACTOR=1.1, STEP_CAP_PERCENT=105.0
power: LEAST_V_PER_CELL=2.0, BACK_PER_S=0.01, DEAD_BAND=1.02, BOUND=0.999999999, FIRST_TIER=0
sensors: TOWARDS_DANGER=2, TOWARDS_EASE=3, LEAST_C20=0.08, FLOWED_MS=600000, MOVED_K=1.5
sequence: MS_PER_H=3600000.0
setpoint: TAKEN_PERCENT=1.0, TAKEN_A=0.1, LIMIT_PERCENT=0.5, LIMIT_V=0.5, DEFAULT_V=0.5, YOUNG_CYCLES=3
trail: EVERY_MS=120000, POINTS=16
values: ZERO_A=0.3, LARGEST=1000000000000000.0
"""
"""By module: every number that it names, in its unit."""

MODULES = [
    importlib.import_module(found.name) for found in pkgutil.walk_packages(controller.core.__path__, "controller.core.")
]


def place(module):
    return module.__name__.removeprefix("controller.core.")


def entries(table):
    """By name (a line that begins at the margin), its words with single spaces."""
    found = (entry.partition(":") for entry in re.split(r"\n(?=\S)", table.strip()))
    return {name: " ".join(rest.split()) for name, _, rest in found}


def shown(value):
    if isinstance(value, enum.Enum):
        return f"{type(value).__name__}.{value.name}"
    if inspect.isfunction(value):
        return value.__name__
    if dataclasses.is_dataclass(value):
        assert value == type(value)(), "a default that is not the record's own"
        return f"{type(value).__name__}()"
    return repr(value)


def defaults_of(kind):
    if issubclass(kind, tuple):  # a named one
        return ", ".join(f"{name}={shown(value)}" for name, value in kind._field_defaults.items())
    told = []
    for field in dataclasses.fields(kind):
        if field.default is not dataclasses.MISSING:
            told.append(f"{field.name}={shown(field.default)}")
        elif field.default_factory is not dataclasses.MISSING:
            told.append(f"{field.name}={shown(field.default_factory())}")
    return ", ".join(told)


def numbers_of(module):
    named = {name: value for name, value in vars(module).items() if name.isupper() and is_numbers(value)}
    own = {name: value for name, value in named.items() if re.search(rf"(?m)^{name}\b.*=", inspect.getsource(module))}
    return ", ".join(f"{name}={value!r}" for name, value in own.items() if name != "CORE")


def is_numbers(value):
    parts = value if isinstance(value, tuple) and value else (value,)
    return all(isinstance(part, int | float) and not isinstance(part, bool | enum.Enum) for part in parts)


RECORDS = {
    f"{place(module)}.{name}": kind
    for module in MODULES
    for name, kind in vars(module).items()
    if inspect.isclass(kind) and kind.__module__ == module.__name__ and not issubclass(kind, enum.Enum)
}


def test_every_class_of_the_core_is_a_frozen_record():
    """No class holds anything but data, and none can be changed once it is made."""
    records = {name: kind for name, kind in RECORDS.items() if not issubclass(kind, tuple)}
    assert [name for name, kind in records.items() if not dataclasses.is_dataclass(kind)] == []
    assert [name for name, kind in records.items() if not kind.__dataclass_params__.frozen] == []


def test_every_default_is_the_one_of_the_table():
    """Each record, each default, its kind of number too; a new one is written here as well."""
    assert {name: defaults_of(kind) for name, kind in RECORDS.items()} == entries(DEFAULTS)


def test_every_number_with_a_name_is_the_one_of_the_table():
    """A threshold, a span, a factor: none moves unseen."""
    found = {place(module): numbers_of(module) for module in MODULES}
    assert {name: told for name, told in found.items() if told} == entries(NUMBERS)


def test_the_most_severe_reaction_is_the_greatest():
    """The order of severity is the order of the numbers, by which the greatest wins."""
    assert [(member.name, member.value) for member in Reaction] == [
        ("NONE", 0),
        ("WARN", 1),
        ("DERATE", 2),
        ("HOLD", 3),
        ("TRIP", 4),
    ]
