"""Is the device that answers the one that the map describes? Identity first, then the rating where it tells one.

Nothing is written to a device that does not fit.
"""

from __future__ import annotations

from controller.core.types import LOST, Fit
from controller.field.channel import Values
from controller.field.registermap import RegisterMap

RATING_TOLERANCE = 0.01
RATED = {"rating_current_A": "current_A", "rating_voltage_V": "voltage_V"}


def check_signals(map_: RegisterMap) -> tuple[str, ...]:
    """The signals that the check stands on."""
    rated = tuple(name for name in RATED if name in map_.signal and map_.rating is not None)
    return (map_.identity.signal, *(name for name in rated if name != map_.identity.signal))


def check(map_: RegisterMap, values: Values) -> Fit:
    """How the values read from the device fit the map; an identity that is no number is a wrong one."""
    if values.get(map_.identity.signal, LOST).number != map_.identity.equals:
        return Fit.IDENTITY
    for name, key in RATED.items():
        if name not in map_.signal or map_.rating is None:
            continue
        told, written = values.get(name, LOST).number, float(getattr(map_.rating, key))
        if told is None or abs(told - written) > RATING_TOLERANCE * written:
            return Fit.RATING
    return Fit.OK
