"""What a profile may say: one changed line in a good file, one fault at that line, in words that name a way out."""

from __future__ import annotations

from pathlib import Path

import pytest

from profiles.loader import load_model, parse_document
from profiles.problems import InputError
from profiles.profile import Profile, load_profile
from profiles.warnings import planned_charge_Ah, profile_problems, unrolled

LIBRARY = Path(__file__).parents[2] / "profiles" / "library"

GOOD = """\
kind = "profile"
name = "trial"
revision = 1
battery = { cells = 6, capacity_C20_Ah = 60 }

[soak]
minutes_min = 30
minutes_max = 120

[bath]
water_C = [20, 34]

[limits]
voltage_V_per_cell = 2.95
probe_C = 60

[[step]]
name = "wetting"
kind = "charge"
current_C20 = 0.05
voltage_limit_V_per_cell = 2.85
end = { hours = 0.5 }

[[step]]
name = "main"
kind = "charge"
current_C20 = 0.25
voltage_limit_V_per_cell = 2.85
end = { charge_C20 = 3.0 }

[[step]]
name = "pause"
kind = "rest"
end = { hours = 0.5 }

[[step]]
name = "relief"
kind = "discharge"
current_A = 6
voltage_floor_V_per_cell = 1.75
end = { hours = 0.25 }

[[step]]
name = "acid"
kind = "rest"
task = "dump, refill 1.320"
refill_density = 1.320
end = { order = true, hours = 3 }

[[step]]
name = "pulses"
kind = "repeat"
times = 3

[[step.step]]
name = "pulse"
kind = "charge"
current_C20 = 0.2
voltage_limit_V_per_cell = 2.85
end = { charge_C20 = 0.1 }

[[step.step]]
name = "gap"
kind = "rest"
end = { hours = 0.1 }

[[step]]
name = "finish"
kind = "charge"
current_C20 = 0.1
voltage_limit_V_per_cell = 2.85
end = { charge_C20 = 0.35, steady = { rise_mV_per_cell = 4, over_minutes = 60, not_before_charge_C20 = 0.2 } }
on_overrun = "next"

[[reading]]
after_step = "finish"
what = "density"
batteries = [1, 9, 18]
"""


def profile_of(text: str) -> Profile:
    return load_model(parse_document(text, "p.toml"), Profile)


def faults_of(text: str) -> list[str]:
    try:
        profile_of(text)
    except InputError as error:
        return [str(problem) for problem in error.problems]
    return []


def warnings_of(text: str) -> list[str]:
    document = parse_document(text, "p.toml")
    found = profile_problems(load_model(document, Profile), document)
    return [str(problem) for problem in found if problem.warning]


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) >= 1
    return GOOD.replace(old, new, 1)


def test_a_good_profile_has_no_fault_and_no_warning():
    """The file that all others here differ from by one line."""
    assert faults_of(GOOD) == []
    assert warnings_of(GOOD) == []
    assert [step.name for _, step in unrolled(profile_of(GOOD))].count("pulse") == 3
    assert planned_charge_Ah(profile_of(GOOD)) == pytest.approx(60 * (0.025 + 3.0 + 0.3 + 0.35))


