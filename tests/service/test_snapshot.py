"""The snapshot: what a service sends is what a console reads, nothing decided twice, and it always fits on its line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import controller
from controller.bathfile import load_bath
from controller.bathfile import settings_of as settings_of_file
from controller.console.picture import read_picture
from controller.core import bath as core_bath
from controller.core.bath import BathOut
from controller.core.bathstate import BathState
from controller.core.planned import Ends, Load, Plan, PlanStep, StepKind
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import Alarm, Allowed, CircuitState, Counters, Interruption, Run, Tick
from controller.core.types import (
    BathCommand,
    BathIn,
    BathReading,
    BathShare,
    ChannelReading,
    CircuitIn,
    Command,
    Condition,
    Fit,
    LinkState,
    Order,
    Output,
    Quality,
    Reaction,
    State,
    Value,
)
from controller.service.fitting import PARTS, snapshot_line
from controller.service.protocol import MAX_SHOWN_BYTES
from controller.service.snapshot import Seen, snapshot

NOW_MS = 40_000_000
UTC_MS = 1_773_648_000_000  # 2026-03-16T08:00:00Z
ITEMS = ("polarity: red to +, black to -, 18 of 18 and both ends", "nobody at this bath; eyewash runs; vents in")
CODES = ("probe_derate", "rectifier_restarted", "extraction_lost_after_run", "voltage_trip_profile", "current_warn")


def settings_of(count=2, **changes):
    own = CircuitSettings("A01", 18, 0.5, 60.0, 340.0)
    circuits = tuple(replace(own, name=f"A{number:02}") for number in range(1, count + 1))
    return BathSettings("north", "A", True, 1_000, 3_000, 5_000, circuits, start_items=ITEMS, **changes)


def plan_of(steps=3, sha256="0123456789abcdef" * 4):
    one = PlanStep(
        number=1, name="second charge, warm water", kind=StepKind.CHARGE, current_A=12.3456, voltage_V_per_cell=2.85,
        ends=Ends(charge_Ah=96.1234, time_ms=23_040_000), ramp_ms=60_000, longest_ms=99_000_000, on_overrun="hold",
        restart_current_A=3.0, restart_ms=600_000, resume_within_ms=7_200_000, owes_percent_per_hour=0.5,
    )  # fmt: skip
    return Plan(
        name="starter one-shot 60 Ah", revision=3, sha256=sha256, cells=6, capacity_C20_Ah=60.0,
        steps=tuple(replace(one, number=number) for number in range(1, steps + 1)), planned_charge_Ah=202.5,
        charge_cap_Ah=212.6, voltage_trip_V_per_cell=2.95, probe_trip_C=60.0, soak_min_ms=3_600_000,
        soak_max_ms=10_800_000,
    )  # fmt: skip


def load_of(plan=None, **changes):
    base = Load(plan or plan_of(), 18, "K3107", True, NOW_MS - 3_900_000, NOW_MS - 3_700_000, "K3107:1-11 K3108:12-18")
    return replace(base, **changes)


def reading_of(current_A=11.99996, link=LinkState.UP, age_ms=0, quality=Quality.GOOD):
    flows = float(current_A > 0.3)  # the output reads on
    return ChannelReading(
        Value(current_A, quality, age_ms), Value(299.123449, quality, age_ms), Value(12.0, quality, age_ms),
        Value(307.8, quality, age_ms), Value(flows, quality, age_ms), Value(0.0), Value(0.0), Value(5_000.0), None,
        Value(133.81, quality, age_ms), None, (Value(42.123456, quality, age_ms),), link, Fit.OK,
    )  # fmt: skip


def alarms_of(count=3, **changes):
    base = Alarm("x", NOW_MS - 600_000, 2, Reaction.DERATE, value=53.512345, limit=50.0)
    return tuple(
        replace(base, code=CODES[number], since_ms=base.since_ms + number, **changes) for number in range(count)
    )


def running(name="A01", **changes):
    run = Run(
        NOW_MS - 18_000_000, "day technician", step=1, step_time_ms=9_000_000, step_charge_Ah=36.31111,
        restart_left_ms=60_000, hottest_C=53.5, highest_V_per_cell=2.712345,
        counters=Counters(133.812345, 0.0, 40_123.456, NOW_MS, 12.0, 3_500.0),
    )  # fmt: skip
    base = CircuitState(
        name, NOW_MS, State.RUNNING, since_ms=NOW_MS - 18_000_000, revision=17, output=Output.ON, confirmed=True,
        load=load_of(), run=run, command=Command(12.0, 307.8, True, False),
    )  # fmt: skip
    return replace(base, **changes)


def held(name="A01", hours=2.0):
    each = running(name, state=State.HELD, output=Output.OFF, command=Command())
    return replace(each, run=replace(each.run, interruption=Interruption(NOW_MS - round(hours * 3_600_000), "order")))


def idle(name="A01", **changes):
    ticks = tuple(Tick(item, True, "day technician", NOW_MS - 60_000) for item in (1, 2))
    base = CircuitState(
        name, NOW_MS, State.IDLE, since_ms=NOW_MS - 60_000, revision=4, confirmed=True, load=load_of(), ticks=ticks
    )
    return replace(base, **changes)


def seen_of(*circuits, readings=None, standing=(), share=None, settings=None, share_A=None, **changes):
    """A cycle that ended with these circuits, each told the same of its bath."""
    share = share or BathShare(Value(31.2), 0, True, True, True, True)
    readings = readings or [reading_of() if each.state is State.RUNNING else reading_of(0.0) for each in circuits]
    told = tuple(CircuitIn(NOW_MS, reading, share, share_A=share_A) for reading in readings)
    out = BathOut((Command(),) * len(circuits), BathCommand(), (), told, (tuple(standing),) * len(circuits))
    state = BathState(tuple(circuits), NOW_MS, air_since_ms=NOW_MS - 3_660_000)
    inputs = BathReading((Value(31.23456),), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP)
    return Seen(settings or settings_of(len(circuits)), state, out, inputs, UTC_MS, **changes)


def picture_of(seen):
    """What a console makes of it, over the very line."""
    return read_picture(json.loads(snapshot_line(snapshot(seen))))


def test_a_real_cycle_is_read_whole():
    """A fresh bath after its first cycle, decided by the real core: every part has its value, nothing is refused."""
    settings = settings_of()
    inputs = BathReading((Value(31.23456),), Value(1.0), Value(1.0), Value(1.0), hydrogen_percent_LEL=Value(3.0))
    given = BathIn(1_000, inputs, (reading_of(0.0), reading_of(0.0, LinkState.DOWN, 9_000)))
    state, out = core_bath.step(settings, core_bath.fresh_state(settings), given)
    picture = picture_of(Seen(settings, state, out, inputs, UTC_MS))
    assert (picture.hall, picture.bath, picture.virtual, picture.period_s, picture.stale_after_s) == (
        "north", "A", True, 1.0, 3.0,
    )  # fmt: skip
    assert (picture.purge_s, picture.purge_left_s, picture.air_s) == (600.0, 600.0, 0.0)
    assert (picture.inputs.water_C[0].number, picture.inputs.hydrogen_percent_LEL.number) == (31.2346, 3.0)
    assert picture.inputs.level is None
    assert picture.start_items == ITEMS
    assert picture.tick_stale_s == 1_800.0
    assert (picture.limits.probe_derate_C, picture.limits.fresh_scatter_V) == (50.0, 3.0)
    assert [(each.name, each.state, each.link) for each in picture.circuits] == [
        ("A01", "idle", "up"), ("A02", "unknown", "down"),
    ]  # fmt: skip
    assert (picture.pace, picture.prompts, picture.recovery, picture.record_trouble) == (None, (), None, None)


def test_values_carry_quality_and_age():
    """Four decimals; what is old or bad stays told, with the number it had."""
    old = reading_of(11.99996, LinkState.DOWN, 9_000, Quality.STALE)
    message = snapshot(seen_of(running(), readings=[old]))
    shown = message["circuits"][0]
    assert shown["current_A"] == [12.0, "stale", 9_000]
    assert shown["voltage_V"] == [299.1234, "stale", 9_000]
    assert shown["probes_C"] == [[42.1235, "stale", 9_000]]
    picture = picture_of(seen_of(running(), readings=[old]))
    assert picture.fresh(picture.circuits[0].current_A) is None


def test_a_value_that_was_never_read_is_none():
    """No number is made up."""
    lost = replace(reading_of(), current_A=Value(None, Quality.LOST))
    assert snapshot(seen_of(running(), readings=[lost]))["circuits"][0]["current_A"] == [None, "lost", 0]


def test_run_and_plan():
    """Step by its number, charge of the step and its end, what the run counted; the plan stands once for both."""
    picture = picture_of(seen_of(running(), running("A02")))
    first = picture.circuits[0]
    assert (first.run.step, first.run.step_Ah, first.run.step_end_Ah) == (2, 36.3111, 96.1234)
    assert (first.run.charge_Ah, first.run.would_owe_Ah, first.run.started_by) == (133.8123, 0.0, "day technician")
    assert (first.allowed_percent, first.allowed_code, first.places, first.cells) == (100.0, None, 18, 108)
    assert list(picture.plans) == ["0123456789ab"]
    plan = picture.plan_of(first)
    assert (plan.planned_Ah, plan.charge_cap_Ah, len(plan.steps)) == (202.5, 212.6, 3)
    assert (plan.steps[2].number, plan.steps[2].restart_A, plan.steps[2].resume_within_ms) == (3, 3.0, 7_200_000)
    assert first.start_checks == ()
    assert first.may == {}


def test_the_start_list_comes_from_the_bath_file(tmp_path):
    """Its items are the settings' and so the screen's; a bath file without one has none."""
    text = (Path(controller.__file__).parent / "examples" / "bath-a.toml").read_text(encoding="utf-8")
    path = tmp_path / "bath.toml"
    plain = text.partition("[start_list]")[0]
    for added, items in (
        ("", ()),
        ('\n[start_list]\nitems = ["polarity", "nobody here"]\n', ("polarity", "nobody here")),
    ):
        path.write_text(plain + added, encoding="utf-8")
        assert settings_of_file(load_bath(path)).start_items == items


def test_soak_limits_of_a_fresh_string():
    """From the last one filled, to the first one's longest; a continued string has none."""
    load = picture_of(seen_of(idle())).circuits[0].load
    assert load.start_from_ms == NOW_MS - 3_700_000 + 3_600_000
    assert load.start_by_ms == NOW_MS - 3_900_000 + 10_800_000
    load = picture_of(seen_of(idle(load=load_of(fresh=False)))).circuits[0].load
    assert (load.fresh, load.start_from_ms, load.start_by_ms) == (False, None, None)


