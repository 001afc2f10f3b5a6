"""The model file: a battery type's physics by name, as a calibration found it or as a person writes it.

    kind = "model"
    from = ["20260316T061035Z-A-A01-K3107"]
    note = "sister line, spring acid"

    [parameter.water_W_K]
    value = 6.1
    standard_error = 0.05

It lists only what differs from the built-in type; pairs are [positive, negative]. Ranges keep the physics finite: each
limit was tried on a whole short course. They are own choice, wider than any battery we know of.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, create_model, model_validator

from profiles.loader import Document, load_model, read_document
from profiles.plainwords import Finding, Words, check_together, number
from profiles.problems import Problem, clean
from profiles.profile import STRICT
from simulator.parameters import CellParameters

Amount = float | tuple[float, float]

RANGES: Mapping[str, tuple[float, float]] = {
    "paste_Ah": (0.5, 6.0),
    "slow": (0.0, 0.8),
    "k_fast_h": (0.2, 20.0),
    "k_slow_h": (0.02, 5.0),
    "k_temperature": (0.0, 0.08),
    "exchange_A": (0.005, 1.0),
    "gas_A": (2e-6, 2e-2),
    "gas_temperature": (0.0, 0.12),
    "gas_from_V": (0.2, 2.2),
    "double_layer_F": (0.5, 200.0),
    "k_discharge_h": (0.5, 50.0),
    "use": (0.1, 0.9),
    "couple_f": (2e-5, 5e-3),
    "skin_ohm": (0.0, 100.0),
    "skin_A": (0.005, 1.0),
    "skin_f": (5e-4, 0.05),
    "skin_s": (0.02, 1.0),
    "metal_ohm": (0.001, 0.3),
    "acid_ohm": (0.001, 0.3),
    "unformed_ohm": (0.0, 2.0),
    "contact_ohm": (0.0, 0.05),
    "fill_L": (0.005, 0.03),
    "fill_kg_m3": (1030.0, 1350.0),
    "sulfate": (0.0, 0.3),
    "sulfate_most": (0.02, 0.8),
    "k_soak_h": (0.05, 20.0),
    "pore": (0.05, 0.8),
    "mixing_h": (0.05, 5.0),
    "stir": (0.0, 100.0),
    "water_W_K": (0.5, 60.0),
    "air_W_K": (0.0, 10.0),
    "start_C": (0.0, 60.0),
    "entropy_V_K": (-1e-3, 1e-3),
}
"""Lowest and highest value of each parameter, in its own unit; of a pair, of either."""
FAR_FACTOR = 2.0
"""Beyond so many times the built-in value, or below its inverse, `check` asks whether it is meant; own choice."""
LONGEST_LINE = 200
DEFAULTS = CellParameters()


class _Entry(BaseModel):
    """One parameter's table; the models made from it narrow both keys to the parameter's own range."""

    model_config = STRICT


def _entry_of(name: str) -> Any:
    """What may stand at `[parameter.NAME]`."""
    low, high = RANGES[name]
    value: Any = Annotated[float, Field(ge=low, le=high)]
    error: Any = Annotated[float, Field(ge=0.0, le=1e6)]
    if isinstance(getattr(DEFAULTS, name), tuple):
        value = Annotated[tuple[value, value], Field(strict=False)]
        error = Annotated[tuple[error, error], Field(strict=False)]
    keys: dict[str, Any] = {"value": (value, ...), "standard_error": (error | None, None)}
    return create_model(f"Entry_{name}", __base__=_Entry, __doc__=f"The parameter {name}.", **keys)


_ENTRIES: dict[str, Any] = {each.name: (_entry_of(each.name) | None, None) for each in fields(CellParameters)}
Parameters = create_model(
    "Parameters", __config__=STRICT, __doc__="The physics' parameters by name; one left out is built in.", **_ENTRIES
)


def _findings(data: Mapping[str, Any]) -> list[Finding]:
    """What parameters must hold together: the sulfate at filling leaves room for that of the soak."""
    table = data.get("parameter")
    given = table if isinstance(table, Mapping) else {}
    first, most = number(given.get("sulfate"), "value"), number(given.get("sulfate_most"), "value")
    low = DEFAULTS.sulfate if first is None else first
    high = DEFAULTS.sulfate_most if most is None else most
    if low < high:
        return []
    path = ("parameter", "sulfate_most" if first is None else "sulfate", "value")
    what = f"sulfate {low:g} is not below sulfate_most {high:g}, write a smaller sulfate or a larger sulfate_most"
    return [Finding(path, what)]


class _Together(BaseModel):
    """The check among keys. The keys are added below: no class can have a field written `from`."""

    model_config = STRICT

    @model_validator(mode="wrap")
    @classmethod
    def _together(cls, data: Any, handler: Callable[[Any], Any]) -> Any:
        return check_together(data, handler, _findings)


_LINE = Annotated[
    str,
    Field(min_length=1, max_length=LONGEST_LINE, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$"),
    Words(f'1 to {LONGEST_LINE} characters in "quotes", on one line'),
]
_KEYS: dict[str, Any] = {
    "kind": (Literal["model"], ...),
    "from": (Annotated[tuple[_LINE, ...], Field(strict=False, max_length=100)], ()),
    "note": (_LINE | None, None),
    "parameter": (Parameters, Parameters()),
}
ModelFile = create_model("ModelFile", __base__=_Together, __doc__="A whole model file.", **_KEYS)


@dataclass(frozen=True, slots=True)
class Model:
    """A model file's content. `errors`: standard errors by name, where the file gives one; `runs`: its `from`."""

    parameters: CellParameters = DEFAULTS
    errors: Mapping[str, Amount] = field(default_factory=dict)
    runs: tuple[str, ...] = ()
    note: str = ""


