"""A run as a service records it: real texts, settings, plan, core and recorder, over a toy plant; then signed off."""

from __future__ import annotations

from pathlib import Path

from memoryplace import MemoryPlace, in_memory

from controller.bathfile import load_bath, settings_of
from controller.core import bath
from controller.core.plan import compile_plan
from controller.core.planned import Load
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Order, Value
from controller.records.head import Text
from controller.records.writer import Writer
from controller.service.recorder import Recorder
from controller.service.start import sources_of
from controller.verify.gather import gather
from controller.verify.headcheck import wrong_head, wrong_summary
from controller.verify.signedcheck import wrong_sign_off
from controller.verify.together import wrong_together
from controller.verify.verdict import Verdict
from profiles.loader import load_model, parse_document
from profiles.profile import Profile

UTC_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
HOUR_MS = 3_600_000
LIST = "K1:1-2/P7 K2:4//S3"
CELLS = 18
BATH = """\
kind = "bath"
hall = "north"
name = "A"
virtual = true
purge_minutes = 0
meter_walk = []
first_current_alone_s = 0
resume_apart_s = 0

[link.wire]
tcp = "127.0.0.1:0"

[inputs]
link = "wire"
unit = 9
map = "inputs"
"""
CIRCUIT = """
[[circuit]]
name = "{0}"
link = "wire"
unit = {1}
map = "{2}"
places = 4
current_max_A = 20
voltage_max_V = 60
probes = 1
"""
PROFILE = Text(
    "four.toml",
    """\
kind = "profile"
name = "four ampere"
revision = 1
battery = { cells = 6, capacity_C20_Ah = 60 }

[[step]]
name = "charge"
kind = "charge"
current_A = 4
voltage_limit_V_per_cell = 2.75
end = { hours = 1 }
""",
)
ROLES = ("technician", "engineer", "maintenance", "quality")


class Served:
    """A service's core and recorder on two circuits; only the first one is loaded."""

    def __init__(self, folder: Path):
        place = folder / "bath.toml"
        place.write_text(BATH + CIRCUIT.format("A01", 1, "single") + CIRCUIT.format("A02", 2, "pillar"))
        self.runs = folder / "runs"
        file = load_bath(place)
        self.settings = settings_of(file)
        self.writer = Writer()
        self.recorder = Recorder(self.settings, sources_of(file), self.runs, 10_000, self.writer, by_count=True)
        self.state = bath.fresh_state(self.settings)
        self.commands = None
        self.now_ms, self.number = 0, 0
        document = parse_document(PROFILE.text, "four.toml")
        self.plan = compile_plan(load_model(document, Profile), document.sha256)

    def cycle(self, *orders):
        """One second."""
        self.now_ms += 1_000
        inputs = BathReading((Value(25.0),), Value(1.0), Value(1.0), Value(1.0), link=LinkState.UP, fit=Fit.OK)
        channels = tuple(self._channel(at) for at in range(2))
        before = self.state
        self.state, out = bath.step(self.settings, before, BathIn(self.now_ms, inputs, channels, orders))
        self.commands = out.commands
        self.recorder.cycle(before, out, self.state, UTC_MS + self.now_ms, {self.plan.sha256: PROFILE})
        return out

    def _channel(self, at):
        command = self.commands[at] if self.commands else None
        on = command is not None and command.output_on
        amps = command.set_current_A if on else 0.0
        asked, limit = (command.set_current_A, command.voltage_limit_V) if command else (0.0, 0.0)
        wobble = self.now_ms // 1000 % 7 * 0.01
        return ChannelReading(
            Value(amps), Value(2.3 * CELLS + wobble if amps else 0.1), Value(asked), Value(limit), Value(float(on)),
            Value(0.0), Value(0.0), Value(self.now_ms / 1000), None, Value(100.0), None, (Value(30.0 + wobble),),
            LinkState.UP, Fit.OK,
        )  # fmt: skip

    def order(self, verb, args=None, load=None, hours=0.0):
        """An accepted order on the first circuit, so many hours later."""
        self.number += 1
        self.now_ms += round(hours * HOUR_MS)
        out = self.cycle(Order(f"o{self.number}", verb, "A01", "anna", ROLES, args or {}, None, load))
        assert "refusal" not in {str(event.kind) for event in out.events}, out.events
        return out

    def reading(self, what, position, value, **args):
        """A reading by hand."""
        self.order("reading", {"what": what, "position": position, "value": value, "instrument": "M1", **args})

    def ended(self, early=""):
        """Loaded, started, stopped, closed, with a density read in between; `early`: signed off before it is closed."""
        for _ in range(3):
            self.cycle()
        self.order("load", {"batch": LIST, "links": 1}, Load(self.plan, 3, "K1", text=LIST, battery_type="T60"))
        self.order("start")
        for _ in range(60):
            self.cycle()
        self.order("stop", {"reason": "enough"})
        if early:
            self.order("sign-off", {"result": early})
        self.reading("density", 4, 1.28, temperature_C=20.0)
        for _ in range(5):
            self.cycle()
        assert self.recorder.folders() == {}
        assert self.writer.commit(), self.writer.trouble
        return self

    def folder(self) -> Path:
        """The one run's."""
        (found,) = (path.parent for path in self.runs.glob("*/run.json"))
        return found


def signed(folder: Path) -> Served:
    """Ended, read and signed off twice; everything is on the disk."""
    served = Served(folder).ended()
    served.now_ms += 13 * HOUR_MS
    served.reading("voltage", 2, 12.84)
    served.reading("level", 1, 150)
    served.order("sign-off", {"result": "pass, 2 scrap reversed"}, hours=0.5)
    served.reading("voltage", 1, 12.9)
    served.order("sign-off", {"result": "re-form low density, 4 pass"}, hours=0.5)
    assert served.writer.commit(), served.writer.trouble
    served.recorder.end_all()
    assert served.writer.close()
    return served


def looked(place) -> Verdict:
    """What the checks of files against each other say of a record: in `wrong` and `notes`."""
    verdict = Verdict(place.name)
    found = gather(place, verdict)
    wrong, notes = wrong_together(found)
    more, said = wrong_head(found.plain, place.name)
    if found.summary is not None:
        state = found.rows_of("log.csv")[-1].get("state")
        more += wrong_summary(found.summary, found.plain, found.cycles.count, state)
        more += wrong_sign_off(found.summary, found.rows_of("batteries.csv"))
    return Verdict(place.name, wrong=[*wrong, *more], notes=[*notes, *said])


def written(place: MemoryPlace, folder: Path) -> Path:
    """A record in memory as a folder; returns it."""
    to = folder / place.name
    to.mkdir(parents=True)
    for name, data in place.files.items():
        (to / name).write_bytes(data)
    return to


def memory_of(served: Served) -> MemoryPlace:
    """The record in memory."""
    return in_memory(served.folder())
