"""Frozen dataclasses to plain JSON values and back, by their type hints and strictly.

Why here: states, settings and orders are written to disk and must come back equal, in any version of Python, without
anything being executed. No field may be missing, unknown, or of another type; numbers that JSON has no word for
(not a number, infinite) are written `{"float": "nan"}`.
"""

from __future__ import annotations

import dataclasses
import sys
import types
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from functools import cache
from math import isfinite
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

T = TypeVar("T")
Coder = Callable[[Any], Any]
KNOWN = "known"
_SCALARS = (str, int, float, bool)
_LARGEST_FLOAT = int(sys.float_info.max)


class PlainError(ValueError):
    """A plain value that is not what the type asks for; the text names the field."""


class Codec:
    """Turns values into plain ones and back.

    `known` are large objects that stand elsewhere already (a run's plan): wherever an equal one occurs it is left out
    and a reference `{"known": index}` stands in its place; another object of the same type is written whole.
    `compact` writes a dataclass as the list of its fields in order; `layout` says which order that is.
    `added`, `dropped` (class name to field names): what an older version did not write yet, so that a missing one
    takes its default (a compact list may lack them at its end), and what it still wrote and nobody asks for any more.
    """

    def __init__(
        self,
        known: Sequence[object] = (),
        *,
        compact: bool = False,
        added: Mapping[str, frozenset[str]] | None = None,
        dropped: Mapping[str, frozenset[str]] | None = None,
    ) -> None:
        self._known = tuple(known)
        self._compact = compact
        self._added = added or {}
        self._dropped = dropped or {}
        self._dumpers: dict[Any, Coder] = {}
        self._loaders: dict[Any, Coder] = {}

    def dump(self, kind: Any, value: Any) -> Any:
        """`value` of type `kind` as dict, list, str, int, float, bool, None."""
        return self._dumper(kind)(value)

    def load(self, kind: type[T], data: Any) -> T:
        """The value of type `kind` written as `data`; PlainError says which field is wrong."""
        return cast("T", self._loader(kind)(data))

    def _dumper(self, kind: Any) -> Coder:
        found = self._dumpers.get(kind)
        if found is None:
            found = self._dumpers[kind] = self._with_known_out(kind, self._make_dumper(kind))
        return found

    def _loader(self, kind: Any) -> Coder:
        found = self._loaders.get(kind)
        if found is None:
            found = self._loaders[kind] = self._with_known_in(kind, self._make_loader(kind))
        return found

    def _with_known_out(self, kind: Any, whole: Coder) -> Coder:
        known = [(i, k) for i, k in enumerate(self._known) if type(k) is kind]
        if not known:
            return whole

        def dump(value: Any) -> Any:
            for index, one in known:
                if value is one or value == one:
                    return {KNOWN: index}
            return whole(value)

        return dump

    def _with_known_in(self, kind: Any, whole: Coder) -> Coder:
        known = {i: k for i, k in enumerate(self._known) if type(k) is kind}
        if not known:
            return whole

        def load(data: Any) -> Any:
            if isinstance(data, dict) and data.keys() == {KNOWN}:
                if type(data[KNOWN]) is not int or data[KNOWN] not in known:
                    raise PlainError(f"refers to the unknown object {data[KNOWN]!r}")
                return known[data[KNOWN]]
            return whole(data)

        return load

    def _make_dumper(self, kind: Any) -> Coder:
        if kind is float:
            return _dump_float
        if kind in (str, int, bool, type(None)):
            return _same
        if isinstance(kind, type) and issubclass(kind, Enum):
            return _enum_value
        if dataclasses.is_dataclass(kind):
            fields = [(name, self._dumper(hint)) for name, hint in _hints(kind).items()]
            if self._compact:
                return lambda value: [dump(getattr(value, name)) for name, dump in fields]
            return lambda value: {name: dump(getattr(value, name)) for name, dump in fields}
        origin, args = get_origin(kind), get_args(kind)
        if origin is tuple:
            return self._tuple_dumper(args)
        if _is_mapping(origin):
            inner = self._dumper(args[1])
            return lambda value: {str(key): inner(item) for key, item in value.items()}
        if origin in (Union, types.UnionType):
            return self._union_dumper(args)
        raise TypeError(f"no plain form for {kind!r}")

    def _tuple_dumper(self, args: tuple[Any, ...]) -> Coder:
        if len(args) == 2 and args[1] is Ellipsis:
            inner = self._dumper(args[0])
            return lambda value: [inner(item) for item in value]
        dumpers = [self._dumper(arg) for arg in args]
        return lambda value: [dump(item) for dump, item in zip(dumpers, value, strict=True)]

    def _union_dumper(self, args: tuple[Any, ...]) -> Coder:
        rest = [arg for arg in args if arg is not type(None)]
        if len(rest) == 1:
            inner = self._dumper(rest[0])
            return lambda value: None if value is None else inner(value)
        if all(arg in _SCALARS for arg in rest):
            return lambda value: _dump_float(value) if type(value) is float else value
        raise TypeError(f"no plain form for a union of {rest!r}")

    def _make_loader(self, kind: Any) -> Coder:
        if kind is float:
            return _load_float
        if kind in (str, int, bool, type(None)):
            return _exactly(kind)
        if isinstance(kind, type) and issubclass(kind, Enum):
            return _enum_loader(kind)
        if dataclasses.is_dataclass(kind):
            return self._dataclass_loader(kind)
        origin, args = get_origin(kind), get_args(kind)
        if origin is tuple:
            return self._tuple_loader(args)
        if _is_mapping(origin):
            return self._mapping_loader(self._loader(args[1]))
        if origin in (Union, types.UnionType):
            return self._union_loader(args)
        raise TypeError(f"no plain form for {kind!r}")

    def _dataclass_loader(self, kind: Any) -> Coder:
        loaders = {name: self._loader(hint) for name, hint in _hints(kind).items()}
        spared = self._added.get(kind.__name__, frozenset()) | self._dropped.get(kind.__name__, frozenset())
        if self._compact:
            return _list_loader(kind, list(loaders.items()), spared)

        def load(data: Any) -> Any:
            if not isinstance(data, dict):
                raise PlainError(f"a {kind.__name__} must be an object, not {_shown(data)}")
            wrong = sorted(map(str, (data.keys() ^ loaders.keys()) - spared))
            if wrong:
                raise PlainError(f"{wrong[0]}: {'unknown' if wrong[0] in data else 'missing'} in {kind.__name__}")
            return kind(**{name: _at(name, one, data[name]) for name, one in loaders.items() if name in data})

        return load

    def _tuple_loader(self, args: tuple[Any, ...]) -> Coder:
        many = len(args) == 2 and args[1] is Ellipsis
        loaders = [self._loader(arg) for arg in args if arg is not Ellipsis]

        def load(data: Any) -> Any:
            if not isinstance(data, list) or not (many or len(data) == len(loaders)):
                raise PlainError(f"must be a list{'' if many else f' of {len(loaders)}'}, not {_shown(data)}")
            each = loaders * len(data) if many else loaders
            return tuple(_at(str(i), one, item) for i, (one, item) in enumerate(zip(each, data, strict=True)))

        return load

    def _mapping_loader(self, inner: Coder) -> Coder:
        def load(data: Any) -> Any:
            if not isinstance(data, dict):
                raise PlainError(f"must be an object, not {_shown(data)}")
            return {key: _at(key, inner, item) for key, item in data.items()}

        return load

    def _union_loader(self, args: tuple[Any, ...]) -> Coder:
        rest = [arg for arg in args if arg is not type(None)]
        optional = len(rest) < len(args)
        inner = self._loader(rest[0]) if len(rest) == 1 else _load_scalar
        return lambda data: None if data is None and optional else inner(data)