ONE_LINE = [
    ("current_C20 = 0.25", "current_C20 = 0.45", "step[2].current_C20: 0.45 is above 0.4"),
    ("current_C20 = 0.25", "current_C20 = -0.25", "step[2].current_C20: -0.25 is not above 0"),
    ("current_C20 = 0.25", "current_C20 = nan", "step[2].current_C20: nan is no figure"),
    ("current_C20 = 0.25", "current_C20 = inf", "step[2].current_C20: inf is"),
    ("current_C20 = 0.25", 'current_C20 = "0.25"', 'step[2].current_C20: "0.25" is text, write a number'),
    ("current_C20 = 0.25", "current_C20 = true", "step[2].current_C20: true does not fit, write a number"),
    ("current_C20 = 0.25", "current_C20 = [0.25]", "step[2].current_C20: a list does not fit, write a number"),
    ("current_C20 = 0.25", "current_A = 24.5", "step[2].current_A: 24.5 A is above 0.4 x C20, write 24 or less"),
    ("current_C20 = 0.25", "current_mA = 15000", "step[2].current_mA: unit mA is not used here, write current_A"),
    ("current_C20 = 0.25", "current_C20 = 0.25\ncurrent_A = 15", "step[2].current_C20: current_A and current_C20"),
    ("voltage_limit_V_per_cell = 2.85", "voltage_limit_V_per_cell = 3.4", "step[1].voltage_limit_V_per_cell: 3.4 is"),
    ("voltage_limit_V_per_cell = 2.85", "voltage_limit_V_per_cell = 2.97", "not below limits.voltage_V_per_cell"),
    ("hours = 0.5", "hours = 201", "step[1].end.hours: 201 is above 200"),
    ("hours = 0.5", "hours = 0", "step[1].end.hours: 0 is not above 0"),
    ("hours = 0.5", "minutes = 30", "step[1].end.minutes: unit minutes is not used here, write hours"),
    ("cells = 6", "cells = 121", "battery.cells: 121 is above 120, write a whole number from 1 to 120"),
    ("cells = 6", "cells = 6.5", "battery.cells: 6.5 does not fit, write a whole number"),
    ("capacity_C20_Ah = 60", "capacity_C20_Ah = 3001", "battery.capacity_C20_Ah: 3001 is above 3000"),
    ("minutes_max = 120", "minutes_max = 20", "soak.minutes_max: 20 is below minutes_min, write 30 or more"),
    ("minutes_max = 120\n", "", "soak.minutes_max: missing"),
    ("water_C = [20, 34]", "water_C = [34, 20]", "bath.water_C: the hottest water is not above the coldest"),
    ("water_C = [20, 34]", "water_C = [20]", "bath.water_C"),
    ("probe_C = 60", "probe_C = 70", "limits.probe_C: 70 is above 65"),
    ("probe_C = 60", "probe_F = 140", "limits.probe_F: unit F is not used here, write probe_C"),
    (
        'kind = "rest"\nend = { hours = 0.5 }',
        'kind = "rest"\nend = { charge_Ah = 3, hours = 1 }',
        "cannot end by charge_Ah",
    ),
    ('kind = "rest"\nend = { hours = 0.5 }', 'kind = "rest"\ncurrent_A = 3\nend = { hours = 0.5 }', "no current_A"),
    ('kind = "rest"\nend = { hours = 0.5 }', 'kind = "rest"', "step[3].end: missing"),
    ('kind = "rest"\nend = { hours = 0.5 }', 'kind = "rest"\nend = {}', "step[3].end: nothing ends this step"),
    (
        'kind = "rest"\nend = { hours = 0.5 }',
        'kind = "rest"\nend = { temperature_C = 35 }',
        "step[3].longest_hours: missing",
    ),
    ('kind = "rest"\nend = { hours = 0.5 }', 'kind = "sleep"\nend = { hours = 0.5 }', 'step[3].kind: "sleep" does not'),
    ("voltage_floor_V_per_cell = 1.75\n", "", "step[4].voltage_floor_V_per_cell: missing"),
    ("end = { hours = 0.25 }", "end = { voltage_V_per_cell = 1.7, hours = 1 }", "1.7 is below the step's floor"),
    ("end = { hours = 0.25 }", "end = { current_A = 7, hours = 1 }", "is not below the step's own current"),
    ("order = true, hours = 3", "hours = 3", "step[5].end.order: missing, a task ends when a person says so"),
    ("order = true, hours = 3", "order = true", "step[5].longest_hours: missing"),
    ("refill_density = 1.320", "refill_density = 1320", "step[5].refill_density: 1320 is above 1.4"),
    ('task = "dump, refill 1.320"\n', "", "step[5].refill_density: stands without its task"),
    ("refill_density = 1.320", 'refill_density = 1.320\non_overrun = "next"', "step[5].on_overrun: a task step always"),
    ("refill_density = 1.320", "refill_density = 1.320\nlongest_hours = 4", "hours beside order is already"),
    ("times = 3\n", "", "step[6].times: missing"),
    ("times = 3", "times = 3\nend = { hours = 1 }", "step[6].end: a repeat step has no end"),
    ("times = 3", "times = 251", "step[6].times: 251 is above 200"),
    (
        'name = "gap"\nkind = "rest"\nend = { hours = 0.1 }',
        'name = "gap"\nkind = "repeat"\ntimes = 2',
        "two levels are the most",
    ),
    ("charge_C20 = 0.35, ", "charge_C20 = 0.35, charge_Ah = 21, ", "charge_Ah and charge_C20 are both given"),
    (", not_before_charge_C20 = 0.2", "", "step[7].end.steady.not_before_charge_C20: missing"),
    ("not_before_charge_C20 = 0.2", "not_before_charge_C20 = 0", "not_before_charge_C20: 0 is not above 0"),
    ('on_overrun = "next"', 'on_overrun = "stop"', 'step[7].on_overrun: "stop" does not fit, write "hold", "next" or'),
    ('on_overrun = "next"', "longest_hours = -1", "step[7].longest_hours: -1 is not above 0"),
    ('after_step = "finish"', 'after_step = "finnish"', 'reading[1].after_step: no step is named "finnish"'),
    ("batteries = [1, 9, 18]", "batteries = [1, 1]", "reading[1].batteries: names a battery twice"),
    ("batteries = [1, 9, 18]", "batteries = [0]", "reading[1].batteries[1]: 0 is below 1"),
    ("revision = 1", "revison = 1", "revison: unknown key, write revision"),
    ('kind = "profile"', 'kind = "bath"', "kind: 'bath' is another kind of file"),
    ('kind = "profile"\n', "", "kind: missing"),
    ('name = "trial"', 'name = "two\\nlines"', "on one line"),
]