def test_the_smallest_derate_is_shown_with_its_law():
    """The water's 60 % is less than the battery's own 80 %; of two the smaller one counts, as for the current."""
    warm = running(allowed=Allowed(80.0, 80.0))
    first = picture_of(seen_of(warm)).circuits[0]
    assert (first.allowed_percent, first.allowed_code) == (80.0, "probe_derate")
    water = Condition("water_derate", Reaction.DERATE, allowed_percent=60.0)
    first = picture_of(seen_of(warm, standing=(water,))).circuits[0]
    assert (first.allowed_percent, first.allowed_code) == (60.0, "water_derate")


def test_a_share_of_the_power_is_shown_where_it_is_the_smallest():
    """Of 12.3456 A 8 A are 64.8 %: told as `power`, unless a derate leaves less, or no current is asked for at all."""
    slowly = running()
    whole = replace(slowly, run=replace(slowly.run, restart_left_ms=0))
    first = picture_of(seen_of(whole, share_A=8.0)).circuits[0]
    assert (first.allowed_percent, first.allowed_code) == (pytest.approx(64.8004, abs=1e-3), "power")
    assert picture_of(seen_of(whole, share_A=12.3456)).circuits[0].allowed_code is None
    warm = replace(whole, allowed=Allowed(60.0, 60.0))
    assert picture_of(seen_of(warm, share_A=8.0)).circuits[0].allowed_code == "probe_derate"
    assert picture_of(seen_of(slowly, share_A=3.0)).circuits[0].allowed_code is None  # restart current fits
    assert picture_of(seen_of(slowly, share_A=2.9)).circuits[0].allowed_code == "power"
    assert picture_of(seen_of(held(), share_A=0.0)).circuits[0].allowed_code is None
    taking = load_of(replace(plan_of(), steps=tuple(replace(s, kind=StepKind.DISCHARGE) for s in plan_of().steps)))
    assert picture_of(seen_of(replace(whole, load=taking), share_A=0.0)).circuits[0].allowed_code is None


