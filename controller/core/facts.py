"""What one cycle's readings let the core believe: numbers where they are good and fresh, None where not."""

from __future__ import annotations

from dataclasses import dataclass

from controller.core.changed import made
from controller.core.sensors import hottest_C, part_lost, seen_C
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, ProbeMemory
from controller.core.types import ChannelReading, CircuitIn, Fit, LinkState
from controller.core.values import ZERO_A, any_read, number


@dataclass(frozen=True)
class Facts:
    """One circuit's cycle as numbers.

    `dt_ms`: since the last cycle; `gap`: too long to integrate over; `fresh`: current was read in this very cycle;
    `any_read`: anything of the circuit was, which is what counts as a reading for a law; `stale`: one of current,
    voltage, output state or read-back set-point is too old or missing; `probe_C`: the hottest valid probe as it is
    believed (the water where the circuit has no probe); `hot_C`: the same, else its stand-in; `seen_C`: the hottest
    valid reading of this very cycle, believed or not (a spike filter waits for a second one: whoever gives current back
    asks this, too); `probe_lost`: none of the circuit's probes is valid (where it has none: the water is not known);
    `probe_part`: some, not all, of its probes are lost or frozen.
    """

    now_ms: int
    dt_ms: int
    gap: bool
    fresh: bool
    stale: bool
    link: LinkState
    fit: Fit
    current_A: float | None
    voltage_V: float | None
    set_current_A: float | None
    output_on: bool | None
    voltage_V_per_cell: float | None
    probe_C: float | None
    hot_C: float | None
    probe_lost: bool
    water_C: float | None
    local: bool | None
    fault_code: float | None
    uptime_s: float | None
    set_voltage_V: float | None = None
    counter_Ah: float | None = None
    ripple_percent: float | None = None
    seen_C: float | None = None
    probe_part: bool = False
    any_read: bool = False

    @property
    def zero(self) -> bool:
        """Whether current was read and reads as zero."""
        return self.current_A is not None and -ZERO_A < self.current_A < ZERO_A


def _any_read(reading: ChannelReading, stale_ms: int) -> bool:
    """Return whether any value of a circuit was read in this very cycle."""
    return any_read(
        (
            reading.current_A,
            reading.voltage_V,
            reading.set_current_A,
            reading.output_on,
            reading.fault_code,
            reading.local,
            reading.uptime_s,
            reading.set_voltage_V,
            reading.counter_Ah,
            reading.ripple_percent,
            *reading.probes,
        ),
        stale_ms,
    )


def facts_of(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    cin: CircuitIn,
    probes: tuple[ProbeMemory, ...],
) -> Facts:
    """Turn one circuit's readings into facts; nothing stale or bad passes as a number.

    `probes`: the memory that has seen this cycle's probes (`sensors.sensed`).
    """
    reading = cin.reading
    stale_ms = settings.stale_ms
    current = number(reading.current_A, stale_ms)
    voltage = number(reading.voltage_V, stale_ms)
    asked = number(reading.set_current_A, stale_ms)
    output = number(reading.output_on, stale_ms)
    load = state.load
    cells = load.plan.cells * load.batteries if load is not None else 0
    probe = hottest_C(probes, reading.probes, stale_ms)
    seen = seen_C(reading.probes, stale_ms)
    water = number(cin.bath.water_C, stale_ms)
    if own.probes == 0:
        probe = seen = water
    probe_lost = probe is None
    hot = probe
    if hot is None:
        hot = cin.stand_in_C if cin.stand_in_C is not None else water
    local = number(reading.local, stale_ms)
    dt_ms = cin.now_ms - state.now_ms
    fresh = current is not None and reading.current_A.age_ms == 0
    return made(
        Facts,
        now_ms=cin.now_ms,
        dt_ms=dt_ms,
        gap=dt_ms > stale_ms or dt_ms < 0,
        fresh=fresh,
        stale=current is None or voltage is None or asked is None or output is None,
        link=reading.link,
        fit=reading.fit,
        current_A=current,
        voltage_V=voltage,
        set_current_A=asked,
        output_on=None if output is None else output > 0.5,
        voltage_V_per_cell=voltage / cells if voltage is not None and cells else None,
        probe_C=probe,
        hot_C=hot,
        probe_lost=probe_lost,
        water_C=water,
        local=False if reading.local is None else (None if local is None else local > 0.5),
        fault_code=0.0 if reading.fault_code is None else number(reading.fault_code, stale_ms),
        uptime_s=number(reading.uptime_s, stale_ms),
        set_voltage_V=number(reading.set_voltage_V, stale_ms),
        counter_Ah=number(reading.counter_Ah, stale_ms),
        ripple_percent=number(reading.ripple_percent, stale_ms),
        seen_C=seen,
        probe_part=part_lost(probes, reading.probes, stale_ms),
        any_read=fresh or _any_read(reading, stale_ms),
    )
