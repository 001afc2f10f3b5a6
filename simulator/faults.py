"""What can go wrong in the virtual plant: one catalogue of names, and the line of text that asks for one of them.

    [6:12[-6:43]] [A05[/battery]] NAME [value]

Hours and minutes since the start of the plant (none: from its beginning), the circuit, in it the battery (1 is at the
positive end), the fault's name, and a number where the fault has one.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass

_TIME = re.compile(r"(\d{1,4}):([0-5]\d)(?:-(\d{1,4}):([0-5]\d))?")
_TARGET = re.compile(r"([^\s/]{1,40})(?:/(\d{1,3}))?")
FORM = "[6:12[-6:43]] [A05[/battery]] NAME [value]"


class FaultError(ValueError):
    """A fault line that cannot be; the text says what would be right."""


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One name of the catalogue. `place`: circuit, battery (of a circuit), bath, link. No `usual`: takes no value."""

    name: str
    place: str
    text: str
    usual: float | None = None
    least: float = 0.0
    most: float = math.inf


KINDS = (
    FaultKind("open_clamp", "circuit", "a clamp is off: no current, the voltage stands at its limit"),
    FaultKind("clamp_ohm", "battery", "a clamp with so many ohms more; without battery: the first", 0.05, 0.0, 10.0),
    FaultKind(
        "shorted_cell", "battery", "one cell bridged by so many siemens (500 a short, 2 a soft one)", 500.0, 0.0, 5e3
    ),
    FaultKind("reversed", "battery", "a formed battery stands here the wrong way round; its end: a fresh soaked one"),
    FaultKind("formed", "battery", "a battery formed before stands here; its end: a fresh soaked one"),
    FaultKind("missing", "battery", "this place is bridged: one battery too few"),
    FaultKind("extra", "battery", "one battery too many stands behind this one; without battery: behind the first"),
    FaultKind("unfilled", "battery", "a battery without acid stands here: no current, the voltage stands at its limit"),
    FaultKind(
        "reversed_unformed",
        "battery",
        "an unformed battery stands here the wrong way round and forms so; its end: a fresh soaked one",
    ),
    FaultKind(
        "low_acid",
        "battery",
        "acid on this share of the plates only; without battery: all; its end: a fresh soaked one",
        0.7,
        0.1,
        1.0,
    ),
    FaultKind(
        "over_soaked", "battery", "stood in acid far too long; without battery: all; its end: a fresh soaked one"
    ),
    FaultKind("foul_acid", "battery", "the acid gasses so many times as easily; without battery: all", 3.0, 0.1, 20.0),
    FaultKind(
        "wrong_fill",
        "battery",
        "filled with acid of so many kg/L at 20 C; without battery: all; its end: a fresh soaked one",
        1.1,
        1.02,
        1.35,
    ),
    FaultKind(
        "wrong_type",
        "battery",
        "a battery of so many Ah C20 stands here; without battery: all; its end: a fresh soaked one",
        45.0,
        5.0,
        300.0,
    ),
    FaultKind("warm_place", "circuit", "the water reaches the batteries badly: share of cooling left", 0.45, 0.02, 1.0),
    FaultKind("probe_lost", "circuit", "the temperature probes give no value"),
    FaultKind("probe_frozen", "circuit", "the temperature probes keep their last value"),
    FaultKind("probe_drift", "circuit", "the temperature probes drift by so many kelvins an hour", 0.5, -20.0, 20.0),
    FaultKind("probe_offset", "circuit", "the temperature probes read so many kelvins too high", 5.0, -60.0, 60.0),
    FaultKind(
        "probe_swapped", "circuit", "its temperature probes hang in the next circuit's batteries, and the reverse"
    ),
    FaultKind("probe_in_air", "circuit", "the temperature probes hang in the air"),
    FaultKind(
        "stuck_on",
        "circuit",
        "the rectifier drives so many amperes whatever is ordered; 0: what flows now",
        0.0,
        0.0,
        60.0,
    ),
    FaultKind("current_gain", "circuit", "true current = shown x this", 1.15, 0.5, 2.0),
    FaultKind("current_offset", "circuit", "true current = shown + this, in amperes", 0.25, -5.0, 5.0),
    FaultKind("counter_gain", "circuit", "the rectifier's own counter counts x this", 1.05, 0.5, 2.0),
    FaultKind(
        "ripple",
        "circuit",
        "the rectifier tells so many percent of ripple; the plates do not feel it",
        20.0,
        0.0,
        100.0,
    ),
    FaultKind("local_control", "circuit", "somebody turned the rectifier to local: it takes no orders"),
    FaultKind("rectifier_fault", "circuit", "the rectifier tripped by itself, with this fault code", 3.0, 1.0, 65535.0),
    FaultKind("rectifier_restart", "circuit", "the rectifier loses its supply for a moment and starts anew"),
    FaultKind("link_off", "link", "no answer from this circuit or link; without target: from none"),
    FaultKind("no_airflow", "bath", "the extraction stands still"),
    FaultKind("hood_open", "bath", "the hood is open"),
    FaultKind("emergency_stop", "bath", "the emergency stop is pressed: its contactors take all current away"),
    FaultKind("cooling_lost", "bath", "no cooling water"),
    FaultKind("low_water", "bath", "the water has sunk: share left", 0.6, 0.1, 1.0),
    FaultKind("water_probe_lost", "bath", "the bath's temperature probes give no value"),
)
CATALOGUE = {kind.name: kind for kind in KINDS}


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One fault: from `begin_h` (None: from the beginning) to `end_h` (None: stays), at `target`, `battery`."""

    name: str
    target: str | None = None
    battery: int | None = None
    value: float | None = None
    begin_h: float | None = None
    end_h: float | None = None

    def __post_init__(self) -> None:
        check_line(self)

    @property
    def kind(self) -> FaultKind:
        """Its entry in the catalogue."""
        return CATALOGUE[self.name]

    @property
    def amount(self) -> float:
        """Its value, or the usual one."""
        usual = self.kind.usual
        return self.value if self.value is not None else (usual if usual is not None else 0.0)

    def __str__(self) -> str:
        """The line that reads back as this fault."""
        parts = []
        if self.begin_h is not None:
            parts.append(_clock(self.begin_h) + ("" if self.end_h is None else "-" + _clock(self.end_h)))
        if self.target is not None:
            parts.append(self.target + ("" if self.battery is None else f"/{self.battery}"))
        parts.append(self.name)
        if self.value is not None:
            parts.append(f"{self.value:g}")
        return " ".join(parts)


def check_line(line: FaultLine) -> None:
    """Refuse what no plant can do. Raises FaultError."""
    kind = CATALOGUE.get(line.name)
    if kind is None:
        near = difflib.get_close_matches(line.name, CATALOGUE, n=1)
        hint = f"did you mean {near[0]}?" if near else "known are: " + ", ".join(CATALOGUE)
        raise FaultError(f"no fault is called {line.name!r}; {hint}")
    if kind.place == "bath" and line.target is not None:
        raise FaultError(f"{line.name} is of the whole bath: without {line.target!r}")
    if kind.place in ("circuit", "battery") and line.target is None:
        raise FaultError(f"{line.name} needs a circuit before it, such as A05{'/7' if kind.place == 'battery' else ''}")
    if kind.place != "battery" and line.battery is not None:
        raise FaultError(f"{line.name} is of a whole {kind.place}: without /{line.battery}")
    if line.battery is not None and line.battery < 1:
        raise FaultError("batteries are counted from 1")
    if line.value is not None:
        if kind.usual is None:
            raise FaultError(f"{line.name} takes no value")
        if not kind.least <= line.value <= kind.most:
            raise FaultError(f"{line.name} takes {kind.least:g} to {kind.most:g}, not {line.value:g}")
    if line.begin_h is not None and not 0.0 <= line.begin_h < math.inf:
        raise FaultError("a fault begins at or after the start of the plant")
    if line.end_h is not None and not (line.begin_h or 0.0) < line.end_h < math.inf:
        raise FaultError(f"{line.name} must end after it begins")


def parse_fault_line(text: str) -> FaultLine:
    """Read one line of the form above. Raises FaultError with what is wrong and what would be right."""
    words = text.split()
    if not words:
        raise FaultError(f"an empty fault line; right would be {FORM}")
    begin_h = end_h = None
    if (when := _TIME.fullmatch(words[0])) is not None:
        begin_h = int(when[1]) + int(when[2]) / 60.0
        end_h = None if when[3] is None else int(when[3]) + int(when[4]) / 60.0
        words = words[1:]
    elif ":" in words[0]:
        raise FaultError(f"{_short(words[0])} is no time; right would be hours:minutes, such as 6:12 or 6:12-6:43")
    target = battery = None
    if words and words[0] not in CATALOGUE and len(words) > 1 and _number(words[1]) is None:
        place = _TARGET.fullmatch(words[0])
        if place is None:
            raise FaultError(f"{_short(words[0])} is no circuit; right would be A05 or A05/7")
        target, battery = place[1], None if place[2] is None else int(place[2])
        words = words[1:]
    if not words:
        raise FaultError(f"the fault's name is missing; right would be {FORM}")
    if words[0] not in CATALOGUE and "/" in words[0]:
        raise FaultError(f"the fault's name is missing after {_short(words[0])}; right would be {FORM}")
    if len(words) > 2:
        raise FaultError(f"{_short(words[2])} is one word too many; right would be {FORM}")
    value = None
    if len(words) == 2:
        value = _number(words[1])
        if value is None:
            raise FaultError(f"{_short(words[1])} is no number; right would be {FORM}")
    return FaultLine(words[0][:60], target, battery, value, begin_h, end_h)


def catalogue_text() -> str:
    """The catalogue as lines: name, place, usual value, what it does."""
    rows = []
    for kind in KINDS:
        value = "" if kind.usual is None else f"{kind.usual:g}"
        rows.append(f"{kind.name:<18} {kind.place:<8} {value:>6}  {kind.text}")
    return "\n".join(rows)


def _number(word: str) -> float | None:
    try:
        value = float(word)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _clock(hours: float) -> str:
    minutes = round(hours * 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _short(word: str) -> str:
    return repr(word[:40])
