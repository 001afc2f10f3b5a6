"""Laws of volts, the string and ripple at the very edge of their comparisons, and what an operator is shown of each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import counter, first_minutes, open_string, ripple, voltage
from controller.core.lawsettings import CurrentLimits, LawSettings, OpenStringLimits, VoltageLimits
from controller.core.state import Counters, Timer, TrailPoint
from controller.core.types import Command, State, Value

NOT_RUNNING = [state for state in State if state is not State.RUNNING]


def says(found, holds, value=None, limit=None):
    """Whether a finding is this one, the last bit of its amounts left open; no derate goes with it."""
    shown = [None if amount is None else pytest.approx(amount, rel=1e-9) for amount in (value, limit)]
    return (found.holds, found.value, found.limit, found.allowed_A, found.allowed_percent) == (
        holds, *shown, None, 100.0,
    )  # fmt: skip


def seen(kit, facts=None, settings=None, run=None, **state):
    """A circuit's view: facts, run and state as a sound running one's, but for these."""
    if run is not None:
        state["run"] = kit.run(**run)
    return kit.view(kit.state(**state), kit.facts(**(facts or {})), settings)


OPEN = {"current_A": 0.1, "volts_per_cell": 2.85}
LIMIT_V = 2.85 * 108


@pytest.mark.parametrize(("facts", "state", "expected"), [
    ({}, {}, (True, 0.1, 0.3)), ({"current_A": 0.3}, {}, (False,)), ({"current_A": 0.299}, {}, (True, 0.299, 0.3)),
    ({"current_A": -4.0}, {}, (True, -4.0, 0.3)), ({}, {"set_A": 200.0}, (True, 0.1, 2.0)),
    ({"volts_per_cell": 0.985 * 2.85 + 1e-6}, {}, (True, 0.1, 0.3)), ({"volts_per_cell": 2.80}, {}, (False,)),
    ({}, {"set_A": 0.0}, (False,)), ({}, {"set_A": -0.5}, (False,)), ({}, {"set_A": 0.5}, (True, 0.1, 0.3)),
    ({"current_A": None}, {}, (None,)), ({"volts_per_cell": None}, {}, (None,)),
    ({}, {"recent": ((0, 0.2),)}, (False, 0.1, 0.3)), ({}, {"recent": ((0, 0.29),)}, (False, 0.1, 0.3)),
    ({}, {"recent": ((0, 0.3),)}, (True, 0.1, 0.3)), ({"current_A": 0.15}, {"recent": ((0, 0.3),)}, (False, 0.15, 0.3)),
    ({"current_A": 0.2}, {"recent": ((0, 0.3),)}, (False, 0.2, 0.3)), ({}, {"recent": ()}, (False, 0.1, 0.3)),
    ({"current_A": 0.2}, {"recent": ((0, 0.0), (1, 0.4), (2, 0.1))}, (False, 0.2, 0.3)),
])  # fmt: skip
def test_no_current_at_the_limit(kit, facts, state, expected):
    """Less than the least at 0.985 of the limit, and less than half of what had flowed at least so much."""
    view = seen(kit, {**OPEN, **facts}, run={"flowing": True}, **{"recent": ((0, 15.0),), **state})
    assert says(open_string.no_current(view, False), *expected)
    assert open_string.asleep(view) is (view.facts.current_A is None or view.state.command.set_current_A <= 0.0
                                        or view.facts.current_A >= 0.3)  # fmt: skip


def test_a_string_that_never_took_current_needs_no_history(kit):
    """It was switched on and nothing came, whatever was there before."""
    for recent in ((), ((0, 0.0),), ((0, 15.0),)):
        assert open_string.no_current(seen(kit, OPEN, run={"flowing": False}, recent=recent), False).holds is True


def test_an_open_string_that_began_to_count_counts_on(kit):
    """Whatever flowed before, while current stays that low at the limit; another law's timer counts for nothing."""
    for timers, active, holds in (
        ((), False, False), ((), True, True), ((Timer("a"), Timer("open_string")), False, True),
        ((Timer("a"), Timer("zzz")), False, False),
    ):  # fmt: skip
        view = seen(kit, OPEN, run={"flowing": True}, recent=(), timers=timers)
        assert says(open_string.no_current(view, active), holds, 0.1, 0.3)
    taper = seen(kit, {**OPEN, "current_A": 0.3}, run={"flowing": True}, timers=(Timer("open_string"),))
    assert open_string.no_current(taper, True) is CLEAR


