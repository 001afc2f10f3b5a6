"""What a wrong key was meant to be: the same quantity in a unit that is used here, or the nearest right spelling."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

# Unit as written at a key's end -> the dimension it measures. Longer ends are tried first.
_DIMENSIONS = {
    "V_per_cell": "volt", "mV_per_cell": "volt", "V_per_battery": "volt",
    "uV": "volt", "mV": "volt", "V": "volt", "kV": "volt", "volts": "volt", "volt": "volt",
    "uA": "ampere", "mA": "ampere", "A": "ampere", "kA": "ampere", "amps": "ampere", "ampere": "ampere",
    "C20": "rate", "C10": "rate", "C5": "rate", "C": "kelvin", "F": "kelvin", "K": "kelvin", "degC": "kelvin",
    "mAh": "ampere hour", "Ah": "ampere hour", "kAh": "ampere hour", "As": "ampere hour", "coulomb": "ampere hour",
    "ms": "time", "s": "time", "sec": "time", "seconds": "time", "min": "time", "mins": "time", "minutes": "time",
    "h": "time", "hour": "time", "hours": "time", "d": "time", "days": "time",
    "W": "watt", "kW": "watt", "MW": "watt", "um": "length", "mm": "length", "cm": "length", "m": "length",
    "inch": "length", "percent": "share", "permille": "share", "fraction": "share", "ppm": "share",
    "L_min": "flow", "L_s": "flow", "L_h": "flow", "m3_h": "flow", "m3_s": "flow", "cfm": "flow", "gpm": "flow",
}  # fmt: skip
_BY_LENGTH = sorted(_DIMENSIONS, key=len, reverse=True)


def split_unit(key: str) -> tuple[str, str]:
    """`("current", "mA")` for `current_mA`; no unit: `(key, "")`; a bare unit (`hours`): `("", "hours")`."""
    if key in _DIMENSIONS and len(key) > 1:
        return "", key
    for unit in _BY_LENGTH:
        if key.endswith("_" + unit):
            return key[: -len(unit) - 1], unit
    return key, ""


def advice(key: str, right: Iterable[str]) -> str:
    """What to say of an unknown key where the `right` ones are known."""
    names = sorted(right)
    meant = _other_unit(key, names)
    if meant:
        return f"unit {split_unit(key)[1]} is not used here, write {meant}"
    near = nearest(key, names)
    if near:
        return f"unknown key, write {near} if that is meant"
    return f"unknown key, known here: {', '.join(names)}" if names else "unknown key, nothing may stand here"


def nearest(word: str, right: Iterable[str]) -> str | None:
    """The right word most like a wrong one, whatever its case; None if none is like it."""
    lowered = {name.lower(): name for name in right}
    near = difflib.get_close_matches(word.lower(), lowered, n=1, cutoff=0.6)
    return lowered[near[0]] if near else None


def _other_unit(key: str, names: list[str]) -> str | None:
    base, unit = split_unit(key)
    if not unit:
        return None
    dimension = _DIMENSIONS[unit]
    same: list[tuple[float, str]] = []
    for name in names:
        other_base, other_unit = split_unit(name)
        if unit == other_unit or (base == "" and other_base != ""):
            continue
        if other_unit and _DIMENSIONS[other_unit] != dimension and base != other_base:
            continue
        if not other_unit and base != name:
            continue
        likeness = 1.0 if other_base == base else difflib.SequenceMatcher(None, base, other_base).ratio()
        if other_base == base or (other_base == "" and base.startswith(other_unit)) or likeness > 0.8:
            agrees = bool(other_unit) and _DIMENSIONS[other_unit] == dimension
            same.append((likeness + agrees, name))
    return max(same, key=lambda found: (found[0], -len(found[1])))[1] if same else None
