"""The command `release`: what it asks in which order, when it refuses, and that nothing is written too early."""

from __future__ import annotations

import argparse
import io
import json
import os
import pwd
import shlex
from dataclasses import dataclass, field, replace

import pytest

from controller.core.version import CORE
from profiles.loader import LIBRARY, read_document
from profiles.problems import InputError
from profiles.release import BANDS, LARGEST_BYTES, Band, CourseStep, read_release, release_problems
from simulator.bench import releasecmd
from simulator.bench.releasecmd import Bench, Talk
from simulator.bench.releasing import Noted, fitting

TEXT = (LIBRARY / "starter-60.toml").read_text(encoding="utf-8")
NAME = "starter 60 Ah, one-shot, 18 h"
CONFIRM = f"{NAME}/3"
SHORT = """\
[[step]]
name = "short"
kind = "charge"
current_A = 6
voltage_limit_V_per_cell = 2.85
end = { charge_Ah = 0.3 }
"""
ONE = Band(low=(1.0, 2.0), middle=(1.0, 2.0), high=(1.0, 2.0))
STEP = CourseStep(
    step=1, name="wetting", kind="charge", grid="charge_Ah", at=(0.0, 1.5), elapsed_h=ONE, voltage_V_per_cell=ONE,
    current_A=ONE, probe_C=ONE, duration_h=(0.5, 0.5, 0.5),
)  # fmt: skip


@dataclass(frozen=True)
class Dry:
    """A dry run that went well."""

    said: str = "complete, 18.4 h"
    remarks: tuple[Noted, ...] = ()


@dataclass(frozen=True)
class Study:
    """A study that found nothing."""

    said: str = "64 strings, none tripped"
    remarks: tuple[Noted, ...] = ()
    trips: dict[str, int] = field(default_factory=dict)
    strings: int = 64
    seed: int = 7
    shares: dict[str, float] = field(default_factory=lambda: {"tripped_percent": 0.0})
    course: tuple[CourseStep, ...] = (STEP,)
    totals: dict[str, float | None] = field(default_factory=lambda: {"hours": 18.4})


class Desk:
    """One person with the command: what is typed, what was tried, what was said."""

    def __init__(self, folder):
        self.folder = folder
        self.profile, self.place = folder / "p.toml", folder / "p.release.json"
        self.profile.write_text(TEXT, encoding="utf-8")
        self.tried = []
        self.dry, self.study = Dry(), Study()
        self.meanwhile = lambda: None

    def run(self, *words, typed=None):
        """The exit code; `typed` None: a script, else the answers in order."""
        parser = argparse.ArgumentParser()
        releasecmd.add_arguments(parser)
        self.out, self.err = io.StringIO(), io.StringIO()
        answers = iter(typed or ())
        ask = None if typed is None else lambda: next(answers, "") + "\n"
        bench = Bench(self._dry, self._study)
        try:
            return releasecmd.release(
                parser.parse_args([str(self.profile), *words]), Talk(self.out, self.err, ask), bench
            )
        except InputError as error:
            self.err.write(f"{error}\n")
            return 2

    def script(self, *words):
        return self.run("--confirm", CONFIRM, "--reason", "first", *words)

    def _dry(self, wanted):
        self.tried.append(("dry", wanted))
        return self.dry

    def _study(self, wanted):
        self.tried.append(("study", wanted))
        self.meanwhile()
        return self.study

    @property
    def said(self):
        return self.out.getvalue() + self.err.getvalue()


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path)


def test_a_script_releases(desk):
    """Dry run, then study, of the same text; the release is of it, by who runs this, and `check` agrees."""
    assert desk.script("--water-C", "18:34.5", "--strings", "64", "--seed", "7", "--workers", "2") == 0
    assert [name for name, _ in desk.tried] == ["dry", "study"]
    wanted = desk.tried[0][1]
    assert wanted is desk.tried[1][1]
    assert (wanted.water_C, wanted.asked.setting.water_C) == ((18.0, 34.5), 34.5)
    assert (wanted.strings, wanted.seed, wanted.workers) == (64, 7, 2)
    found = read_release(desk.place)
    assert release_problems(read_document(desk.profile), found) == []
    assert (found.person, found.reason) == (releasecmd.person_of(os.getuid(), os.environ), "first")
    assert (found.water_C, found.course, found.confirmed) == ((18.0, 34.5), (STEP,), ())
    assert set(found.versions) == {"formbath", "core", "python", "numpy"}
    assert found.versions["core"] == str(CORE)
    assert desk.out.getvalue().splitlines() == [
        "check    right, 0 warnings", "dry run  complete, 18.4 h", "study    64 strings, none tripped",
        "no release stands beside it yet: this is the first", f"released {CONFIRM} by {found.person}: {desk.place}",
    ]  # fmt: skip
    assert desk.err.getvalue() == ""