def test_a_string_whose_volts_still_come_down_is_not_open(kit):
    """A step entered with current, to a limit below the volts of then: two points of the trail ago they were higher."""
    for fall_mV, holds in ((2.1, False), (1.9, True)):
        trail = (TrailPoint(0, 15.0, 2.9, 30.0, 25.0), TrailPoint(1, 0.0, 2.85 + fall_mV / 1000.0, 30.0, 25.0),
                 TrailPoint(2, 0.0, 2.85, 30.0, 25.0))  # fmt: skip
        view = seen(kit, OPEN, run={"flowing": False, "step_entered_ms": 0}, trail=trail)
        assert open_string.no_current(view, False).holds is holds


def test_how_far_back_the_turns_of_an_arc_are_looked_for(kit):
    """10 s, or four cycles."""
    assert [open_string.arc_ms(kit.settings(period_ms)) for period_ms in (1_000, 2_500, 5_000)] == [
        10_000,
        10_000,
        20_000,
    ]


@pytest.mark.parametrize("state", NOT_RUNNING)
def test_only_a_running_string_is_open(kit, state):
    """In no other state, and not without a run."""
    view = seen(kit, OPEN, state=state, run={"flowing": False})
    for law in open_string.LAWS:
        assert law.compare(view, False) is CLEAR
    bare = seen(kit, OPEN)
    assert open_string.no_current(replace(bare, state=replace(bare.state, run=None)), False) is CLEAR


def test_the_least_current_of_an_open_string_is_the_settings(kit):
    """2 % of 25 A, or 0.3 A."""
    for percent, least_A in ((2.0, 0.5), (1.0, 0.3)):
        settings = kit.settings(laws=LawSettings(open_string=OpenStringLimits(least_percent=percent)))
        view = seen(kit, OPEN, settings, set_A=25.0, run={"flowing": False})
        assert says(open_string.no_current(view, False), True, 0.1, least_A)
    assert open_string.before_ms(kit.settings(6_000)) == 12_000
    assert open_string.before_ms(kit.settings(4_000)) == 10_000


@pytest.mark.parametrize(("turned", "before", "expected"), [
    (True, 2.0, (True, 0.1, 0.3)), (True, 2.801, (False, 0.1, 0.3)),
    (True, 1.0, (True, 0.1, 0.3)), (True, 2.799, (True, 0.1, 0.3)), (True, 2.95, (False, 0.1, 0.3)),
    (False, 2.0, (False, 0.1, 0.3)),
])  # fmt: skip
def test_an_arc_shows_what_an_open_string_shows(kit, turned, before, expected):
    """Current and least current; volts that were higher before, or the same, have not jumped."""
    recent = ((0, 15.0), (1, 13.0), (2, 15.0), (3, 13.0)) if turned else ((0, 15.0),)
    trail = (TrailPoint(0, 15.0, 1.0, 30.0, 25.0), TrailPoint(1, 15.0, before, 30.0, 25.0))
    view = seen(kit, OPEN, run={"flowing": True}, recent=recent, trail=trail)
    assert says(open_string.arced(view, False), *expected)


def calm(kit, ripple_percent=15.1, *, reads=True, settings=None, own=None, run=None, current_A=15.0, **state):
    settings = settings or kit.settings(own=own)
    facts = {"ripple_percent": ripple_percent, "current_A": current_A, "now_ms": 20_000}
    view = seen(kit, facts, settings, run={"step_time_ms": 15_001, **(run or {})}, **state)
    reading = replace(view.cin.reading, ripple_percent=Value(1.0) if reads else None)
    return replace(view, cin=replace(view.cin, reading=reading))