def test_what_a_held_circuit_would_owe():
    """Two hours at 0.5 % of 202.5 Ah an hour; held since and by what."""
    first = picture_of(seen_of(held())).circuits[0]
    assert first.run.would_owe_Ah == 2.025
    assert (first.run.held_by, first.run.held_since_ms) == ("order", NOW_MS - 7_200_000)
    assert list(first.may) == ["resume"]


def test_an_idle_loaded_circuit_shows_each_check():
    """All that a start asks, in its order, with the sentence where it does not hold; the first one also under `may`."""
    open_hood = BathShare(Value(31.2), 0, False, True, True, True)
    late = idle(ticks=(Tick(1, False, "eva", NOW_MS, "battery 4"),))
    low = replace(reading_of(0.0), voltage_V=Value(0.2))
    first = picture_of(seen_of(late, share=open_hood, readings=[low])).circuits[0]
    checks = dict(first.start_checks)
    assert checks["bath_shut_and_aired"] == "hood open" == first.may["start"]
    assert checks["start_list_done"] == "item 1 of the start list was found wrong by eva: battery 4"
    assert {name for name, refusal in checks.items() if not refusal} == set(checks) - {
        "bath_shut_and_aired", "start_list_done",
    }  # fmt: skip
    assert next(iter(checks)) == "loaded"
    assert first.may["unload"] == ""
    assert [(tick.item, tick.ok, tick.who, tick.reason) for tick in first.ticks] == [(1, False, "eva", "battery 4")]


