"""The bench's options: what they make, and that every wrong one is one line that says what would be right."""

from __future__ import annotations

import argparse

import pytest
from drykit import profile_of

from profiles.problems import InputError
from simulator.bench.asked import add_day_arguments, add_setting_arguments, asked
from simulator.hall import BATH_FILE
from simulator.parameters import CellParameters

BATH = str(BATH_FILE)


def asks(*words, path="starter-60"):
    parser = argparse.ArgumentParser()
    add_setting_arguments(parser)
    add_day_arguments(parser)
    return asked(parser.parse_args(words), path)


def refused(*words, path="starter-60"):
    with pytest.raises(InputError) as caught:
        asks(*words, path=path)
    return [str(problem) for problem in caught.value.problems]


def test_nothing_said_is_the_usual_bath():
    """18 batteries, three circuits, the hottest water that the profile is for, the built-in physics, no bath."""
    setting = asks().setting
    assert (setting.batteries, setting.circuits, setting.water_C, setting.air_C) == (18, 3, 34.0, 22.0)
    assert setting.model == CellParameters()
    assert (setting.bath, setting.faults, setting.spread) == (None, (), False)


def test_water_is_the_profiles_hottest_where_it_has_one():
    """Said, it is what was said; else the top of the range, 31 C without one; who has no such option keeps 31."""
    assert (asks().water_given, asks("--water-C", "30").water_given) == (False, True)
    assert asks("--water-C", "30").setting.water_C == 30.0
    assert asks(path="bench-36s").setting.water_C == 31.0
    parser = argparse.ArgumentParser()
    add_setting_arguments(parser, water=False)
    assert asked(parser.parse_args([]), "starter-60").setting.water_C == 31.0


def test_a_bath_file_says_places_and_circuits():
    """Its first circuit's places are filled; all its circuits gas; fewer of both may be asked for."""
    setting = asks("--bath", BATH).setting
    assert (setting.batteries, setting.circuits) == (18, 8)
    assert asks("--bath", BATH, "--batteries", "12", "--circuits", "2").setting.batteries == 12


def test_everything_said_is_taken(tmp_path):
    """Each option reaches the setting; the text tried is the text read."""
    model, tariff = tmp_path / "m.toml", tmp_path / "t.csv"
    model.write_text('kind = "model"\n[parameter.fill_kg_m3]\nvalue = 1100.0\n')
    tariff.write_text("from,price_per_kWh\n0:00,0.2\n12:00,0.1\n")
    found = asks("--water-C", "12.5", "--air-C", "-3", "--circuits", "1", "--model", str(model), "--start", "22:00",
                 "--fault", "6:12 A01 open_clamp", "--fault", "cooling_lost", "--tariff", str(tariff))  # fmt: skip
    setting = found.setting
    assert (setting.water_C, setting.air_C, setting.circuits, setting.model.fill_kg_m3) == (12.5, -3.0, 1, 1100.0)
    assert [line.name for line in setting.faults] == ["open_clamp", "cooling_lost"]
    assert found.start is not None
    assert found.tariff is not None
    assert found.plan.sha256 == found.document.sha256 == profile_of()[1].sha256


