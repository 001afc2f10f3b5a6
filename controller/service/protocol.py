"""The messages on the service's socket: one JSON object a line, checked before anything acts on it.

In come `order`, `who`, `prompt` and `pace`, at most 64 kB a line; out go `answer`, `order`, `readback`, `serves`,
`snapshot` and `error`, at most 256 kB a line.
What a client sends is hostile until it has passed here. No socket and no clock may enter.
"""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Mapping
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from controller.core.orderchecks import RAISES_ENERGY, raises_energy

__all__ = ["RAISES_ENERGY", "raises_energy"]

MAX_LINE_BYTES = 64 * 1024
"""Longest line that a service takes, with its line end."""

MAX_SHOWN_BYTES = 256 * 1024
"""Longest line that a service sends and a client takes, with its line end."""

Verb = Literal[
    "load", "unload", "start", "hold", "resume", "stop", "done", "skip", "extend", "change-count", "acknowledge",
    "reset", "shelve", "unshelve", "block", "unblock", "reading", "added", "round", "take-over", "horn-test", "permit",
    "out-of-use", "in-use", "bench", "inspected", "proof", "sign-off", "note"
]  # fmt: skip
VERBS: tuple[str, ...] = get_args(Verb)

MAX_TEXT = 8000
_ID = r"^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$"
_KEY = r"^[a-z][A-Za-z0-9_]{0,39}$"


def clean(text: str, longest: int = MAX_TEXT) -> str:
    """One line of `text` without control, format and other invisible characters, cut to `longest` characters.

    Terminal escapes, line ends and marks that turn the writing direction become a space or vanish, so that a text from
    outside can be shown on a terminal and written to a record.
    """
    kept = (_clean_character(character) for character in text[: 4 * longest])
    return " ".join("".join(kept).split())[:longest]


def _clean_character(character: str) -> str:
    category = unicodedata.category(character)
    if category in {"Cc", "Zl", "Zp", "Zs"}:
        return " "
    return "" if category.startswith("C") else character


def _clean_name(text: str) -> str:
    return clean(text, 64)


Name = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_clean_name), Field(min_length=1)]
Text = Annotated[str, Field(max_length=MAX_TEXT), AfterValidator(clean)]
Number = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=-1e15, le=1e15)]
Whole = Annotated[int, Field(strict=True, ge=-(2**53), le=2**53)]
Argument = Annotated[bool, Field(strict=True)] | Whole | Number | Text | None
Key = Annotated[str, Field(pattern=_KEY)]
Id = Annotated[str, Field(pattern=_ID)]


class OrderMessage(BaseModel):
    """What a person asks of a circuit or bath, as it came over the socket.

    `seen_revision` is the circuit's revision that the person had in view; `as_stated` a name for the record, which only
    a virtual bath takes.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    type: Literal["order"] = "order"
    id: Id
    verb: Verb
    target: Name
    args: Annotated[dict[Key, Argument], Field(max_length=32)] = Field(default_factory=dict)
    seen_revision: Annotated[int, Field(strict=True, ge=0, le=2**53)] | None = None
    as_stated: Name | None = None


class WhoMessage(BaseModel):
    """Asks which targets this service serves."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    type: Literal["who"] = "who"
    id: Id


class PromptMessage(BaseModel):
    """A dialogue for an order was opened or shut at a console; the others see it. It decides nothing."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    type: Literal["prompt"] = "prompt"
    id: Id
    verb: Verb
    target: Name
    open: Annotated[bool, Field(strict=True)]
    as_stated: Name | None = None


class PaceMessage(BaseModel):
    """How fast a stepped plant's time shall go: `ratio` in seconds of plant time a second. None leaves it as it is.

    Of a replay also where it shall go: `elapsed_s` after the record's start, the moment when the wall clock showed
    `time_utc` (ISO 8601), or the `next` or `previous` event that matters.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    type: Literal["pace"] = "pace"
    id: Id
    ratio: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=100_000)] | None = None
    paused: Annotated[bool, Field(strict=True)] | None = None
    elapsed_s: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e9, le=1e9)] | None = None
    time_utc: AwareDatetime | None = None
    event: Literal["next", "previous"] | None = None

    @property
    def seeks(self) -> bool:
        """Whether it asks for another moment."""
        return self.elapsed_s is not None or self.time_utc is not None or self.event is not None