def test_an_empty_circuit_offers_no_checks():
    """Nothing is loaded: one refusal says so."""
    first = picture_of(seen_of(idle(load=None, ticks=()))).circuits[0]
    assert first.start_checks == ()
    assert first.may == {"start": "no batteries on its list: load first"}


def test_a_block_is_shown_with_its_moment():
    """Name and since when; without one neither."""
    first, second = picture_of(seen_of(idle(blocked_by="night1", blocked_ms=NOW_MS - 5), idle("A02"))).circuits
    assert (first.blocked_by, first.blocked_ms) == ("night1", NOW_MS - 5)
    assert (second.blocked_by, second.blocked_ms) == (None, None)


def test_alarms_have_no_prose():
    """Code, life and numbers; the words are the console's."""
    message = snapshot(seen_of(running(alarms=alarms_of())))
    alarm = message["circuits"][0]["alarms"][0]
    assert "text" not in alarm
    shown = picture_of(seen_of(running(alarms=alarms_of(acknowledged=True)))).circuits[0].alarms[0]
    assert (shown.target, shown.code, shown.acknowledged, shown.active, shown.value) == (
        "A01", "probe_derate", True, True, 53.5123,
    )  # fmt: skip


def test_what_stands_beside_the_cycle():
    """Folder, pace, open dialogues and trouble of the record, as they were handed in."""
    prompt = {"who": "eva", "verb": "start", "target": "A01", "console": "c2", "age_s": 6.0}
    picture = picture_of(
        seen_of(running(), folders={"A01": "x-A-A01-K1"}, prompts=(prompt,), pace=(300.0, True), trouble="disk full")
    )
    assert picture.circuits[0].folder == "x-A-A01-K1"
    assert (picture.prompts[0].console, picture.prompts[0].age_s) == ("c2", 6.0)
    assert (picture.pace.ratio, picture.pace.paused) == (300.0, True)
    assert picture.record_trouble == "disk full"


TOO_MANY = 165
"""More circuits than any bath has: their words do not fit on a line."""


def long_idle(name, **changes):
    """As much as an idle circuit can have to say: every check refused, a list found wrong, long names."""
    ticks = tuple(Tick(item, False, "w" * 64, NOW_MS - 60_000, "r" * 500) for item in (1, 2))
    return idle(name, alarms=alarms_of(latched=True), blocked_by="n" * 32, ticks=ticks, **changes)


SHUT = BathShare(Value(31.2), 600_000, False, False, False, False, ("A02 by bert",))


def worst(kind, count=40, plans=1):
    """A full bath of one kind, with plans of 20 steps."""
    loads = [load_of(plan_of(20, f"{number % plans:064x}"[::-1])) for number in range(count)]
    makers = {"running": running, "held": held, "idle": idle, "wrong volts": idle, "long idle": long_idle}
    circuits = [
        replace(makers[kind](f"A{number + 1:02}"), load=loads[number], alarms=alarms_of()) for number in range(count)
    ]
    share = SHUT if kind == "long idle" else None
    folders = {each.name: f"20260316T060000Z-A-{each.name}-K3107" for each in circuits}
    volts = Value(0.2) if kind == "idle" else Value(299.12)
    readings = [replace(reading_of(0.0, age_ms=1_000), voltage_V=volts, current_A=Value(0.0))] * count
    return seen_of(*circuits, share=share, folders=folders, readings=readings)


