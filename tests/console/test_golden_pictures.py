"""The pictures behind the golden screens come from the simulator: played anew, the demo leads to the same."""

from __future__ import annotations

import json
import math
import os
import re

import golden
import pytest

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
SHARE, LEAST = 0.005, 0.051
"""Other machines round differently in the last digits: half a per cent, or half of a last shown digit."""

UNTIL_s = golden.LAST_s if os.environ.get("FORMBATH_LONG") == "1" else 0.0
"""The whole demo is played for its own tests, which compare its pictures; here, by default, only the other one."""
LATER = {moment.name for moment in golden.MOMENTS if moment.at_s > UNTIL_s}


def differences(old: object, new: object, path: str = "") -> list[str]:
    """What is not the same: words, states and codes exactly, numbers (in texts, too) but for the last digits."""
    if isinstance(old, dict) and isinstance(new, dict):
        return [
            each for key in old.keys() | new.keys() for each in differences(old.get(key), new.get(key), f"{path}.{key}")
        ]
    if isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            return [f"{path}: {len(old)} entries, now {len(new)}"]
        pairs = enumerate(zip(old, new, strict=True))
        return [each for at, (a, b) in pairs for each in differences(a, b, f"{path}[{at}]")]
    if isinstance(old, bool) or isinstance(new, bool) or old is None or new is None:
        return [] if old is new else [f"{path}: {old!r}, now {new!r}"]
    if isinstance(old, int | float) and isinstance(new, int | float):
        near = math.isclose(old, new, rel_tol=SHARE, abs_tol=LEAST)
        return [] if near else [f"{path}: {old!r}, now {new!r}"]
    if isinstance(old, str) and isinstance(new, str):
        if NUMBER.sub("#", old) != NUMBER.sub("#", new):
            return [f"{path}: {old!r}, now {new!r}"]
        numbers = zip(NUMBER.findall(old), NUMBER.findall(new), strict=True)
        return [each for a, b in numbers for each in differences(float(a), float(b), f"{path} {old!r}")]
    return [f"{path}: {old!r}, now {new!r}"]


def different(name: str, seen: golden.Seen) -> list[str]:
    """What of a moment is not as it is kept."""
    kept = golden.read(name)
    return [
        *differences(kept.snapshot, json.loads(seen.text())["snapshot"], name),
        *differences(kept.events, seen.events, name),
        *differences([kept.circuit, kept.trend is None], [seen.circuit, seen.trend is None], name),
    ]


def test_differences_are_found():
    """The comparison sees another state, code, word and number, and forgives only the last digits."""
    old = {"state": "held", "n": 100.0, "text": "string -12.9 V", "list": [1, None], "on": True}
    assert differences(old, json.loads(json.dumps(old))) == []
    assert differences(old, old | {"n": 100.4, "text": "string -12.93 V"}) == []
    for key, value in (
        ("state", "running"), ("n", 101.0), ("text", "string 12.9 V"), ("text", "chain -12.9 V"), ("list", [1, 2]),
        ("list", [1]), ("on", False), ("on", 1), ("n", None),
    ):  # fmt: skip
        assert differences(old, old | {key: value}), (key, value)


@pytest.mark.slow
def test_pictures_come_from_the_simulator():
    """The demo played anew leads to the kept pictures: states, codes, texts exactly, numbers within half a per cent.

    The one whose service is cut off and restarted; with FORMBATH_LONG=1 the whole one to its end, too.
    """
    found = dict(golden.demo(UNTIL_s))
    assert found.keys() == golden.SCREENS.keys() - LATER
    assert len(found) >= len(golden.RESTARTED)
    for name, seen in found.items():
        assert different(name, seen) == []
