"""A profile that nobody released is not loaded where the bath asks for it; what the refusal says of why."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller import words
from controller.core.loadchecks import is_released, profile_fits
from controller.core.orderchecks import Ask
from controller.core.orders import given, refusal_of
from controller.core.settings import BathSettings
from controller.core.types import State

EVERY = ("technician", "engineer", "maintenance")


def ask_for(kit, *, asks=True, released=False, trial=False, args=None, verb="load", loaded=None):
    """A load that nothing else speaks against."""
    settings = replace(kit.settings(), require_release=asks)
    base = replace(kit.state(State.IDLE, set_A=0.0), load=loaded)
    facts = kit.facts(now_ms=4_000_000, current_A=0.0, volts_per_cell=0.001, output_on=False, set_current_A=0.0)
    load = replace(kit.load(), released=released, trial=trial) if verb == "load" else None
    said = {"reason": "a try"} | (args or {}) | ({"trial": True} if trial else {})
    order = kit.order(verb, who="anna", roles=EVERY, load=load, **said)
    return Ask(settings, settings.circuits[0], base, facts, kit.share(), (), order)


@pytest.mark.parametrize(
    ("asks", "released", "trial", "why"),
    [
        (True, False, False, "not_released"),
        (True, True, False, None),
        (True, False, True, None),
        (True, True, True, None),
        (False, False, False, None),
        (False, True, False, None),
    ],
)
def test_only_released_profiles_are_loaded(kit, asks, released, trial, why):
    """An engineer's trial may run without, and so may any on a bath that does not ask."""
    ask = ask_for(kit, asks=asks, released=released, trial=trial)
    refusal = refusal_of(ask)
    assert (refusal.code if refusal is not None else None) == why
    state, event = given(ask)
    assert (state.load is None) is (why is not None)
    assert event.code == (why or "accepted")


@pytest.mark.parametrize(("virtual", "said", "asks"), [
    (False, None, True), (False, True, True), (False, False, False),
    (True, None, False), (True, True, True), (True, False, False),
])  # fmt: skip
def test_a_real_bath_asks_where_nothing_is_said(virtual, said, asks):
    """The default protects."""
    assert BathSettings("h", "A", virtual, 1_000, 3_000, 5_000, (), require_release=said).asks_release is asks


def test_what_nobody_says_protects(kit):
    """A load is not released, and a real bath asks, until somebody says otherwise."""
    assert kit.load().released is False
    assert BathSettings("h", "A", False, 1_000, 3_000, 5_000, ()).asks_release is True
    assert BathSettings("h", "A", True, 1_000, 3_000, 5_000, ()).asks_release is False


@pytest.mark.parametrize(
    ("args", "data", "text"),
    [
        ({}, ("missing", None, ""), "a plan, revision 1, is not released; an engineer releases it"),
        (
            {"release": "changed", "release_line": 14, "release_said": "p.toml:14: changed since"},
            ("changed", 14, "p.toml:14: changed since"),
            "not released: p.toml:14: changed since; an engineer releases it, or loads it as a trial",
        ),
        (
            {"release": "unreadable", "release_said": "p.release.json:1: is no JSON"},
            ("unreadable", None, "p.release.json:1: is no JSON"),
            "its release cannot be used: p.release.json:1: is no JSON",
        ),
        ({"release": "missing"}, ("missing", None, ""), "is not released"),
        ({"release": "zebra", "release_line": "x"}, ("zebra", None, ""), "is not released"),
    ],
)
def test_the_refusal_says_why(kit, args, data, text):
    """No release, changed since (with the line), or unreadable; in its data and in words of its own."""
    ask = ask_for(kit, args=args)
    plan = replace(ask.order.load.plan, name="a plan", revision=1)
    ask = replace(ask, order=replace(ask.order, load=replace(ask.order.load, plan=plan)))
    refusal = profile_fits(ask)
    assert (refusal.data["profile"], refusal.data["revision"]) == ("a plan", 1)
    assert (refusal.data["why"], refusal.data["line"], refusal.data["what"]) == data
    assert text in words.text(given(ask)[1])


def test_without_an_order_the_load_that_stands_there_counts(kit):
    """So that other orders can ask too; an empty circuit has nothing to refuse."""
    standing = replace(kit.load(), released=False)
    said = {"release": "changed", "release_said": "p.toml:3"}
    refusal = is_released(ask_for(kit, verb="start", loaded=standing, args=said))
    assert (refusal.code, refusal.data["why"], refusal.data["line"], refusal.data["what"]) == (
        "not_released", "loaded_without", None, "",
    )  # fmt: skip
    text = words.refusal_text(refusal.code, refusal.data)
    assert text.endswith("was loaded without a release; have it released, then unload and load it again")
    assert is_released(ask_for(kit, verb="start", loaded=replace(standing, released=True))) is None
    assert is_released(ask_for(kit, verb="start")) is None
    newer = ask_for(kit, released=True, loaded=standing)
    assert is_released(newer) is None


def test_a_profile_past_the_circuit_is_told_after_its_release(kit):
    """Both wrong: the release first, the current once that is mended."""
    ask = ask_for(kit)
    small = replace(ask, own=replace(ask.own, current_max_A=0.1))
    assert profile_fits(small).code == "not_released"
    released = replace(small, order=replace(small.order, load=replace(small.order.load, released=True)))
    assert profile_fits(released).code == "profile_current"
