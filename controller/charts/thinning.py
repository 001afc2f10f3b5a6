"""Thousands of points made few, so that the picture is the same: each column of it keeps its first, lowest, highest and
last point. Nothing is averaged: a spike of one reading is still there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby, pairwise

from controller.charts.figure import Number

Point = tuple[float, float]


def runs(x: Sequence[Number], y: Sequence[Number]) -> list[list[Point]]:
    """Return the unbroken pieces of a line; a missing number ends a piece."""
    pieces: list[list[Point]] = [[]]
    for at, value in zip(x, y, strict=True):
        if at is not None and value is not None:
            pieces[-1].append((at, value))
        elif pieces[-1]:
            pieces.append([])
    return [piece for piece in pieces if piece]


def stairs(run: Sequence[Point]) -> list[Point]:
    """Return the corners of a line whose values hold until the next point."""
    corners = list(run[:1])
    for (_, before), (at, value) in pairwise(run):
        corners += [(at, before), (at, value)]
    return corners


def thinned(run: Sequence[Point], column: float) -> list[Point]:
    """Return the run with at most four points in each stretch of one column, `column` wide, in their order."""
    kept: list[Point] = []
    for _, group in groupby(run, key=lambda point: math.floor(point[0] / column)):
        points = list(group)
        heights = [y for _, y in points]
        places = {0, heights.index(min(heights)), heights.index(max(heights)), len(points) - 1}
        kept += [points[place] for place in sorted(places)]
    return kept


def tenths(run: Sequence[Point]) -> list[tuple[int, int]]:
    """Return the points in whole tenths, without those that repeat or lie on the way between their neighbours."""
    kept: list[tuple[int, int]] = []
    for x, y in run:
        point = (round(x * 10), round(y * 10))
        if kept and kept[-1] == point:
            continue
        if len(kept) > 1 and _straight(kept[-2], kept[-1], point):
            kept.pop()
        kept.append(point)
    return kept


def _straight(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> bool:
    """Whether b lies between a and c on one straight way."""
    one, two = (b[0] - a[0], b[1] - a[1]), (c[0] - b[0], c[1] - b[1])
    return one[0] * two[1] == one[1] * two[0] and one[0] * two[0] + one[1] * two[1] > 0
