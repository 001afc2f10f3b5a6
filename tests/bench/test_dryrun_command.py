"""The command as a person gives it: whole runs on the real core, its files, its exit codes, what a terminal sees."""

from __future__ import annotations

import argparse
import io
import json
import os
import xml.etree.ElementTree as ET

import pytest

from profiles.problems import InputError
from simulator.bench import dryruncmd
from simulator.bench.dryruncmd import progress_line
from simulator.hall import BATH_FILE

BATH = str(BATH_FILE)


def run(*words):
    parser = argparse.ArgumentParser()
    dryruncmd.add_arguments(parser)
    return dryruncmd.run(parser.parse_args(words))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """One whole formation as JSON with its picture, and one whose clamp opens, told in words with its table."""
    folder = tmp_path_factory.mktemp("dry")
    told = {}
    with pytest.MonkeyPatch.context() as patch:
        for name, words in (
            ("clean", ["starter-60", "--water-C", "31", "--json", "-o", str(folder / "a.svg"), "--start", "22:00"]),
            ("clamp", ["starter-60", "--water-C", "31", "--fault", "0:40 A01 open_clamp", "-o", str(folder / "a.csv")]),
        ):
            out = io.StringIO()
            patch.setattr("sys.stdout", out)
            told[name] = (run(*words), out.getvalue())
    return folder, told


@pytest.mark.slow
def test_a_whole_formation_comes_to_its_end(whole):
    """The figures of the 18 h profile as they were computed once by another implementation of the same physics: 202.5
    Ah, 18.4 h, 53.4 kWh, 2.78 V/cell, 1.282 kg/L, 97.7 % formed; each step says what ended it.
    """
    code, text = whole[1]["clean"]
    read = json.loads(text)
    (dry,) = read["runs"]
    assert (code, read["exit"], dry["verdict"]) == (0, 0, "complete")
    totals = dry["totals"]
    assert totals["hours"] == pytest.approx(18.4, abs=0.02)
    assert totals["charge_Ah"] == pytest.approx(202.5, abs=0.1)
    assert totals["energy_kWh"] == pytest.approx(53.4, abs=0.4)
    assert totals["highest_V_per_cell"] == pytest.approx(2.78, abs=0.01)
    assert totals["density_kg_L"] == pytest.approx(1.282, abs=0.001)
    assert totals["formed_positive_percent"] == pytest.approx(97.7, abs=0.2)
    assert totals["gas"]["string_m3"] == pytest.approx(4.3, abs=0.1)
    assert [step["ended_by"] for step in dry["steps"]] == ["time", "charge", "time", "charge", "time", "charge"]
    assert dry["setting"]["start"] == "22:00"
    assert dry["events"]


@pytest.mark.slow
def test_its_picture_is_one_of_four_panels(whole):
    """Well-formed, self-contained, with the profile's name as its title."""
    svg = ET.parse(whole[0] / "a.svg").getroot()
    assert svg.tag.endswith("svg")
    text = "".join(svg.itertext())
    assert "starter 60 Ah" in text
    for word in ("net charge", "current", "voltage", "temperature", "derate", "hold"):
        assert word in text


@pytest.mark.slow
def test_a_clamp_that_opens_trips_and_says_so(whole):
    """Exit 1, the cause in words, the moment, and its table beside it."""
    code, text = whole[1]["clamp"]
    assert code == 1
    joined = " ".join(text.split())
    assert "never ended" in joined
    assert "tripped at 0:40" in joined
    assert "no current at voltage limit" in joined
    assert max(map(len, text.splitlines())) <= 80
    assert (whole[0] / "a.csv").read_text().startswith("hours (h),step,")