def test_a_document_at_hand_is_not_read_again(tmp_path):
    """Whoever holds a text tries that text, whatever the file says meanwhile."""
    document = profile_of()[1]
    parser = argparse.ArgumentParser()
    add_setting_arguments(parser)
    found = asked(parser.parse_args([]), document=document)
    assert found.document is document


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--batteries", "0"], "dryrun: --batteries: '0' is out of range, write 1 to 60"),
        (["--batteries", "1.5"], "dryrun: --batteries: '1.5' is no whole number, write 1 to 60"),
        (["--batteries", "9" * 5000], "is out of range, write 1 to 60"),
        (["--batteries", "19", "--bath", BATH], "dryrun: --batteries: '19' is out of range, write 1 to 18"),
        (["--water-C", "51"], "dryrun: --water-C: '51' is out of range, write 0 to 50"),
        (["--water-C", "nan"], "dryrun: --water-C: 'nan' is no number, write 0 to 50"),
        (["--water-C", "warm"], "dryrun: --water-C: 'warm' is no number, write 0 to 50"),
        (["--water-C", "3_1"], "dryrun: --water-C: '3_1' is no number, write 0 to 50"),
        (["--water-C", "\uff13\uff11"], "dryrun: --water-C: '\uff13\uff11' is no number"),
        (["--air-C", " 20"], "dryrun: --air-C: ' 20' is no number"),
        (["--bath", ""], "dryrun: --bath: '' names no file, write the name of a bath file"),
        (["--model", " "], "dryrun: --model: ' ' names no file, write the name of a model file"),
        (["--tariff", ""], "dryrun: --tariff: '' names no file, write the name of a CSV file"),
        (["--fault", "A01 clamp_ohm 0_1"], "dryrun: --fault: '0_1' is no number, write digits 0 to 9"),
        (["--fault", "\uff16:12 A01 open_clamp"], "dryrun: --fault: '\uff16:12' is no number"),
        (["--start", "2\uff12:00"], "dryrun: --start: '2\uff12:00' is no time"),
        (["--air-C", "1e99"], "dryrun: --air-C: '1e99' is out of range, write -10 to 50"),
        (["--circuits", "9", "--bath", BATH], "dryrun: --circuits: '9' is out of range, write 1 to 8"),
        (["--circuits", "\u0663"], "dryrun: --circuits: '\u0663' is out of range, write 1 to 64"),
        (["--bath", "/nowhere/b.toml"], "/nowhere/b.toml: is not there, or is no plain file; name a TOML file"),
        (["--model", BATH], "kind: 'bath' is another kind of file, kind = \"model\" is wanted here"),
        (["--fault", ""], "dryrun: --fault: an empty fault line; right would be"),
        (["--fault", "6:75 A01 open_clamp"], "dryrun: --fault: '6:75' is no time"),
        (["--fault", "A01 open_clam"], "did you mean open_clamp?"),
        (["--fault", "A07 open_clamp"], "no circuit is called 'A07'; there are A01"),
        (["--fault", "A01/19 reversed"], "A01 has batteries 1 to 18, not 19"),
        (["--start", "25:00"], "dryrun: --start: '25:00' is no time, write hours:minutes such as 22:00"),
        (["--start", "2026-02-30T22:00"], "dryrun: --start: '2026-02-30T22:00' is no time"),
        (["--start", "1826-02-20T22:00"], "dryrun: --start: '1826-02-20T22:00' is no time"),
        (["--start", "\x1b[2J"], "dryrun: --start: '?[2J' is no time"),
        (["--tariff", "/nowhere/t.csv"], "/nowhere/t.csv: cannot be read: No such file or directory"),
    ],
)
def test_each_wrong_option_is_one_line(words, said):
    """One line, its option, what is wrong, what would be right; nothing that a terminal would obey."""
    (line,) = refused(*words)
    assert said in line
    assert "\n" not in line
    assert "\x1b" not in line


def test_prices_by_the_hour_need_an_hour(tmp_path):
    """A tariff of two prices without a start is a question; of one price it is none."""
    two, one = tmp_path / "two.csv", tmp_path / "one.csv"
    two.write_text("from,price_per_kWh\n6:00,0.2\n22:00,0.1\n")
    one.write_text("from,price_per_kWh\n0:00,0.2\n")
    assert refused("--tariff", str(two)) == [
        "dryrun: --tariff: its prices change by the hour: say --start, such as 22:00"
    ]
    assert asks("--tariff", str(one)).tariff is not None


def test_all_that_is_wrong_is_told_at_once():
    """Three wrong options and a wrong profile: four lines."""
    assert len(refused("--water-C", "x", "--circuits", "0", "--start", "now", path="starter-61")) == 4


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("starter-6", "dryrun: PROFILE: 'starter-6' is no file here; did you mean starter-60?"),
        ("zzz", "the library has bench-10min"),
        ("no/such.toml", "no/such.toml: is not there"),
        ("/", "/: is a folder"),
        ("a\x00b", "is no file here"),
        ("\x1b[31mred", "?[31mred"),
        (BATH, "kind: 'bath' is another kind of file"),
    ],
)
def test_profiles_that_are_none(path, said):
    """A near name is offered, another kind of file is named, nothing raises anything else."""
    lines = refused(path=path)
    assert said in lines[0]
    assert "\x1b" not in lines[0]


def test_a_wrong_profile_has_its_own_lines(tmp_path):
    """Each fault at its line, by the profile's own rules."""
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(
        profile_of()[1].text.replace("current_C20 = 0.25", "current_C20 = 0.45").replace("hours = 0.5", "x = 1")
    )
    lines = refused(path=str(wrong))
    assert any(line.startswith(f"{wrong}:{_line(wrong, '0.45')}: step[2].current_C20") for line in lines)
    assert len(lines) > 1


def _line(path, text):
    return next(number for number, line in enumerate(path.read_text().splitlines(), 1) if text in line)


def test_a_circuit_that_cannot_take_the_profile(tmp_path):
    """The core's own refusal at loading, with the bath's file and circuit: too much current, volts, another level."""
    text = BATH_FILE.read_text()
    for swap, said in (
        (("current_max_A = 20", "current_max_A = 14"), "circuit A01: cannot take the profile: step 2 asks for 15.0 A"),
        (("voltage_max_V = 340", "voltage_max_V = 300"), "needs 308 V, this circuit takes 300"),
        (("after_run_minutes = 60", "after_run_minutes = 60\nlevel_mm = 176"), "level mark at 152 mm, this bath's"),
    ):
        bath = tmp_path / "b.toml"
        bath.write_text(text.replace(swap[0], swap[1], 1))
        (line,) = refused("--bath", str(bath))
        assert line.startswith(f"{bath}: circuit A01: cannot take the profile: ")
        assert said in line