@pytest.mark.parametrize(("old", "new", "words"), ONE_LINE, ids=[row[2][:40] for row in ONE_LINE])
def test_one_wrong_line_is_told_at_its_line(old, new, words):
    """The fault that was planted is among those told, and its line is one of the lines changed or its table's."""
    text = changed(old, new)
    told = [line for line in faults_of(text) if words in line]
    assert told, faults_of(text)
    line = int(told[0].split(":")[1])
    first = text[: GOOD.index(old)].count("\n") + 1
    table = max(
        (number for number, row in enumerate(text.split("\n"), 1) if row.startswith("[") and number <= first), default=1
    )
    assert table <= line <= first + new.count("\n") or line == 1


def test_all_faults_of_a_file_are_told_at_once_in_the_order_of_their_lines():
    """A wrong number hides neither a missing key in the same step nor a misfit between two tables."""
    text = changed("current_C20 = 0.25\nvoltage_limit_V_per_cell = 2.85", "current_C20 = 9")
    text = text.replace("minutes_max = 120", "minutes_max = 10").replace('after_step = "finish"', 'after_step = "end"')
    told = faults_of(text)
    assert len(told) == 4
    lines = [int(line.split(":")[1]) for line in told]
    assert lines == sorted(lines)


def test_steps_of_a_repeat_are_counted_with_it():
    """A file whose repeats write out to more steps than any bath runs is refused."""
    text = changed("times = 3", "times = 200").replace('name = "gap"', 'name = "gap"\n', 1)
    more = text + text[text.index('[[step]]\nname = "pulses"') : text.index('[[step]]\nname = "finish"')]
    assert any("steps after all repeats" in line for line in faults_of(more))
    assert faults_of(text) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "current_C20 = 0.25\nvoltage_limit_V_per_cell = 2.85",
            "current_C20 = 0.25\nvoltage_limit_V_per_cell = 2.60",
            "gassing",
        ),
        (
            "current_C20 = 0.25\nvoltage_limit_V_per_cell = 2.85",
            "current_C20 = 0.25\nvoltage_limit_V_per_cell = 2.84",
            "2.84 V/cell is below the 2.85 of the step before",
        ),
        ("charge_C20 = 3.0", "charge_C20 = 1.0", "x C20 planned in all"),
        ("charge_C20 = 3.0", "charge_C20 = 6.0", "x C20 planned in all"),
        ("probe_C = 60", "probe_C = 62", "above the usual"),
        ("voltage_V_per_cell = 2.95", "voltage_V_per_cell = 2.88", "below the trip"),
        ("not_before_charge_C20 = 0.2", "not_before_charge_C20 = 0.4", "can never end the step"),
        ("current_C20 = 0.05", "current_C20 = 0.2", "start's peak"),
        ("[soak]\nminutes_min = 30\nminutes_max = 120\n", "", "no [soak]"),
    ],
)
def test_unwise_profiles_are_right_with_a_warning(old, new, words):
    """None of these makes the file wrong; each is worth a second look."""
    text = changed(old, new)
    assert faults_of(text) == []
    assert any(words in line for line in warnings_of(text)), warnings_of(text)


def test_a_finish_that_ends_by_current_may_hold_the_voltage_below_gassing():
    """Constant voltage that is meant to end by a fallen current is no mistake."""
    text = changed("end = { charge_C20 = 0.35, steady", "end = { current_C20 = 0.03, steady")
    text = text.replace('on_overrun = "next"', 'on_overrun = "next"\nlongest_hours = 6')
    low = text.replace(
        "current_C20 = 0.1\nvoltage_limit_V_per_cell = 2.85", "current_C20 = 0.1\nvoltage_limit_V_per_cell = 2.6"
    )
    assert faults_of(low) == []
    assert not any("gassing" in line for line in warnings_of(low))
    assert not any("of the step before" in line for line in warnings_of(low)), "there is a rest between"


@pytest.mark.parametrize("file", sorted(LIBRARY.glob("*.toml")), ids=lambda file: file.name)
def test_the_library_is_right_and_free_of_warnings(file):
    """People start from these files."""
    profile, document = load_profile(file)
    assert [str(found) for found in profile_problems(profile, document) if found.warning] == []


def test_the_library_covers_three_sizes_and_both_kinds_of_bench():
    """At least seven profiles; the bench ones need no soak and say 36 s and 10 min in their steps."""
    profiles = {file.stem: load_profile(file)[0] for file in LIBRARY.glob("*.toml")}
    assert len(profiles) >= 7
    assert {profile.battery.capacity_C20_Ah for profile in profiles.values()} >= {45, 60, 100}
    for name, seconds in (("bench-36s", 36), ("bench-10min", 600)):
        assert profiles[name].soak is None
        hours = [step.end.hours for step in profiles[name].step if step.end and step.end.hours]
        assert sum(hours) * 3600 == pytest.approx(seconds, abs=0.01)
    kinds = {step.kind for profile in profiles.values() for step in profile.step}
    assert kinds == {"charge", "discharge", "rest", "repeat"}
