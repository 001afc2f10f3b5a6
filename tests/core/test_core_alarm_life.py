"""The table of an alarm's life: every state and change is meant, nothing is silenced or lost on a way round."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.alarmlife import TABLE, Change, Life, life_of, moved, quiet
from controller.core.state import Alarm
from controller.core.types import Reaction

A, B, C, D, E, F, G, H, I = Life  # noqa: E741 - the letters of the standard
LATCHED = (E, F)
SILENT = (G, H, I)
BASE = Alarm("a", 5, 2, Reaction.WARN)

ALARMS = {
    B: BASE,
    C: replace(BASE, acknowledged=True),
    D: replace(BASE, active=False),
    E: replace(BASE, active=False, latched=True),
    F: replace(BASE, active=False, latched=True, acknowledged=True),
    G: replace(BASE, shelved_until_ms=900, shelved_by="eva", shelved_why="wet"),
    H: replace(BASE, suppressed=True),
    I: replace(BASE, out_of_use=True),
}

MEANT = {
    A: {"begin": B, "suppress": H, "remove": I},
    B: {
        "begin": B, "again": B, "return": D, "return latched": E, "acknowledge": C, "reset": B, "shelve": G,
        "suppress": H, "remove": I,
    },
    C: {
        "begin": B, "again": B, "return": A, "return latched": F, "acknowledge": C, "reset": C, "shelve": G,
        "suppress": H, "remove": I,
    },
    D: {"begin": B, "acknowledge": A, "reset gone": D, "shelve": G, "suppress": H, "remove": I},
    E: {"begin": B, "acknowledge": F, "reset gone": D, "suppress": H, "remove": I},
    F: {"begin": B, "acknowledge": F, "reset gone": A, "suppress": H, "remove": I},
    G: {
        "begin": G, "suppress": G, "remove": G, "return": G, "acknowledge": G, "reset": G, "reset gone": G,
        "shelve": G, "show": B, "drop": A,
    },
    H: {
        "begin": B, "suppress": H, "remove": I, "return": A, "return latched": H, "acknowledge": H, "reset": H,
        "reset gone": A, "show": B,
    },
    I: {
        "begin": B, "suppress": H, "remove": I, "return": A, "return latched": I, "acknowledge": I, "reset": I,
        "reset gone": A, "show": B,
    },
}  # fmt: skip
QUIETLY = {"acknowledge", "reset", "reset gone"}
WORDS = {
    "new": {(A, "begin"), (B, "begin"), (C, "begin"), (D, "begin"), (E, "begin"), (F, "begin"), (H, "begin"),
            (I, "begin"), (B, "again"), (C, "again")},
    "returned": {(life, change) for life in MEANT for change in MEANT[life] if change.startswith("return")},
    "": {(life, change) for life in MEANT for change in MEANT[life] if change in QUIETLY},
    "shelved": {(B, "shelve"), (C, "shelve"), (D, "shelve"), (G, "shelve")},
    "suppressed": {(B, "suppress"), (C, "suppress")},
    "out_of_use": {(B, "remove"), (C, "remove")},
    "new_suppressed": {(life, "suppress") for life in (A, D, E, F, H, I)},
    "new_out_of_use": {(life, "remove") for life in (A, D, E, F, H, I)},
    "new_shelved": {(G, "begin"), (G, "suppress"), (G, "remove")},
    "unshelved": {(G, "show"), (G, "drop")},
    "unsuppressed": {(H, "show")},
    "in_use": {(I, "show")},
}  # fmt: skip


def test_the_table_is_the_one_that_is_meant():
    """Every entry, written out a second time; each change is told by its own word."""
    found: dict = {}
    for (life, change), (to, _) in TABLE.items():
        found.setdefault(life, {})[change.value] = to
    assert found == MEANT
    told: dict = {}
    for (life, change), (_, word) in TABLE.items():
        told.setdefault(word, set()).add((life, change.value))
    assert told == WORDS


@pytest.mark.parametrize("life", list(ALARMS))
def test_the_state_is_told_from_the_alarm(life):
    """Nine states: an alarm's fields say in which it stands, and whether it is silenced."""
    assert life_of(ALARMS[life]) is life
    assert quiet(ALARMS[life]) is (life in SILENT)


