"""The whole field of a bath against register images in memory: what is read, what is written, and when nothing is."""

from __future__ import annotations

import asyncio
import math

import pytest
from fieldkit import BUSY, LATE, FakePlant, Spy, bath_of

from controller.bathfile import load_bath
from controller.core.types import ALL_OFF, BathCommand, Command, Fit, LinkState, Quality
from controller.field.lines import Field, open_links
from controller.field.link import TcpLink
from controller.field.transport import Failure, Read, Write
from profiles.problems import InputError
from simulator.image import MemoryTransport, unit_sets

TWO = [("A1", "east", 1, "cabinet", 1), ("A2", "east", 1, "cabinet", 2)]
THREE = [*TWO, ("A3", "west", 4, "single", 1)]
QUIET = BathCommand()


def rig(folder, circuits=TWO, **more):
    bath = bath_of(folder, circuits, **more)
    plant = FakePlant(len(circuits))
    spies = {name: Spy(MemoryTransport(units)) for name, units in unit_sets(bath, plant).items()}
    return plant, spies, Field(bath, spies)


async def test_readings_come_in_the_bath_files_order(tmp_path):
    """Two channels of one unit and one of another: each reading is its own circuit's, fresh, fitting and up."""
    plant, _, field = rig(tmp_path, THREE)
    for circuit, shown in enumerate(plant.shown):
        shown["voltage_V"] = 100.0 + circuit
    bath, channels = await field.read(0)
    assert [channel.voltage_V.number for channel in channels] == [100.0, 101.0, 102.0]
    assert {channel.fit for channel in channels} == {Fit.OK}
    assert {channel.link for channel in channels} == {LinkState.UP}
    assert channels[0].probes[0].number == 31.5
    assert (bath.water_C[0].number, bath.airflow.number, bath.flow_L_min.number) == (25.0, 1.0, 12.5)
    assert field.why() == {}


async def test_a_cabinet_takes_one_read_and_one_write(tmp_path):
    """Two channels and identity come in one read; both commands go in one write, each whole."""
    plant, spies, field = rig(tmp_path)
    await field.read(0)
    await field.write((Command(5, 200, True), Command(6, 210, True)), QUIET, 0)
    unit_1 = [request for request in spies["east"].asked if request.unit == 1]
    assert [type(request) for request in unit_1] == [Read, Write]
    assert unit_1[1].values == (500, 2000, 1, 600, 2100, 1)
    _, channels = await field.read(1000)
    assert [channel.set_current_A.number for channel in channels] == [5.0, 6.0]
    assert [channel.output_on.number for channel in channels] == [1.0, 1.0]
    assert len(plant.orders) == 2


async def test_a_silent_command_is_not_written(tmp_path):
    """A device in other hands is left alone; its neighbour in the same cabinet is written; all silent: no request."""
    plant, spies, field = rig(tmp_path)
    await field.read(0)
    await field.write((Command(5, 200, True, silent=True), Command(6, 210, True)), QUIET, 0)
    assert [channel for channel, _ in plant.orders] == [1]
    before = len(spies["east"].asked)
    await field.write((Command(silent=True), Command(silent=True)), QUIET, 1000)
    assert not any(isinstance(request, Write) and request.unit == 1 for request in spies["east"].asked[before:])


async def test_every_cycle_is_written_whole(tmp_path):
    """An unchanged command is written again: it feeds the device's own time-out."""
    plant, _, field = rig(tmp_path)
    for now_ms in (0, 1000, 2000):
        await field.read(now_ms)
        await field.write((Command(5, 200, True), ALL_OFF), QUIET, now_ms)
    assert plant.orders[0::2] == [(0, {"set_current_A": 5.0, "set_voltage_V": 200.0, "output_on": 1.0})] * 3


async def test_falls_go_before_rises(tmp_path):
    """Where current moves from one device to another, the one that falls is written first, whatever its place."""
    circuits = [("A1", "east", 1, "single", 1), ("A2", "east", 2, "single", 1)]
    plant, _, field = rig(tmp_path, circuits)
    await field.read(0)
    await field.write((Command(5, 200, True), Command(20, 200, True)), QUIET, 0)
    await field.read(1000)
    plant.orders.clear()
    await field.write((Command(20, 200, True), Command(5, 200, True)), QUIET, 1000)
    touched = [circuit for circuit, order in plant.orders if "set_current_A" in order]
    assert touched == [1, 0]