def model_of(document: Document) -> Model:
    """The content of a model file that was read; raises InputError with every fault at its line."""
    read: Any = load_model(document, ModelFile)
    given = {name: entry for name in _ENTRIES if (entry := getattr(read.parameter, name)) is not None}
    values: dict[str, Any] = {name: entry.value for name, entry in given.items()}
    errors = {name: entry.standard_error for name, entry in given.items() if entry.standard_error is not None}
    return Model(replace(DEFAULTS, **values), errors, tuple(getattr(read, "from")), read.note or "")


def read_model(path: Path | str) -> Model:
    """A model file with all it says; raises InputError."""
    return model_of(read_document(path))


def load_model_file(path: Path | str) -> CellParameters:
    """The parameters of a battery type from its file; raises InputError."""
    return read_model(path).parameters


def model_check(document: Document) -> list[Problem]:
    """Entry of `check`: values far from the built-in ones, and values without a standard error; raises InputError."""
    model = model_of(document)
    found: list[Problem] = []
    table = document.data.get("parameter", {})
    for name in table:
        path = ("parameter", name, "value")
        value, usual = _numbers(getattr(model.parameters, name)), _numbers(getattr(DEFAULTS, name))
        if any(far(one, other) for one, other in zip(value, usual, strict=True)):
            what = f"{shown(value)} is far from the built-in {shown(usual)}, look whether it is meant"
            found.append(document.problem(path, what, warning=True))
        if name not in model.errors:
            what = f"{name} has no standard_error, nobody can tell how well it is known"
            found.append(document.problem(path, what, warning=True))
    if not table:
        found.append(document.problem(("parameter",), "lists no parameter: this is the built-in type", note=True))
    return found


def far(value: float, usual: float) -> bool:
    """Whether a value is beyond `FAR_FACTOR` times the built-in one, or below its inverse."""
    if usual <= 0.0:
        return value != usual
    return not usual / FAR_FACTOR <= value <= usual * FAR_FACTOR


def to_toml(model: Model) -> str:
    """The text of a model file: only what differs from the built-in type, or has a standard error."""
    lines = ['kind = "model"']
    if model.runs:
        lines += ["from = [", *(f"    {_quoted(run)}," for run in model.runs), "]"]
    if model.note:
        lines.append(f"note = {_quoted(model.note)}")
    for name in _ENTRIES:
        value, error = getattr(model.parameters, name), model.errors.get(name)
        if value == getattr(DEFAULTS, name) and error is None:
            continue
        lines += ["", f"[parameter.{name}]", f"value = {_toml(value)}"]
        if error is not None:
            lines.append(f"standard_error = {_toml(error)}")
    return "\n".join(lines) + "\n"


def shown(values: Sequence[float]) -> str:
    """One number, or a pair in brackets, as people read it."""
    texts = [f"{value:.4g}" for value in values]
    return texts[0] if len(texts) == 1 else f"[{', '.join(texts)}]"


def _numbers(value: Amount) -> tuple[float, ...]:
    return value if isinstance(value, tuple) else (value,)


def _toml(value: Amount) -> str:
    """Numbers so that reading gives the same ones again; TOML wants a digit behind the point."""
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(one) for one in value)}]"
    return repr(float(value))


def _quoted(text: str) -> str:
    """Text from outside as a TOML string: one line of ASCII, quotes and backslashes escaped, not endless."""
    safe = "".join(c if c.isascii() and c.isprintable() else "?" for c in clean(text, LONGEST_LINE))
    return '"' + safe.replace("\\", "\\\\").replace('"', '\\"') + '"'
