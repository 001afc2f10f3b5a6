"""Alarms through the cycles: first-out, what explains them, chatter, shelves, escalation, being told again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import alarms
from controller.core.alarmhush import Hush
from controller.core.alarmlife import Life, life_of
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS, EXPLAINS
from controller.core.lawsettings import AlarmLimits
from controller.core.state import Alarm
from controller.core.types import Condition, EventKind, Reaction, State

WARN = Condition("warm", Reaction.WARN, 41.0, 40.0, priority=2)
TRIP = Condition("hot", Reaction.TRIP, 61.0, 60.0, priority=1)
LOW = Condition("low", Reaction.WARN, 1.0, 2.0, priority=3)
MINUTE = 60_000


def wired(code):
    """The same text, as another object: as it comes over a socket."""
    return code.encode().decode()


class Living:
    """A circuit's alarms, cycle by cycle; `told` holds (life, code) of this cycle's events."""

    def __init__(self, found=(), hush=None, **limits):
        self.alarms, self.hush, self.limits = found, hush or Hush({}), replace(AlarmLimits(), **limits)
        self.now_ms, self.told, self.events, self.seen = 0, [], (), 0

    def at(self, now_ms, *begun, ended=(), again=()):
        self.now_ms = now_ms
        lived = alarms.step(self.alarms, begun, tuple(ended), "A01", now_ms, self.limits, self.hush, tuple(again))
        self.alarms, self.events, self.seen = lived.alarms, lived.events, lived.seen
        self.told = [
            (event.data.get("life", event.code), event.data.get("cause", event.code)) for event in lived.events
        ]
        return self

    def one(self, code="warm"):
        return next((alarm for alarm in self.alarms if alarm.code == code), None)

    def life(self, code="warm"):
        one = self.one(code)
        return life_of(one).value if one is not None else "A"


def test_a_new_alarm_carries_its_value_limit_and_moment():
    """And the event says new, with value and limit, reaction and priority."""
    living = Living().at(5_000, WARN)
    assert living.alarms == (Alarm("warm", 5_000, 2, Reaction.WARN, value=41.0, limit=40.0, told_ms=5_000),)
    (event,) = living.events
    assert (event.code, event.target, event.kind, event.priority) == ("warm", "A01", EventKind.ALARM, 2)
    assert (event.data, event.reaction) == ({"life": "new", "value": 41.0, "limit": 40.0}, Reaction.WARN)
    assert living.seen == 1


def test_a_trip_latches_and_nothing_else_does():
    """Latched alarms wait for a reset."""
    assert [alarm.latched for alarm in Living().at(0, WARN, TRIP).alarms] == [False, True]


@pytest.mark.parametrize(("condition", "seen", "life"), [
    (WARN, False, "D"), (WARN, True, "A"), (TRIP, False, "E"), (TRIP, True, "F"),
])  # fmt: skip
def test_an_alarm_leaves_when_its_cause_is_gone_and_a_person_saw_it(condition, seen, life):
    """Unseen ones stay, latched ones stay; each is told to have returned, once."""
    living = Living().at(0, condition)
    living.alarms = alarms.acknowledged(living.alarms) if seen else living.alarms
    living.at(1_000, ended=[condition])
    assert living.life(condition.code) == life
    assert living.told == [("returned", condition.code)]
    assert living.seen == 1
    before = living.alarms
    assert living.at(2_000, ended=[condition]).told == []
    assert living.alarms is before
    assert living.seen == 0


def test_acknowledging_a_returned_alarm_lets_it_go_but_not_a_latch():
    """The last one to see it; one code leaves the others as they are."""
    living = Living().at(0, WARN, TRIP).at(1_000, ended=[WARN, TRIP])
    assert [alarm.code for alarm in alarms.acknowledged(living.alarms)] == ["hot"]
    assert [life_of(alarm) for alarm in alarms.acknowledged(living.alarms, "hot")] == [Life.RETURNED, Life.LATCHED]
    assert alarms.waits(living.alarms, "hot")
    assert not alarms.waits(alarms.acknowledged(living.alarms))
    assert not alarms.waits(living.alarms, "")


def test_an_alarm_that_comes_back_is_new_again_and_keeps_its_latch():
    """Seen once is not seen twice; it stands once on the list, last, and counts its returns."""
    living = Living().at(0, TRIP)
    living.alarms = alarms.acknowledged(living.alarms)
    living.at(1_000, LOW, ended=[TRIP]).at(90_000, replace(TRIP, reaction=Reaction.HOLD))
    assert [(alarm.code, alarm.since_ms, alarm.times) for alarm in living.alarms] == [
        ("low", 1_000, 0),
        ("hot", 90_000, 1),
    ]
    assert (living.life("hot"), living.one("hot").latched, living.told) == ("B", True, [("new", "hot")])


def test_a_reset_takes_the_latch_of_alarms_still_standing_and_ends_the_others():
    """What stands goes on standing; nobody's unseen alarm is lost; a shelf stays; a latch's chatter ends with it."""
    standing = Alarm("a", 0, 2, Reaction.TRIP, acknowledged=True, latched=True)
    gone = replace(standing, code="b", active=False)
    unseen = replace(gone, code="c", acknowledged=False)
    shelved = replace(gone, code="d", latched=False, shelved_until_ms=9)
    flickers = replace(gone, code="e", chattering=True)
    left = alarms.reset((standing, gone, unseen, shelved, flickers))
    assert [(alarm.code, alarm.latched) for alarm in left] == [("a", False), ("c", False), ("d", False)]


def test_a_cycle_without_news_changes_nothing():
    """The same alarms, no event, nothing to see: not even a new tuple."""
    living = Living().at(0, WARN, LOW)
    before = living.alarms
    living.at(1_000)
    assert living.alarms is before
    assert (living.told, living.seen) == ([], 0)


@pytest.mark.parametrize("old", [
    {"active": False, "latched": True}, {"active": False, "latched": True, "suppressed": True},
    {"active": False, "latched": True, "out_of_use": True},
])  # fmt: skip
def test_what_comes_again_in_silence_was_seen_by_nobody(old):
    """An earlier acknowledgement does not count for it."""
    seen = Alarm("warm", 0, 2, Reaction.TRIP, acknowledged=True, **old)
    living = Living((seen,), hush=Hush({"low": ("warm",)})).at(9_000, LOW, WARN)
    assert (living.life(), living.one().acknowledged) == ("H", False)


def test_codes_are_compared_as_texts():
    """Two that are equal are one alarm, whoever made them."""
    again = replace(WARN, code=wired("warm"))
    living = Living().at(0, WARN).at(1_000, again)
    assert len(living.alarms) == 1
    assert living.at(90_000, again=[(replace(again, code=wired("warm")), 1_000.0)]).told == [("new", "warm")]


# -- first-out


@pytest.mark.parametrize(("later_ms", "first"), [(0, "warm"), (10_000, "warm"), (10_001, "")])
def test_what_comes_within_ten_seconds_stands_under_the_first(later_ms, first):
    """The earliest of one circuit is where to look."""
    living = Living().at(5_000, WARN).at(5_000 + later_ms, LOW)
    assert [alarm.first for alarm in living.alarms] == ["", first]


def test_a_group_has_one_first_and_is_not_lengthened_by_its_followers():
    """Ten seconds count from the first alone; of several in one cycle the first asked is the first."""
    living = Living().at(0, TRIP, WARN).at(8_000, LOW).at(16_000, Condition("late", Reaction.WARN))
    assert [alarm.first for alarm in living.alarms] == ["", "hot", "hot", ""]
    two = Living((Alarm("b", 3_000, 2, Reaction.WARN), Alarm("a", 1_000, 2, Reaction.WARN))).at(9_000, WARN)
    assert two.one().first == "a"


def test_a_silent_alarm_leads_nobody_and_follows_nobody():
    """The first of a group is one that was told."""
    found = (Alarm("low", 0, 3, Reaction.WARN, suppressed=True, active=False, latched=True),)
    assert Living(found).at(1_000, WARN).one().first == ""
    living = Living(hush=Hush({"warm": ("low",)})).at(0, WARN).at(1_000, LOW)
    assert living.one("low").first == ""


# -- suppressed by design


def test_what_follows_from_another_alarm_is_suppressed_while_that_stands():
    """In the same cycle or later; told again as new when the explanation ends and it still stands."""
    living = Living(hush=Hush({"warm": ("low", "hot")})).at(0, LOW, WARN)
    assert (living.told, living.life("low")) == ([("new_suppressed", "low"), ("new", "warm")], "H")
    living.at(1_000)
    assert living.told == []
    living.at(2_000, ended=[WARN])
    assert living.told == [("returned", "warm"), ("unsuppressed", "low")]
    assert (living.life("low"), living.one("low").told_ms, living.seen) == ("B", 2_000, 1)


def test_an_alarm_is_suppressed_when_its_explanation_comes_later():
    """It stood before: from then on it is silent; one that is gone already is left as it is."""
    gone = Alarm("hot", 0, 1, Reaction.TRIP, active=False, latched=True)
    living = Living((gone,), hush=Hush({"warm": ("low", "hot")})).at(0, LOW).at(60_000, WARN)
    assert living.told == [("new", "warm"), ("suppressed", "low")]
    assert (living.life("low"), living.life("hot")) == ("H", "E")


def test_a_suppressed_alarm_that_returns_leaves_unless_it_is_latched():
    """A latch waits for its reset, silent: the alarm that explained it was told."""
    living = Living(hush=Hush({"warm": ("low", "hot")})).at(0, WARN, LOW, TRIP).at(1_000, ended=[LOW, TRIP])
    assert (living.life("low"), living.life("hot")) == ("A", "H")
    assert living.told == [("returned", "low"), ("returned", "hot")]
    living.at(2_000, ended=[WARN])
    assert living.life("hot") == "H"
    living.at(3_000, TRIP)
    assert (living.life("hot"), living.told) == ("B", [("new", "hot")])


def test_what_stands_for_the_whole_bath_silences_repeats_and_what_follows_from_it():
    """The bath's own alarm is told at the bath."""
    living = Living(hush=Hush({"stop": ("low",)}, outer=("stop",))).at(0, Condition("stop", Reaction.TRIP), LOW, WARN)
    assert [living.life(code) for code in ("stop", "low", "warm")] == ["H", "H", "B"]


