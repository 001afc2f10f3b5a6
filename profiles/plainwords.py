"""Turns a model's validation errors into places and plain words: what is wrong, what would be right."""

from __future__ import annotations

import types
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, cast, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import InitErrorDetails, PydanticCustomError

from profiles.locator import KeyPath
from profiles.nearkeys import advice
from profiles.problems import clean


@dataclass(frozen=True, slots=True)
class Words:
    """Put into a field's Annotated[...]: how to say what may stand there."""

    right: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Keys that are right alone and wrong together: where (a path below the file's root), and what."""

    path: KeyPath
    what: str


def check_together(
    data: Any, handler: Callable[[Any], Any], find: Callable[[Mapping[str, Any]], Iterable[Finding]]
) -> Any:
    """Body of a model's wrap validator: each key's own errors and the findings among keys, all in one error."""
    findings = list(find(data)) if isinstance(data, Mapping) else []
    errors: list[InitErrorDetails] = []
    result = None
    try:
        result = handler(data)
    except ValidationError as error:
        for one in error.errors(include_url=False):
            details: dict[str, Any] = {"type": one["type"], "loc": one["loc"], "input": one["input"]}
            if "ctx" in one:
                details["ctx"] = one["ctx"]
            errors.append(cast("InitErrorDetails", details))
    for finding in findings:
        told = PydanticCustomError("finding", "{what}", {"what": finding.what})
        errors.append(InitErrorDetails(type=told, loc=finding.path, input=None))
    if errors:
        raise ValidationError.from_exception_data("file", errors)
    return result


def number(table: Any, key: str) -> float | None:
    """A key's finite number, or None where there is none: for findings among keys that may be wrong themselves."""
    value = table.get(key) if isinstance(table, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < 1e12 else None


def tables(data: Any, key: str) -> list[Mapping[str, Any]]:
    """The tables of a list, in order; one that is no table counts as an empty one, so that indexes stay right."""
    found = data.get(key) if isinstance(data, Mapping) else None
    return [one if isinstance(one, Mapping) else {} for one in found] if isinstance(found, list | tuple) else []


def kind_of(model: type[BaseModel]) -> str | None:
    """The one value that a model's `kind` may have."""
    info = model.model_fields.get("kind")
    values = get_args(info.annotation) if info is not None and get_origin(info.annotation) is Literal else ()
    return str(values[0]) if len(values) == 1 else None


def faults(error: ValidationError, model: type[BaseModel]) -> Iterator[tuple[KeyPath, str]]:
    """Path and words of each error; paths hold keys and indexes from 0."""
    for one in error.errors(include_url=False):
        path = tuple(part for part in one["loc"] if part != "[key]")
        yield path, _words(one, path, model)


def _words(one: Any, path: KeyPath, model: type[BaseModel]) -> str:
    kind = str(one["type"])
    if kind == "finding":
        return str(one["ctx"]["what"])
    if kind == "extra_forbidden":
        return advice(str(path[-1]), _right_keys(model, path[:-1]))
    annotation = _annotation_at(model, path)
    right = wanted(annotation)
    if kind == "missing":
        return f"missing, write {path[-1] if isinstance(path[-1], str) else 'it'} = {right}"
    if one["loc"] and one["loc"][-1] == "[key]":
        return f"this name cannot be used, write {wanted(_key_annotation(model, path))}"
    return f"{_shown(one['input'])} {_why(kind, one.get('ctx', {}), one['input'])}, write {right}"


def _why(kind: str, context: Mapping[str, Any], value: Any) -> str:
    if kind in ("greater_than", "greater_than_equal"):
        return f"is {'not above' if kind == 'greater_than' else 'below'} {_figure(next(iter(context.values())))}"
    if kind in ("less_than", "less_than_equal"):
        return f"is {'not below' if kind == 'less_than' else 'above'} {_figure(next(iter(context.values())))}"
    if kind == "finite_number":
        return "is no figure to work with"
    if kind == "too_short":
        return "has too few entries"
    if kind == "too_long":
        return "has too many entries"
    if isinstance(value, str) and kind.endswith(("_type", "_parsing")):
        return "is text"
    return "does not fit"


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{clean(value, 60)}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence):
        return "a list"
    return _figure(value) if isinstance(value, int | float) else clean(str(value), 60)


def _figure(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, float) else clean(str(value), 40)


def wanted(annotation: Any) -> str:
    """What may stand at a field, in words: `a number from 0.01 to 0.4`."""
    parts = _flat(annotation)
    for part in parts:
        if isinstance(part, Words):
            return part.right
    for part in parts:
        if get_origin(part) is Literal:
            return _one_of(get_args(part))
        if part is bool:
            return "true or false"
        if part in (int, float):
            return ("a number" if part is float else "a whole number") + _range(parts)
        if part is str:
            return 'text in "quotes"'
        if get_origin(part) in (tuple, list):
            inner = get_args(part)
            many = f"{len(inner)} " if inner and inner[-1] is not Ellipsis and get_origin(part) is tuple else ""
            return f"a [list] of {many}{_plural(wanted(inner[0]))}" if inner else "a [list]"
    return "a table of its keys"


def _plural(right: str) -> str:
    for one, many in (("a number", "numbers"), ("a whole number", "whole numbers"), ("a table of its keys", "tables")):
        if right.startswith(one):
            return many + right[len(one) :]
    return right


def _one_of(values: Sequence[Any]) -> str:
    shown = [_shown(value) for value in values]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"


def _range(parts: Sequence[Any]) -> str:
    low = high = ""
    for part in parts:
        if (bound := getattr(part, "gt", None)) is not None:
            low = f"above {_figure(bound)}"
        if (bound := getattr(part, "ge", None)) is not None:
            low = f"from {_figure(bound)}"
        if (bound := getattr(part, "le", None)) is not None:
            high = f"to {_figure(bound)}" if low.startswith("from") else f"up to {_figure(bound)}"
        if (bound := getattr(part, "lt", None)) is not None:
            high = f"below {_figure(bound)}"
    joint = ", " if low.startswith("above") and high else " "
    return f" {low}{joint if low and high else ''}{high}" if low or high else ""


def _flat(annotation: Any) -> list[Any]:
    """An annotation's own parts: the types of a union without None, and what Annotated and Field add."""
    if isinstance(annotation, FieldInfo):
        return [*annotation.metadata, *(_flat(annotation.annotation) if annotation.annotation is not None else [])]
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *added = get_args(annotation)
        return [part for one in added for part in (_flat(one) if isinstance(one, FieldInfo) else [one])] + _flat(inner)
    if origin in (Union, types.UnionType):
        return [part for one in get_args(annotation) if one is not type(None) for part in _flat(one)]
    return [annotation]


def _annotation_at(model: type[BaseModel], path: KeyPath) -> Any:
    found: Any = model
    for part in path:
        found = _below(found, part)
    return found


def _below(annotation: Any, part: str | int) -> Any:
    for one in _flat(annotation):
        if isinstance(one, type) and issubclass(one, BaseModel):
            return one.model_fields.get(str(part))
        inner = get_args(one)
        if get_origin(one) in (tuple, list) and inner:
            fixed = isinstance(part, int) and inner[-1] is not Ellipsis and part < len(inner)
            return inner[part] if fixed else inner[0]  # type: ignore[index]  # a key path of the validator fits its model
        if get_origin(one) is dict or (get_origin(one) is not None and issubclass(get_origin(one), Mapping)):
            return inner[1]
    return None


def _key_annotation(model: type[BaseModel], path: KeyPath) -> Any:
    for one in _flat(_annotation_at(model, path[:-1])):
        if len(get_args(one)) == 2:
            return get_args(one)[0]
    return str


def _right_keys(model: type[BaseModel], path: KeyPath) -> list[str]:
    for one in _flat(_annotation_at(model, path)):
        if isinstance(one, type) and issubclass(one, BaseModel):
            return list(one.model_fields)
    return []
