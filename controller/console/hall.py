"""The hall: every bath's line, every circuit in its place; is anything wrong, and where. Pure.

A place is a circuit's for life: nothing sorts itself, and what is filtered away leaves its place blank. Where the rows
do not suffice, the window follows the selected circuit and says what is abnormal outside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.console import alarmwords
from controller.console.amounts import ends_utc, left_ms
from controller.console.bathline import bath_line
from controller.console.frame import did_and_do
from controller.console.outlook import abnormal, alarm_since, hm, mark_parts, name_part, of_cell
from controller.console.picture import CircuitView
from controller.console.row import BLANK, Part, Row, beside, fitted, row, wrapped
from controller.console.scene import BathSeen, Scene, style_of, worst
from controller.console.sentence import moment, told

CELL = 20
"""Columns of a circuit's place while names have three letters."""

LONGEST_NAME = 16
SENTENCE_ROWS = 2
FIRST_ALARMS = 10
NEXT_ENDS = 6


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of the hall, and which circuits (abnormal or selected) stand in it."""

    row: Row
    abnormal: tuple[str, ...] = ()
    selected: bool = False


def columns(width: int, longest_name: int = 3) -> int:
    """How many circuits stand beside each other; longer names make each place wider, the same in all baths."""
    return max(1, width // _place_columns(longest_name))


def _place_columns(longest_name: int) -> int:
    return CELL + max(3, min(LONGEST_NAME, longest_name)) - 3


def longest_name(scene: Scene) -> int:
    """The letters of the longest circuit's name, at least three."""
    return max((len(each.name) for _, each in scene.circuits()), default=3)


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the hall's rows, at most `height`: baths and circuits, the selected one's sentence, then what fits."""
    if height < 1:
        return []
    if not scene.baths:
        return [fitted(Row(scene.say("hall.no_baths")), width)]
    lines = _lines(scene, width)
    below = _told(scene, width, height // 2) if height >= SENTENCE_ROWS + 4 else []
    body = _window(scene, lines, height - len(below), width)
    spare = height - len(body) - len(below)
    return [*body, *below, *(_below(scene, width, spare) if below else [])][:height]


def _lines(scene: Scene, width: int) -> list[_Line]:
    """Every bath's line, with the lines of its circuits below it."""
    found: list[_Line] = []
    home, beside_each = scene.selected_bath, columns(width, longest_name(scene))
    for seen in scene.baths:
        circuits = seen.picture.circuits if seen.picture is not None else ()
        loud = bool(seen.picture is not None and seen.picture.alarms) or not seen.trusted
        here = seen is home and not any(each.name == scene.place.circuit for each in circuits)
        found.append(_Line(bath_line(scene, seen, width), (seen.name,) if loud else (), here))
        found += [
            _circuits_line(scene, seen, circuits[first : first + beside_each], width)
            for first in range(0, len(circuits), beside_each)
        ]
    return found


def _circuits_line(scene: Scene, seen: BathSeen, circuits: Sequence[CircuitView], width: int) -> _Line:
    """One line of circuits, each in its place."""
    line, bad, selected, cell_columns = BLANK, list[str](), False, _place_columns(longest_name(scene))
    for at, each in enumerate(circuits):
        here = seen is scene.selected_bath and each.name == scene.place.circuit
        loud = abnormal(seen, each)
        bad += [each.name] if loud else []
        selected = selected or here
        shown = here or loud or not scene.place.only_abnormal
        cell = fitted(row(*_cell(scene, seen, each, here)), cell_columns) if shown else BLANK
        line = _joined(line, cell, at * cell_columns)
    return _Line(fitted(Row(line.text.rstrip(), line.spans), width), tuple(bad), selected)


def _joined(left: Row, right: Row, column: int) -> Row:
    """A cell in its place; the one before may reach up to it."""
    shifted = tuple((first + column, last + column, style) for first, last, style in right.spans)
    return Row(left.text.ljust(column) + right.text, (*left.spans, *shifted))


def _cell(scene: Scene, seen: BathSeen, circuit: CircuitView, here: bool) -> list[Part]:
    """Mark, name, `>` where it is selected, and the least that is true."""
    width = min(max(3, len(circuit.name)), LONGEST_NAME)
    return [
        *mark_parts(scene, worst(circuit.alarms)),
        *name_part(circuit, width),
        ">" if here else " ",
        *of_cell(scene, seen, circuit),
    ]


def _told(scene: Scene, width: int, most: int) -> list[Row]:
    """The selected circuit in two lines, blank where none is selected."""
    if scene.selected is None:
        return [BLANK] * SENTENCE_ROWS
    return told(scene, *scene.selected, width, most)


