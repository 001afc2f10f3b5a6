"""`formbath order VERB TARGET`: one order to a running service, for scripts and for a second terminal.

Nothing is decided here: the service answers. What could let current flow is asked for twice, by name.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from pydantic import ValidationError

from controller.records.batchlist import count, parse_batches
from controller.service.client import ANSWER_S, Connection, find_sockets, new_id, serving
from controller.service.errors import Unreachable
from controller.service.protocol import VERBS, Answer, OrderMessage, clean, raises_energy
from controller.texts import verbs as verb_texts
from profiles.loader import found_profile
from profiles.problems import InputError, Problem

EXIT_DONE, EXIT_REFUSED = 0, 1
_LOAD_ONLY = ("profile", "batch", "first_filled", "last_filled", "continued")
_BELONGS = {
    **dict.fromkeys(_LOAD_ONLY, ("load",)),
    "text": ("note",),
    "alarm": ("acknowledge",),
    "item": ("done",),
    "not_ok": ("done",),
    "told": ("start", "resume", "done", "skip"),
}
"""The orders that an option belongs to; any other order with it is a mistake, not silently left out."""
_TEXTS = ("text", "reason", "alarm", "what", "unit", "instrument", "result", "told", "type", "continues", "serial")
"""Arguments that are text however much they look like a number."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("verb", metavar="VERB", choices=VERBS, help=", ".join(VERBS))
    parser.add_argument("target", metavar="TARGET", help="a circuit, such as A07, or the bath")
    parser.add_argument("more", metavar="KEY=VALUE", nargs="*", help=f"what the order takes: {_taken()}")
    parser.add_argument(
        "--confirm", metavar="NAME", help="the target once more, for an order that can let current flow"
    )
    parser.add_argument("--reason", metavar="TEXT", help="kept in the record")
    parser.add_argument(
        "--seen-revision", metavar="N", type=int, help="refuse if the circuit has changed since revision N"
    )
    parser.add_argument("--as-stated", metavar="NAME", help="the name for the record; a virtual bath only")
    parser.add_argument("--socket", metavar="PATH", type=Path, help="the service at PATH and no other")
    parser.add_argument("--json", action="store_true", help="the answer as one JSON object")
    parser.add_argument("--text", metavar="TEXT", help="with note: what to keep, 1 to 500 characters")
    parser.add_argument("--alarm", metavar="CODE", help="with acknowledge: this alarm alone")
    parser.add_argument("--item", metavar="N", type=int, help="with done: the item of the start list, found right")
    parser.add_argument("--not-ok", action="store_true", help="with --item: found wrong; --reason says what")
    parser.add_argument(
        "--told", metavar="NAMES", help="with start, resume, done, skip: blocked neighbours whose person was told"
    )
    load = parser.add_argument_group("with load")
    load.add_argument("--profile", metavar="FILE", help="what the string shall receive: a file, or a library name")
    load.add_argument("--batch", metavar="LIST", help="what stands where: 'K3107:1-11 K3108:12-18'")
    load.add_argument("--first-filled", metavar="WHEN", help="minutes ago, or ISO time: the first battery was filled")
    load.add_argument("--last-filled", metavar="WHEN", help="minutes ago, or ISO time: the last battery was filled")
    load.add_argument("--continued", action="store_true", help="not fresh: the string has had current before")


def _taken() -> str:
    """Return every verb's own arguments, for the help."""
    return "; ".join(f"{verb} {' '.join(text.takes)}" for verb, text in verb_texts.VERBS.items() if text.takes)


def run(args: argparse.Namespace) -> int:
    """Gives the order; prints answer and read-back. Returns 0 accepted, 1 refused, or taken but not on the disk.

    Raises `InputError` (exit 2) for a wrong or missing option, `Unreachable` (exit 3) where no service answers.
    """
    message = message_of(args)
    confirm(message, args.confirm, sys.stdin, sys.stderr)
    with Connection(_the_service(args.socket, message.target)) as connection:
        answer = connection.order(message)
        read_back, missing = "", ""
        if answer.accepted and answer.reads_back:
            try:
                read_back = connection.read_back(message.id, ANSWER_S).text
            except Unreachable as error:
                missing = str(error)
    _print(message, answer, read_back, as_json=args.json)
    if missing:
        raise Unreachable(f"accepted, but nothing was read back: {missing}; look at what the circuit does")
    return EXIT_DONE if answer.accepted and answer.kept else EXIT_REFUSED


def message_of(args: argparse.Namespace) -> OrderMessage:
    """The message that these options ask for. Raises `InputError`."""
    _belong(args)
    more = _more(args)
    given: dict[str, Any] = load_args(args) if args.verb == "load" else _own_args(args, more)
    given.update(more)
    if args.reason:
        given["reason"] = args.reason
    try:
        return OrderMessage(
            id=new_id(),
            verb=args.verb,
            target=args.target,
            args=given,
            seen_revision=args.seen_revision,
            as_stated=args.as_stated,
        )
    except ValidationError as error:
        raise InputError([_wrong(".".join(map(str, e["loc"])), e["msg"]) for e in error.errors()]) from None


def load_args(args: argparse.Namespace) -> dict[str, Any]:
    """What `load` tells the service. Raises `InputError` with everything that is missing or wrong.

    Keys: profile (absolute path), batch (list), batteries (their number), first_filled and last_filled, each either
    `..._minutes_ago` or `..._utc` (ISO 8601), continued.
    """
    problems: list[Problem] = []
    given: dict[str, Any] = {"continued": args.continued}
    for option, read in (("profile", _profile), ("batch", _batch), ("first_filled", _when), ("last_filled", _when)):
        text = getattr(args, option)
        if text is None:
            problems.append(_wrong(f"--{option.replace('_', '-')}", "load needs it"))
            continue
        try:
            given.update(read(option, str(text)))
        except ValueError as error:
            problems.append(_wrong(f"--{option.replace('_', '-')}", str(error)))
    if problems:
        raise InputError(problems)
    return given