@pytest.mark.parametrize(("changes", "expected"), [
    ({}, (True, 15.1, 15.0)), ({"ripple_percent": 15.0}, (False, 15.0, 15.0)), ({"current_A": 0.5}, (True, 15.1, 15.0)),
    ({"current_A": -0.5}, (True, 15.1, 15.0)), ({"current_A": 0.49}, (False, 15.1, 15.0)),
    ({"current_A": -0.49}, (False, 15.1, 15.0)), ({"reads": False}, (False,)), ({"ripple_percent": None}, (None,)),
    ({"current_A": None}, (None,)), ({"set_A": 0.0}, (False,)), ({"set_A": -15.0}, (True, 15.1, 15.0)),
    ({"set_A": 0.5}, (True, 15.1, 15.0)), *(({"state": state}, (False,)) for state in NOT_RUNNING),
])  # fmt: skip
def test_ripple_counts_from_the_least_current_of_a_running_circuit(kit, changes, expected):
    """Past 15 %, in either direction; without the signal nothing is told, unread it keeps what stood."""
    assert says(ripple.ragged(calm(kit, **changes), False), *expected)


SWINGS = tuple((14_000 + at * 1_000, amount) for at, amount in enumerate((15.0, 12.5, 15.0, 12.5, 15.0, 12.5)))


@pytest.mark.parametrize(("recent", "changes", "percent"), [
    (SWINGS, {}, 100.0 * 2.5 / 15.0), (SWINGS[1:], {}, None), (SWINGS, {"run": {"step_time_ms": 15_000}}, None),
    (SWINGS, {"set_A": -15.0}, 100.0 * 2.5 / 15.0), (SWINGS, {"set_A": 16.7}, None),
    ((*SWINGS[:5], (19_000, 15.0)), {}, None), (((4_999, 15.0), *SWINGS[1:]), {}, None),
    (((5_000, 15.0), *SWINGS[1:]), {}, 100.0 * 2.5 / 15.0),
    (tuple((at, amount * 0.9 + 1.5) for at, amount in SWINGS), {}, 15.0),
])  # fmt: skip
def test_hunting_is_four_times_back_in_its_time(kit, recent, changes, percent):
    """By 15 % of the set-point at least, six readings, in a step older than that time; its swing is shown."""
    view = calm(kit, 1.0, recent=recent, **changes)
    found = ripple.ragged(view, False)
    if percent is None:
        assert says(found, False, 1.0, 15.0)
    else:
        assert says(found, True, percent, 15.0)
        assert not ripple.asleep(view)
    bare = replace(view, state=replace(view.state, run=None))
    assert ripple.hunting_percent(bare, 15.0, 15.0) is None


@pytest.mark.parametrize(("percent", "recent", "set_A", "asleep"), [
    (15.0, (), 15.0, True), (15.1, (), 15.0, False), (None, (), 15.0, True), (1.0, SWINGS[:5], 15.0, True),
    (1.0, SWINGS, 15.0, False), (1.0, SWINGS, 17.0, True), (1.0, SWINGS, -15.0, False), (1.0, SWINGS, -17.0, True),
    (1.0, tuple((at, 0.3 * at) for at in range(6)), 10.0, False), (1.0, SWINGS[:1] * 6, 15.0, True),
])  # fmt: skip
def test_ripple_sleeps_where_current_stays_within_its_share(kit, percent, recent, set_A, asleep):
    """Less than 15 % between the least and the greatest reading, or fewer than six."""
    assert ripple.asleep(calm(kit, percent, recent=recent, set_A=set_A)) is asleep


