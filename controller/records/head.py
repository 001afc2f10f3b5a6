"""run.json: everything a run began with, so that its folder can be read and decided again alone. Pure."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from controller.core.planned import Load, Plan
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import Order
from controller.core.version import CORE
from controller.records.batchlist import Battery
from controller.records.batteries import links_of, plain_batteries
from controller.records.cycles import Extras
from controller.records.errors import RecordError
from controller.records.outside import read_json
from controller.records.plain import Codec, PlainError, layout
from controller.records.rows import time_utc
from controller.records.summary import FORMAT as SUMMARY_FORMAT

FORMAT = "formbath/run/1"
_NAME_LIMIT = 40
ADDED: Mapping[str, frozenset[str]] = {
    "BathSettings": frozenset({"require_release"}),
    "LawSettings": frozenset({"record"}),
    "Load": frozenset({"released"}),
}
"""Fields that came without a change of any decision on record: where a record lacks them, they take their defaults."""


@dataclass(frozen=True, slots=True)
class Text:
    """A file that the run rests on, by its bare name, with its whole text."""

    name: str
    text: str
    _sha256: str = field(default="", init=False, repr=False, compare=False)

    @property
    def sha256(self) -> str:
        """Hex digest of the UTF-8 text; made when first asked for, which for a large one is done beside the loop."""
        if not self._sha256:
            object.__setattr__(self, "_sha256", sha256(self.text.encode("utf-8", "surrogatepass")).hexdigest())
        return self._sha256

    def hashed(self) -> Text:
        """Itself, with its hash made now."""
        _ = self.sha256
        return self


@dataclass(frozen=True, slots=True)
class RunStart:
    """What a record is opened with. `now_ms` is the core time at which elapsed time is 0, `utc_ms` the wall time then.

    `orders` are those that started the run; `load_list` is the batch's list as it was given, `batteries` what it says
    of each place (empty: nothing). `owed_Ah`: what a run that goes on in a new record is still owed.
    """

    utc_ms: int
    now_ms: int
    circuit: str
    settings: BathSettings
    load: Load
    profile: Text
    bath_file: Text
    map: Text
    release: Text | None = None
    orders: tuple[Order, ...] = ()
    load_list: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)
    batteries: tuple[Battery, ...] = ()
    owed_Ah: float = 0.0


@dataclass(frozen=True, slots=True)
class Head:
    """What run.json says. `core` is the number of the decisions; `codec` reads the record's states and orders."""

    core: int
    start_ms: int
    start_utc: str
    bath: str
    circuit: str
    batch: str
    settings: BathSettings
    own: CircuitSettings
    load: Load
    codec: Codec
    plain: Mapping[str, Any]


def folder_name(start: RunStart) -> str:
    """`<start>-<bath>-<circuit>-<batch>`, whatever characters came in."""
    moment = time_utc(start.utc_ms)[:19].replace("-", "").replace(":", "") + "Z"
    return "-".join((moment, *(safe_name(part) for part in (start.settings.name, start.circuit, start.load.batch))))


def safe_name(text: str) -> str:
    """A name that is one harmless path part: letters, digits, `.`, `_`, `-`; never empty, hidden or long."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", text)[:_NAME_LIMIT].strip("._-") or "none"


def cycle_codec(plan: Plan) -> Codec:
    """How states and orders stand in cycles.bin: fields in order, the run's plan by reference."""
    return Codec((plan,), compact=True, added=ADDED)


def write_head(start: RunStart) -> bytes:
    """The bytes of run.json."""
    codec = Codec((start.load.plan,))
    content = {
        "format": FORMAT,
        "core": CORE,
        "summary_format": SUMMARY_FORMAT,
        "versions": dict(start.versions),
        "start_utc": time_utc(start.utc_ms),
        "start_ms": start.now_ms,
        "hall": start.settings.hall,
        "bath": start.settings.name,
        "circuit": start.circuit,
        "batch": start.load.batch,
        "virtual": start.settings.virtual,
        "load": codec.dump(Load, start.load),
        "load_list": start.load_list,
        "batteries": plain_batteries(start.batteries),
        "links": list(links_of(start.batteries, _places(start))),
        "follow_on": follow_on(start.load, start.owed_Ah),
        "orders": [codec.dump(Order, order) for order in start.orders],
        "profile": _text(start.profile),
        "bath_file": _text(start.bath_file),
        "map": _text(start.map),
        "release": None if start.release is None else _text(start.release),
        "plan": Codec().dump(Plan, start.load.plan),
        "settings": codec.dump(BathSettings, start.settings),
        "layout": layout(CircuitState, Extras),
    }
    return (json.dumps(content, indent=1, allow_nan=False) + "\n").encode()


def _places(start: RunStart) -> int:
    return next((own.places for own in start.settings.circuits if own.name == start.circuit), 0)


def follow_on(load: Load, owed_Ah: float) -> dict[str, str | int | float] | None:
    """What a record says of a run that goes on with an earlier one; None: it begins by itself.

    `first_step` is the step's number; `credited_Ah` went in before; `owed_Ah` is added to its last charge.
    """
    if not load.continues:
        return None
    steps = load.plan.steps
    number = steps[load.first_step].number if 0 <= load.first_step < len(steps) else load.first_step + 1
    return {
        "continues": load.continues, "first_step": number, "credited_Ah": load.credited_Ah, "owed_Ah": owed_Ah,
    }  # fmt: skip


def _text(text: Text) -> dict[str, str]:
    return {"name": text.name, "sha256": text.sha256, "text": text.text}


def read_plain(data: bytes) -> dict[str, Any]:
    """run.json as plain values; RecordError when it is none."""
    try:
        plain = read_json(data)
    except ValueError as error:
        raise RecordError(f"run.json: is not readable: {error}") from None
    if not isinstance(plain, dict) or plain.get("format") != FORMAT:
        raise RecordError(f"run.json: is not of the format {FORMAT}")
    return plain


def read_head(plain: Mapping[str, Any]) -> Head:
    """The run's settings, load and numbers; RecordError when this version cannot understand them."""
    try:
        plan = Codec().load(Plan, plain["plan"])
        codec = Codec((plan,), added=ADDED)
        load = codec.load(Load, plain["load"])
        settings = codec.load(BathSettings, plain["settings"])
        circuit = _is(plain, "circuit", str)
        if _without_added(plain["layout"]) != _without_added(layout(CircuitState, Extras)):
            raise RecordError("run.json: layout: states had other fields when this was written")
        own = next((one for one in settings.circuits if one.name == circuit), None)
        if own is None:
            raise RecordError(f"run.json: circuit: {circuit!r} is not in the settings")
        return Head(
            _is(plain, "core", int), _is(plain, "start_ms", int), _is(plain, "start_utc", str),
            _is(plain, "bath", str), circuit, _is(plain, "batch", str), settings, own, load, cycle_codec(plan), plain,
        )  # fmt: skip
    except (PlainError, KeyError) as error:
        raise RecordError(
            f"run.json: {str(error) if isinstance(error, PlainError) else f'{error} is missing'}"
        ) from None


def _without_added(fields: Any) -> Any:
    if not isinstance(fields, dict):
        return fields
    later = {kind: ADDED.get(kind, frozenset()) for kind in fields}
    return {
        kind: [name for name in names if name not in later[kind]] if isinstance(names, list) else names
        for kind, names in fields.items()
    }


def _is(plain: Mapping[str, Any], key: str, kind: type[Any]) -> Any:
    if type(plain[key]) is not kind:
        raise PlainError(f"{key}: must be {kind.__name__}")
    return plain[key]