def confirm(message: OrderMessage, stated: str | None, terminal: TextIO, prompt: TextIO) -> None:
    """Lets an order that can let current flow pass only with the target's name once more. Raises `InputError`."""
    if not raises_energy(message.verb, message.args):
        return
    if stated is None and terminal.isatty():
        print(f"{message.verb} {message.target}: type {message.target} to confirm: ", end="", file=prompt, flush=True)
        stated = terminal.readline().strip()
    if stated is None:
        raise InputError([_wrong("--confirm", f"{message.verb} can let current flow, add --confirm {message.target}")])
    if stated != message.target:
        raise InputError([_wrong("--confirm", f"{clean(stated, 64)!r} is not {message.target!r}, nothing was sent")])


def _the_service(path: Path | None, target: str) -> Path:
    if path is not None:
        return path
    sockets = find_sockets()
    found = serving(target, sockets)
    if not found:
        raise InputError([_wrong("TARGET", f"no running service serves {target!r}; asked {_listing(sockets)}")])
    if len(found) > 1:
        raise InputError([_wrong("--socket", f"{target!r} is served at {_listing(found)}: say which")])
    return found[0]


def _listing(paths: tuple[Path, ...]) -> str:
    return ", ".join(clean(str(path), 200) for path in paths)


def _belong(args: argparse.Namespace) -> None:
    """Raise `InputError` where options were given that belong to another order."""
    extra = [
        _wrong(f"--{option.replace('_', '-')}", f"belongs to {' and '.join(verbs)} only")
        for option, verbs in _BELONGS.items()
        if args.verb not in verbs and getattr(args, option) not in (None, False)
    ]
    if extra:
        raise InputError(extra)


def _more(args: argparse.Namespace) -> dict[str, Any]:
    """Return the arguments written as KEY=VALUE. Raises `InputError` for one that the order does not take."""
    given: dict[str, Any] = {}
    for said in args.more:
        key, equals, value = str(said).partition("=")
        if not equals:
            raise InputError([_wrong(clean(said, 60), "is no KEY=VALUE, such as minutes=60")])
        if key not in _takes(args.verb):
            right = ", ".join(_takes(args.verb))
            raise InputError([_wrong(f"{clean(key, 40)}=", f"{args.verb} does not take it, right would be: {right}")])
        if key in given or getattr(args, key, None) not in (None, False):
            raise InputError([_wrong(f"{key}=", "is said twice")])
        given[key] = value if key in _TEXTS else _scalar(value)
    return given


def _takes(verb: str) -> tuple[str, ...]:
    """Return the arguments that an order takes as KEY=VALUE."""
    lists = ("item", "walk", "ok") if verb == "done" else ()
    text = verb_texts.VERBS.get(verb)
    return (*(text.takes if text is not None else ()), *lists, "reason")


def _scalar(text: str) -> bool | int | float | str:
    """Return what a value says: yes or no, a number, else text."""
    if text in ("true", "false"):
        return text == "true"
    if re.fullmatch(r"-?\d{1,15}", text):
        return int(text)
    return float(text) if re.fullmatch(r"-?\d{1,15}\.\d{1,15}", text) else text


def _own_args(args: argparse.Namespace, more: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the orders besides load tell the service. Raises `InputError` for what lacks or contradicts."""
    if args.verb == "note" and not clean(args.text or str(more.get("text") or "")):
        raise InputError([_wrong("--text", "a note needs it")])
    if args.not_ok and args.item is None:
        raise InputError([_wrong("--not-ok", "says what was found of an item, add --item N")])
    if args.not_ok and not clean(args.reason or ""):
        raise InputError([_wrong("--not-ok", "needs --reason TEXT: what was found")])
    given = {name: getattr(args, name) for name in ("text", "alarm", "item", "told")}
    said = {name: value for name, value in given.items() if value is not None}
    return said if args.item is None else {**said, "ok": not args.not_ok}


def _profile(_: str, text: str) -> dict[str, Any]:
    path = found_profile(text)
    if path is None:
        raise ValueError(f"{text}: no such file, and no profile of that name in the library")
    return {"profile": str(path.resolve())}


def _batch(_: str, text: str) -> dict[str, Any]:
    return {"batch": text, "batteries": count(parse_batches(text))}


def _when(option: str, text: str) -> dict[str, Any]:
    """Minutes ago, kept as such (a virtual bath has a time of its own), or a moment."""
    if re.fullmatch(r"\d{1,5}(\.\d+)?", text):
        return {f"{option}_minutes_ago": float(text)}
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is neither minutes ago nor an ISO time such as 2026-03-16T05:10+01:00") from None
    # A time without its zone is this machine's own.
    return {f"{option}_utc": moment.astimezone(UTC).isoformat(timespec="seconds")}


def _print(message: OrderMessage, answer: Answer, read_back: str, *, as_json: bool) -> None:
    say: Callable[[str], None] = print
    if as_json:
        data = {"format": "formbath/order/1", "verb": message.verb, "target": message.target}
        say(json.dumps(data | answer.model_dump(exclude={"type", "reads_back"}) | {"read_back": read_back or None}))
        return
    word = "accepted" if answer.accepted else f"refused ({clean(answer.code, 60)})"
    say(f"{message.verb} {message.target}: {word}{': ' if answer.text else ''}{clean(answer.text)}")
    if read_back:
        say(f"read back: {clean(read_back)}")


def _wrong(key: str, what: str) -> Problem:
    return Problem("order", None, key, what)