def test_an_empty_place_tells_trips_and_priority_1_only():
    """Nothing hangs there that a warning could save."""
    living = Living(hush=Hush({}, idle=True)).at(
        0, WARN, LOW, replace(TRIP, priority=2), Condition("now", Reaction.WARN, priority=1)
    )
    assert [living.life(code) for code in ("warm", "low", "hot", "now")] == ["H", "H", "B", "B"]
    living.hush = Hush({})
    assert living.at(1_000).told == [("unsuppressed", "warm"), ("unsuppressed", "low")]


def test_out_of_use_tells_priority_1_only():
    """Not even trips; back in use what stands is new."""
    living = Living(hush=Hush({}, out_of_use=True)).at(0, WARN, replace(TRIP, priority=2), replace(LOW, priority=1))
    assert [living.life(code) for code in ("warm", "hot", "low")] == ["I", "I", "B"]
    living.hush = Hush({})
    assert living.at(1_000).told == [("in_use", "warm"), ("in_use", "hot")]


def test_laws_explain_only_what_is_there_and_no_more_urgent():
    """No priority 1 is silenced by a 2, no law explains itself, and each code is a law's."""
    laws = {law.code: law for law in (*CIRCUIT_LAWS, *BATH_LAWS)}
    assert EXPLAINS["link_lost"]
    for code, explained in EXPLAINS.items():
        assert laws[code].explains == explained
        for each in explained:
            assert each != code
            assert laws[each].priority >= laws[code].priority, (code, each)
    assert set(EXPLAINS) == {law.code for law in laws.values() if law.explains}