def test_what_is_not_said_comes_from_the_profile(desk):
    """Its own water; the usual string."""
    assert desk.script() == 0
    wanted = desk.tried[0][1]
    assert (wanted.water_C, wanted.asked.setting.batteries, wanted.asked.setting.circuits) == ((20.0, 34.0), 18, 3)
    assert wanted.names == {"bath": None, "bath_sha256": None, "model": None}


def test_settings_are_kept(desk):
    """Batteries, circuits, air as they were tried."""
    assert desk.script("--batteries", "12", "--circuits", "2", "--air-C", "10") == 0
    settings = read_release(desk.place).settings
    assert (settings["batteries"], settings["circuits"], settings["air_C"]) == (12, 2, 10.0)


def test_a_person_is_asked_in_order(desk):
    """Each warning with y, then why, then the name; what differs stands before the why."""
    desk.dry = Dry(remarks=(Noted("near", "1 K to derate"),))
    desk.study = Study(remarks=(Noted("cap", "cap met"),))
    assert desk.run(typed=["y", "YES", "  as \x1bmeant ", CONFIRM]) == 0
    found = read_release(desk.place)
    assert found.confirmed == ("near: 1 K to derate", "cap: cap met")
    assert found.reason == "as ?meant"
    asked = desk.err.getvalue()
    at = [asked.index(word) for word in ("near: 1 K", "1 of 2", "cap: cap met", "2 of 2", "why", f"type {CONFIRM}")]
    assert at == sorted(at)


@pytest.mark.parametrize(
    ("typed", "code", "words"),
    [
        (["n"], 1, "not confirmed, nothing was written"),
        ([""], 1, "not confirmed"),
        ([], 1, "not confirmed"),
        (["y", " "], 2, "a release says why"),
        (["y", "first", f"{NAME}/4"], 2, f"'{NAME}/4' is not '{CONFIRM}', nothing was written"),
        (["y", "first", NAME], 2, f"is not '{CONFIRM}'"),
        (["y", "first", CONFIRM.upper()], 2, f"is not '{CONFIRM}'"),
        (["y", "first", ""], 2, f"is not '{CONFIRM}'"),
        (["y", "first", f"\x1b[2J{CONFIRM}"], 2, "?[2Jstarter"),
    ],
)
def test_any_other_answer_writes_nothing(desk, typed, code, words):
    """An empty line and the end of input are no yes."""
    desk.dry = Dry(remarks=(Noted("near", "1 K to derate"),))
    assert desk.run(typed=typed) == code
    assert words in desk.err.getvalue()
    assert not desk.place.exists()


def test_an_error_of_the_dry_run_ends_before_the_study(desk):
    """Exit 1, named; no reason and no confirmation helps."""
    desk.dry = Dry(remarks=(Noted("held", "held in step 2", error=True), Noted("gone", "x", error=True)))
    assert desk.script("--accept", "all") == 1
    assert desk.err.getvalue() == "release refused: held: held in step 2\nrelease refused: gone: x\n"
    assert [name for name, _ in desk.tried] == ["dry"]
    assert not desk.place.exists()


