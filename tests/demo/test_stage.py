"""The stage: a bath file's plant behind real sockets, with cables that are really pulled."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from controller.bathfile import load_bath
from controller.core.types import BathCommand, Command, Fit, LinkState
from controller.field.lines import Field, open_links
from controller.field.registermap import load_map, map_path
from simulator import hall
from simulator.faults import FaultError, parse_fault_line
from simulator.stage import Setting, Stage, spec_of

BOUND_s = 20.0


@pytest.fixture(scope="module")
def bath():
    return load_bath(hall.BATH_FILE)


@pytest.fixture
async def staged(bath):
    """A stage on free ports, its pillar's cable pulled from a minute to two minutes of plant time."""
    stage = Stage(bath, Setting(soaked_s=0.0), [parse_fault_line("0:01-0:02 pillar link_off")])
    await stage.open()
    yield stage
    await stage.close()


async def connects(port: int) -> bool:
    """Whether somebody listens there."""
    try:
        async with asyncio.timeout(BOUND_s):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
    except ConnectionRefusedError:
        return False
    writer.close()
    return True


async def test_link_off_closes_the_port_and_opens_the_same_one_again(staged):
    """While the fault stands a connect is refused, on that link alone; afterwards the same port answers."""
    pillar, cabinet = staged.ports["pillar"], staged.ports["cabinet"]
    seen = []
    for _ in range(5):
        seen.append((await connects(pillar), await connects(cabinet)))
        await staged.advance(30.0)
    assert staged.plant.elapsed_s == 150.0
    assert seen == [(True, True), (True, True), (True, True), (False, True), (False, True)]
    assert await connects(pillar)
    assert staged.ports["pillar"] == pillar


async def test_link_off_ends_a_connection_that_stands(staged):
    """A cable pulled under an open connection ends it: the other side reads the end, not silence."""
    async with asyncio.timeout(BOUND_s):
        reader, writer = await asyncio.open_connection("127.0.0.1", staged.ports["pillar"])
        await staged.advance(60.0)
        await staged.advance(5.0)
        assert await reader.read(1) == b""
        writer.close()


async def test_a_real_field_loses_the_link_and_finds_it_again(bath, staged):
    """What the controller sees: one channel down while the cable is out, its device compared anew, then up."""
    field = Field(bath, open_links(bath, staged.ports))
    links = []
    try:
        for cycle in range(1, 37):
            await staged.advance(5.0)
            _, channels = await field.read(cycle * 5_000)
            await field.write((Command(),) * len(channels), BathCommand(), cycle * 5_000)
            links.append(channels[-1].link)
            assert {channel.link for channel in channels[:-1]} == {LinkState.UP}
    finally:
        await field.close()
    assert links[0] is LinkState.UP
    assert LinkState.DOWN in links[12:24]
    assert links[-1] is LinkState.UP
    assert channels[-1].fit is Fit.OK


async def test_closed_stage_listens_no_more(bath):
    """After close every port refuses; closing twice harms nothing."""
    stage = Stage(bath, Setting(soaked_s=0.0))
    await stage.open()
    ports = dict(stage.ports)
    assert sorted(ports) == sorted(bath.file.link)
    await stage.close()
    await stage.close()
    assert [await connects(port) for port in ports.values()] == [False] * len(ports)


async def test_stage_listens_where_it_is_told(bath):
    """Addresses of the bath file are taken as they are; a port that another has is an error, not another port."""
    first = Stage(bath, Setting(soaked_s=0.0))
    await first.open()
    second = Stage(bath, Setting(soaked_s=0.0))
    taken = {"cabinet": ("127.0.0.1", first.ports["cabinet"])}
    try:
        with pytest.raises(OSError, match="cannot listen"):
            await second.open(taken)
        await first.close()
        await second.open(taken)
        assert second.ports["cabinet"] == taken["cabinet"][1]
    finally:
        await first.close()
        await second.close()


def test_plant_follows_the_bath_file(bath):
    """Names, places, links, watchdog of the file; ratings of its maps; in the file's order."""
    spec = spec_of(bath, Setting(seed=3))
    entries = bath.file.circuit
    assert [one.name for one in spec.circuits] == [entry.name for entry in entries]
    for one, entry in zip(spec.circuits, entries, strict=True):
        rating = load_map(map_path(entry.map, bath.folder))[0].rating
        assert (one.batteries, one.link, one.probes) == (entry.places, entry.link, entry.probes)
        assert (one.current_max_A, one.voltage_max_V) == (rating.current_A, rating.voltage_V)
        assert one.watchdog_s == bath.file.watchdog_s == 25.0
    assert set(spec.links) == {"cabinet", "pillar"}
    assert (spec.seed, spec.soaked_s) == (3, 3_600.0)


def test_setting_overrules_what_hangs_in_it(bath):
    """What the bath file cannot know comes from the setting: batteries, size, water, a resistor."""
    setting = Setting(batteries=6, capacity_C20_Ah=45.0, water_start_C=18.0, water_inlet_C=12.0, load_ohm=3.0)
    spec = spec_of(bath, setting)
    assert {(one.batteries, one.capacity_C20_Ah, one.load_ohm) for one in spec.circuits} == {(6, 45.0, 3.0)}
    assert (spec.water_start_C, spec.water_inlet_C) == (18.0, 12.0)
    assert not any(one.has_string for one in spec.circuits)
    assert all(one.has_string for one in spec_of(bath, replace(setting, load_ohm=None)).circuits)


def test_fault_at_a_place_that_is_not_there_is_refused(bath):
    """A fault line of a circuit or link the bath file does not have raises, before anything listens."""
    for line in ("B09 open_clamp", "0:01 attic link_off", "A01/19 shorted_cell"):
        with pytest.raises(FaultError):
            Stage(bath, Setting(soaked_s=0.0), [parse_fault_line(line)])
