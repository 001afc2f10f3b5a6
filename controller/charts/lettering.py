"""How much room a text takes, and how it is made to fit: on paper in em, in a terminal in cells."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable

Measure = Callable[[str], float]

# Advance widths in 1/100 em of the characters from space to tilde, rounded up: for each the larger of DejaVu Sans (read
# from the font) and Helvetica (its published metrics, from memory), so that a label fits with whichever the system has.
_WIDTHS = (
    32, 41, 46, 84, 64, 96, 78, 28, 40, 40, 50, 84, 32, 37, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64, 64, 64, 34, 34,
    84, 84, 84, 56, 102, 69, 69, 73, 78, 67, 62, 78, 76, 30, 50, 67, 56, 87, 75, 79, 67, 79, 73, 67, 62, 74, 69, 99,
    69, 67, 69, 40, 34, 40, 84, 56, 50, 62, 64, 55, 64, 62, 36, 64, 64, 28, 28, 58, 28, 98, 64, 62, 64, 64, 42, 53,
    40, 64, 60, 82, 60, 60, 53, 64, 34, 64, 84,
)  # fmt: skip
_OTHER, _WIDE = 110, 140
_BOLD = 1.27  # the most that a bold character of DejaVu Sans is wider than the plain one


def em(text: str) -> float:
    """Return the width of a text in em, rather too wide than too narrow."""
    return sum(_width(char) for char in text) / 100.0


def _width(char: str) -> int:
    base = unicodedata.normalize("NFD", char)[0]  # an accent does not widen its letter
    if " " <= base <= "~":
        return _WIDTHS[ord(base) - 32]
    return _WIDE if unicodedata.east_asian_width(char) in "WF" else _OTHER


def points(size: float, bold: bool = False) -> Measure:
    """Return the measure of a font size, in the unit of that size."""
    factor = size * (_BOLD if bold else 1.0)
    return lambda text: em(text) * factor


def cells(text: str) -> int:
    """Return how many cells of a terminal a text takes."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text
    )


def shortened(text: str, room: float, measure: Measure) -> str:
    """Return the text, cut with three dots if it does not fit; empty if not even those do."""
    room += 1e-6  # a room that was measured with this very text holds it
    if measure(text) <= room:
        return text
    for end in range(len(text) - 1, 0, -1):
        cut = text[:end].rstrip() + "..."
        if measure(cut) <= room:
            return cut
    return ""


def wrapped(text: str, room: float, measure: Measure, most: int) -> list[str]:
    """Return the text in lines that fit, `most` at most; the last is cut with three dots if there is more."""
    lines: list[str] = []
    words = text.split()
    while words and len(lines) < most:
        taken = 1
        while taken < len(words) and measure(" ".join(words[: taken + 1])) <= room:
            taken += 1
        if len(lines) == most - 1:
            taken = len(words)
        lines.append(shortened(" ".join(words[:taken]), room, measure))
        words = words[taken:]
    return [line for line in lines if line]