@pytest.mark.parametrize("kind", ["running", "held", "idle"])
def test_a_bath_of_forty_is_shown_within_the_shorter_line(kind):
    """40 circuits, a plan of 20 steps, 3 alarms each, whole start lists: within 64 kB, and nothing left out."""
    line = snapshot_line(snapshot(worst(kind)))
    picture = read_picture(json.loads(line))
    assert len(line) < 70_000
    assert picture.left_out == ()
    assert len(picture.circuits) == 40
    assert all(len(each.alarms) == 3 and picture.plan_of(each) is not None for each in picture.circuits)


@pytest.mark.parametrize("kind", ["running", "held", "idle", "wrong volts", "long idle"])
def test_the_largest_bath_is_shown_whole(kind):
    """64 circuits, a plan of 20 steps, 3 alarms each, 20 items with their ticks: one line, nothing left out."""
    seen = worst(kind, 64)
    ticks = tuple(Tick(item, True, "day technician", NOW_MS - 60_000) for item in range(1, 21))
    walked = kind not in ("running", "held")
    circuits = tuple(replace(each, ticks=ticks) if walked else each for each in seen.state.circuits)
    settings = replace(seen.settings, start_items=tuple(f"{item}: {'w' * 60}" for item in range(1, 21)))
    line = snapshot_line(snapshot(replace(seen, state=replace(seen.state, circuits=circuits), settings=settings)))
    picture = read_picture(json.loads(line))
    assert len(line) <= MAX_SHOWN_BYTES
    assert picture.left_out == ()
    assert len(picture.circuits) == 64
    assert len(picture.start_items) == 20
    for each in picture.circuits:
        assert len(each.alarms) == 3
        assert len(picture.plan_of(each).steps) == 20
        assert len(each.ticks) == (20 if walked else 0)


def test_refusals_are_cut_first_and_stay_refusals():
    """Forty strings of wrong volts: sentences lose their ends, every check is still there, none looks as if it held."""
    whole = snapshot(worst("wrong volts", TOO_MANY))
    picture = read_picture(json.loads(snapshot_line(whole)))
    assert picture.left_out == ("ends of start checks", "ends of refusals")
    for shown, full in zip(picture.circuits, whole["circuits"], strict=True):
        assert [(name, bool(refusal)) for name, refusal in shown.start_checks] == [
            (name, bool(refusal)) for name, refusal in full["start_checks"]
        ]
        assert {verb: bool(why) for verb, why in shown.may.items()} == {
            verb: bool(why) for verb, why in full["may"].items()
        }
        assert shown.may["start"].startswith("string 299.1 V at 0 A")


def test_the_longest_words_of_all_still_fit():
    """Every check refused at length, long names, reasons of 500 characters: alarms and what may be ordered stay."""
    picture = read_picture(json.loads(snapshot_line(snapshot(worst("long idle", TOO_MANY)))))
    assert picture.left_out == tuple(PARTS)[: len(picture.left_out)]
    assert "rare plans" not in picture.left_out
    assert all(len(each.alarms) == 3 and each.may["start"] and each.blocked_by for each in picture.circuits)


def test_a_cut_sentence_sends_no_hands():
    """What is left of a sentence holds none of the work that its caution stood before; whole ones keep the caution."""
    seen = worst("wrong volts", TOO_MANY)
    (whole,) = {refusal for _, refusal in snapshot(seen)["circuits"][0]["start_checks"] if refusal}
    assert whole.endswith("only then hands")
    assert "hands" not in picture_of(seen).circuits[0].may["start"]


def test_a_plan_for_each_circuit_costs_plans_only():
    """64 circuits, each its own plan of 20 steps: plans go before any state, value or alarm does."""
    picture = read_picture(json.loads(snapshot_line(snapshot(worst("running", 64, plans=64)))))
    assert picture.left_out == tuple(PARTS)[: list(PARTS).index("rare plans") + 1]
    assert len(picture.plans) == 3
    assert all(each.run is not None and len(each.alarms) == 3 for each in picture.circuits)


def test_a_flood_of_alarms_leaves_the_worst_three():
    """Forty alarms on each of 64 circuits: the new and urgent ones of each circuit are still sent."""
    flood = tuple(
        replace(alarms_of(1)[0], code=f"code_{number}", priority=1 + number % 3, acknowledged=number % 2 == 0)
        for number in range(40)
    )
    circuits = [running(f"A{number + 1:02}", alarms=flood) for number in range(64)]
    picture = read_picture(json.loads(snapshot_line(snapshot(seen_of(*circuits)))))
    assert picture.left_out == tuple(PARTS)
    for each in picture.circuits:
        assert [(alarm.acknowledged, alarm.priority) for alarm in each.alarms] == [(False, 1)] * 3