def test_how_far_back_hunting_is_looked_for(kit):
    """15 s, or eight cycles."""
    assert [ripple.hunt_ms(kit.settings(period_ms)) for period_ms in (1_000, 2_000, 5_000)] == [15_000, 16_000, 40_000]


def written(set_A, limit_V, on=True):
    return Command(set_A, limit_V, on)


LITTLE, TRIPS = (voltage.a_little_above, 2.87), (voltage.above_limit, 2.90)


@pytest.mark.parametrize(("compare", "limit"), [LITTLE, TRIPS])
def test_volts_above_the_limit_written_begin_past_their_margin(kit, compare, limit):
    """20 and 50 mV a cell above 2.85 V, which is what the command says for the whole string."""
    for volts, holds in ((limit + 1e-6, True), (limit - 1e-6, False), (1.0, False)):
        assert says(compare(seen(kit, {"volts_per_cell": volts}), False), holds, volts, limit)
    edge = compare(seen(kit), False).limit
    assert compare(seen(kit, {"volts_per_cell": edge}), False).holds is False
    assert compare(seen(kit, {"volts_per_cell": None}), False) is CANNOT_TELL
    for read_A, alone in ((0.0, True), (0.29, True), (0.3, False), (None, False)):
        found = compare(seen(kit, {"volts_per_cell": 3.0, "current_A": read_A}), active=True)
        assert found is CLEAR if alone else found.holds is True


@pytest.mark.parametrize(("command", "active", "expected"), [
    (written(0.0, 307.8), False, (False,)), (written(0.0, 307.8), True, (True, 2.95, 2.9)),
    (written(-15.0, 307.8), False, (False,)), (written(0.5, 307.8), False, (True, 2.95, 2.9)),
    (written(15.0, 0.0), False, (False,)), (written(15.0, -1.0), False, (False,)),
    (written(15.0, 0.5), False, (True, 2.95, 0.5 / 108 + 0.05)), (written(0.0, 0.0), True, (False,)),
])  # fmt: skip
def test_volts_are_compared_while_charge_is_asked_for(kit, command, active, expected):
    """What stood is compared on with nothing asked for; without a limit written there is nothing to compare with."""
    view = seen(kit, {"volts_per_cell": 2.95}, command=command)
    assert says(voltage.above_limit(view, active), *expected)
    assert voltage.above_limit(replace(view, state=replace(view.state, load=None)), active) is CLEAR


@pytest.mark.parametrize(("volts", "on", "active", "expected"), [
    (2.95, True, False, (True, 2.95, 2.95)), (2.949, True, False, (False, 2.949, 2.95)),
    (2.95, False, False, (False,)), (2.95, False, True, (True, 2.95, 2.95)), (None, True, False, (None,)),
    (3.1, True, False, (True, 3.1, 2.95)),
])  # fmt: skip
def test_the_profiles_own_level_is_reached_at_it(kit, volts, on, active, expected):
    """2.95 V a cell while the output is asked for, or what stood."""
    view = seen(kit, {"volts_per_cell": volts}, command=written(0.0, 307.8, on))
    assert says(voltage.above_profile(view, active), *expected)
    assert voltage.above_profile(replace(view, state=replace(view.state, load=None)), active) is CLEAR


