"""A record as lines: what happened in it, one line or one JSON object an event, for pipes and scripts. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from controller.console.replayview import since_start
from controller.console.row import single
from controller.console.then import asks
from controller.core.version import CORE
from controller.replay.fromrows import line_at
from controller.replay.landmarks import happened
from controller.replay.tape import Tape
from controller.service.protocol import clean
from controller.words import Say

FORMAT = "formbath/replay/1"


def told(tape: Tape, name: str, say: Say, from_ms: int) -> Iterator[str]:
    """Yield every event from a moment on as a line, between a head and an end; each line says REPLAY."""
    line = "replay.line_demo" if tape.virtual else "replay.line"
    for text in (*_head(tape, name, say), *_events(tape, from_ms, say), *_later(tape, say), _end(tape, say)):
        yield say(line, text=single(text, ascii_only=True))


def as_json(tape: Tape, name: str, from_ms: int) -> Iterator[str]:
    """Yield the record and then every event from a moment on, each as one object on one line."""
    head = tape.head
    yield json.dumps(
        {
            "format": FORMAT,
            "kind": "record",
            "name": clean(name, 200),
            "bath": clean(head.bath, 64),
            "circuit": clean(head.circuit, 64),
            "batch": clean(head.batch, 200),
            "virtual": tape.virtual,
            "start_utc": clean(head.start_utc, 40),
            "length_s": tape.length_s,
            "core": head.core,
            "shown_by": CORE,
            "signed_off_by": tape.signed.who if tape.signed is not None else None,
            "signed_off_date": tape.signed.date if tape.signed is not None else None,
            "outcomes": dict(tape.signed.outcomes) if tape.signed is not None else None,
            "problems": [clean(each, 300) for each in tape.problems],
        }
    )
    for each in happened(tape.events):
        if each.at_ms >= from_ms:
            words = {"code": each.code, "target": each.target, "who": each.who or None, "text": each.text}
            priority = int(each.priority) if each.priority.isdecimal() else None
            yield _event(each.time_utc, tape.elapsed_s(each.at_ms), each.kind, {**words, "priority": priority})
    for later in tape.later:
        words = {"code": later.code, "target": clean(head.circuit, 64), "who": later.who, "text": later.text}
        yield _event(later.time_utc, None, "order", {**words, "priority": None})


def _event(time_utc: str, elapsed_s: float | None, kind: str, words: dict[str, Any]) -> str:
    """Return one event's line; without an elapsed time it came after the end."""
    row = {"time_utc": time_utc, "elapsed_s": elapsed_s, "after_end": elapsed_s is None, "event": kind}
    return json.dumps({"format": FORMAT, "kind": "event", **row, **words})


def _head(tape: Tape, name: str, say: Say) -> Iterator[str]:
    head = tape.head
    length = since_start(tape.length_s)
    count = len(tape.events.lines)
    yield say(
        "replay.begins",
        date=clean(head.start_utc, 10), bath=head.bath, circuit=head.circuit, batch=head.batch, name=name,
        length=length, events=count,
    )  # fmt: skip
    if head.core != CORE:
        yield say("replay.other_core", core=head.core, now=CORE)
    for problem in tape.problems:
        yield say("replay.problem", what=problem)


def _events(tape: Tape, from_ms: int, say: Say) -> Iterator[str]:
    for each in happened(tape.events):
        if each.at_ms >= from_ms:
            at = since_start(tape.elapsed_s(each.at_ms))
            code = f" {each.code}" if each.kind == "alarm" else ""
            text = say("replay.then", text=each.text) if asks(each.kind, each.code) else each.text
            who = "" if not each.who or each.who in each.text else f" {each.who}:"
            yield f"{each.time_utc} +{at} {each.target} {each.kind}{code}{who} {text}"


def _later(tape: Tape, say: Say) -> Iterator[str]:
    """What came once the run was over; it has no elapsed time of the run."""
    for each in tape.later:
        yield f"{each.time_utc} {say('replay.after_end')} {tape.head.circuit} order {each.text}"


def _end(tape: Tape, say: Say) -> str:
    """What the newest row of the log says, and who signed the batteries off."""
    row = line_at(tape.log, tape.end_ms)
    if row is None:
        return say("replay.ends_unknown")
    at = since_start(tape.elapsed_s(tape.end_ms))
    names = ("state", "charge_Ah", "discharge_Ah", "energy_Wh")
    cells = {name: row.cells[name] for name in names}
    signed = tape.signed
    if signed is None:
        return f"+{at} {say('replay.ends', **cells)}"
    told = say("replay.ends_signed", **cells, who=signed.who, date=signed.date, outcomes=signed.named)
    return f"+{at} {told}"
