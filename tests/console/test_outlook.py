"""What is said of a circuit in few words: how far, how long yet, its state, its values with their age."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest
from pictures import (
    HOUR,
    MINUTE,
    NOW_MS,
    PLAN,
    alarm,
    any_scene,
    circuit,
    cooling,
    idle,
    load,
    picture,
    plan,
    reading,
    run,
    scene,
    seen,
    unconfirmed,
)

from controller.console import bath as bath_page
from controller.console import circuit as circuit_page
from controller.console import outlook
from controller.console.picture import Picture, Reading
from controller.console.row import row
from controller.console.sentence import sentence


def of(one, **over) -> Picture:
    return picture([one], **over)


def left_of(one, at_percent=None, **over):
    """Hours left of a circuit alone in its bath."""
    found = outlook.left_ms(of(one, **over), one, at_percent)
    return None if found is None else found / HOUR


def test_percent_is_rounded_down():
    """What is not done yet is never shown as done: 202.4 of 202.5 Ah is 99 %."""
    assert outlook.percent(of(circuit()), circuit()) == 71
    late = circuit(run=run(6, 20.9))
    assert outlook.percent(of(late), late) == 99
    assert outlook.percent(of(idle()), idle()) is None


def test_time_left_is_the_sum_of_steps():
    """37.5 Ah at 12 A, half an hour of rest, 21 Ah at 6 A."""
    assert left_of(circuit(voltage_V=reading(290.0))) == pytest.approx(37.5 / 12.0 + 0.5 + 3.5)


def test_time_left_grows_with_a_derate():
    """At 44 % every charge takes 1 / 0.44 as long and a rest as long as ever; asked at 100 % the derate is gone."""
    hot = circuit(percent=44)
    assert left_of(hot) == pytest.approx((37.5 / 12.0 + 3.5) / 0.44 + 0.5)
    assert left_of(hot, 100.0) == pytest.approx(37.5 / 12.0 + 4.0)


def test_time_left_of_a_rest_and_of_a_timed_step():
    """A step that ends by time takes what is left of its time, whatever flows."""
    resting = circuit(run=run(3, 0.0, step_time_ms=10 * MINUTE, step_end_Ah=None))
    assert left_of(resting) == pytest.approx(20.0 / 60.0 + 7.0 + 0.5 + 3.5)
    wetting = circuit(run=run(1, 0.3, step_time_ms=6 * MINUTE))
    assert left_of(wetting) == pytest.approx(0.4 + 6.4 + 0.5 + 7.0 + 0.5 + 3.5)


def test_time_left_counts_the_restart_current_first():
    """Ten minutes at 3 A bring half an amp-hour, the rest of the step comes at 12 A."""
    gentle = circuit(run=run(restart_left_ms=10 * MINUTE))
    assert left_of(gentle) == pytest.approx(1 / 6 + 37.0 / 12.0 + 4.0)


def test_time_left_of_a_held_run_adds_restart_and_debt():
    """A held run's time is as if it were resumed now, with the charge that the interruption costs in the last step."""
    held = circuit(state="held")
    assert left_of(held) == pytest.approx(1 / 6 + 37.0 / 12.0 + 0.5 + 21.7 / 6.0)


def test_debt_is_counted_once_in_the_step_that_takes_it():
    """In the last charge the debt is part of the step's own end, and no later step takes it again."""
    last = run(6, 6.0, step_end_Ah=21.5, owed_Ah=0.5, would_owe_Ah=0.7, held_since_ms=NOW_MS, held_by="hood_open")
    assert left_of(circuit(state="held", run=last)) == pytest.approx(1 / 6 + (21.5 + 0.7 - 6.0 - 0.5) / 6.0)


def test_at_the_voltage_limit_the_read_current_counts():
    """A string that takes 4 A at its voltage limit is not promised the end that 12 A would bring."""
    limited = circuit(current_A=reading(4.0), voltage_V=reading(307.8), set_current_A=12.0)
    assert left_of(limited) == pytest.approx(37.5 / 4.0 + 4.0)


