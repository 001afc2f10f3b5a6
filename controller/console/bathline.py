"""A bath in one line: water, inputs, hydrogen, power, purge, and the moment when its service stood. Pure."""

from __future__ import annotations

from controller.console.amounts import finite
from controller.console.outlook import NO_VALUE, clock_at, is_stale, mark_parts, minutes_seconds, shown
from controller.console.picture import Picture, Reading
from controller.console.row import Part, Row, fitted, row
from controller.console.scene import BathSeen, Scene, style_of, worst

_GAP = "  "


def bath_line(scene: Scene, seen: BathSeen, width: int) -> Row:
    """Return the line of a bath; one whose service is silent keeps it, with the moment."""
    picture, say = seen.picture, scene.say
    first = worst(picture.alarms) if picture is not None else None
    name = say("hall.bath", bath=seen.name)
    head: list[Part] = []
    if first is not None:
        head = [*mark_parts(scene, first), " "]
    head.append((style_of(first.priority), name) if first is not None else name)
    if picture is None:
        return fitted(row(*head, _GAP, ("shift", say("hall.never"))), width)
    if picture.virtual and any(each.picture is not None and not each.picture.virtual for each in scene.baths):
        head += [" ", say("hall.demo")]
    at = clock_at(scene, seen, picture.now_ms, "%H:%M:%S")
    if not seen.trusted:
        return fitted(row(*head, _GAP, ("shift", say("hall.silent" if seen.attached else "hall.gone", at=at))), width)
    # Where it is narrow, numbers go before words: purge, faults and the clock are told to the last.
    for without in range(4):
        left = row(*head, *_values(scene, seen, picture, without))
        if len(left.text) + len(at) < width:
            return Row(left.text.ljust(width - len(at)) + at, left.spans)
    return fitted(left, width)


def _values(scene: Scene, seen: BathSeen, picture: Picture, without: int) -> list[Part]:
    """Water, inputs, hydrogen, then the power, or the purge in its place; `without`: how many numbers are left out."""
    say, inputs, parts = scene.say, picture.inputs, list[Part]()
    water = max(inputs.water_C, key=lambda each: _or_lowest(picture.fresh(each)), default=None)
    if water is not None and without < 3:
        parts += [_GAP, say("hall.water", water=_told(seen, water, ".1f"))]
    if inputs.flow_L_min is not None and without < 2:
        parts += [_GAP, say("hall.flow", flow=_told(seen, inputs.flow_L_min, ".0f"))]
    parts += _inputs(scene, seen, picture)
    if inputs.hydrogen_percent_LEL is not None:
        parts += [_GAP, say("hall.hydrogen", percent=_told(seen, inputs.hydrogen_percent_LEL, ".0f"))]
    if purging(picture):
        return [*parts, _GAP, ("waits", purge_words(scene, picture))]
    power = power_kW(picture) if without < 1 else None
    return [*parts, _GAP, say("hall.power", kW=power)] if power is not None else parts


def _told(seen: BathSeen, reading: Reading, spec: str) -> str | None:
    """A value for a sentence's place; None where there is none, for which the catalogue has its own sign."""
    text = shown(seen, reading, spec)
    return None if text == NO_VALUE else text


def purging(picture: Picture) -> bool:
    """Whether the bath is not purged yet."""
    left_s = finite(picture.purge_left_s)
    return left_s is not None and left_s > 0.0


def _or_lowest(number: float | None) -> float:
    found = finite(number)
    return -1e9 if found is None else found


def purge_words(scene: Scene, picture: Picture) -> str:
    """How long the bath has been purged, and how long it must be."""
    due_s, left_s = finite(picture.purge_s) or 0.0, finite(picture.purge_left_s) or 0.0
    done_s = max(0.0, due_s - left_s)
    # Rounded so that the purge never looks further than it is.
    return scene.say("hall.purge", done=minutes_seconds(done_s), due=minutes_seconds(max(due_s, left_s)))


def _inputs(scene: Scene, seen: BathSeen, picture: Picture) -> list[Part]:
    """What is well stands together before one `ok`; what is not, or was not read, stands apart and loud."""
    say, inputs = scene.say, picture.inputs
    well: list[str] = []
    bad: list[Part] = []
    for reading, word, faults in (
        (inputs.level, "hall.level", {-1.0: "hall.level_low", 1.0: "hall.level_high"}),
        (inputs.airflow, "hall.air", {0.0: "hall.no_air"}),
        (inputs.hood_closed, "hall.hood", {0.0: "hall.hood_open"}),
        (inputs.emergency_stop_ok, "hall.stop", {0.0: "hall.emergency"}),
    ):
        if reading is None:
            continue
        number = None if is_stale(seen, reading) else finite(picture.fresh(reading))
        if number is None:
            told = say("hall.not_read", input=say(word), age=_told(seen, reading, ".0f"))
            bad += [_GAP, ("shift", told)]
        elif number in faults:
            bad += [_GAP, ("waits", say(faults[number]))]
        elif word != "hall.stop":
            well.append(say(word))
    parts: list[Part] = []
    if well:
        parts += [_GAP, say("hall.ok", inputs=" ".join(well))]
    return parts + bad


def power_kW(picture: Picture) -> float | None:
    """What the bath's circuits take together; None while any circuit's current or volts are not read."""
    total = 0.0
    for each in picture.circuits:
        amps, volts = _fresh(picture, each.current_A), _fresh(picture, each.voltage_V)
        if amps is None or (volts is None and amps != 0.0):
            return None
        total += amps * (volts or 0.0) / 1000.0
    return finite(total) if picture.circuits else None


def _fresh(picture: Picture, reading: Reading) -> float | None:
    return finite(picture.fresh(reading))
