"""The demo's hall: its script gives way to a real person, and hands work for both alike."""

from __future__ import annotations

import asyncio
import csv
import gc
from pathlib import Path

import pytest

from controller.core.types import State
from controller.records.claims import Claims
from controller.service.client import attach
from controller.service.protocol import OrderMessage, PaceMessage
from profiles.problems import InputError
from simulator.hall import TAKEN_OVER, YOURS, Hall, open_hall
from simulator.plot import APART_s, FIRST_CURRENT_s, acts, ticks

BOUND_s = 60.0
ALL_RUN_s = FIRST_CURRENT_s + 8 * APART_s


@pytest.fixture
async def hall(tmp_path):
    """The demo, open, on a stepped clock that only moves when a test asks for cycles."""
    opened = await open_hall(tmp_path, 7, None)
    yield opened
    await opened.close()
    gc.unfreeze()


async def until_s(hall: Hall, plant_s: float) -> None:
    """Cycle up to a moment of plant time."""
    async with asyncio.timeout(BOUND_s):
        while hall.stage.plant.elapsed_s < plant_s:
            await hall.service.cycle()


async def order(hall: Hall, verb: str, target: str, order_id: str = "mine", **args) -> dict:
    """Give an order as a person at a console does, cycle until it is answered, return the answer."""
    person = await attach(hall.socket.path)
    try:
        await person.send(OrderMessage(id=order_id, verb=verb, target=target, args=args))
        asked = asyncio.create_task(_answer(person, order_id))
        async with asyncio.timeout(BOUND_s):
            while not asked.done():
                await hall.service.cycle()
        return asked.result()
    finally:
        await person.close()


async def _answer(person, order_id: str) -> dict:
    async for message in person.messages():
        if message["type"] == "answer" and message["id"] == order_id:
            return message
    raise AssertionError("the service hung up")


async def notices(hall: Hall, runs: Path) -> list[tuple[str, str]]:
    """Every notice on record so far, of bath and circuits."""
    await asyncio.to_thread(hall.service.parts.writer.flush)
    return await asyncio.to_thread(read_notices, runs)


def read_notices(runs: Path) -> list[tuple[str, str]]:
    found = []
    for path in sorted([*runs.glob("A/events-*.csv"), *runs.glob("*/events.csv")]):
        with path.open(encoding="utf-8", newline="") as file:
            found += [(row["target"], row["text"]) for row in csv.DictReader(file) if row["code"] == "notice"]
    return found


async def test_script_starts_all_but_the_refused(hall, tmp_path):
    """Left alone, the script has seven circuits running once all had their turn, and nothing is said of a takeover."""
    await until_s(hall, ALL_RUN_s)
    states = {each.name: each.state for each in hall.service.state.circuits}
    assert states.pop("A06") is State.IDLE
    assert set(states.values()) == {State.RUNNING}
    assert (hall.taken_over, hall.script.surprises) == (False, [])
    assert await notices(hall, tmp_path) == []


async def test_a_person_s_first_order_ends_the_script(hall, tmp_path):
    """After one order of a person nothing starts any more, once and only once the bath's events say why."""
    await until_s(hall, 300.0)
    assert (await order(hall, "hold", "A01"))["accepted"] is False
    await order(hall, "note", "A", "second", text="mine now")
    await until_s(hall, ALL_RUN_s)
    assert {each.state for each in hall.service.state.circuits} == {State.IDLE}
    assert all(each.load is not None for each in hall.service.state.circuits)
    assert hall.taken_over
    assert await notices(hall, tmp_path) == [("A", TAKEN_OVER)]


async def test_takeover_and_mending_are_told_at_once_to_everybody_attached(hall):
    """Somebody who only looks hears that the bath is another's now, once, and later what the electrician has mended."""
    looker = await attach(hall.socket.path)
    heard: list[str] = []

    async def listen() -> None:
        async for message in looker.messages():
            heard.extend([message["text"]] if message["type"] == "notice" else [])

    listening = asyncio.create_task(listen())
    try:
        await until_s(hall, 120.0)
        assert heard == []
        await order(hall, "block", "A06")
        assert heard == [YOURS]
        assert "what is blocked for 10 min is mended" in YOURS
        await until_s(hall, hall.stage.plant.elapsed_s + 630.0)
        mended = "A06: battery 4, formed and reversed, replaced by a fresh soaked one by the electrician"
        assert heard == [YOURS, mended]
    finally:
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        await looker.close()


async def test_an_id_like_the_script_s_own_is_a_person_s(hall):
    """What the script has not given is not the script's, however it is called; the demo goes on with no harm."""
    await until_s(hall, 300.0)
    assert "acknowledge" in (await order(hall, "acknowledge", "A01", "demo-9"))["text"]
    assert hall.taken_over
    await until_s(hall, 400.0)


async def test_looking_and_pacing_is_no_takeover(hall):
    """A person who only attaches, or asks a stepped hall for another pace, leaves the script its part."""
    person = await attach(hall.socket.path)
    try:
        await person.send(PaceMessage(id="p", ratio=10.0))
        await until_s(hall, ALL_RUN_s)
    finally:
        await person.close()
    assert not hall.taken_over
    assert sum(each.state is State.RUNNING for each in hall.service.state.circuits) == 7


async def test_hands_work_for_a_person_as_for_the_script(hall, tmp_path):
    """A person blocks A06 instead of the script: ten minutes later its battery is a fresh one, and it is told."""
    await until_s(hall, 120.0)
    assert (await order(hall, "block", "A06"))["accepted"]
    blocked_s = hall.stage.plant.elapsed_s
    await until_s(hall, blocked_s + 590.0)
    assert [line.name for line in hall.stage.plant.active_faults if line.target == "A06"] == ["reversed"]
    await until_s(hall, blocked_s + 620.0)
    assert [line.name for line in hall.stage.plant.active_faults if line.target == "A06"] == []
    told = [what for target, what in await notices(hall, tmp_path) if target == "A06"]
    assert told == ["A06: battery 4, formed and reversed, replaced by a fresh soaked one by the electrician"]
    index = [each.name for each in hall.service.state.circuits].index("A06")
    assert abs(hall.stage.plant.signals(index)["voltage_V"]) < 3.0


def test_ticks_come_before_the_start_and_few_at_a_time():
    """Every circuit's items are ticked in order, fresh, and never more orders at once than the service takes."""
    done = acts([f"A0{number}" for number in range(1, 9)], 2)
    for name in ("A01", "A06", "A08"):
        own = [act for act in done if act.target == name]
        first = next(act.at_s for act in own if act.verb == "start")
        items = [act.args["item"] for act in own if act.verb == "done" and act.at_s < first]
        assert items == [1, 2]
        assert all(first - act.at_s < 1_800 for act in own if act.verb == "done" and act.at_s < first)
    moments = [act.at_s for act in done]
    assert max(moments.count(moment) for moment in moments) <= 8
    assert ticks("A01", 0, 630.0) == []


async def test_the_demo_s_bath_is_held_like_any_service_s(tmp_path):
    """As long as it runs nobody archives a record away or begins a second one there; then the folder is free again."""
    hall = await open_hall(tmp_path, 7, None)
    try:
        with Claims() as other:
            assert not other.take(tmp_path / "A")
        with pytest.raises(InputError, match="another running service has it"):
            await open_hall(tmp_path, 8, None)
    finally:
        await hall.close()
    with Claims() as other:
        assert other.take(tmp_path / "A")
    gc.unfreeze()