def test_an_error_or_a_trip_of_the_study_is_refused(desk):
    """A trip unless the reason names it; named, it is still confirmed, and kept with the release."""
    desk.study = Study(trips={"probe_trip": 1})
    assert desk.script("--accept", "all") == 1
    assert "probe_trip: trips 1 of 64 strings" in desk.err.getvalue()
    assert desk.run("--confirm", CONFIRM, "--reason", "probe_trip: a dead battery") == 1
    assert "not confirmed, add --accept probe_trip" in desk.err.getvalue()
    assert not desk.place.exists()
    words = ("--confirm", CONFIRM, "--reason", "probe_trip: a dead battery", "--accept", "probe_trip")
    assert desk.run(*words) == 0
    assert read_release(desk.place).confirmed == ("probe_trip: trips 1 of 64 strings in the study",)
    desk.study = replace(desk.study, remarks=(Noted("late", "never ends", error=True),))
    assert desk.run(*words) == 1


@pytest.mark.parametrize(("accept", "code", "words"), [
    ([], 1, "warning near: 1 K to derate: not confirmed, add --accept near"),
    (["near"], 1, "warning cap: cap met: not confirmed, add --accept cap"),
    (["near", "cap"], 0, "warning near: 1 K to derate: accepted"),
    (["all"], 0, "warning cap: cap met: accepted"),
    (["near", "cup"], 2, "'cup' is none of the warnings, which are near, cap"),
])  # fmt: skip
def test_a_script_accepts_each_warning(desk, accept, code, words):
    """By code or all; one left open is named, a code that is none is refused."""
    desk.dry = Dry(remarks=(Noted("near", "1 K to derate"), Noted("cap", "cap met")))
    assert desk.script(*(["--accept", *accept] if accept else [])) == code
    assert words in desk.err.getvalue()
    assert desk.place.exists() is (code == 0)


@pytest.mark.parametrize(("words", "told"), [
    (["--reason", "x"], f"--confirm: nobody is at a terminal, add --confirm '{CONFIRM}'"),
    (["--confirm", "p/4", "--reason", "x"], f"--confirm: 'p/4' is not '{CONFIRM}', nothing was written"),
    (["--confirm", CONFIRM], "--reason: nobody is at a terminal, add --reason TEXT"),
    ([], f"--confirm: nobody is at a terminal, add --confirm '{CONFIRM}'\nrelease: --reason: nobody is at a terminal"),
    ([], "--accept: each warning of check, dry run and study wants its code here; the codes are told once they are"),
    (["--confirm", CONFIRM, "--reason", " "], "--reason: says nothing, write why"),
    (["--confirm", CONFIRM, "--reason", "x", "--water-C", "34:20"], "--water-C: 34:20, write a rising range"),
    (["--confirm", CONFIRM, "--reason", "x", "--water-C", "20"], "--water-C: '20' is no range, write such as 20:34"),
    (["--confirm", CONFIRM, "--reason", "x", "--water-C", "nan:nan"], "--water-C: nan:nan, write a rising range"),
    (["--confirm", CONFIRM, "--reason", "x", "--water-C", "20:51"], "--water-C: 20:51, write a rising range"),
    (["--confirm", CONFIRM, "--reason", "x", "--strings", "0"], "--strings: 0, write 1 to 100000"),
    (["--confirm", CONFIRM, "--reason", "x", "--strings", "1"], "--strings: 1 reach water of 20 to 20 C only, write"),
    (["--confirm", CONFIRM, "--reason", "x", "--workers", "-1"], "--workers: -1, write 0 to 1024"),
    (["--confirm", CONFIRM, "--reason", "x", "--seed", "-1"], "--seed: -1, write 0 to"),
    (["--confirm", CONFIRM, "--reason", "x", "--batteries", "x"], "--batteries"),
    (["--confirm", CONFIRM, "--reason", "x", "--bath", "no.toml"], "no.toml: is not there"),
    (["--confirm", CONFIRM, "--reason", "x", "--model", "no.toml"], "no.toml: is not there"),
])  # fmt: skip
def test_what_is_wrong_is_told_before_anything_is_tried(desk, words, told):
    """One line, exit 2: nobody waits minutes for it."""
    assert desk.run(*words) == 2
    assert told in desk.err.getvalue()
    assert desk.tried == []


