"""The virtual plant's server and the controller's field over real sockets; the link pulled and put back."""

from __future__ import annotations

import asyncio

import pytest
from fieldkit import FakePlant, bath_of

from controller.core.types import BathCommand, Command, Fit, LinkState
from controller.field.lines import Field, open_links
from controller.field.link import TcpLink
from controller.field.registermap import MAPS, load_map
from controller.field.transport import Answer, Failure, Read, Write
from simulator.image import Port, UnitImage, UnitSet
from simulator.server import PlantServer, serve

THREE = [("A1", "east", 1, "cabinet", 1), ("A2", "east", 1, "cabinet", 8), ("A3", "west", 4, "single", 1)]


async def started(folder, circuits=THREE):
    bath = bath_of(folder, circuits)
    plant = FakePlant(len(circuits))
    servers = serve(bath, plant)
    ports = {name: await server.start() for name, server in servers.items()}
    return plant, servers, Field(bath, open_links(bath, ports))


async def finished(servers, field):
    await field.close()
    for server in servers.values():
        await server.stop()


async def test_a_command_comes_back_over_the_wire(tmp_path):
    """Written over TCP, taken by the plant, read back next cycle, for each map and channel."""
    plant, servers, field = await started(tmp_path)
    await field.read(0)
    await field.write((Command(5, 200, True), Command(-6, 150, True), Command(7, 210, True)), BathCommand(), 0)
    plant.advance()
    _, channels = await field.read(1000)
    assert [channel.set_current_A.number for channel in channels] == [5.0, -6.0, 7.0]
    assert [channel.current_A.number for channel in channels] == [5.0, -6.0, 7.0]
    assert {channel.fit for channel in channels} == {Fit.OK}
    await finished(servers, field)


async def test_dropped_and_restored(tmp_path):
    """Pulled: down at once, nothing written, the other link goes on. Put back on its port: checked, up again."""
    plant, servers, field = await started(tmp_path)
    await field.read(0)
    port = servers["west"].port
    servers["west"].drop()
    for now_ms in (1000, 2000):
        _, channels = await field.read(now_ms)
        await field.write((Command(1, 200, True),) * 3, BathCommand(), now_ms)
    assert [channel.link for channel in channels] == [LinkState.UP, LinkState.UP, LinkState.DOWN]
    assert {circuit for circuit, _ in plant.orders} == {0, 1}
    assert channels[2].voltage_V.age_ms == 2000
    assert await servers["west"].restore() == port
    for now_ms in range(3000, 20_000, 1000):
        _, channels = await field.read(now_ms)
        if channels[2].link is LinkState.UP:
            break
    assert (channels[2].link, channels[2].fit, channels[2].voltage_V.age_ms) == (LinkState.UP, Fit.OK, 0)
    assert now_ms <= 12_000
    await finished(servers, field)


async def test_a_circuit_whose_link_is_off_is_told_by_the_gateway(tmp_path):
    """The plant's link fault: its unit does not answer and takes no order, without anybody waiting for a time-out."""
    plant, servers, field = await started(tmp_path)
    await field.read(0)
    plant.off.add(2)
    _, channels = await field.read(1000)
    assert [channel.link for channel in channels] == [LinkState.UP, LinkState.UP, LinkState.LATE]
    await field.write((Command(1, 200, True),) * 3, BathCommand(), 1000)
    assert {circuit for circuit, _ in plant.orders} == {0, 1}
    await finished(servers, field)


def units(plant=None):
    plant = plant or FakePlant(1)
    map_ = load_map(MAPS / "pillar.toml")[0]
    ports = {1: Port(lambda: plant.signals(0), lambda order: plant.order(0, order))}
    return plant, UnitSet({3: UnitImage(map_, ports)}, lambda: plant.elapsed_s)


async def test_exceptions_over_the_wire():
    """No such unit is 11, no such address 2, a read-only or unknown register cannot be written."""
    plant, unit_set = units()
    server = PlantServer(unit_set)
    link = TcpLink("127.0.0.1", await server.start(), timeout_s=10)
    assert await link.exchange(Read(4, "InputRegister", 0, 1)) == Failure("exception 11", LinkState.LATE)
    assert await link.exchange(Read(3, "InputRegister", 9000, 1)) == Failure("exception 2", LinkState.WRONG_ANSWER)
    assert isinstance(await link.exchange(Write(3, "HoldingRegister", 9000, (1,))), Failure)
    assert isinstance(await link.exchange(Write(3, "HoldingRegister", 304, (1, 2))), Failure)
    assert plant.orders == []
    assert link.connected
    await link.close()
    await server.stop()


async def test_a_coil_is_echoed_even_if_the_plant_ignores_it():
    """A stuck output acknowledges the write of a coil as any device does; the read shows what is true."""
    plant, unit_set = units(FakePlant(1, code=4711.0))
    plant.order = lambda circuit, signals: plant.orders.append((circuit, dict(signals)))
    plant.shown[0]["output_on"] = 1.0
    server = PlantServer(unit_set)
    link = TcpLink("127.0.0.1", await server.start(), timeout_s=10)
    assert await link.exchange(Read(3, "InputRegister", 0, 1)) == Answer((4711,))
    assert await link.exchange(Write(3, "Coil", 0, (0,))) == Answer()
    assert await link.exchange(Read(3, "Coil", 0, 1)) == Answer((1,))
    assert plant.orders == [(0, {"output_on": 0.0})]
    await link.close()
    await server.stop()


async def test_an_independent_client():
    """pyModbusTCP, another implementation, reads the plant's registers and switches its output."""
    client_module = pytest.importorskip("pyModbusTCP.client", reason="pyModbusTCP is in the extra `test`")
    plant, unit_set = units(FakePlant(1, code=4711.0))
    server = PlantServer(unit_set)
    port = await server.start()
    client = client_module.ModbusClient(host="127.0.0.1", port=port, unit_id=3, timeout=10)
    assert await asyncio.to_thread(client.read_input_registers, 0, 1) == [4711]
    assert await asyncio.to_thread(client.write_single_coil, 0, True)
    assert await asyncio.to_thread(client.write_multiple_registers, 300, [0x40A0, 0, 0x4348, 0])
    assert plant.orders[0] == (0, {"output_on": 1.0})
    assert plant.orders[1] == (0, {"set_current_A": 5.0, "set_voltage_V": 200.0})
    await asyncio.to_thread(client.close)
    await server.stop()


def test_a_negative_set_point_shows_as_amount_and_mode():
    """Under a map of amounts the plant's negative current is shown without its sign, and an order gets it back."""
    plant, unit_set = units()
    plant.shown[0] |= {"set_current_A": -5.0}
    assert unit_set.read(3, "HoldingRegister", 300, 2) == [0x40A0, 0]
    assert unit_set.write(3, "Coil", 1, [1]) == 0
    assert plant.orders[-1] == (0, {"set_current_A": -5.0})


def test_a_write_never_brings_back_what_the_plant_dropped():
    """The plant went to zero by itself: a later write of the mode alone orders zero, not the old amount."""
    plant, unit_set = units()
    assert unit_set.write(3, "HoldingRegister", 300, [0x40A0, 0]) == 0
    plant.shown[0]["set_current_A"] = 0.0
    plant.elapsed_s += 30.0
    assert unit_set.write(3, "Coil", 1, [0]) == 0
    assert plant.orders[-1] == (0, {"set_current_A": 0.0})
