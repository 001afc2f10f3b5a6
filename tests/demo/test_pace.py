"""The pace of a virtual plant: when cycles begin, the rest, what is shown meanwhile. Wait and clock are ours."""

from __future__ import annotations

import asyncio
import math

import pytest

from simulator.pace import FASTEST, MOST_MORE, SHOW_EVERY_S, SLACK_S, SLOWEST, Pace, wait_for

DT_s = 5.0


class Wall:
    """A clock that goes on only by waiting; at given moments something happens, and the wait ends there."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.plans: list[tuple[float, object]] = []
        self.shown: list[float] = []
        self.waits = 0
        self.settled = True

    def at(self, moment_s: float, does) -> None:
        self.plans.append((moment_s, does))
        self.plans.sort(key=lambda plan: plan[0])

    async def wait(self, woken: asyncio.Event, longest_s: float) -> None:
        self.waits += 1
        assert 0.0 < longest_s <= SHOW_EVERY_S
        assert self.waits < 10_000, "waits for ever"
        if self.plans and self.plans[0][0] <= self.now_s + longest_s:
            moment_s, does = self.plans.pop(0)
            self.now_s = max(self.now_s, moment_s)
            does()
            assert woken.is_set()
            return
        self.now_s += max(longest_s, 1e-9)

    async def show(self) -> None:
        self.shown.append(self.now_s)


@pytest.fixture
def wall():
    return Wall()


def pace_of(wall: Wall, ratio: float) -> Pace:
    return Pace(ratio, wall.show, lambda: wall.settled, wait=wall.wait, now_s=lambda: wall.now_s)


async def begins(pace: Pace, wall: Wall, cycles: int, work_s: float = 0.0) -> list[float]:
    """The moments at which so many cycles begin, each taking `work_s` of the wall's time."""
    moments = []
    for _ in range(cycles):
        await pace.before(DT_s)
        moments.append(wall.now_s)
        wall.now_s += work_s
    return moments


@pytest.mark.parametrize(("ratio", "work_s"), [(300.0, 0.004), (10.0, 0.1), (1.0, 0.5), (3600.0, 0.001)])
async def test_plant_time_follows_the_ratio(wall, ratio, work_s):
    """Cycles begin every dt/ratio seconds, whatever of that their own work takes."""
    moments = await begins(pace_of(wall, ratio), wall, 200, work_s)
    assert moments[-1] - moments[0] == pytest.approx(199 * DT_s / ratio, abs=1e-6 + DT_s / ratio)


@pytest.mark.parametrize(("late_s", "hurried"), [(0.8 * SLACK_S, 12), (10.0, 1)])
async def test_a_short_delay_is_made_good_and_a_long_one_is_not(wall, late_s, hurried):
    """After a slow cycle others hurry until it is made good; after a long one they go on at their pace."""
    pace = pace_of(wall, 300.0)
    await begins(pace, wall, 10)
    wall.now_s += late_s
    late = wall.now_s
    at_once = [moment for moment in await begins(pace, wall, 60) if moment == late]
    assert len(at_once) == pytest.approx(hurried, abs=1)


async def test_a_machine_too_slow_waits_never(wall):
    """Where a cycle lasts longer than its share of the pace, the next begins at once."""
    await begins(pace_of(wall, 3600.0), wall, 100, 0.01)
    assert wall.waits == 0


async def test_rest_begins_no_cycle_and_shows_every_second(wall):
    """Paused, nothing begins; what was last shown is shown again at least once a second, from the first moment on."""
    pace = pace_of(wall, 300.0)
    await begins(pace, wall, 3)
    asked_s = wall.now_s
    pace.ask(None, paused=True)
    wall.at(asked_s + 7.3, lambda: pace.ask(None, paused=False))
    (begun_s,) = await begins(pace, wall, 1)
    assert begun_s == pytest.approx(asked_s + 7.3)
    gaps = [after - before for before, after in zip([asked_s, *wall.shown], [*wall.shown, begun_s], strict=True)]
    assert wall.shown[0] == asked_s
    assert max(gaps) <= SHOW_EVERY_S + 1e-9