@pytest.mark.parametrize(("volts", "command", "trip", "asleep"), [
    (2.85, written(15.0, LIMIT_V), 2.95, True), (2.851, written(15.0, LIMIT_V), 2.95, False),
    (2.94, written(0.0, LIMIT_V), 2.95, True), (2.95, written(0.0, LIMIT_V), 2.95, False),
    (2.96, written(0.0, LIMIT_V), 2.95, False), (2.96, written(0.0, LIMIT_V), None, True),
    (2.96, written(0.0, LIMIT_V, on=False), 2.95, True), (2.86, written(0.5, LIMIT_V, on=False), 2.95, False),
    (2.3, written(15.0, 0.0), 2.95, True), (2.3, written(15.0, 0.5), 2.95, False),
    (None, written(15.0, 300.0), 2.95, True),
    (2.3, written(15.0, -1.0), 2.95, True), (2.94, written(-15.0, LIMIT_V), 2.95, True),
])  # fmt: skip
def test_voltage_sleeps_up_to_the_limit_written_and_below_the_profiles(kit, volts, command, trip, asleep):
    """Whatever is not read, not asked for or not written wakes nothing."""
    load = kit.load(plan=kit.plan(voltage_trip_V_per_cell=trip))
    view = seen(kit, {"volts_per_cell": volts, "voltage_V": None if volts is None else volts * 108}, command=command,
                load=load)  # fmt: skip
    assert voltage.asleep(view) is asleep
    assert voltage.asleep(replace(view, state=replace(view.state, load=None)))
    if volts is not None and trip is not None and command.output_on and volts > trip:
        listless = replace(view, facts=replace(view.facts, voltage_V_per_cell=None))
        assert voltage.asleep(listless) is (command.set_current_A <= 0.0)


def test_the_margins_of_volts_are_the_settings(kit):
    """A warning 30 mV and a trip 60 mV above the limit written, as set."""
    limits = VoltageLimits(warn_mV_per_cell=30.0, above_mV_per_cell=60.0)
    view = seen(kit, {"volts_per_cell": 2.0}, kit.settings(laws=LawSettings(voltage=limits)))
    assert says(voltage.a_little_above(view, False), False, 2.0, 2.88)
    assert says(voltage.above_limit(view, False), False, 2.0, 2.91)


def first(kit, facts=None, *, first_ms=0, charge_Ah=0.12, settings=None, **state):
    run = {"first_ms": first_ms, "counters": Counters(charge_Ah=charge_Ah)}
    return seen(kit, {"now_ms": 60_000, **(facts or {})}, settings, run=run, **state)


DRY = {"current_A": 7.4, "volts_per_cell": 2.85}


@pytest.mark.parametrize(("facts", "state", "expected"), [
    (DRY, {}, (True, 7.4, 7.5)), ({**DRY, "current_A": 7.5}, {}, (False, 7.5, 7.5)),
    ({**DRY, "volts_per_cell": 2.8}, {}, (False, 7.4, 7.5)), ({**DRY, "now_ms": 120_000}, {}, (True, 7.4, 7.5)),
    ({**DRY, "now_ms": 120_001}, {}, (False,)), ({**DRY, "current_A": None}, {}, (None,)),
    ({**DRY, "now_ms": 121_000}, {"first_ms": 1_000}, (True, 7.4, 7.5)),
    ({**DRY, "now_ms": 121_001}, {"first_ms": 1_000}, (False,)), ({**DRY, "volts_per_cell": None}, {}, (None,)),
    ({**DRY, "now_ms": 9_000_000}, {"first_ms": None}, (True, 7.4, 7.5)), (DRY, {"set_A": 0.0}, (False,)),
    (DRY, {"set_A": -0.5}, (False,)), ({**DRY, "current_A": 0.2}, {"set_A": 0.5}, (True, 0.2, 0.25)),
    *((DRY, {"state": state}, (False,)) for state in NOT_RUNNING),
])  # fmt: skip
def test_a_dry_string_at_its_edges(kit, facts, state, expected):
    """Less than half of the lowest set-point, at the limit, until two minutes after the first current."""
    assert says(first_minutes.dry(first(kit, facts, **state), False), *expected)