# -- chatter


def chattering(returns, apart_ms=10_000, condition=WARN):
    living = Living()
    for index in range(returns):
        living.at(2 * index * apart_ms, condition).at((2 * index + 1) * apart_ms, ended=[condition])
    return living


def test_three_returns_in_a_minute_are_one_alarm_that_comes_and_goes():
    """Told once; further comings and goings are counted, and are no events."""
    assert chattering(2).told == [("returned", "warm")]
    living = chattering(3)
    assert living.told == [("chattering", "warm")]
    assert (living.one().times, living.one().active, living.life()) == (3, False, "B")
    for at_ms in (60_000, 80_000, 100_000):
        assert living.at(at_ms, WARN).told == []
        assert living.one().active
        assert living.at(at_ms + 10_000, ended=[WARN]).told == []
    assert (living.one().times, living.one().since_ms, living.seen) == (6, 40_000, 0)


def test_returns_further_apart_than_a_minute_are_news_each():
    """The oldest of three must be younger than sixty seconds."""
    assert chattering(4, 20_000).told == [("returned", "warm")]
    for third_ms, life in ((69_999, "chattering"), (70_000, "returned")):
        living = chattering(2).at(60_000, WARN).at(third_ms, ended=[WARN])
        assert living.told == [(life, "warm")]


