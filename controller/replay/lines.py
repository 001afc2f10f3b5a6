"""A record as lines: what happened in it, one line or one JSON object an event, for pipes and scripts. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator

from controller.console.replayview import since_start
from controller.console.row import single
from controller.core.version import CORE
from controller.replay.fromrows import line_at
from controller.replay.landmarks import happened
from controller.replay.tape import Tape
from controller.service.protocol import clean
from controller.words import Say

FORMAT = "formbath/replay/1"


def told(tape: Tape, name: str, say: Say, from_ms: int) -> Iterator[str]:
    """Yield every event from a moment on as a line, between a head and an end; each line says REPLAY."""
    for text in (*_head(tape, name, say), *_events(tape, from_ms), _end(tape, say)):
        yield say("replay.line", text=single(text, ascii_only=True))


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
            "start_utc": clean(head.start_utc, 40),
            "length_s": tape.length_s,
            "core": head.core,
            "shown_by": CORE,
            "problems": [clean(each, 300) for each in tape.problems],
        }
    )
    for each in happened(tape.events):
        if each.at_ms >= from_ms:
            row = {"time_utc": each.time_utc, "elapsed_s": tape.elapsed_s(each.at_ms), "event": each.kind}
            words = {"code": each.code, "target": each.target, "who": each.who or None, "text": each.text}
            priority = int(each.priority) if each.priority.isdecimal() else None
            yield json.dumps({"format": FORMAT, "kind": "event", **row, **words, "priority": priority})


def _head(tape: Tape, name: str, say: Say) -> Iterator[str]:
    head = tape.head
    length = since_start(tape.length_s)
    count = len(tape.events.lines)
    yield say(
        "replay.begins",
        bath=head.bath, circuit=head.circuit, batch=head.batch, name=name, length=length, events=count,
    )  # fmt: skip
    if head.core != CORE:
        yield say("replay.other_core", core=head.core, now=CORE)
    for problem in tape.problems:
        yield say("replay.problem", what=problem)


def _events(tape: Tape, from_ms: int) -> Iterator[str]:
    for each in happened(tape.events):
        if each.at_ms >= from_ms:
            at = since_start(tape.elapsed_s(each.at_ms))
            code = f" {each.code}" if each.kind == "alarm" else ""
            who = "" if not each.who or each.who in each.text else f" {each.who}:"
            yield f"{each.time_utc} +{at} {each.target} {each.kind}{code}{who} {each.text}"


def _end(tape: Tape, say: Say) -> str:
    """What the newest row of the log says."""
    row = line_at(tape.log, tape.end_ms)
    if row is None:
        return say("replay.ends_unknown")
    at = since_start(tape.elapsed_s(tape.end_ms))
    names = ("state", "charge_Ah", "discharge_Ah", "energy_Wh")
    return f"+{at} " + say("replay.ends", **{name: row.cells[name] for name in names})