def layout(*kinds: Any) -> dict[str, list[str]]:
    """Names of the fields, in order, of these dataclasses and of all that stand inside them."""
    found: dict[str, list[str]] = {}
    waiting = list(kinds)
    while waiting:
        kind = waiting.pop()
        if dataclasses.is_dataclass(kind) and isinstance(kind, type) and kind.__name__ not in found:
            hints = _hints(kind)
            found[kind.__name__] = list(hints)
            waiting.extend(hints.values())
        else:
            waiting.extend(get_args(kind))
    return dict(sorted(found.items()))


def _list_loader(kind: Any, loaders: list[tuple[str, Coder]], spared: frozenset[str]) -> Coder:
    least = len(loaders)
    while least > 0 and loaders[least - 1][0] in spared:
        least -= 1

    def load(data: Any) -> Any:
        if not isinstance(data, list) or not least <= len(data) <= len(loaders):
            raise PlainError(f"a {kind.__name__} must be a list of {len(loaders)} fields, not {_shown(data)}")
        return kind(*(_at(name, one, item) for (name, one), item in zip(loaders, data, strict=False)))

    return load


def _hints(kind: Any) -> Mapping[str, Any]:
    return _kept_hints(kind)


@cache
def _kept_hints(kind: type) -> Mapping[str, Any]:
    """Fields and types; kept, because a codec is made for each record that is read and working them out is slow."""
    hints = get_type_hints(kind)
    return {item.name: hints[item.name] for item in dataclasses.fields(kind)}


def _is_mapping(origin: Any) -> bool:
    return isinstance(origin, type) and issubclass(origin, Mapping)


def _at(name: str, load: Coder, data: Any) -> Any:
    try:
        return load(data)
    except PlainError as error:
        raise PlainError(f"{name}.{error}" if " " not in str(error).partition(":")[0] else f"{name}: {error}") from None


def _same(value: Any) -> Any:
    return value


def _enum_value(value: Any) -> Any:
    return value.value


def _dump_float(value: Any) -> Any:
    number = float(value)
    return number if isfinite(number) else {"float": str(number)}


def _load_float(data: Any) -> float:
    if type(data) is float or (type(data) is int and abs(data) <= _LARGEST_FLOAT):
        return float(data)
    if isinstance(data, dict) and data.keys() == {"float"} and data["float"] in ("nan", "inf", "-inf"):
        return float(data["float"])
    raise PlainError(f"must be a number, not {_shown(data)}")


def _load_scalar(data: Any) -> Any:
    return _load_float(data) if isinstance(data, dict) else _exactly(*_SCALARS)(data)


def _exactly(*kinds: type) -> Coder:
    names = " or ".join(kind.__name__ for kind in kinds)

    def load(data: Any) -> Any:
        if type(data) not in kinds:
            raise PlainError(f"must be {names}, not {_shown(data)}")
        return data

    return load


def _enum_loader(kind: type[Enum]) -> Coder:
    members = {member.value: member for member in kind}

    def load(data: Any) -> Any:
        if type(data) not in (str, int) or data not in members:
            raise PlainError(f"must be one of {', '.join(map(str, members))}, not {_shown(data)}")
        return members[data]

    return load


def _shown(data: Any) -> str:
    text = repr(data)
    return text if len(text) <= 60 else text[:57] + "..."