@pytest.mark.parametrize(("seen", "condition", "life"), [
    (False, WARN, "D"), (True, WARN, "A"), (False, TRIP, "E"),
])  # fmt: skip
def test_a_minute_without_a_return_is_calm(seen, condition, life):
    """What is gone by then has returned, as after any alarm; it was acknowledged for all its comings."""
    living = chattering(3, condition=condition)
    living.alarms = alarms.acknowledged(living.alarms) if seen else living.alarms
    living.at(60_000, condition).at(65_000, ended=[condition])
    assert living.one(condition.code).acknowledged is seen
    assert living.at(124_999).told == []
    living.at(125_000)
    assert living.told == [("returned", condition.code)]
    assert living.life(condition.code) == life
    if life != "A":
        assert (living.one(condition.code).times, living.one(condition.code).returns_ms) == (0, ())


HOLDS = replace(TRIP, reaction=Reaction.HOLD)


@pytest.mark.parametrize(("condition", "seen", "told"), [
    (WARN, True, []), (replace(WARN, reaction=Reaction.DERATE), True, []), (HOLDS, False, []), (TRIP, False, []),
    (HOLDS, True, ["new"]), (TRIP, True, ["new"]),
])  # fmt: skip
def test_chatter_that_holds_or_trips_is_news_once_it_was_seen(condition, seen, told):
    """An acknowledged warning comes and goes in silence; a hold or trip never does."""
    living = chattering(3, condition=condition)
    living.alarms = alarms.acknowledged(living.alarms) if seen else living.alarms
    living.at(60_000, condition)
    one = living.one(condition.code)
    assert [life for life, _ in living.told] == told
    assert (one.active, one.latched) == (True, condition.reaction is Reaction.TRIP)
    assert one.acknowledged is (seen and not told)
    assert one.chattering is not bool(told)


@pytest.mark.parametrize("seen", [False, True])
def test_a_chattering_alarm_that_trips_unlatched_latches_and_is_told(seen):
    """A hold that chatters and then trips: latched and new, whoever has seen the holds."""
    living = chattering(3, condition=HOLDS)
    living.alarms = alarms.acknowledged(living.alarms) if seen else living.alarms
    living.at(60_000, TRIP)
    assert (living.one("hot").latched, living.one("hot").acknowledged, living.told) == (True, False, [("new", "hot")])