def test_what_silences_most_counts_and_chatter_counts_as_standing():
    """Out of use before suppressed before shelved; one that comes and goes is B or C while it is gone for seconds."""
    both = replace(ALARMS[G], suppressed=True)
    assert life_of(both) is H
    assert life_of(replace(both, out_of_use=True)) is I
    assert life_of(replace(ALARMS[D], chattering=True)) is B
    assert life_of(replace(ALARMS[E], chattering=True, acknowledged=True)) is C
    assert life_of(replace(ALARMS[D], acknowledged=True)) is A


def fits(alarm, change):
    """Whether a caller would ever ask for this change of such an alarm."""
    return {
        Change.RETURN: alarm.active and not alarm.latched,
        Change.RETURN_LATCHED: alarm.active and alarm.latched,
        Change.AGAIN: alarm.active,
        Change.RESET: alarm.active,
        Change.RESET_GONE: not alarm.active,
        Change.SHELVE: not alarm.latched,
        Change.SHOW: alarm.active,
        Change.DROP: not alarm.active,
    }.get(change, True)


def prepared(alarm, change):
    """What a caller sets beside the change: what begins stands, a shelf has its end."""
    if change in (Change.BEGIN, Change.SUPPRESS, Change.REMOVE):
        return replace(alarm, active=True)
    if change is Change.SHELVE and (life_of(alarm), change) in TABLE:
        return replace(alarm, shelved_until_ms=900)
    return alarm


def walks():
    """Every change of every alarm that changes can make of a new one, warn or trip: alarm, change, what comes of it."""
    seen, waiting, found = set(), [], []
    for start in (BASE, replace(BASE, latched=True, reaction=Reaction.TRIP)):
        waiting += [moved(start, change, 7, A)[0] for change in (Change.BEGIN, Change.SUPPRESS, Change.REMOVE)]
    while waiting:
        alarm = waiting.pop()
        if alarm is None or alarm in seen:
            continue
        seen.add(alarm)
        for change in Change:
            if fits(alarm, change):
                new, word = moved(prepared(alarm, change), change, 7, life_of(alarm))
                found.append((alarm, change, new, word))
                waiting.append(new)
    return found


def test_every_alarm_lands_where_the_table_says():
    """Whatever the way: the alarm's own fields say the state that the table gave; and every entry is walked."""
    walked = set()
    for alarm, change, new, word in walks():
        to = TABLE.get((life_of(alarm), change))
        if to is None:
            assert (new, word) == (prepared(alarm, change), "")
        else:
            walked.add((life_of(alarm), change))
            assert ((A if new is None else life_of(new)), word) == to, (alarm, change)
    assert walked == {entry for entry in TABLE if entry[0] is not A}


def test_no_way_loses_what_a_person_must_still_do():
    """No standing cause leaves the list but by its return, and no latch but by a reset."""
    for alarm, change, new, _ in walks():
        if new is None and alarm.active:
            assert change is Change.RETURN, alarm
        if new is None and alarm.latched:
            assert change is Change.RESET_GONE, alarm
        if new is not None and alarm.latched and not new.latched:
            assert change in (Change.RESET, Change.RESET_GONE), alarm


def test_who_is_told_again_is_told_anew():
    """Coming out of any silence an alarm is unacknowledged, not escalated, and told now."""
    for life in SILENT:
        old = replace(ALARMS[life], acknowledged=True, escalated=True, told_ms=1, chattering=True)
        new, _ = moved(old, Change.SHOW, 44)
        assert (new.acknowledged, new.escalated, new.told_ms, new.chattering) == (False, False, 44, False)
        assert (new.suppressed, new.out_of_use) == (False, False)
        assert (new.shelved_until_ms, new.shelved_by, new.shelved_why) == (None, "", "")


def test_other_changes_keep_what_was_told():
    """An acknowledgement, a return, a reset change their own mark only."""
    old = replace(ALARMS[B], told_ms=3, escalated=True, chattering=True, latched=True)
    new, word = moved(old, Change.ACKNOWLEDGE, 44)
    assert (new, word) == (replace(old, acknowledged=True), "")
    new, _ = moved(old, Change.RESET, 44)
    assert new == replace(old, latched=False)
    new, _ = moved(replace(old, chattering=False), Change.RETURN_LATCHED, 44)
    assert new == replace(old, chattering=False, active=False)
    new, _ = moved(old, Change.SUPPRESS, 44)
    assert new == replace(old, suppressed=True, chattering=False)
    new, _ = moved(ALARMS[E], Change.RESET_GONE, 44)
    assert new == ALARMS[D]