def test_a_place_that_takes_no_release_is_told_before_anything_is_tried(desk):
    """A folder where the release should stand, a name too long for a file's: one line, exit 2, nothing left behind."""
    desk.place.mkdir()
    assert desk.script() == 2
    assert desk.err.getvalue().endswith(
        "my.release.json: is no plain file, move it away\n".replace("my", desk.profile.stem)
    )
    desk.place.rmdir()
    desk.profile = desk.profile.rename(desk.profile.with_name("n" * 240 + ".toml"))
    assert desk.script() == 2
    assert "cannot be written: File name too long" in desk.err.getvalue()
    assert desk.tried == []
    assert [path.name for path in desk.profile.parent.iterdir()] == [desk.profile.name]


def test_a_script_is_told_the_whole_line_to_repeat(desk):
    """With what it was tried on and each warning's code, to be pasted as it stands; taken, it releases."""
    desk.dry = Dry(remarks=(Noted("near", "1 K to derate"), Noted("cap", "cap met"), Noted("near", "2 K")))
    assert desk.script("--batteries", "12", "--accept", "cap") == 1
    (line,) = [each for each in desk.err.getvalue().splitlines() if each.startswith("the whole line")]
    words = shlex.split(line.partition("with all of them: ")[2])
    assert words[:3] == ["formbath", "release", str(desk.profile)]
    assert words[-3:] == ["--accept", "near", "cap"]
    assert not desk.place.exists()
    assert desk.run(*words[3:]) == 0
    assert read_release(desk.place).settings["batteries"] == 12
    assert "--accept" not in "".join(desk.err.getvalue().splitlines()[-1:])


def test_a_course_of_very_many_steps_fits(desk):
    """Every second point and the last; one of usual length is kept whole."""
    points = tuple(number / 8.0 for number in range(40))
    band = Band(low=points, middle=points, high=points)
    step = STEP.model_copy(update={"at": points, **dict.fromkeys(BANDS, band)})
    course = tuple(step.model_copy(update={"step": number}) for number in range(1, 501))
    assert fitting(course[:250]) == course[:250]
    found = fitting(course[:251])
    assert (len(found), found[250].step) == (251, 251)
    assert found[0].at == (*points[::2], points[-1])
    assert found[0].probe_C.low == found[0].at
    desk.study = Study(course=course)
    assert desk.script() == 0
    assert len(read_release(desk.place).course) == 500
    assert desk.place.stat().st_size < LARGEST_BYTES


def test_a_profile_without_water_needs_the_range(desk):
    """And a wrong or missing profile says so itself."""
    text = TEXT.replace("[bath]\nwater_C = [20, 34]\n", "")
    assert text != TEXT
    desk.profile.write_text(text, encoding="utf-8")
    assert desk.script() == 2
    assert "--water-C: the profile says no water, write --water-C LOW:HIGH" in desk.err.getvalue()
    assert desk.script("--water-C", "20:34") == 0
    desk.profile.write_text(TEXT.replace("revision = 3", "revision = 0"), encoding="utf-8")
    assert desk.script() == 2
    assert "p.toml:3: revision: 0 is below 1" in desk.err.getvalue()
    desk.profile.unlink()
    assert desk.script() == 2
    assert "no such file" in desk.err.getvalue()


def test_the_same_revision_with_another_text_is_refused_at_once(desk):
    """Before anything is tried; raised, what differs is told before it is written over."""
    assert desk.script() == 0
    first = desk.place.read_bytes()
    desk.profile.write_text(TEXT.replace("current_C20 = 0.25", "current_C20 = 0.24"), encoding="utf-8")
    desk.tried.clear()
    assert desk.script() == 1
    assert "revision 3 is released already with another text: raise `revision`" in desk.err.getvalue()
    assert (desk.tried, desk.place.read_bytes()) == ([], first)
    text = TEXT.replace("current_C20 = 0.25", "current_C20 = 0.24").replace("revision = 3", "revision = 4")
    desk.profile.write_text(text, encoding="utf-8")
    desk.study = Study(totals={"hours": 18.9})
    assert desk.run("--confirm", f"{NAME}/4", "--reason", "cooler") == 0
    out = desk.out.getvalue()
    assert "    36 was  current_C20 = 0.25\n    36 is   current_C20 = 0.24\n  hours: 18.4 -> 18.9\n" in out
    assert read_release(desk.place).revision == 4