def test_what_keeps_current_off_is_never_dropped_for_younger_alarms():
    """A latch, a standing trip, and what the circuit is held by: first, however old, seen and harmless they look."""
    base = replace(alarms_of(1)[0], priority=1)
    flood = tuple(replace(base, code=f"code_{number}", since_ms=NOW_MS) for number in range(40))
    old = replace(base, since_ms=0, acknowledged=True, priority=3)
    kept = (
        replace(old, code="latched", latched=True, active=False),
        replace(old, code="standing", reaction=Reaction.TRIP),
        replace(old, code="holds", reaction=Reaction.HOLD),
        replace(old, code="held_by", active=False),
    )
    gone = replace(old, code="gone", reaction=Reaction.HOLD, active=False)
    each = held()
    each = replace(each, run=replace(each.run, interruption=Interruption(NOW_MS - 1, "held_by")))
    circuits = [replace(each, name=f"A{number + 1:02}", alarms=(*flood, gone, *kept)) for number in range(64)]
    picture = read_picture(json.loads(snapshot_line(snapshot(seen_of(*circuits)))))
    assert picture.left_out == tuple(PARTS)
    for shown in picture.circuits:
        assert {alarm.code for alarm in shown.alarms} == {alarm.code for alarm in kept}
    one = replace(each, alarms=(*flood, kept[0]))
    first = read_picture(json.loads(snapshot_line(snapshot(seen_of(*[one] * 64))))).circuits[0]
    assert [alarm.code for alarm in first.alarms] == ["latched", "code_0", "code_1"]


def test_what_can_never_fit_is_an_error_and_not_half_a_picture():
    """Two thousand circuits are more than one line holds."""
    with pytest.raises(ValueError, match="at most"):
        snapshot_line(snapshot(seen_of(*(running(f"A{number:03}") for number in range(2_000)))))


def test_texts_from_outside_are_bounded():
    """A load list of thousands of characters, a reason as long: no more than a console would show."""
    long = idle(load=load_of(text="K" * 8_000), ticks=(Tick(1, False, "eva", NOW_MS, "r" * 8_000),))
    shown = snapshot(seen_of(long))["circuits"][0]
    assert len(shown["load"]["text"]) == len(shown["ticks"][0]["reason"]) == 200
    assert max(len(refusal) for _, refusal in shown["start_checks"]) == 300


def test_a_shown_order_is_the_core_s_own():
    """What `may` offers is accepted when it is ordered."""
    settings = settings_of(1)
    low = replace(reading_of(0.0), voltage_V=Value(0.2), set_current_A=Value(0.0), output_on=Value(0.0))
    inputs = BathReading((Value(31.2),), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP)
    state = BathState((idle(),), NOW_MS, air_since_ms=0)
    state, out = core_bath.step(settings, state, BathIn(NOW_MS + 1_000, inputs, (low,)))
    assert snapshot(Seen(settings, state, out, inputs, UTC_MS))["circuits"][0]["may"]["start"] == ""
    order = Order("1", "start", "A01", "anna", ("technician",))
    _, out = core_bath.step(settings, state, BathIn(NOW_MS + 2_000, inputs, (low,), (order,)))
    assert "accepted" in {event.code for event in out.events}


def test_an_alarm_tells_what_silences_it_and_under_whom_it_stands():
    """Group, shelf with its end, person and reason, suppression, chatter with its count, escalation."""
    fields = {
        "first": "link_lost", "shelved_until_ms": NOW_MS + 5, "shelved_by": "eva", "shelved_why": "w" * 300,
        "suppressed": True, "out_of_use": True, "chattering": True, "times": 4, "escalated": True,
    }  # fmt: skip
    (one,) = alarms_of(1, **fields)
    shown = picture_of(seen_of(running(alarms=(one,)))).circuits[0].alarms[0]
    assert (shown.first, shown.shelved_until_ms, shown.shelved_by) == ("link_lost", NOW_MS + 5, "eva")
    assert 0 < len(shown.shelved_why) <= 200
    assert (shown.suppressed, shown.out_of_use, shown.came_and_went, shown.escalated) == (True, True, 4, True)
    assert shown.quiet
    (plain,) = alarms_of(1, times=4)
    told = snapshot(seen_of(running(alarms=(plain,))))["circuits"][0]["alarms"][0]
    assert set(told) <= {"target", "code", "since_ms", "priority", "reaction", "value", "limit"}