def test_a_trip_after_the_reset_of_its_chatter_is_new_and_latched():
    """Acknowledged and reset it leaves; what comes then has its own latch, and is heard."""
    living = chattering(3, condition=TRIP)
    assert living.one("hot").chattering
    living.alarms = alarms.reset(alarms.acknowledged(living.alarms))
    assert living.alarms == ()
    living.at(60_000, TRIP)
    assert (living.one("hot").latched, living.one("hot").acknowledged, living.told) == (True, False, [("new", "hot")])


def test_a_warning_that_comes_and_goes_chatters_on_over_a_reset():
    """It had no latch: nothing of it is reset."""
    living = chattering(3)
    assert alarms.reset(living.alarms) == living.alarms


def test_what_stands_for_a_minute_goes_on_standing():
    """It comes and goes no more."""
    living = chattering(3).at(60_000, WARN).at(109_999)
    assert living.one().chattering
    living.at(110_000)
    assert living.told == [("steady", "warm")]
    assert (living.life(), living.one().chattering, living.one().active) == ("B", False, True)


def test_one_that_chattered_in_silence_chatters_when_it_is_told():
    """Returns were counted all the same: the next one makes it one alarm that comes and goes."""
    before = Alarm("warm", 0, 2, Reaction.WARN, returns_ms=(1_000, 3_000, 5_000), times=3)
    living = Living((before,)).at(7_000, ended=[WARN])
    assert living.told == [("chattering", "warm")]
    assert (living.one().times, len(living.one().returns_ms)) == (4, 4)


def test_a_silent_alarm_does_not_chatter():
    """Nobody hears it as it is."""
    living = Living(hush=Hush({}, idle=True))
    for at_ms in (0, 2_000, 4_000, 6_000):
        living.at(at_ms, WARN).at(at_ms + 1_000, ended=[WARN])
    assert living.told == [("returned", "warm")]


# -- shelves


def shelf(life="B", until_ms=10_000):
    living = Living().at(0, WARN)
    if life == "C":
        living.alarms = alarms.acknowledged(living.alarms)
    before = living.alarms
    living.alarms = alarms.shelved(before, "warm", until_ms, "eva", "wet plug")
    living.order = alarms.told_shelves(before, living.alarms, "A01")
    return living


@pytest.mark.parametrize("life", ["B", "C"])
def test_a_shelved_alarm_is_silent_until_its_time_and_then_new(life):
    """It keeps who shelved it and why; both ends are events."""
    living = shelf(life)
    one = living.one()
    assert (one.shelved_until_ms, one.shelved_by, one.shelved_why) == (10_000, "eva", "wet plug")
    assert [(event.code, event.data["life"], event.target) for event in living.order] == [("warm", "shelved", "A01")]
    assert living.life() == "G"
    assert living.at(9_999).told == []
    living.at(10_000)
    assert (living.told, living.life(), living.one().told_ms) == ([("unshelved", "warm")], "B", 10_000)


def test_a_shelved_alarm_comes_and_goes_in_silence_and_leaves_at_the_end():
    """Each coming is in the record; what is gone at its time is gone."""
    living = shelf().at(1_000, ended=[WARN])
    assert (living.life(), living.told) == ("G", [("returned", "warm")])
    living.at(2_000, replace(WARN, value=43.0))
    assert (living.life(), living.told) == ("G", [("new_shelved", "warm")])
    one = living.one()
    assert (one.value, one.shelved_by, one.shelved_why, one.shelved_until_ms) == (43.0, "eva", "wet plug", 10_000)
    living.at(3_000, ended=[WARN]).at(10_000)
    assert (living.life(), living.told) == ("A", [("unshelved", "warm")])