def test_an_end_that_a_person_makes_is_not_guessed():
    """While a task stands between now and the end, nobody is told a time."""
    steps = plan()["steps"]
    steps[4] = steps[4] | {"time_ms": None, "order": True, "task": "dump and refill"}
    one = circuit()
    assert left_of(one, plans={PLAN: plan(steps=steps)}) is None
    assert outlook.ends_utc(of(one, plans={PLAN: plan(steps=steps)}), one) is None


def test_no_current_allowed_has_no_end():
    """A derate to nothing leads nowhere, and a number that is none does not either."""
    assert left_of(circuit(percent=0.0)) is None
    assert left_of(circuit(percent=float("nan"))) is None


def test_a_charge_without_amounts_takes_what_the_plan_leaves():
    """A step that ends by steady volts is expected as long as its share of the planned charge takes."""
    steps = plan()["steps"]
    steps[5] = steps[5] | {"charge_Ah": None}
    one = of(circuit(), plans={PLAN: plan(steps=steps)}).plans[PLAN]
    assert outlook.course_line(one, None) == outlook.course_line(of(circuit()).plans[PLAN], None)


def test_end_is_now_and_time_left():
    """The end by the clock is the services' time and what is left, not this console's time."""
    one = circuit()
    shown = of(one)
    left = outlook.left_ms(shown, one)
    assert left is not None
    assert outlook.ends_utc(shown, one) == shown.utc + timedelta(milliseconds=left)


@pytest.mark.parametrize(
    ("done", "line"),
    [
        (run(4, 36.3), "=======.===>   :    "),
        (run(1, 0.0, step_time_ms=0), ">      :       :    "),
        (run(3, 0.0, step_time_ms=15 * MINUTE), "=======>       :    "),
        (run(6, 20.9), "=======.=======.===>"),
        (None, "       :       :    "),
    ],
)
def test_course_line(done, line):
    """The whole profile on twenty columns: done, here, rests to come; a short rest is still seen."""
    one = circuit(run=done)
    assert outlook.course_line(of(one).plan_of(one), one.run) == line


def test_course_line_of_a_complete_run_has_no_here():
    """What is over is nowhere, and a circuit without a plan is blank."""
    one = circuit(state="complete")
    assert outlook.course_line(of(one).plan_of(one), one.run, complete=True) == "=======.=======.===="
    assert outlook.course_line(None, None, 12) == " " * 12


def test_discharge_is_told_from_charge():
    """A discharge that is done has its own sign."""
    steps = plan()["steps"]
    steps[1] = steps[1] | {"kind": "discharge"}
    one = circuit(run=run(4, 36.3))
    assert outlook.course_line(of(one, plans={PLAN: plan(steps=steps)}).plans[PLAN], one.run).startswith("=------.===>")


def test_course_line_never_leaves_its_columns():
    """Whatever a service says, the line is as long as its place."""
    for seed in range(200):
        for bath, one in any_scene(random.Random(seed)).circuits():
            assert bath.picture is not None
            for columns in (1, 6, 20, 48):
                assert len(outlook.course_line(bath.picture.plan_of(one), one.run, columns)) == columns


@pytest.mark.parametrize(
    ("age_ms", "text"),
    [(5_001, "?5s"), (59_999, "?59s"), (60_000, "?1m"), (3_600_000, "?1h"), (360_000_000, "?4d"), (10**30, "?11574d")],
)
def test_old_value_shows_its_age(age_ms, text):
    """An old number cannot be misread: its age stands in its place."""
    shown = seen(of(circuit()))
    assert outlook.shown(shown, Reading(53.5, "good", age_ms), ".1f") == text


def test_fresh_value_shows_its_number_and_none_shows_none():
    """A value at the limit of its age still counts; lost, missing and impossible numbers are two dashes."""
    shown = seen(of(circuit()))
    assert outlook.shown(shown, Reading(53.54, "good", 5_000), ".1f") == "53.5"
    assert outlook.shown(shown, Reading(-0.01, "suspect", 0), ".1f") == "0.0"
    for gap in (None, Reading(None, "lost", 0), Reading(float("nan"), "good", 0), Reading(9.0, "out of range", 0)):
        assert outlook.shown(shown, gap, ".1f") == "--"