@pytest.fixture
def untried(monkeypatch):
    """Nothing is computed where the input is wrong: a try would be an error here."""
    monkeypatch.setattr(dryruncmd, "run_dry", lambda *_: pytest.fail("tried although the input is wrong"))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["starter-60", "-o", "x.png"],
            "dryrun: -o: 'x.png' has no ending that is known here, write FILE.svg or FILE.csv",
        ),
        (["starter-60", "-o", "x"], "dryrun: -o: 'x' has no ending"),
        (["starter-60", "-o", "nowhere/x.svg"], "dryrun: -o: nowhere/x.svg: its folder does not exist, make it first"),
        (["starter-60", "-o", "folder.svg"], "dryrun: -o: folder.svg is a folder, name a file"),
        (["starter-60", "-o", "pipe.svg"], "dryrun: -o: pipe.svg is no plain file, name another one"),
        (["starter-60", "-o", "link.csv"], "dryrun: -o: link.csv is no plain file, name another one"),
        (["starter-60", "-o", "run/log.csv"], "dryrun: -o: run/log.csv would stand in the run folder"),
        (["starter-60", "-o", "\x1b[2J\x00.svg"], "dryrun: -o: ?[2J?.svg: its name cannot be used"),
        (["starter-60", "starter-60", "starter-60"], "dryrun: PROFILE: 3 given, write one, or two to compare"),
        (["starter-60", "starter-61"], "dryrun: PROFILE: 'starter-61' is no file here"),
        (["starter-60", "--water-C", "80"], "dryrun: --water-C: '80' is out of range, write 0 to 50"),
        (["starter-60", "starter-60", "--water-C", "80"], "dryrun: --water-C: '80' is out of range, write 0 to 50"),
    ],
)
def test_wrong_words_are_one_line_and_nothing_is_tried(untried, tmp_path, monkeypatch, words, said):
    """Before anything is computed; with two profiles a wrong option is told once."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.svg").mkdir()
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "run.json").write_text("{}")
    os.mkfifo(tmp_path / "pipe.svg")
    (tmp_path / "link.csv").symlink_to("/dev/null")
    with pytest.raises(InputError) as caught:
        run(*words)
    (line,) = map(str, caught.value.problems)
    assert said in line
    assert "\x1b" not in line


def test_two_are_compared_in_one_water(tmp_path):
    """Where none is said it is the hottest that either is for; what was said holds for both."""
    for words, water_C, given in (([], 34.0, False), (["--water-C", "28"], 28.0, True)):
        parser = argparse.ArgumentParser()
        dryruncmd.add_arguments(parser)
        asks = dryruncmd._asks(parser.parse_args(["starter-60-cool", "starter-60", *words]))
        assert [(one.setting.water_C, one.water_given) for one in asks] == [(water_C, given)] * 2


def test_wrong_input_as_json(untried, capsys):
    """Standard output still holds the one object; the sentence goes on to standard error by the front door."""
    with pytest.raises(InputError):
        run("starter-60", "--json", "--circuits", "x", "--start", "\x1b")
    out = capsys.readouterr().out
    assert [one["key"] for one in json.loads(out)["problems"]] == ["--circuits", "--start"]
    assert "\x1b" not in out


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_place_that_cannot_be_written(tmp_path, monkeypatch):
    """One line after the try, and nothing half written."""
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="cannot be written: Permission denied"):
        dryruncmd._write(tmp_path / "x.csv", [])


def test_a_full_device_is_one_line(monkeypatch, tmp_path):
    """Whatever the system says while writing comes as the option's own line."""
    place = tmp_path / "x.csv"
    place.symlink_to("/dev/full")
    monkeypatch.setattr(dryruncmd.pictures, "course_csv", lambda _: "x" * 100_000)
    with pytest.raises(InputError) as caught:
        dryruncmd._write(place, [])
    assert "cannot be written: No space left on device; name another file" in str(caught.value)


def test_progress_is_silent_for_a_second_then_one_line():
    """Nothing in the first second; then the share of the planned hours, redrawn in place; cleared at the end."""
    now = 0.0
    out = io.StringIO()
    show = progress_line("dryrun", 20.0, lambda: now, out)
    for second in (0.5, 0.9):
        now = second
        show(2.0, 0)
    assert out.getvalue() == ""
    now = 2.0
    show(10.0, 0)
    now = 2.1
    show(10.5, 0)
    assert out.getvalue() == "\rdryrun 50 %  10.0 of 20.0 h  2 s left\x1b[K"
    now = 9.0
    show(40.0, 0)
    assert "99 %" in out.getvalue()
    show(40.0, 1)
    assert out.getvalue().endswith("\r\x1b[K")


def test_progress_of_a_quick_try_leaves_no_trace():
    """Over within the second: not even a clearing."""
    out = io.StringIO()
    show = progress_line("dryrun", 20.0, lambda: 0.0, out)
    show(-900.0, 0)
    show(20.0, 1)
    assert out.getvalue() == ""


class Screen(io.StringIO):
    """Says that it is a terminal."""

    encoding = "utf-8"

    def isatty(self):
        return True

    def fileno(self):
        raise OSError


def test_figures_follow_on_a_terminal_only(monkeypatch):
    """On a terminal three plots follow the table, in ASCII where it can show nothing else; never past 80 columns."""
    for term, plain in (("xterm", False), ("linux", True)):
        screen = Screen()
        monkeypatch.setenv("TERM", term)
        monkeypatch.setattr("sys.stdout", screen)
        assert run("bench-36s", "--bath", BATH) == 0
        text = screen.getvalue()
        assert text.count("since the start order") == 3
        assert text.isascii() is plain
        assert max(map(len, text.splitlines())) <= 80
    pipe = io.StringIO()
    monkeypatch.setattr("sys.stdout", pipe)
    run("bench-36s")
    assert "since the start order" not in pipe.getvalue()


@pytest.mark.skipif(not os.environ.get("FORMBATH_LONG"), reason="long form: two whole formations more")
def test_summer_and_winter(capsys):
    """The same profile in the hottest and coldest water: in winter cooler, at higher volts, less formed."""
    found = {}
    for water_C in ("34", "15"):
        run("starter-60", "--bath", BATH, "--water-C", water_C, "--json")
        found[water_C] = json.loads(capsys.readouterr().out)["runs"][0]["totals"]
    summer, winter = found["34"], found["15"]
    assert summer["hottest_C"] - winter["hottest_C"] > 10.0
    assert winter["highest_V_per_cell"] > summer["highest_V_per_cell"]
    assert winter["formed_positive_percent"] < summer["formed_positive_percent"]