@pytest.mark.parametrize(("worse", "life"), [
    (replace(WARN, priority=1), "B"), (replace(WARN, reaction=Reaction.TRIP), "B"), (WARN, "G"),
    (replace(WARN, priority=3), "G"), (replace(WARN, reaction=Reaction.HOLD), "B"),
    (replace(WARN, reaction=Reaction.DERATE), "G"),
])  # fmt: skip
def test_a_shelf_ends_when_the_alarm_comes_back_worse(worse, life):
    """A more urgent one, a hold or a trip was not what somebody shelved."""
    living = shelf().at(1_000, ended=[WARN]).at(2_000, worse)
    assert living.life() == life
    if life == "B":
        assert living.told == [("new", "warm")]
        assert (living.one().shelved_until_ms, living.one().shelved_by) == (None, "")


@pytest.mark.parametrize(("changes", "may"), [
    ({}, True), ({"priority": 3}, True), ({"acknowledged": True}, True), ({"active": False}, True),
    ({"shelved_until_ms": 5}, True), ({"priority": 1}, False), ({"latched": True}, False),
    ({"suppressed": True}, False), ({"reaction": Reaction.DERATE}, True), ({"reaction": Reaction.HOLD}, False),
    ({"reaction": Reaction.TRIP}, False), ({"reaction": Reaction.HOLD, "active": False}, False),
])  # fmt: skip
def test_what_may_be_shelved(changes, may):
    """Never priority 1, never what latched; what may not is left as it is."""
    found = (replace(Alarm("warm", 0, 2, Reaction.WARN), **changes), Alarm("low", 0, 3, Reaction.WARN))
    assert alarms.may_shelve(found, "warm") is may
    assert not alarms.may_shelve(found, "nobody knows")
    after = alarms.shelved(found, "warm", 10_000, "eva", "wet")
    assert (after != found) is may
    assert after[1] == found[1]


def test_one_shelf_is_no_other_s():
    """Codes are compared as texts that came over a wire, whatever stands before or behind them in the alphabet."""
    found = tuple(Alarm(code, 0, 2, Reaction.WARN) for code in ("a", "bb", "c"))
    code = wired("bb")
    assert alarms.may_shelve(found, code)
    one = alarms.shelved(found, code, 9, "eva", "wet")
    assert [life_of(alarm).value for alarm in one] == ["B", "G", "B"]
    every = alarms.shelved(alarms.shelved(one, "a", 9, "eva", "wet"), "c", 9, "eva", "wet")
    assert [life_of(alarm).value for alarm in alarms.unshelved(every, code, 5)] == ["G", "B", "G"]
    late = [replace(alarm, shelved_until_ms=int("1000000")) for alarm in every]
    again = tuple(replace(alarm, shelved_until_ms=int("1000000")) for alarm in late)
    assert alarms.told_shelves(tuple(late), again, "A01") == []


def test_a_shelf_is_taken_back_by_one_or_by_all():
    """As new where it stands, gone where it is gone; what is not shelved is not touched."""
    living = shelf().at(1_000, LOW)
    living.alarms = alarms.shelved(living.alarms, "low", 20_000, "eva", "wet")
    living.at(2_000, TRIP, ended=[LOW])
    one = alarms.unshelved(living.alarms, "low", 3_000)
    assert [(alarm.code, life_of(alarm).value) for alarm in one] == [("warm", "G"), ("hot", "B")]
    every = alarms.unshelved_all(living.alarms, 3_000)
    assert [(alarm.code, life_of(alarm).value, alarm.told_ms) for alarm in every] == [
        ("warm", "B", 3_000), ("hot", "B", 2_000),
    ]  # fmt: skip
    told = alarms.told_shelves(living.alarms, every, "A01")
    assert [(event.code, event.data["life"]) for event in told] == [("warm", "unshelved"), ("low", "unshelved")]
    assert alarms.told_shelves(every, every, "A01") == []
    longer = alarms.shelved(living.alarms, "warm", 30_000, "eva", "wet")
    assert [event.data["life"] for event in alarms.told_shelves(living.alarms, longer, "A01")] == ["shelved"]