async def test_unread_values_keep_their_number_and_grow_old(tmp_path):
    """A device that falls silent: last numbers, good, with their age; the other link's are fresh."""
    _, spies, field = rig(tmp_path, THREE)
    await field.read(0)
    spies["west"].fail = lambda request: LATE
    for now_ms in (1000, 2000):
        _, channels = await field.read(now_ms)
    assert channels[2].link is LinkState.LATE
    assert channels[2].voltage_V.age_ms == 2000
    assert channels[2].voltage_V.quality is Quality.GOOD
    assert channels[0].voltage_V.age_ms == 0
    assert "west/4" in field.why()


async def test_never_read_is_lost(tmp_path):
    """Before the first answer there is no number, no fit, and nothing is written."""
    plant, spies, field = rig(tmp_path, THREE)
    spies["west"].fail = lambda request: LATE
    _, channels = await field.read(0)
    assert channels[2].current_A.quality is Quality.LOST
    assert channels[2].current_A.number is None
    assert channels[2].fit is Fit.NOT_CHECKED
    await field.write((ALL_OFF,) * 3, QUIET, 0)
    assert spies["west"].writes() == []
    assert {circuit for circuit, _ in plant.orders} == {0, 1}


@pytest.mark.parametrize(
    ("key", "number", "fit"), [("model_code", 4711.0, Fit.IDENTITY), ("rating_current_A", 120.0, Fit.RATING)]
)
async def test_a_device_that_does_not_fit_is_never_written(tmp_path, key, number, fit):
    """Wrong identity or rating: told as such, and not even zero is written."""
    plant, spies, field = rig(tmp_path, THREE)
    plant.shown[2][key] = number
    for now_ms in (0, 1000):
        _, channels = await field.read(now_ms)
        await field.write((ALL_OFF, ALL_OFF, Command(5, 200, True)), QUIET, now_ms)
    assert channels[2].fit is fit
    assert spies["west"].writes() == []
    assert [channels[0].fit, channels[1].fit] == [Fit.OK, Fit.OK]


async def test_after_a_drop_the_device_is_looked_at_again(tmp_path):
    """Another device at the same address after the cable was out: told, and not written."""
    plant, spies, field = rig(tmp_path, THREE)
    await field.read(0)
    spies["west"].inner.drop()
    _, channels = await field.read(1000)
    assert (channels[2].link, channels[2].fit) == (LinkState.DOWN, Fit.NOT_CHECKED)
    plant.shown[2]["model_code"] = 4711.0
    plant.advance()
    spies["west"].inner.restore()
    _, channels = await field.read(2000)
    assert (channels[2].link, channels[2].fit) == (LinkState.UP, Fit.IDENTITY)
    spies["west"].asked.clear()
    await field.write((ALL_OFF, ALL_OFF, Command(5, 200, True)), QUIET, 2000)
    assert spies["west"].writes() == []


async def test_a_drop_between_read_and_write_is_checked_before_writing(tmp_path):
    """The connection ends after the read: identity is read again first, and only then the command is written."""
    plant, spies, field = rig(tmp_path, THREE)
    await field.read(0)
    spies["west"].inner.drop()
    spies["west"].inner.restore()
    spies["west"].asked.clear()
    await field.write((ALL_OFF, ALL_OFF, Command(5, 200, True)), QUIET, 0)
    first, *rest = spies["west"].asked
    assert isinstance(first, Read)
    assert first.address <= 1013 < first.address + first.count
    assert any(isinstance(request, Write) for request in rest)
    assert plant.shown[2]["set_current_A"] == 5.0


async def test_unchecked_but_once_confirmed_gets_zero_only(tmp_path):
    """Identity known once but not readable now: whatever is asked, zero and off are written."""
    plant, spies, field = rig(tmp_path, THREE)
    await field.read(0)
    await field.write((ALL_OFF, ALL_OFF, Command(5, 200, True)), QUIET, 0)
    spies["west"].inner.drop()
    spies["west"].inner.restore()
    refused = Failure("exception 4", LinkState.WRONG_ANSWER)
    spies["west"].fail = lambda request: refused if request.entity == "InputRegister" else None
    _, channels = await field.read(1000)
    assert channels[2].fit is Fit.NOT_CHECKED
    await field.write((ALL_OFF, ALL_OFF, Command(5, 200, True)), QUIET, 1000)
    assert (plant.shown[2]["set_current_A"], plant.shown[2]["output_on"]) == (0.0, 0.0)


@pytest.mark.parametrize("bad", [Command(math.nan, 200, True), Command(5, math.inf, True)])
async def test_what_cannot_be_encoded_is_written_as_zero(tmp_path, bad):
    """That channel gets zero and off; its neighbour in the same write gets its own command."""
    plant, _, field = rig(tmp_path)
    await field.read(0)
    await field.write((bad, Command(6, 210, True)), QUIET, 0)
    assert [plant.shown[0][key] for key in ("set_current_A", "set_voltage_V", "output_on")] == [0.0, 0.0, 0.0]
    assert plant.shown[1]["set_current_A"] == 6.0