def test_value_of_a_silent_service_is_old_however_fresh_it_was():
    """Its age is that of the reading and of the silence."""
    silent = seen(of(circuit()), silent_s=9.0)
    assert outlook.shown(silent, Reading(53.5, "good", 2_000), ".1f") == "?11s"


def test_volts_per_cell_need_a_count():
    """Without a number of cells there are no volts per cell."""
    assert outlook.volts_per_cell(circuit(voltage_V=reading(299.16))) == Reading(pytest.approx(2.77), "good", 0)
    assert outlook.volts_per_cell(idle()) is None
    assert outlook.volts_per_cell(circuit(cells=0)) is None


@pytest.mark.parametrize(
    ("volts", "over", "shows"),
    [
        (0.1, {}, "--"), (-0.4, {}, "--"), (53.9, {}, "--"), (54.0, {}, "0.50"),
        (0.1, {"latched": False, "active": True}, "--"), (0.1, {"latched": False, "active": False}, "0.00"),
        (0.1, {"code": "probe_trip"}, "0.00"),
    ],
)  # fmt: skip
def test_open_string_shows_no_volts(volts, over, shows):
    """Behind an open clamp the rectifier's volts are none of the string's: bath and circuit show no number."""
    one = circuit("A07", "tripped", voltage_V=reading(volts))
    found = one.alarms[0].model_copy(update=over)
    one = one.model_copy(update={"alarms": (found,)})
    assert outlook.shown(seen(of(one)), outlook.volts_per_cell(one), ".2f") == shows
    table = "\n".join(row.text for row in bath_page.rows(scene(of(one)), 80, 18))
    detail = next(row.text for row in circuit_page.rows(scene(of(one)), 80, 18) if row.text.startswith("V per cell"))
    assert ("  -- " in table) == ("--" in detail.split()) == (shows == "--"), (table, detail)


def test_open_string_without_a_count_of_cells_shows_no_volts_either():
    """The string's own volts stand in the table then; next to nothing is no number there."""
    one = circuit("A07", "tripped", voltage_V=reading(0.1), cells=None)
    assert outlook.string_volts(one).number is None
    assert outlook.string_volts(circuit("A07", "tripped", voltage_V=reading(48.0), cells=None)).number == 48.0


def test_hot_is_the_highest_valid_probe():
    """The water stands in only where a circuit has no probe: a lost one shows nothing instead."""
    two = circuit(probes_C=[reading(41.0), reading(53.5), reading(99.0, quality="lost")])
    none, lost = circuit(probes_C=[]), circuit(probes_C=[reading(None, quality="lost")])
    found = [outlook.shown(seen(of(each)), outlook.hot_reading(of(each), each), ".1f") for each in (two, none, lost)]
    assert found == ["53.5", "31.2", "--"]


def word(one, **over) -> str:
    return outlook.state_word(scene(of(one)), seen(of(one), **over), one)


def test_state_word_says_what_is_not_sure():
    """A question mark while the state is not read back, or the service is silent; BLOCKED before all."""
    assert word(circuit()) == "running"
    assert word(unconfirmed()) == "held?"
    assert word(circuit(), silent_s=4.0) == "running?"
    assert word(circuit(), attached=False) == "running?"
    assert word(unconfirmed(blocked="night1")) == "BLOCKED"
    assert word(circuit(blocked="night1"), silent_s=99.0) == "BLOCKED"
    assert word(circuit(state="melted")) == "melted"


