"""A tiny plant and bath files for the field's tests."""

from __future__ import annotations

from controller.bathfile import load_bath
from controller.core.types import LinkState
from controller.field.transport import Answer, Failure, Read

LINKS = '[link.{0}]\ntcp = "127.0.0.1:0"\n'
CIRCUIT = """[[circuit]]
name = "{name}"
link = "{link}"
unit = {unit}
map = "{map}"
channel = {channel}
places = 18
current_max_A = 60
voltage_max_V = 240
"""


def bath_of(folder, circuits, inputs="east", extra=""):
    """A virtual bath; circuits are (name, link, unit, map, channel)."""
    text = 'kind = "bath"\nhall = "north"\nname = "A"\nvirtual = true\n' + extra
    text += "".join(LINKS.format(link) for link in sorted({one[1] for one in circuits} | {inputs}))
    for name, link, unit, map_, channel in circuits:
        text += CIRCUIT.format(name=name, link=link, unit=unit, map=map_, channel=channel)
    text += f'[inputs]\nlink = "{inputs}"\nunit = 9\nmap = "inputs"\n'
    path = folder / "bath.toml"
    path.write_text(text)
    return load_bath(path)


class FakePlant:
    """Set-points flow at once; keeps each order in the order of its coming."""

    def __init__(self, circuits, code=22086.0):
        self.elapsed_s = 0.0
        self.orders = []
        self.outputs = {}
        self.off = set()
        self.shown = [
            {
                "current_A": 0.0,
                "voltage_V": 0.0,
                "set_current_A": 0.0,
                "set_voltage_V": 0.0,
                "output_on": 0.0,
                "local": 0.0,
                "uptime_s": 100.0,
                "probe_C": 31.5,
                "model_code": code,
                "rating_current_A": 60.0,
                "rating_voltage_V": 360.0,
            }
            for _ in range(circuits)
        ]
        self.bath = {"water_C": 25.0, "airflow": 1.0, "emergency_stop_ok": 1.0, "hood_closed": 1.0, "level": 0.0}
        self.bath |= {"flow_L_min": 12.5, "hydrogen_percent_LEL": 0.4, "model_code": 22086.0}

    def signals(self, circuit):
        return self.shown[circuit]

    def bath_signals(self):
        return self.bath | self.outputs

    def order(self, circuit, signals):
        self.orders.append((circuit, dict(signals)))
        self.shown[circuit].update(signals)

    def bath_order(self, signals):
        self.outputs.update(signals)

    def link_up(self, which):
        return which not in self.off

    def advance(self, dt_s=1.0):
        self.elapsed_s += dt_s
        for shown in self.shown:
            shown["current_A"] = shown["set_current_A"] if shown["output_on"] else 0.0


class Spy:
    """Passes on to another transport, notes each request, and can be told to fail some."""

    def __init__(self, inner):
        self.inner = inner
        self.asked = []
        self.fail = lambda request: None

    @property
    def epoch(self):
        return self.inner.epoch

    def tick(self, now_ms):
        self.inner.tick(now_ms)

    async def exchange(self, request):
        self.asked.append(request)
        failure = self.fail(request)
        return failure if failure is not None else await self.inner.exchange(request)

    async def close(self):
        await self.inner.close()

    def reads(self):
        return [request for request in self.asked if isinstance(request, Read)]

    def writes(self):
        return [request for request in self.asked if not isinstance(request, Read)]


LATE = Failure("time-out", LinkState.LATE)
BUSY = Failure("exception 6", LinkState.LATE)
OK = Answer()