class Serves(BaseModel):
    """The answer to `who`: the names that orders to this service may have as target, its bath first.

    `who`, `roles`: the person who asked, as the service knows them. `runs`: the absolute path of the records' folder.
    `console`: how the service names this connection where it tells of open dialogues.
    """

    model_config = ConfigDict(frozen=True)

    type: Literal["serves"] = "serves"
    id: str
    targets: tuple[str, ...]
    virtual: bool = False
    hall: str = ""
    bath: str = ""
    runs: str = ""
    who: str = ""
    roles: tuple[str, ...] = ()
    console: str = ""


class Answer(BaseModel):
    """The core's word on an order, in the cycle that took it: accepted, or refused with a code.

    `reads_back`: a `readback` with the same id will follow, once the device shows what it was told. `kept` False: it is
    in force, but its row may not be on the disk, and a crash would forget it; `text` begins with why.
    """

    model_config = ConfigDict(frozen=True)

    type: Literal["answer"] = "answer"
    id: str
    accepted: bool
    code: str = ""
    text: str = ""
    reads_back: bool = False
    kept: bool = True


class ReadBack(BaseModel):
    """What the device read back after an accepted order."""

    model_config = ConfigDict(frozen=True)

    type: Literal["readback"] = "readback"
    id: str
    time_utc: str = ""
    verb: str = ""
    target: str = ""
    text: str


class Told(BaseModel):
    """The core's word on anybody's order, told to every client. `time_utc`: of the cycle that decided."""

    model_config = ConfigDict(frozen=True)

    type: Literal["order"] = "order"
    id: str
    time_utc: str
    verb: str
    target: str
    who: str
    accepted: bool
    text: str


Incoming = OrderMessage | WhoMessage | PromptMessage | PaceMessage
_INCOMING: TypeAdapter[Incoming] = TypeAdapter(Annotated[Incoming, Field(discriminator="type")])
Reply = Answer | ReadBack | Serves | Told


class BadMessage(ValueError):
    """A line that is no message. `id` is the message's own where one could still be read, else empty."""

    def __init__(self, text: str, message_id: str = "") -> None:
        super().__init__(text)
        self.id = message_id


def decode(line: bytes) -> Incoming:
    """The message in one line. Raises `BadMessage` with a sentence about the first thing that is wrong."""
    if len(line) > MAX_LINE_BYTES:
        raise BadMessage(f"longer than {MAX_LINE_BYTES} bytes")
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        raise BadMessage("not one JSON object on one line") from None
    if not isinstance(data, dict):
        raise BadMessage("not a JSON object")
    stated = data.get("id")
    message_id = clean(stated, 64) if isinstance(stated, str) else ""
    try:
        return _INCOMING.validate_python(data)
    except ValidationError as error:
        raise BadMessage(_first_problem(error), message_id) from None


def _first_problem(error: ValidationError) -> str:
    first = error.errors(include_url=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"][1:] if not str(part).startswith(("function", "constrained")))
    return clean(f"{where}: {first['msg']}" if where else first["msg"], 200)


def encode(message: BaseModel | Mapping[str, Any], most_bytes: int = MAX_LINE_BYTES) -> bytes:
    """One line of JSON for `message`; numbers that are none (NaN, infinite) become null.

    Raises `ValueError` where the line would be longer than the other end has to take (`most_bytes`).
    """
    data = message.model_dump(mode="json") if isinstance(message, BaseModel) else _finite(message)
    line = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode("ascii") + b"\n"
    if len(line) > most_bytes:
        raise ValueError(f"a message of {len(line)} bytes, at most {most_bytes} fit on a line")
    return line


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value
