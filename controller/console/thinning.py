"""Fewer points of a log, with its extremes and its gaps kept. Pure.

A gap is where no row stands for longer than `GAP_INTERVALS` usual intervals; a point without values marks it, so that
no chart draws over it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

GAP_INTERVALS = 3.0
USUAL_S = 10.0
"""The interval that is taken for usual where there are too few rows to tell."""

Number = float | None


def usual_interval_s(elapsed_s: Sequence[float]) -> float:
    """Return the usual time between two rows: the median of the newest ones, so that single rows between do not count.

    Rows that a change of state brought come sooner; they are fewer than those of the interval.
    """
    newest = elapsed_s[-400:]
    steps = sorted(b - a for a, b in pairwise(newest) if b > a)
    return steps[len(steps) // 2] if steps else USUAL_S


def thinned(
    elapsed_s: Sequence[float], columns: Sequence[Sequence[Number]], most: int
) -> tuple[list[float], list[list[Number]]]:
    """Return at most `most` points of a log: times and columns, each column's least and greatest kept.

    Times must rise. Where all rows fit, each stays as it is; else two points stand for each stretch of equal time,
    and with them the values of a column may have moved by less than that stretch.
    """
    pieces = _pieces(elapsed_s)
    times, found = _joined(elapsed_s, columns, pieces, 0.0)
    span_s = elapsed_s[-1] - elapsed_s[0] if elapsed_s else 0.0
    stretch_s = 2.0 * span_s / max(1, most - 4)
    while len(times) > most and stretch_s > 0.0:
        if stretch_s > span_s:
            pieces = [(0, len(elapsed_s))]  # more gaps than points: they cannot be kept
            stretch_s = 2.0 * span_s / max(1, most - 4)
        times, found = _joined(elapsed_s, columns, pieces, stretch_s)
        stretch_s *= 1.25
    return times, found


def _pieces(elapsed_s: Sequence[float]) -> list[tuple[int, int]]:
    """Return the first row and the row behind the last of each piece without a gap."""
    longest_s = GAP_INTERVALS * usual_interval_s(elapsed_s)
    cuts = [index + 1 for index, (a, b) in enumerate(pairwise(elapsed_s)) if b - a > longest_s]
    edges = [0, *cuts, len(elapsed_s)]
    return [(first, last) for first, last in pairwise(edges) if last > first]


def _joined(
    elapsed_s: Sequence[float], columns: Sequence[Sequence[Number]], pieces: list[tuple[int, int]], stretch_s: float
) -> tuple[list[float], list[list[Number]]]:
    """Return all pieces one behind the other, a point without values between them."""
    times: list[float] = []
    found: list[list[Number]] = [[] for _ in columns]
    for first, last in pieces:
        if times:
            times.append((times[-1] + elapsed_s[first]) / 2.0)
            for column in found:
                column.append(None)
        for low, high in _stretches(elapsed_s, first, last, stretch_s):
            if high - low <= 2:
                times += elapsed_s[low:high]
                for column, source in zip(found, columns, strict=True):
                    column += source[low:high]
            else:
                times += (elapsed_s[low], elapsed_s[(low + high) // 2])
                for column, source in zip(found, columns, strict=True):
                    column += _ends(source, low, high)
    return times, found


def _stretches(elapsed_s: Sequence[float], first: int, last: int, stretch_s: float) -> list[tuple[int, int]]:
    """Return the piece's rows by stretches of equal time; no stretch: all as they are."""
    if stretch_s <= 0.0:
        return [(index, index + 1) for index in range(first, last)]
    origin = elapsed_s[0]
    cuts = [first]
    number = (elapsed_s[first] - origin) // stretch_s
    for index in range(first + 1, last):
        here = (elapsed_s[index] - origin) // stretch_s
        if here != number:
            cuts.append(index)
            number = here
    return list(pairwise([*cuts, last]))


def _ends(source: Sequence[Number], first: int, last: int) -> tuple[Number, Number]:
    """Return the least and the greatest value of some rows, in the order they came."""
    known = [value for value in source[first:last] if value is not None]
    if not known:
        return None, None
    least, greatest = min(known), max(known)
    return (least, greatest) if known.index(least) <= known.index(greatest) else (greatest, least)