async def test_one_dead_unit_leaves_the_others_their_pace(tmp_path):
    """The dead unit is asked last and ever more rarely; the others are fresh in every cycle but the first."""
    circuits = [("A1", "east", 1, "single", 1), ("A2", "east", 2, "single", 1)]
    _, spies, field = rig(tmp_path, circuits)
    spies["east"].fail = lambda request: LATE if request.unit == 1 else None
    tried = []
    for now_ms in range(0, 40_000, 1000):
        spies["east"].asked.clear()
        _, channels = await field.read(now_ms)
        assert channels[1].link is LinkState.UP
        assert channels[1].voltage_V.age_ms == 0
        tried += [now_ms] if any(request.unit == 1 for request in spies["east"].asked) else []
        assert sum(request.unit == 1 for request in spies["east"].asked) <= 1
    assert tried == [0, 1000, 2000, 4000, 8000, 16000, 26000, 36000]


async def test_a_silent_wire_is_not_waited_out(tmp_path):
    """Two units silent one after another: the rest of the line is not asked in that cycle."""
    circuits = [(f"A{unit}", "east", unit, "single", 1) for unit in range(1, 7)]
    _, spies, field = rig(tmp_path, circuits)
    await field.read(0)
    spies["east"].asked.clear()
    spies["east"].fail = lambda request: LATE
    _, channels = await field.read(1000)
    assert len(spies["east"].asked) == 2
    assert {channel.link for channel in channels} == {LinkState.LATE}


async def test_busy_is_asked_once_more(tmp_path):
    """A busy answer is repeated as often as the map says (once), then counts as missing."""
    _, spies, field = rig(tmp_path)
    answers = [BUSY]
    spies["east"].fail = lambda request: answers.pop() if answers and request.unit == 1 else None
    _, channels = await field.read(0)
    assert channels[0].link is LinkState.UP
    answers += [BUSY, BUSY]
    _, channels = await field.read(1000)
    assert channels[0].link is LinkState.LATE


async def test_bath_outputs_are_written(tmp_path):
    """Horn, beacon, healthy and water call reach the input box."""
    plant, _, field = rig(tmp_path)
    await field.read(0)
    await field.write((ALL_OFF, ALL_OFF), BathCommand(horn=1, beacon=False, healthy=True, water_call=True), 0)
    assert plant.outputs == {"horn": 1.0, "beacon": 0.0, "healthy": 1.0, "water_call": 1.0}


async def test_a_broken_probe_has_no_number(tmp_path):
    """A probe that shows nothing reads out of range, never zero."""
    plant, _, field = rig(tmp_path)
    plant.shown[0]["probe_C"] = None
    _, channels = await field.read(0)
    assert channels[0].probes[0].number is None
    assert channels[0].probes[0].quality is Quality.OUT_OF_RANGE
    assert channels[1].probes[0].number == 31.5


async def test_zero_can_be_written_from_a_task_being_cancelled(tmp_path):
    """The last zero of a service that is told to stop still goes out."""
    plant, _, field = rig(tmp_path, THREE)
    await field.read(0)
    await field.write((Command(5, 200, True),) * 3, QUIET, 0)

    async def service():
        try:
            await asyncio.Event().wait()
        finally:
            await field.write((ALL_OFF,) * 3, QUIET, 1000)

    task = asyncio.create_task(service())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert [shown["set_current_A"] for shown in plant.shown] == [0.0, 0.0, 0.0]


def test_serial_links_are_refused_by_line(tmp_path):
    """A serial link cannot be driven yet: said at the start, with its line."""
    bath = bath_of(tmp_path, TWO)
    text = bath.document.text.replace('tcp = "127.0.0.1:0"', 'rtu = "/dev/ttyS0"')
    (tmp_path / "bath.toml").write_text(text)
    with pytest.raises(InputError, match=r"bath\.toml:\d+: link\.east\.rtu: serial links cannot be driven yet"):
        open_links(load_bath(tmp_path / "bath.toml"))


def test_port_0_needs_the_real_port(tmp_path):
    """Port 0 of a virtual bath is replaced by the port handed in, and refused without one."""
    bath = bath_of(tmp_path, TWO)
    with pytest.raises(InputError, match=r"link\.east\.tcp: port 0"):
        open_links(bath)
    links = open_links(bath, {"east": 5020})
    assert isinstance(links["east"], TcpLink)