async def test_a_slow_plant_is_shown_between_its_cycles(wall):
    """At one to one a cycle comes every five seconds; between them the last picture is shown every second."""
    pace = pace_of(wall, 1.0)
    await begins(pace, wall, 1)
    wall.shown.clear()
    await begins(pace, wall, 1)
    assert len(wall.shown) == 4


async def test_a_quick_plant_is_shown_by_its_cycles_alone(wall):
    """At the usual pace nothing is shown twice."""
    await begins(pace_of(wall, 300.0), wall, 300)
    assert wall.shown == []


async def test_at_rest_an_order_gets_its_cycle_and_its_read_back(wall):
    """An order during the rest begins a cycle at once, then as many as its read-back takes, and then rest again."""
    pace = pace_of(wall, 300.0)
    await begins(pace, wall, 1)
    pace.ask(None, paused=True)
    ordered_s = wall.now_s + 3.2

    def order() -> None:
        wall.settled = False
        pace.order()

    wall.at(ordered_s, order)
    assert await begins(pace, wall, 3) == [pytest.approx(ordered_s)] * 3
    wall.settled = True
    shown = len(wall.shown)
    wall.at(ordered_s + 60.0, lambda: pace.ask(None, paused=False))
    assert await begins(pace, wall, 1) == [pytest.approx(ordered_s + 60.0)]
    assert wall.shown[shown] == pytest.approx(ordered_s), "what the order led to is shown at once"


async def test_a_read_back_that_never_comes_ends_the_cycles_of_an_order(wall):
    """At rest an order whose device stays mute moves the plant by a few cycles, not for ever."""
    pace = pace_of(wall, 300.0)
    await begins(pace, wall, 1)
    pace.ask(None, paused=True)
    wall.settled = False
    ordered_s = wall.now_s + 1.0
    wall.at(ordered_s, pace.order)
    wall.at(ordered_s + 50.0, lambda: pace.ask(None, paused=False))
    moments = await begins(pace, wall, 3 + MOST_MORE)
    assert sum(moment < ordered_s + 1.0 for moment in moments) == 1 + MOST_MORE


async def test_an_order_does_not_wait_for_a_slow_plant(wall):
    """At one to one an order is decided now, not five seconds later; then the pace is as before."""
    pace = pace_of(wall, 1.0)
    (first_s,) = await begins(pace, wall, 1)
    wall.at(first_s + 1.5, pace.order)
    assert await begins(pace, wall, 2) == [pytest.approx(first_s + 1.5), pytest.approx(first_s + 6.5)]


@pytest.mark.parametrize(
    ("asked", "taken"),
    [(600.0, 600.0), (0.001, SLOWEST), (1e9, FASTEST), (math.nan, 300.0), (math.inf, 300.0), (None, 300.0)],
)
async def test_ratio_stays_in_its_bounds(wall, asked, taken):
    """A ratio is taken within 1 and 3600; what is no number changes nothing, and nothing but a pause pauses."""
    pace = pace_of(wall, 300.0)
    pace.ask(asked, None)
    assert pace.told() == (taken, False)


async def test_another_ratio_counts_at_once(wall):
    """Asked in the middle of a wait, a quicker pace ends it."""
    pace = pace_of(wall, 1.0)
    (first_s,) = await begins(pace, wall, 1)
    wall.at(first_s + 2.0, lambda: pace.ask(100.0, None))
    assert await begins(pace, wall, 2) == [pytest.approx(first_s + 2.0), pytest.approx(first_s + 2.05)]


async def test_free_ends_every_wait(wall):
    """At the end no pause stands in the way."""
    pace = pace_of(wall, 1.0)
    await begins(pace, wall, 1)
    pace.ask(None, paused=True)
    end_s = wall.now_s + 2.5
    wall.at(end_s, pace.free)
    assert await begins(pace, wall, 50) == [pytest.approx(end_s)] * 50


async def test_the_real_wait_ends_when_woken_or_in_time():
    """The wait that is used is over as soon as it is woken, and bounded where nobody wakes it."""
    woken = asyncio.Event()
    async with asyncio.timeout(20.0):
        await wait_for(woken, 0.001)
        asyncio.get_running_loop().call_soon(woken.set)
        await wait_for(woken, 1_000.0)
    assert woken.is_set()
