"""What stands before a release: errors, trips, warnings, differences; and what the file then says."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from controller.core.plan import compile_plan
from profiles.loader import LIBRARY, load_model, parse_document
from profiles.profile import Profile
from profiles.release import Band, CourseStep, digest, release_problems
from simulator.bench import releasing
from simulator.bench.asked import Asked
from simulator.bench.releasing import Noted, Signed, Wanted
from simulator.bench.setting import Setting
from simulator.parameters import CellParameters

TEXT = (LIBRARY / "starter-60.toml").read_text(encoding="utf-8")
ONE = Band(low=(1.0, 2.0), middle=(1.0, 2.0), high=(1.0, 2.0))
STEP = CourseStep(
    step=1, name="wetting", kind="charge", grid="charge_Ah", at=(0.0, 1.5), elapsed_h=ONE, voltage_V_per_cell=ONE,
    current_A=ONE, probe_C=ONE, duration_h=(0.5, 0.5, 0.5),
)  # fmt: skip
SIGNED = Signed("ines", "first of its type", "2026-03-16T06:00:00.000Z", {"formbath": "0.1.0"})


@dataclass(frozen=True)
class Study:
    """A study of 64 strings that found nothing."""

    said: str = "64 strings, none tripped"
    remarks: tuple[Noted, ...] = ()
    trips: dict[str, int] = field(default_factory=dict)
    strings: int = 64
    seed: int = 7
    shares: dict[str, float] = field(default_factory=lambda: {"tripped_percent": 0.0})
    course: tuple[CourseStep, ...] = (STEP,)
    totals: dict[str, float | None] = field(default_factory=lambda: {"hours": 18.4, "hydrogen_m3": None})


def wanted_of(text=TEXT, water_C=(20.0, 34.0), model=None):
    document = parse_document(text, "starter-60.toml")
    profile = load_model(document, Profile)
    plan = compile_plan(profile, document.sha256)
    setting = Setting(plan, model=model or CellParameters())
    names = {"bath": "a.toml", "bath_sha256": "0" * 64, "model": None}
    return Wanted(Asked("starter-60", document, profile, plan, setting), water_C, 64, 7, 2, names)


def released(text=TEXT, study=None, confirmed=(), **over):
    return releasing.made_release(wanted_of(text, **over), study or Study(), confirmed, SIGNED)


def test_a_release_says_all_that_it_rests_on():
    """The text and its hash, person, reason, physics, settings, range, course, totals, confirmed, study."""
    found = released(confirmed=[Noted("near", "1 K to derate\x1b")])
    assert (found.profile, found.revision, found.text) == ("starter 60 Ah, one-shot, 18 h", 3, TEXT)
    assert (found.sha256, found.person, found.reason) == (digest(TEXT), "ines", "first of its type")
    assert found.model["paste_Ah"] == list(CellParameters().paste_Ah)
    assert found.model["water_W_K"] == CellParameters().water_W_K
    assert found.settings == {
        "batteries": 18, "circuits": 3, "air_C": 22.0, "bath": "a.toml", "bath_sha256": "0" * 64, "model": None
    }  # fmt: skip
    assert (found.water_C, found.course, found.totals) == ((20.0, 34.0), (STEP,), Study().totals)
    assert found.confirmed == ("near: 1 K to derate?",)
    assert found.study == {"strings": 64, "seed": 7, "tripped_percent": 0.0}
    assert release_problems(parse_document(TEXT, "p.toml"), found) == []


def test_what_is_typed_is_the_name_and_revision():
    """As the profile is called in its own text, whatever its file is."""
    assert wanted_of().typed == "starter 60 Ah, one-shot, 18 h/3"


def test_an_error_is_refused_whatever_the_reason():
    """Of the dry run or of the study; warnings are not."""
    found = releasing.refusals([Noted("held", "held in step 2", error=True), Noted("near", "x")], Study(), "held near")
    assert found == ["held: held in step 2"]


@pytest.mark.parametrize(("reason", "refused"), [
    ("", True), ("probe_trip is meant", False), ("Probe trip: known", False), ("the PROBE_TRIP", False),
    ("probe_trips", True), ("water_probe", True), ("trip probe", True), ("a probe-trip", False),
])  # fmt: skip
def test_a_trip_of_the_study_needs_a_reason_that_names_it(reason, refused):
    """By its code or in plain words, whole; anything else is a reason for something else."""
    found = releasing.refusals([], Study(trips={"probe_trip": 2, "gone": 0}), reason)
    assert bool(found) is refused
    assert all("probe_trip: trips 2 of 64 strings in the study; a --reason that names" in each for each in found)


def test_every_trip_is_named():
    """One reason for one trip leaves the other."""
    study = Study(trips={"probe_trip": 2, "current_trip": 1})
    assert [each.partition(":")[0] for each in releasing.refusals([], study, "probe_trip")] == ["current_trip"]


def test_warnings_and_named_trips_are_confirmed_once():
    """A warning that dry run and study both give is asked once; errors are not asked."""
    near = Noted("near", "1 K to derate")
    study = Study(trips={"probe_trip": 2, "gone": 0})
    found = releasing.to_confirm([near, near, Noted("bad", "x", error=True), Noted("near", "another")], study)
    assert found == [near, Noted("near", "another"), Noted("probe_trip", "trips 2 of 64 strings in the study")]


def test_a_script_accepts_by_code():
    """`all` for all; a code that no warning has is named."""
    warnings = [Noted("near", "a"), Noted("near", "b"), Noted("cap", "c")]
    assert releasing.not_accepted(warnings, []) == warnings
    assert releasing.not_accepted(warnings, ["near"]) == [Noted("cap", "c")]
    assert releasing.not_accepted(warnings, ["all"]) == []
    assert releasing.unknown_codes(warnings, ["all", "near", "caps"]) == ["caps"]


def test_the_checks_own_warnings_have_their_keys_as_codes():
    """A probe trip above the usual is warned of at `limits.probe_C`, with its line; notes ask nobody."""
    text = TEXT.replace("[limits]\n", "[limits]\nprobe_C = 63\n")
    text = text.replace("probe_C = 63\n", "").replace("probe_C = 60", "probe_C = 63")
    (found,) = releasing.check_remarks(wanted_of(text), None)
    assert (found.code, found.error) == ("limits.probe_C", False)
    assert found.text.startswith("line ")
    assert releasing.check_remarks(wanted_of(), None) == ()


@pytest.mark.parametrize(("water_C", "warned"), [
    ((20.0, 34.0), False), ((15.0, 36.0), False), ((21.0, 34.0), True), ((20.0, 33.0), True),
])  # fmt: skip
def test_a_study_of_less_water_than_the_profile_names_is_warned_of(water_C, warned):
    """Somebody would run it where nobody looked."""
    found = releasing.check_remarks(wanted_of(water_C=water_C), None)
    assert [each.code for each in found] == ["water_range"] * warned


def test_an_older_revision_is_warned_of():
    """Nobody goes back by mistake."""
    newer = released(TEXT.replace("revision = 3", "revision = 4"))
    assert [each.code for each in releasing.check_remarks(wanted_of(), newer)] == ["revision"]
    assert releasing.check_remarks(wanted_of(), released()) == ()


def test_the_same_revision_with_another_text_is_refused():
    """The same text may be released again, a raised revision with any text."""
    other = TEXT.replace("current_C20 = 0.25", "current_C20 = 0.24")
    assert "raise `revision`" in releasing.same_revision(wanted_of(other), released())
    assert releasing.same_revision(wanted_of(), released()) is None
    assert releasing.same_revision(wanted_of(other.replace("revision = 3", "revision = 4")), released()) is None
    assert releasing.same_revision(wanted_of(other), None) is None


def test_what_differs_is_told_before_the_reason():
    """Changed lines with their numbers, water, totals and physics; all within a terminal."""
    before = released(water_C=(20.0, 30.0), study=Study(totals={"hours": 19.0, "gone": 1.0}))
    text = TEXT.replace("revision = 3", "revision = 4").replace("current_C20 = 0.25", "current_C20 = 0.24 # \x85")
    model = replace(CellParameters(), water_W_K=6.1, paste_Ah=(2.0, 1.9))
    found = releasing.differences(wanted_of(text, model=model), Study(), before)
    assert found[0].startswith("released now: revision 3, by ines, 2026-03-16T06:00:00.000Z: first")
    assert found[1:5] == [
        "     3 was  revision = 3", "     3 is   revision = 4", "    36 was  current_C20 = 0.25",
        "    36 is   current_C20 = 0.24 # ?",
    ]  # fmt: skip
    assert found[5:] == [
        "  water_to_C: 30 -> 34", "  hours: 19 -> 18.4", "  gone: 1 -> --", "  model paste_Ah: 2.017, 1.93 -> 2, 1.9",
        "  model water_W_K: 7.2 -> 6.1",
    ]  # fmt: skip
    assert all(len(each) <= 80 for each in found)


def test_nothing_differs_and_nothing_was_there():
    """Both are said in a line, never left blank."""
    assert releasing.differences(wanted_of(), Study(), None) == ["no release stands beside it yet: this is the first"]
    assert releasing.differences(wanted_of(), Study(), released())[1:] == ["  its text is the same"]


def test_many_changes_are_counted():
    """Forty lines are shown."""
    text = TEXT + "".join(f"# {n}\n" for n in range(50))
    found = releasing.differences(wanted_of(text), Study(), released())
    assert found[-1] == "  and 10 more changed lines"
    assert len(found) == 42