def test_a_file_changed_meanwhile_is_refused(desk):
    """The study was of another text; a release that somebody else made meanwhile is not written over either."""
    desk.meanwhile = lambda: desk.profile.write_text(TEXT + "# later\n", encoding="utf-8")
    assert desk.script() == 1
    assert "changed meanwhile: nothing was written" in desk.err.getvalue()
    assert not desk.place.exists()
    desk.profile.write_text(TEXT, encoding="utf-8")
    desk.meanwhile = desk.profile.unlink
    assert desk.script() == 1
    desk.profile.write_text(TEXT, encoding="utf-8")
    other = Desk(desk.folder)
    desk.meanwhile = lambda: other.run("--confirm", CONFIRM, "--reason", "mine")
    assert desk.script() == 1
    assert read_release(desk.place).reason == "mine"


def test_an_unreadable_release_is_a_warning(desk):
    """It would be replaced: somebody says that this is meant."""
    desk.place.write_text("{}", encoding="utf-8")
    assert desk.script() == 1
    assert "warning old_release: the release beside it cannot be used" in desk.err.getvalue()
    assert desk.script("--accept", "old_release") == 0
    assert read_release(desk.place).confirmed[0].startswith("old_release: ")


def test_a_folder_nobody_may_write_to_is_told(desk, monkeypatch):
    """One line, exit 2."""

    def denied(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", denied)
    assert desk.script() == 2
    assert "p.release.json: cannot be written: Permission denied" in desk.err.getvalue()


def test_the_person_is_the_systems():
    """By the real user id; who came by sudo stands beside, cleaned; an id without a name is still somebody."""
    name = pwd.getpwuid(os.getuid()).pw_name
    assert releasecmd.person_of(os.getuid(), {}) == name
    assert releasecmd.person_of(os.getuid(), {"SUDO_USER": "ines\x1b[2J"}) == f"{name} (sudo: ines?[2J)"
    assert releasecmd.person_of(os.getuid(), {"SUDO_USER": name}) == name
    assert releasecmd.person_of(3_999_999_999, {"USER": "boss"}) == "uid 3999999999"


@pytest.mark.slow
def test_the_benchs_own_tries_fit(desk, monkeypatch):
    """Dry run and study as they are, of a short charge on two strings in one worker: released, with what they gave."""
    text = TEXT.partition("[[step]]")[0] + SHORT
    desk.profile.write_text(text.replace("minutes_min = 30", "minutes_min = 1"), encoding="utf-8")
    monkeypatch.setattr(desk, "_dry", releasecmd.joined_dry_run)
    monkeypatch.setattr(desk, "_study", releasecmd.joined_study)
    words = ("--strings", "2", "--workers", "1", "--water-C", "25:25", "--accept", "all")
    assert desk.script(*words) == 0, desk.said
    found = read_release(desk.place)
    assert [(step.step, step.name, step.grid) for step in found.course] == [(1, "short", "charge_Ah")]
    assert found.course[0].duration_h[1] == pytest.approx(0.05, abs=0.005)
    assert (found.study["strings"], found.study["tripped_percent"]) == (2, 0.0)
    assert found.totals["hours"] == pytest.approx(0.05, abs=0.01)


def test_few_strings_are_a_warning(desk):
    """59 are the fewest whose worst shows the 95 % line; one water needs no other end."""
    assert desk.script("--strings", "58") == 1
    assert "warning few_strings: 58 strings: with fewer than 59" in desk.err.getvalue()
    assert desk.script("--strings", "59") == 0
    assert desk.script("--strings", "4", "--water-C", "20:20", "--accept", "few_strings", "water_range") == 0
    assert read_release(desk.place).water_C == (20.0, 20.0)


def test_a_bath_file_gives_places_and_its_hash(desk):
    """Its name and hash are kept with the release."""
    bath = LIBRARY.parents[1] / "controller" / "examples" / "bath-a.toml"
    assert desk.script("--bath", str(bath)) == 0, desk.said
    wanted, found = desk.tried[0][1], read_release(desk.place)
    assert wanted.asked.setting.bath is not None
    assert (found.settings["bath"], found.settings["bath_sha256"]) == ("bath-a.toml", read_document(bath).sha256)
    assert json.loads(desk.place.read_text())["settings"]["circuits"] == 3
