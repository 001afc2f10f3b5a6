"""A load's release in a bath that runs: asked at load and at start, never at resume, and never worth a cycle."""

# ruff: noqa: E402 - the builders of other tests lie beside this file and in tests/course

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

HERE = Path(__file__).parent
for place in (HERE, HERE.parent / "course"):
    if str(place) not in sys.path:
        sys.path.append(str(place))

import coursekit
from test_loop_guard import LOAD, Rig

from controller.core.types import State
from controller.course import expected_of, lengths_ms
from controller.records.head import Text
from controller.service import snapshot as snapshot_module
from controller.service.advising import Courses
from profiles.release import release_text

LARGE = Text("p.release.json", " " * 2_000_000)


def asks_release(rig):
    """From now on the bath asks for a release, as after a change of its file and a restart."""
    rig.service.parts.settings = replace(rig.service.parts.settings, require_release=True)


async def test_a_held_run_without_a_release_resumes(tmp_path):
    """Its batteries are in mid-run: a rule that came since does not leave them standing in their acid."""
    rig = await Rig(tmp_path).running()
    assert (await rig.order("hold", "A01")).accepted
    await rig.cycles(3)
    asks_release(rig)
    assert rig.states()[0] is State.HELD
    assert not rig.service.state.circuits[0].load.released
    assert (await rig.order("resume", "A01")).accepted
    await rig.cycles(3)
    assert rig.states()[0] is State.RUNNING
    rig.closed()


async def test_a_load_without_a_release_does_not_start_any_more(tmp_path):
    """It says what to do: unload it, and load it again with its release."""
    rig = Rig(tmp_path)
    await rig.cycles(3)
    assert (await rig.order("load", "A01", LOAD)).accepted
    asks_release(rig)
    answer = await rig.order("start", "A01")
    assert (answer.accepted, answer.code) == (False, "not_released")
    assert answer.text.endswith("was loaded without a release; have it released, then unload and load it again")
    rig.closed()


async def test_state_does_not_hold_the_release_again_and_again(tmp_path):
    """A large one is written once, beside state.json, which names it; a new service finds it there."""
    rig = Rig(tmp_path)
    await rig.cycles(3)
    assert (await rig.order("load", "A01", LOAD)).accepted
    first = rig.service.state.circuits[0]
    released = replace(first, load=replace(first.load, released=True), revision=first.revision + 1)
    rig.service.state = replace(rig.service.state, circuits=(released, *rig.service.state.circuits[1:]))
    rig.desk.releases["A01"] = LARGE
    await rig.cycles(1)
    rig.closed()
    state = (tmp_path / "A" / "state.json").read_bytes()
    assert len(state) < 200_000
    assert json.loads(state)["releases"] == {"A01": {"name": LARGE.name, "sha256": LARGE.sha256}}
    assert (tmp_path / "A" / "releases" / f"{LARGE.sha256}.json").read_text(encoding="utf-8") == LARGE.text


def test_a_course_brings_its_lengths_along():
    """They are worked out where the release is, not with every picture; a text that gives none is told."""
    release = coursekit.small_release()
    courses = Courses()
    courses.take(release.sha256, release_text(release))
    expected = courses.known[release.sha256]
    assert expected.course_ms == lengths_ms(expected_of(release))
    assert len(expected.course_ms) == len(release.course)
    huge = json.loads(release_text(release))
    huge["course"][0]["elapsed_h"] = {key: [0.0, 1e308] for key in ("low", "middle", "high")}
    courses.take(release.sha256, json.dumps(huge))
    assert courses.known[release.sha256] is None
    assert len(courses.told) == 1


class Broken:
    """A course or comparison with a mistake in it."""

    @property
    def course_ms(self):
        raise OverflowError("a mistake")

    def get(self, _):
        raise OverflowError("a mistake")


def test_a_picture_leaves_out_what_fails_in_a_course():
    """The rest of it is shown."""
    assert snapshot_module._lengths_ms({"a": Broken()}, "a") == {}
    assert snapshot_module._lengths_ms(Broken(), "a") == {}
    assert snapshot_module._beside(Broken(), "A01") == {}
    assert snapshot_module._beside({"A01": {"late_min": 1.0}}, "A01") == {"beside": {"late_min": 1.0}}
    release = coursekit.small_release()
    lengths = snapshot_module._lengths_ms({"a": expected_of(release)}, "a")
    assert lengths == lengths_ms(expected_of(release))


def test_a_release_made_anew_gives_its_own_course():
    """Of the same profile's text: the load that rests on the newer one is held against the newer course."""
    release = coursekit.small_release()
    courses, first = Courses(), Text("p.release.json", release_text(release))
    newer = Text("p.release.json", first.text + " ")
    assert courses.wanted([release.sha256], {release.sha256: first}) == [release.sha256]
    courses.take(release.sha256, first.text)
    assert courses.wanted([release.sha256], {release.sha256: first}) == []
    assert courses.wanted([release.sha256], {release.sha256: newer}) == [release.sha256]