def _window(scene: Scene, lines: list[_Line], height: int, width: int) -> list[Row]:
    """All lines, or those around the selected one with a word about what stands above and below."""
    if len(lines) <= height:
        return [each.row for each in lines]
    chosen = next((at for at, each in enumerate(lines) if each.selected), 0)
    if height < 3:
        rest = [each for each in lines if each is not lines[chosen]]
        return [lines[chosen].row, _hidden(scene, "hall.outside", rest, width)][:height]
    first, last = window(chosen, len(lines), height)
    above = [_hidden(scene, "hall.above", lines[:first], width)] if first > 0 else []
    below = [_hidden(scene, "hall.below", lines[last:], width)] if last < len(lines) else []
    return [*above, *(each.row for each in lines[first:last]), *below]


def window(chosen: int, number: int, height: int) -> tuple[int, int]:
    """The first of `number` lines to show and the one behind the last, so that `chosen` is among them.

    What is hidden above takes one of the `height` rows (at least 3), what is hidden below another.
    """
    if number <= height:
        return 0, number
    if chosen < height - 1:
        return 0, height - 1
    if chosen >= number - (height - 1):
        return number - (height - 1), number
    first = min(max(1, chosen - (height - 2) // 2), number - (height - 2) - 1)
    return first, first + height - 2


_WELL = {"hall.above": "hall.above_well", "hall.below": "hall.below_well", "hall.outside": "hall.outside_well"}


def _hidden(scene: Scene, key: str, lines: list[_Line], width: int) -> Row:
    """How many lines are outside the window, and which of their circuits are abnormal."""
    names = [name for each in lines for name in each.abnormal]
    if not names:
        return fitted(Row(scene.say(_WELL[key], n=len(lines))), width)
    words = scene.say(key, n=len(lines), bad=len(names), names=" ".join(names))
    return fitted(row(("soon", words)), width)


def _below(scene: Scene, width: int, spare: int) -> list[Row]:
    """What fits below the sentence: the first alarms, and beside or below them the next circuits to end."""
    if spare < 3:
        return []
    alarms, ends = _alarms(scene, width, spare - 1), _next(scene, width)
    if len(alarms) + len(ends) + 2 > spare:
        # What is wrong comes before what ends next.
        ends = ends[: max(0, spare - 2 - len(alarms))]
        alarms = _alarms(scene, width, spare - 1 - (len(ends) + 1 if len(ends) > 1 else 0))
    both = [*([BLANK, *alarms] if alarms else []), *([BLANK, *ends] if len(ends) > 1 else [])]
    return both[:spare]


def _alarms(scene: Scene, width: int, most: int) -> list[Row]:
    """The first alarms, each whole, as many as fit below their head."""
    found = scene.alarms()
    if not found or most < 2:
        return []
    shown: list[Row] = [Row(scene.say("hall.alarms"))]
    number = 0
    for seen, alarm in found[:FIRST_ALARMS]:
        lines = alarmwords.told(scene, seen, alarm)
        since = alarm_since(scene, seen, alarm)
        name: Part = (style_of(alarm.priority), alarm.target)
        entry = [row(*mark_parts(scene, alarm), " ", since, " ", name, " ", lines.cause)]
        if lines.did or lines.do:
            entry += wrapped(f"   {did_and_do(scene, lines)}", width, "   ")
        more = len(found) > number + 1
        if len(shown) + len(entry) + more > most:
            break
        shown += entry
        number += 1
    if len(found) > number and len(shown) < most:
        shown.append(Row(scene.say("hall.more_alarms", n=len(found) - number)))
    return [fitted(each, width) for each in shown]


def _next(scene: Scene, width: int) -> list[Row]:
    """The next circuits to end, soonest first; a circuit whose end is not known is not among them."""
    found = []
    for seen, each in scene.circuits():
        picture = seen.picture
        if picture is None or not seen.trusted or each.state != "running" or not each.confirmed:
            continue
        left, at = left_ms(picture, each), ends_utc(picture, each)
        if left is not None and at is not None:
            found.append((left, each.name, moment(scene, at, picture.utc)))
    coming = [
        scene.say("hall.next_line", name=name, at=at, left=hm(left)) for left, name, at in sorted(found)[:NEXT_ENDS]
    ]
    if not coming:
        return []
    lines = [Row(f"  {each}") for each in coming]
    half = max(30, width // 3)
    if width >= 3 * half - 2 and len(lines) > 1:
        # Three beside each other: two rows instead of six.
        lines = [_beside_all(lines[first : first + 3], half) for first in range(0, len(lines), 3)]
    return [fitted(each, width) for each in (Row(scene.say("hall.next")), *lines)]


def _beside_all(parts: list[Row], step: int) -> Row:
    line = parts[0]
    for at, each in enumerate(parts[1:], 1):
        line = beside(line, each, at * step)
    return line
