"""Texts with named places, and the values that fill them. Pure."""

from __future__ import annotations

from collections.abc import Mapping

Scalar = bool | int | float | str | None


class _Shown:
    """A value that formats as a number where it is one, and as -- where it is missing."""

    def __init__(self, value: Scalar) -> None:
        self._value = value

    def __format__(self, spec: str) -> str:
        if self._value is None:
            return "--"
        try:
            shown = format(self._value, spec)
        except (ValueError, TypeError):
            return str(self._value)
        zero = not isinstance(self._value, str) and not shown.strip("-0.")
        return shown[1:] if zero and shown.startswith("-") else shown  # never a negative zero


def filled(template: str, data: Mapping[str, Scalar]) -> str:
    """Return a text with its named places filled; missing values show as `--`, nothing raises."""
    shown = {key: _Shown(_plain(key, value)) for key, value in data.items()}
    return template.format_map(_Missing(shown))


def _plain(key: str, value: Scalar) -> Scalar:
    """Return a cause's code as words."""
    return value.replace("_", " ") if key == "cause" and isinstance(value, str) else value


class _Missing(dict[str, _Shown]):
    def __missing__(self, key: str) -> _Shown:
        return _Shown(None)