def test_a_shelf_that_ends_while_something_explains_the_alarm_stays_silent():
    """Nothing rings for a moment in between."""
    living = shelf()
    living.hush = Hush({}, idle=True)
    assert living.at(10_000).told == []
    living.hush = Hush({})
    assert living.at(11_000).told == [("unshelved", "warm")]


# -- escalation


@pytest.mark.parametrize(("condition", "minutes"), [(TRIP, 5), (WARN, 15), (LOW, None)])
def test_what_nobody_acknowledges_in_its_time_escalates_once(condition, minutes):
    """Priority 1 after five minutes, 2 after fifteen, 3 never; an event with priority and cause, no order."""
    living = Living().at(1_000, condition)
    if minutes is None:
        assert living.at(1_000 + 600 * MINUTE).told == []
        return
    assert living.at(1_000 + minutes * MINUTE - 1).told == []
    living.at(1_000 + minutes * MINUTE)
    (event,) = living.events
    assert (event.code, event.kind, event.target, event.priority) == (
        "escalated", EventKind.EVENT, "A01", condition.priority,
    )  # fmt: skip
    assert event.data == {"cause": condition.code, "minutes": float(minutes)}
    assert living.one(condition.code).escalated
    assert living.seen == 0
    assert living.at(1_000 + 2 * minutes * MINUTE).told == []


def test_only_what_is_told_and_unseen_escalates():
    """Not what was acknowledged, not what is silent; also what is gone and nobody saw."""
    living = Living().at(0, TRIP)
    living.alarms = alarms.acknowledged(living.alarms)
    assert living.at(60 * MINUTE).told == []
    assert Living(hush=Hush({}, idle=True)).at(0, WARN).at(60 * MINUTE).told == []
    assert shelf(until_ms=90 * MINUTE).at(60 * MINUTE).told == []
    assert Living().at(0, WARN).at(1_000, ended=[WARN]).at(15 * MINUTE).told == [("escalated", "warm")]


# -- told again


def test_an_alarm_that_stands_is_told_again_after_its_time():
    """New, with today's value; from then on its time counts anew, and so does escalation."""
    living = Living().at(1_000, WARN)
    living.alarms = alarms.acknowledged(living.alarms)
    now = (replace(WARN, value=45.0, limit=39.0), 30_000.0)
    before = living.alarms
    assert living.at(30_999, again=[now]).alarms is before
    living.at(31_000, again=[now])
    assert living.told == [("new", "warm")]
    one = living.one()
    assert (one.acknowledged, one.since_ms, one.told_ms, one.value, one.limit) == (False, 31_000, 31_000, 45.0, 39.0)
    assert living.at(60_999, again=[now]).told == []
    assert living.at(61_000, again=[now]).told == [("new", "warm")]


def test_only_the_one_that_stands_and_is_told_is_told_again():
    """Not one that is gone, not a silent one, not another."""
    now = (WARN, 1_000.0)
    assert shelf(until_ms=90_000).at(60_000, again=[now]).told == []
    living = Living().at(0, WARN, LOW).at(10, ended=[WARN])
    assert living.at(60_000, again=[now]).told == []
    assert living.at(61_000, again=[(LOW, 1_000.0)]).told == [("new", "low")]


def test_the_marks_show_every_change_a_person_could_see():
    """Where it stands, acknowledged, latched; not how often it came and went."""
    alarm = Alarm("a", 0, 2, Reaction.TRIP, active=True, acknowledged=False, latched=True)
    assert alarms.marks((alarm,)) == (("a", Life.UNACKNOWLEDGED, False, True),)
    flickers = replace(alarm, chattering=True)
    assert alarms.marks((flickers,)) == alarms.marks((replace(flickers, active=False, times=4),))


