"""A virtual plant behind real Modbus TCP on loopback, made from a bath file: the stage that a service plays on.

Cables are really pulled: where a link is off, its server closes its connections and refuses new ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.bathfile import Bath
from simulator.faults import FaultLine
from simulator.plant import VirtualPlant
from simulator.server import PlantServer, serve
from simulator.spec import CircuitSpec, PlantSpec
from simulator.turns import turn

DROP_TURNS = 10
"""Closing takes a turn, the other end's end-of-file the next; more, so that it has heard before it asks again."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What hangs in the virtual bath besides what the bath file says.

    `batteries` None: all places filled. `soaked_s`: how long before the start they were filled. `load_ohm`: a resistor
    in each circuit instead of a string.
    """

    batteries: int | None = None
    capacity_C20_Ah: float = 60.0
    water_inlet_C: float | None = None
    water_start_C: float = 25.0
    soaked_s: float = 3_600.0
    load_ohm: float | None = None
    seed: int = 1
    spread: bool = True


def spec_of(bath: Bath, setting: Setting) -> PlantSpec:
    """Return the plant that a bath file and its maps describe."""
    circuits = []
    for entry in bath.file.circuit:
        rating = bath.maps[entry.map].rating
        circuits.append(
            CircuitSpec(
                name=entry.name,
                batteries=setting.batteries if setting.batteries is not None else entry.places,
                capacity_C20_Ah=setting.capacity_C20_Ah,
                current_max_A=rating.current_A if rating is not None else entry.current_max_A,
                voltage_max_V=rating.voltage_V if rating is not None else entry.voltage_max_V,
                load_ohm=setting.load_ohm,
                watchdog_s=bath.file.watchdog_s,
                probes=entry.probes,
                link=entry.link,
            )
        )
    return PlantSpec(
        circuits=tuple(circuits),
        water_inlet_C=setting.water_inlet_C,
        water_start_C=setting.water_start_C,
        seed=setting.seed,
        spread=setting.spread,
        soaked_s=setting.soaked_s,
        airflow_m3_h=bath.file.airflow_m3_h,
        links=tuple(sorted(bath.file.link)),
    )


class Stage:
    """The plant and its servers. `ports` by link name once open."""

    def __init__(self, bath: Bath, setting: Setting, faults: Sequence[FaultLine] = ()) -> None:
        """Make the plant; nothing listens yet."""
        self.plant = VirtualPlant(spec_of(bath, setting), faults)
        self.ports: dict[str, int] = {}
        self._servers: dict[str, PlantServer] = serve(bath, self.plant)
        self._up = dict.fromkeys(self._servers, True)

    async def open(self, addresses: dict[str, tuple[str, int]] | None = None) -> None:
        """Listen for every link: on the addresses given, else on free ports of loopback. Raises OSError."""
        for name, server in self._servers.items():
            host, port = (addresses or {}).get(name, ("127.0.0.1", 0))
            self.ports[name] = await server.start(host, port)

    async def advance(self, dt_s: float) -> None:
        """Move the plant on, and pull or put back the cables that a fault wants so."""
        self.plant.advance(dt_s)
        for name, server in self._servers.items():
            up = self.plant.link_up(name)
            if up is self._up[name]:
                continue
            self._up[name] = up
            if up:
                await server.restore()
            else:
                server.drop()
                await turn(DROP_TURNS)

    async def close(self) -> None:
        """Stop listening."""
        for server in self._servers.values():
            await server.stop()