@pytest.mark.parametrize(("facts", "state", "expected"), [
    ({"volts_per_cell": 2.0}, {}, (False, 2.0, 2.8)), ({"volts_per_cell": 1.999}, {}, (True, 1.999, 2.0)),
    ({"volts_per_cell": 2.8}, {}, (False, 2.8, 2.8)), ({"volts_per_cell": 2.801}, {}, (True, 2.801, 2.8)),
    ({"volts_per_cell": 1.9, "current_A": 0.3}, {}, (True, 1.9, 2.0)),
    ({"volts_per_cell": 1.9, "current_A": 0.299}, {}, (False,)),
    ({"volts_per_cell": 1.9}, {"charge_Ah": 0.1199}, (False,)),
    ({"volts_per_cell": 1.9, "now_ms": 600_000}, {}, (True, 1.9, 2.0)),
    ({"volts_per_cell": 1.9, "now_ms": 600_001}, {}, (False,)), ({"volts_per_cell": None}, {}, (None,)),
    ({"current_A": None}, {}, (None,)), ({"volts_per_cell": 1.9}, {"first_ms": None}, (False,)),
    *(({"volts_per_cell": 1.9}, {"state": state}, (False,)) for state in NOT_RUNNING),
])  # fmt: skip
def test_a_string_that_does_not_fit_at_its_edges(kit, facts, state, expected):
    """2.0 and 2.8 V are still right; the nearer edge is shown."""
    view = first(kit, facts, **state)
    assert says(first_minutes.misfit(view, False), *expected)
    for gone in ({"run": None}, {"load": None}):
        assert first_minutes.misfit(replace(view, state=replace(view.state, **gone)), False) is CLEAR


@pytest.mark.parametrize(("minutes", "last_ms"), [(10.0, 600_000), (1.0, 120_000), (0.0, 120_000), (3.0, 180_000)])
def test_the_first_minutes_sleep_once_the_longer_of_both_is_over(kit, minutes, last_ms):
    """Two minutes for a dry string, the settings' for one that does not fit."""
    settings = kit.settings(laws=LawSettings(voltage=VoltageLimits(first_minutes=minutes)))
    for now_ms, asleep in ((last_ms, False), (last_ms + 1, True)):
        assert first_minutes.asleep(first(kit, {"now_ms": now_ms}, settings=settings)) is asleep


def counted(kit, device_Ah, ours_Ah, *, base=(10.0, 4.0), settings=None):
    run = {"device_Ah": base[0], "ours_Ah": base[1], "counters": Counters(charge_Ah=ours_Ah)}
    return seen(kit, {"counter_Ah": device_Ah}, settings, run=run)


@pytest.mark.parametrize(("theirs_Ah", "ours_Ah", "expected"), [
    (10.25, 4.0, (True, 0.25, 0.2)), (10.0, 4.25, (True, 0.25, 0.2)), (10.125, 4.0, (False, 0.125, 0.2)),
    (10.0, 4.125, (False, 0.125, 0.2)), (60.0, 53.5, (False, 0.5, 0.5)), (60.0, 53.375, (True, 0.625, 0.5)),
    (59.5, 54.0, (False, 0.5, 0.5)), (59.375, 54.0, (True, 0.625, 0.5)), (None, 54.0, (None,)),
])  # fmt: skip
def test_counters_part_past_the_larger_of_two_limits(kit, theirs_Ah, ours_Ah, expected):
    """0.2 Ah, or one per cent of the larger gain,
    since the comparison began; the difference and the limit are shown.
    """
    view = counted(kit, theirs_Ah, ours_Ah)
    assert says(counter.parted(view, False), *expected)
    assert counter.asleep(view) is not expected[0] or expected[0] is None


def test_counters_are_compared_once_the_comparison_began(kit):
    """Without a run or a base there is none; the percentage is the settings'."""
    assert counter.parted(counted(kit, 99.0, 4.0, base=(None, 0.0)), False) is CLEAR
    view = counted(kit, 99.0, 4.0)
    bare = replace(view, state=replace(view.state, run=None))
    assert counter.parted(bare, False) is CLEAR
    assert counter.asleep(bare)
    assert counter.asleep(counted(kit, 99.0, 4.0, base=(None, 0.0)))
    settings = kit.settings(laws=LawSettings(current=CurrentLimits(counter_percent=2.0)))
    assert says(counter.parted(counted(kit, 60.0, 53.0, settings=settings), False), False, 1.0, 1.0)