# -- in a circuit and a bath


def test_every_change_of_an_alarm_raises_the_revision(kit):
    """So that an order from an older screen is refused."""
    bench = kit.bench(circuits=1).running()
    seen = [bench.circuit().revision]
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    seen.append(bench.circuit().revision)
    bench.bad.clear()
    bench.cycles(2)
    seen.append(bench.circuit().revision)
    for verb in ("acknowledge", "reset"):
        assert bench.order(verb, seen=seen[-1]) == "accepted"
        seen.append(bench.circuit().revision)
    assert seen == sorted(set(seen))


def test_a_trip_stays_latched_in_every_state_until_acknowledged_and_reset(kit):
    """Its cause gone for minutes: still tripped, still refused."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    bench.bad.clear()
    bench.cycles(120)
    assert bench.circuit().state is State.TRIPPED
    assert bench.order("resume") == "state"
    assert bench.order("reset") == "not_acknowledged"
    bench.order("acknowledge")
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    assert bench.order("reset") == "not_acknowledged"
    bench.order("acknowledge")
    assert bench.order("reset") == "cause_stands"


def test_a_trip_of_a_finished_run_latches_and_keeps_the_run_finished(kit):
    """Complete stays complete; unload waits for the reset."""
    bench = kit.bench(circuits=1, after_run_ms=0).running(kit.step(ends={"time_ms": 4_000}))
    bench.cycles(10)
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    assert bench.circuit().state is State.COMPLETE
    assert bench.order("unload") == "latched"
    bench.bad.clear()
    bench.cycles(2)
    assert [bench.order(verb) for verb in ("acknowledge", "reset", "unload")] == ["accepted"] * 3


def test_an_empty_place_is_silent_and_a_loaded_one_is_not(kit):
    """A hot probe where nothing hangs is on the list; with batteries there it is told, and the horn sounds."""
    bench = kit.bench(circuits=2).cycles(5)
    bench.bad[0, "probes"] = 56.0
    bench.cycles(6)
    found = bench.circuit().alarms
    assert found
    assert {life_of(alarm).value for alarm in found} == {"H"}
    assert bench.out.bath.horn == 0
    assert bench.order("load", load=kit.load()) == "accepted"
    bench.cycle()
    lives = {alarm.code: life_of(alarm).value for alarm in bench.circuit().alarms}
    assert lives == {"probe_hold": "B", "probe_derate": "H"}
    assert bench.out.bath.horn == 1


def test_a_bath_s_trip_is_told_once(kit):
    """The emergency stop rings at the bath; its repeats in the circuits latch in silence, and wait for their reset."""
    bench = kit.bench(circuits=2).running()
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycles(3)
    told = [(event.target, event.data["life"]) for event in bench.events if event.code == "emergency_stop"]
    assert sorted(told) == [("A", "new"), ("A01", "new_suppressed"), ("A02", "new_suppressed")]
    assert all(each.state is State.TRIPPED for each in bench.state.circuits)
    assert [life_of(each.alarms[0]).value for each in bench.state.circuits] == ["H", "H"]


def test_a_silent_latch_waits_for_its_reset_alone(kit):
    """The emergency stop is acknowledged and reset at the bath; each circuit then by its reset, and stays told once."""
    bench = kit.bench(circuits=2).running()
    bench.bath_signals["emergency_stop_ok"] = 0.0
    bench.cycles(3)
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(30)
    assert [bench.order(verb, "A") for verb in ("reset", "acknowledge", "reset")] == [
        "not_acknowledged", "accepted", "accepted",
    ]  # fmt: skip
    assert bench.circuit().state is State.TRIPPED
    assert bench.order("resume") == "state"
    assert bench.order("reset") == "accepted"
    assert (bench.circuit().state, bench.circuit().alarms) == (State.HELD, ())
    assert bench.out.bath.horn == 0
