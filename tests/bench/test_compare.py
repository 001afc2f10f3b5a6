"""Two profiles side by side: differences by key and step name, the table, and what the new one costs and gains."""

from __future__ import annotations

import pytest
from drykit import asked_of, end_of, profile_of, tried_of

from profiles.loader import load_model, parse_document
from profiles.profile import Profile
from simulator.bench.compare import changes, compared, told, verdict
from simulator.bench.dry import dry_of

PROFILE, DOCUMENT = profile_of()
HEAD = f"{'at the same setting':<30}{'old':>16}{'new':>16}{'new - old':>13}"


def other(*swaps):
    text = DOCUMENT.text
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new, 1)
    return load_model(parse_document(text, "new.toml"), Profile)


def found(profile):
    return [(one.where, one.old, one.new) for one in changes(PROFILE, profile)]


def dry(**given):
    tried = tried_of(**given)
    return dry_of(asked_of(tried), tried)


def test_the_same_profile_has_no_difference():
    """Read twice, nothing differs."""
    assert found(other()) == []


def test_keys_are_named_by_their_place_and_steps_by_their_name():
    """Head, table and step, as numbers a person would write."""
    profile = other(
        ("revision = 3", "revision = 4"),
        ("start_below_C = 45", "start_below_C = 42.5"),
        ("current_C20 = 0.20", "current_C20 = 0.18"),
    )
    assert found(profile) == [
        ("revision", "3", "4"),
        ("soak.start_below_C", "45", "42.5"),
        ("step 4 (second charge) current_C20", "0.2", "0.18"),
    ]


def test_a_step_more_moves_no_other():
    """One more pause before the finish: it alone is new, the finish is still itself."""
    pause = '[[step]]\nname = "cooling"\nkind = "rest"\nend = { hours = 1.0 }\n\n[[step]]\nname = "finish"'
    profile = other(('[[step]]\nname = "finish"', pause))
    (only,) = found(profile)
    assert only[0] == "step 6 (cooling)"
    assert only[1] is None
    assert "hours 1" in only[2]
    assert [(one.where, one.new) for one in changes(profile, PROFILE)] == [("step 6 (cooling)", None)]


def test_a_renamed_step_is_the_same_step():
    """Its name differs, the rest is compared."""
    profile = other(('name = "finish"', 'name = "last"'), ("current_C20 = 0.10", "current_C20 = 0.08"),
                    ('after_step = "finish"', 'after_step = "last"'))  # fmt: skip
    assert ("step 6 (last) name", "finish", "last") in found(profile)
    assert ("step 6 (last) current_C20", "0.1", "0.08") in found(profile)


def test_steps_of_a_repeat_are_compared_inside_it():
    """A pulse's current in a repeat is named with the repeat before it."""
    pulsed, document = profile_of("starter-45-pulsed")
    assert "repeat" in document.text
    step = next(one for one in pulsed.step if one.kind == "repeat")
    inner = step.step[0].model_copy(update={"ramp_minutes": 3.0})
    changed = step.model_copy(update={"step": (inner, *step.step[1:])})
    profile = pulsed.model_copy(update={"step": tuple(changed if one is step else one for one in pulsed.step)})
    (only,) = changes(pulsed, profile)
    assert only.where.endswith(f"> step 1 ({inner.name}) ramp_minutes")
    assert (only.old, only.new) == ("0", "3")


def test_figures_of_both_with_what_was_gained():
    """New less old; what neither has (a cost without a tariff) stands nowhere."""
    figures = {one.name: one for one in compared(dry(), dry(hours=1.5, end=end_of(density_kg_L=1.285))).figures}
    assert figures["hours"].gained == pytest.approx(0.5)
    assert figures["end density"].gained == pytest.approx(0.005)
    assert "cost by the tariff" not in figures


def test_the_new_one_costs_and_gains():
    """Longer and with more water lost, but more formed; what differs by less than its last digit is no difference."""
    old, new = dry(), dry(hours=1.5, end=end_of(formed_positive=0.985, water_g_per_cell=33.0, hydrogen_L=100.01))
    said = verdict(old, new, compared(old, new))
    assert said == (
        "the new one costs: 0:30 h longer, 3.0 g more water lost a cell; it gains: 1.0 % of the positive more formed"
    )
    assert verdict(old, old, compared(old, old)) == "the new one costs: nothing; it gains: nothing"


def test_what_did_not_end_is_not_weighed():
    """Hours of a run that stands mean nothing."""
    old, new = dry(), dry(state="held")
    assert (
        verdict(old, new, compared(old, new))
        == "the two cannot be weighed: the old one complete, the new one never ended"
    )


def test_what_never_began_has_no_numbers():
    """Neither its zeros nor the differences to them are shown; the other one's numbers are."""
    for unstarted in (dry(state="idle"), dry(state="held", steps=())):
        lines = told(dry(), unstarted, compared(dry(), unstarted))
        rows = [
            line.split()[-3:] for line in lines[lines.index(HEAD) + 1 :] if line.startswith(("hours", "hottest, C"))
        ]
        assert rows == [["1.00", "--", "--"], ["44.0", "--", "--"]]
        assert {one.new for one in compared(dry(), unstarted).figures} == {None}
        assert {one.old for one in compared(unstarted, dry()).figures} == {None}
        assert {one.gained for one in compared(unstarted, dry()).figures} == {None}
        assert compared(unstarted, unstarted).figures == ()
        assert "cannot be weighed" in " ".join(told(unstarted, unstarted, compared(unstarted, unstarted)))


def test_the_whole_page_fits_and_tells_only_new_warnings_as_new():
    """80 columns; a warning of both is not repeated, a new and a gone one are."""
    old = dry(end=end_of(charge_over_theory=2.4))
    new = dry(start_V_per_cell=2.8)
    lines = told(old, new, compared(old, new))
    assert max(map(len, lines)) <= 80
    text = " ".join(lines)
    assert "the two files ask for the same" in text
    assert "warning, new only: start peak 2.80 V/cell" in text
    assert text.count("form nothing") == 0
    assert "%LEL" in text


def test_hostile_names_reach_no_terminal():
    """A step whose name turns the text around is shown without what turns it."""
    profile = other(
        ('name = "finish"', 'name = "fin\u202eish"'), ('after_step = "finish"', 'after_step = "fin\u202eish"')
    )
    where = " ".join(f"{one.where} {one.old} {one.new}" for one in changes(PROFILE, profile))
    assert "\u202e" not in where
    assert "fin?ish" in where