@pytest.mark.parametrize(
    ("one", "over", "waits"),
    [
        (circuit(), {}, ""),
        (circuit(state="held"), {}, "waits"),
        (circuit(state="held"), {"purge_left_s": 3.0}, "purge"),
        (unconfirmed(), {}, "zero"),
        (circuit(state="tripped"), {}, "reset"),
        (circuit(state="unknown", confirmed=False), {}, "zero"),
        (circuit(state="idle"), {}, "start"),
        (circuit(state="idle"), {"purge_left_s": 3.0}, "purge"),
        (circuit(state="idle", load=load(start_from_ms=NOW_MS + 1)), {}, "soak"),
        (idle(), {}, ""),
        (circuit(state="complete"), {}, "unload"),
        (cooling(), {}, "cool"),
        (circuit(state="complete", blocked="night1"), {}, "blocked"),
    ],
)
def test_what_a_circuit_waits_for(one, over, waits):
    """One word for each thing that somebody or something must still do."""
    assert outlook.waits_for(of(one, **over), one) == waits


def test_running_task_waits_for_a_person():
    """A step that ends by a person's word waits, though the circuit runs."""
    steps = plan()["steps"]
    steps[3] = steps[3] | {"order": True, "task": "dump"}
    one = circuit()
    assert outlook.waits_for(of(one, plans={PLAN: plan(steps=steps)}), one) == "waits"


def test_cool_down_ends_by_time_and_warmth():
    """On the second when the time is over, and not while a probe is warm or unread."""
    end = NOW_MS - 60 * MINUTE
    at_end, before = (circuit(state="complete", run=run(6, 21.0, end_ms=ms)) for ms in (end, end + 1000))
    assert outlook.cooling_ms(of(before), before) == 1000
    assert outlook.cooling_ms(of(at_end), at_end) is None
    warm = circuit(state="complete", run=run(6, 21.0, end_ms=end), probe_C=40.1)
    unread = circuit(state="complete", run=run(6, 21.0, end_ms=end), probe_C=None)
    at_level = circuit(state="complete", run=run(6, 21.0, end_ms=end), probe_C=40.0)
    assert outlook.cooling_ms(of(at_level), at_level) is None
    assert outlook.cooling_ms(of(warm), warm) == 0
    assert outlook.cooling_ms(of(unread), unread) == 0


def cell(one, **over) -> str:
    return row(*outlook.of_cell(scene(of(one)), seen(of(one), **over), one)).text


@pytest.mark.parametrize(
    ("one", "text"),
    [
        (circuit(), "71%"),
        (circuit(percent=44), "71% 44%hot"),
        (circuit(percent=44.9), "71% 44%hot"),
        (circuit(run=run(slow=True)), "71% slow"),
        (circuit(age_s=9), "71% ?9s"),
        (circuit(confirmed=False), "running?"),
        (circuit(state="held"), "held 0:41"),
        (unconfirmed(), "held? ?12s"),
        (circuit(state="tripped"), "tripped 0:41"),
        (circuit(state="tripped", blocked="night1"), "BLOCKED night1"),
        (idle(), "free"),
        (circuit(state="idle"), "start by 03:10"),
        (circuit(state="idle", load=load(start_by_ms=None)), "to start"),
        (circuit(state="idle", load=load(start_by_ms=NOW_MS - 1)), "soak is over"),
        (circuit(state="idle", load=load(start_from_ms=NOW_MS + 20 * MINUTE)), "soak 0:20"),
        (cooling(), "cool-down 0:25"),
        (circuit(state="complete"), "to unload 1:52"),
        (circuit(state="complete", probe_C=41.0), "cool-down hot"),
    ],
)
def test_cell_says_the_least_that_is_true(one, text):
    """Percent while all is well, else the word; a part of a percent is not added."""
    assert cell(one) == text


def test_nothing_in_a_cell_of_a_silent_service_looks_current():
    """No percent, no time: the state with its question mark and the age."""
    assert cell(circuit(), silent_s=4.0) == "running? ?4s"
    assert cell(circuit(blocked="night1"), silent_s=4.0) == "BLOCKED night1"


