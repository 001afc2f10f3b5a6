"""One bath as a table: how each of its circuits stands, and the selected one told in two lines. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.console import besides
from controller.console.amounts import MS_PER_H, ends_utc, expected_ms, finite
from controller.console.bathline import bath_line, purging
from controller.console.hall import window
from controller.console.outlook import (
    abnormal,
    course_line,
    derate_word,
    hot_reading,
    is_stale,
    left_text,
    mark_parts,
    name_part,
    runs_word,
    shown,
    state_word,
    volts_per_cell,
    waits_for,
)
from controller.console.picture import CircuitView, Picture, Reading
from controller.console.row import Part, Row, fitted, row
from controller.console.scene import BathSeen, Scene, worst
from controller.console.sentence import cause_of, moment, told

COURSE = 20
SENTENCE_ROWS = 2
LONGEST_NAME = 16
MORE_FROM = 112
"""Width from which batch, Ah, end, kWh and the reason stand behind the table."""

_WAITS_STYLE = frozenset({"waits", "reset", "start", "refused", "purge", "blocked"})


@dataclass(frozen=True, slots=True)
class _Columns:
    """Widths that differ from bath to bath; a longer name or step number takes its room from the course."""

    name: int
    step: int
    course: int
    more: bool


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the selected bath's rows, at most `height`; what is left below them is free for the trends."""
    seen, say = scene.selected_bath, scene.say
    if height < 1:
        return []
    if seen is None:
        return [fitted(Row(say("bath.no_baths")), width)]
    picture = seen.picture
    if picture is None:
        return [fitted(Row(say("bath.none", bath=seen.name)), width)]
    if not picture.circuits:
        return [bath_line(scene, seen, width), fitted(Row(say("bath.no_circuits", bath=seen.name)), width)][:height]
    below = _told(scene, width, height // 2) if height >= SENTENCE_ROWS + 4 else []
    urgent = purging(picture) or not seen.trusted or bool(picture.alarms)
    room = height - len(below)
    fits = room >= 4 and (urgent or len(picture.circuits) + 2 <= room)
    head = [bath_line(scene, seen, width)] if fits else []
    columns = _columns(picture, width)
    if room >= 2:
        head.append(fitted(_head(scene, picture, columns), width))
    return [*head, *_body(scene, seen, columns, width, room - len(head)), *below][:height]


def _told(scene: Scene, width: int, most: int) -> list[Row]:
    if scene.selected is None:
        return []
    return told(scene, *scene.selected, width, most)


def _columns(picture: Picture, width: int) -> _Columns:
    name = min(LONGEST_NAME, max(3, *(len(each.name) for each in picture.circuits)))
    step = max(3, *(len(_step(picture, each)) for each in picture.circuits))
    return _Columns(name, step, max(6, COURSE - (name - 3) - (step - 3)), width >= MORE_FROM)


def _body(scene: Scene, seen: BathSeen, columns: _Columns, width: int, room: int) -> list[Row]:
    """The circuits' rows, all or those around the selected one, with a word about the others."""
    circuits = seen.picture.circuits if seen.picture is not None else ()
    chosen = next((at for at, each in enumerate(circuits) if each.name == scene.place.circuit), 0)
    if room < 3 and len(circuits) > room:
        first, last = chosen, chosen + max(0, room)
    else:
        first, last = window(chosen, len(circuits), room)
    lines = [fitted(_line(scene, seen, each, columns), width) for each in circuits[first:last]]
    if room < 3:
        return lines[: max(0, room)]
    above = [_hidden(scene, "bath.above", seen, circuits[:first], width)] if first > 0 else []
    below = [_hidden(scene, "bath.below", seen, circuits[last:], width)] if last < len(circuits) else []
    return [*above, *lines, *below]


_WELL = {"bath.above": "bath.above_well", "bath.below": "bath.below_well"}


def _hidden(scene: Scene, key: str, seen: BathSeen, circuits: tuple[CircuitView, ...], width: int) -> Row:
    """How many circuits the window leaves out, and which of them are abnormal."""
    names = [each.name for each in circuits if abnormal(seen, each)]
    if not names:
        return fitted(Row(f"    {scene.say(_WELL[key], n=len(circuits))}"), width)
    words = scene.say(key, n=len(circuits), bad=len(names), names=" ".join(names))
    return fitted(row("    ", ("soon", words)), width)


def _head(scene: Scene, picture: Picture, columns: _Columns) -> Row:
    """The table's head; the course's length stands there where all circuits have the same."""
    say = scene.say
    plans = {each.load.plan for each in picture.circuits if each.load is not None}
    lengths = {round(sum(expected_ms(picture.plans[key])) / MS_PER_H, 1) for key in plans if key in picture.plans}
    begin, end = (say("bath.head.from"), say("bath.head.to", hours=lengths.pop())) if len(lengths) == 1 else ("", "")
    course = begin + say("bath.head.course").center(columns.course + 2 - len(begin) - len(end)) + end
    text = (
        f"    {say('bath.head.circuit'):<{columns.name}} {say('bath.head.state'):<8} "
        f"{say('bath.head.step'):<{columns.step}} {course} {say('bath.head.late'):>4}"
        f"{say('bath.head.current'):>6} {say('bath.head.volts'):>4} {say('bath.head.hot'):>5} "
        f"{say('bath.head.left'):>5} {say('bath.head.runs'):<8}"
    )
    if columns.more:
        text += (
            f" {say('bath.head.batch'):<8} {say('bath.head.charge'):>6} {say('bath.head.ends'):>9} "
            f"{say('bath.head.energy'):>6}  {say('bath.head.reason')}"
        )
    return Row(text.rstrip())


def _line(scene: Scene, seen: BathSeen, circuit: CircuitView, columns: _Columns) -> Row:
    """One circuit's row. `late` and the marks behind values stay blank while nothing is known to compare with."""
    picture = seen.picture
    if picture is None:
        return Row()
    state, here = state_word(scene, seen, circuit), circuit.name == scene.place.circuit
    should = besides.should_share(circuit) if seen.trusted else None
    line = course_line(
        picture.plan_of(circuit), circuit.run, columns.course, complete=circuit.state == "complete", should=should
    )
    parts: list[Part] = [">" if here else " ", *mark_parts(scene, worst(circuit.alarms)), " "]
    parts += [*name_part(circuit, columns.name), " ", *_state(circuit, state), " " * (9 - len(state))]
    parts += [f"{_step(picture, circuit):<{columns.step}} [{line}]", *_late(seen, circuit)]
    parts += [*_value(seen, circuit.current_A, ".1f", 6), _mark(seen, circuit, "current_A", circuit.current_A)]
    volts, hot = volts_per_cell(circuit), hot_reading(picture, circuit)
    parts += [*_value(seen, volts, ".2f", 4), _mark(seen, circuit, "volts", volts)]
    parts += [*_value(seen, hot, ".1f", 5), _mark(seen, circuit, "probe_C", hot)]
    parts += [f"{left_text(seen, circuit):>5} ", *_runs(scene, seen, circuit)]
    one = row(*parts, *(_more(scene, seen, picture, circuit) if columns.more else []))
    return Row(one.text.rstrip(), one.spans)


def _late(seen: BathSeen, circuit: CircuitView) -> list[Part]:
    """How late, in five columns."""
    late = besides.late_text(circuit) if seen.trusted else ""
    styled: Part = ("soon", late) if late and not late.startswith("-") else late
    return [" " * max(0, 5 - len(late)), styled]


def _mark(seen: BathSeen, circuit: CircuitView, name: str, reading: Reading | None) -> str:
    """The mark behind a value that is shown as a number."""
    return " " if reading is None or is_stale(seen, reading) or not seen.trusted else besides.mark(circuit, name)


def _state(circuit: CircuitView, state: str) -> list[Part]:
    if circuit.blocked_by:
        return [("waits", state)]
    return [("shift", state) if state.endswith("?") else state]


def _step(picture: Picture, circuit: CircuitView) -> str:
    """The step and how many there are; blank without a run."""
    plan = picture.plan_of(circuit)
    return f"{circuit.run.step}/{len(plan.steps)}" if plan is not None and circuit.run is not None else ""


def _value(seen: BathSeen, reading: Reading | None, spec: str, width: int) -> list[Part]:
    """A value set right in its column; one that the column cannot hold is not cut into another number."""
    text = shown(seen, reading, spec)
    if len(text) > width:
        text = shown(seen, reading, ".1f")  # of a value that needs a sign there is room for one digit less
    text = text if len(text) <= width else "?"
    old: Part = ("shift", text) if is_stale(seen, reading) or text == "?" else text
    return [" " * (width - len(text)), old]


def _runs(scene: Scene, seen: BathSeen, circuit: CircuitView) -> list[Part]:
    """Derate, what is waited for, or who blocked, in eight columns."""
    word = runs_word(scene, seen, circuit)
    word = word if len(word) <= 8 else f"{word[:7]}~"
    waits = waits_for(seen.picture, circuit) if seen.picture is not None else ""
    style = "waits" if waits in _WAITS_STYLE else "soon" if derate_word(scene, circuit) else ""
    return [(style, word) if style else word, " " * (8 - len(word))]


def _more(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> list[Part]:
    """What a wide terminal adds: batch, charge, the end by the clock, energy, and why."""
    load, run = circuit.load, circuit.run
    batch = load.batch if load is not None else ""
    charge, energy_Wh = (finite(run.charge_Ah), finite(run.energy_Wh)) if run is not None else (None, None)
    at = ends_utc(picture, circuit) if circuit.state == "running" and circuit.confirmed and seen.trusted else None
    ends = moment(scene, at, picture.utc) if at is not None else ""
    why = "" if circuit.state in {"running", "idle"} and not derate_word(scene, circuit) else _why(scene, circuit)
    return [
        f" {batch if len(batch) <= 8 else batch[:7] + '~':<8} {_number(charge, 6)} {ends:>9} ",
        f"{_number(energy_Wh / 1000.0 if energy_Wh is not None else None, 6)}  {why}",
    ]


def _why(scene: Scene, circuit: CircuitView) -> str:
    """The reason of a derate, a hold or a trip, in words."""
    run = circuit.run
    code = circuit.allowed_code if circuit.state == "running" else run.held_by if run is not None else None
    return cause_of(scene, circuit, code)


def _number(number: float | None, width: int) -> str:
    text = f"{number:.1f}" if number is not None else ""
    return f"{text if len(text) <= width else '?':>{width}}"