def test_abnormal_is_what_departs():
    """Quiet: idle, running, ended and read back. All else is told."""
    quiet = (circuit(), idle(), circuit(state="idle"), circuit(state="complete"), cooling())
    loud = (
        circuit(state="held"), circuit(state="tripped"), unconfirmed(), circuit(percent=99.0), circuit(age_s=9),
        circuit(blocked="night1"), circuit(alarms=(alarm("A01"),)), circuit(link="down"), circuit(run=run(slow=True)),
    )  # fmt: skip
    assert [outlook.abnormal(seen(of(each)), each) for each in quiet] == [False] * len(quiet)
    assert [outlook.abnormal(seen(of(each)), each) for each in loud] == [True] * len(loud)
    assert outlook.abnormal(seen(of(circuit()), silent_s=4.0), circuit())


def told(one, **over) -> str:
    shown = of(one, **over)
    return " ".join(sentence(scene(shown), seen(shown), one))


def test_sentence_of_a_derate_names_percent_reason_limit_since_and_both_ends():
    """Percent, reason with value and limit, since when, and the end with and without it."""
    hot = circuit("A07", percent=44, alarms=(alarm("A07", since_ms=NOW_MS - 117 * MINUTE),), run=run(4, 36.3))
    said = told(hot)
    for part in ("A07 second charge", "44 %", "00:17", "probe 53.5 C, above 50.0", "133.8 of 202.5 Ah"):
        assert part in said
    assert "Ends 19:43 if 44 % stays, 10:13 at 100 % from now on" in said


def test_sentence_of_a_block_says_that_it_is_no_isolation():
    """A block stands before every state, with who and since when, and offers nothing."""
    said = told(circuit(state="tripped", blocked="night1"))
    assert said.startswith("A01 BLOCKED by night1 since 02:05. NOT ISOLATION: padlock, prove dead, meter")
    assert "reset" not in said


def test_sentence_of_a_hold_says_why_and_what_next():
    """Since when, the cause, and the core's own refusal where it would not resume."""
    assert "held since 01:33 in step 4 of 6: local control." in told(circuit(state="held"))
    assert "No resume yet: hood open." in told(circuit(state="held", may={"resume": "hood open"}))
    assert "Zero is NOT read back." in told(unconfirmed())
    assert "Would end" not in told(unconfirmed())


def test_sentence_of_a_silent_service_is_not_current():
    """Only what was known, with the moment."""
    shown = of(circuit())
    first, second = sentence(scene(shown), seen(shown, silent_s=4.0), circuit())
    assert first.startswith("A01 NOT current, as of 02:14:31: running?")
    assert second == ""


def test_sentence_names_the_day_only_of_another_day():
    """An end tomorrow carries its day."""
    assert "Ends 09:22." in told(circuit())
    assert "Ends Wed " in told(circuit(run=run(1, 0.0, step_time_ms=0), percent=60.0, allowed_code=None))


def test_words_never_fail():
    """Whatever a service says, every word can be said of it."""
    count = 0
    for seed in range(400):
        shown = any_scene(random.Random(seed))
        for home, one in shown.circuits():
            assert all(isinstance(line, str) for line in sentence(shown, home, one))
            row(*outlook.of_cell(shown, home, one))
            assert len(outlook.left_text(home, one)) <= 5
            assert isinstance(outlook.runs_word(shown, home, one), str)
            count += 1
    assert count > 1000


@pytest.mark.parametrize("planned_Ah", [1e308, float("inf"), float("nan"), -5.0, 0.0])
@pytest.mark.parametrize("current_A", [1e-308, 1e308, float("nan"), -3.0])
def test_impossible_amounts_have_no_end_and_a_line(planned_Ah, current_A):
    """A plan whose numbers are none breaks no screen and promises no time beyond three years."""
    steps = plan()["steps"]
    steps[3] = steps[3] | {"current_A": current_A}
    steps[5] = steps[5] | {"charge_Ah": None, "current_A": current_A}
    one = circuit()
    shown = of(one, plans={PLAN: plan(steps=steps, planned_Ah=planned_Ah)})
    left = outlook.left_ms(shown, one)
    assert left is None or 0 <= left <= 10**11
    assert len(outlook.course_line(shown.plan_of(one), one.run)) == 20
    assert outlook.percent(shown, one) in {None, *range(101)}
