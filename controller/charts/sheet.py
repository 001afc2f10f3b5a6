"""The sheet an SVG picture is written on: elements in their order, and the boxes that labels already take.

Presentation attributes only: no style sheet, no script, no id (several pictures may stand in one page), no reference to
anything outside. Every text from outside passes `clean` and is escaped here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from itertools import pairwise

from controller.charts.layout import Box
from controller.charts.lettering import em, points
from controller.charts.thinning import Point, tenths
from profiles.problems import clean

FONT = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"
SIZE = 11.0
INK, SECOND, QUIET, EDGE, GRID = "#1a1a1a", "#555", "#767676", "#b8b8b8", "#e4e4e4"
COURSE = "#0072B2"
BAND, BAND_EDGE = "#dce5ec", "#8497a5"


def number(value: float) -> str:
    """Return a coordinate with one digit behind the point at most."""
    return f"{value:.1f}".removesuffix(".0") if abs(value) >= 0.05 else "0"


def label_box(
    x: float, baseline: float, text: str, anchor: str = "start", size: float = SIZE, bold: bool = False
) -> Box:
    """Return what a text takes, ascenders and descenders with it."""
    width = points(size, bold)(text)
    left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
    return Box(left, baseline - 0.8 * size, left + width, baseline + 0.25 * size)


def path_data(runs: Iterable[Sequence[Point]]) -> str:
    """Return unbroken pieces as path data: absolute starts, relative steps, tenths of a unit. A lone point is a dot."""
    parts: list[str] = []
    for run in runs:
        way = tenths(run)
        parts.append(f"M{_tenth(way[0][0])} {_tenth(way[0][1])}")
        if len(way) == 1:
            parts.append("h0")
            continue
        steps = [n for a, b in pairwise(way) for n in (_tenth(b[0] - a[0]), _tenth(b[1] - a[1]))]
        parts.append("l" + " ".join(steps).replace(" -", "-"))
    return "".join(parts)


def _tenth(tenth: int) -> str:
    whole, part = divmod(abs(tenth), 10)
    sign = "-" if tenth < 0 else ""
    return f"{sign}{whole or '' if part else whole}{f'.{part}' if part else ''}"


class Sheet:
    """Collects elements and label boxes. `unnamed`: labels that found no room; the description says them."""

    def __init__(self) -> None:
        self.elements: list[str] = []
        self.boxes: list[Box] = []
        self.unnamed: list[str] = []

    def text(
        self,
        x: float,
        baseline: float,
        text: str,
        anchor: str = "start",
        size: float = SIZE,
        fill: str = INK,
        bold: bool = False,
        halo: bool = False,
    ) -> None:
        """Write a label, once; `halo` keeps it readable where a line passes behind it."""
        if not text:
            return
        self.boxes.append(label_box(x, baseline, text, anchor, size, bold))
        more = "" if anchor == "start" else f' text-anchor="{anchor}"'
        more += "" if size == SIZE else f' font-size="{number(size)}"'
        more += ' font-weight="bold"' if bold else ""
        more += ' stroke="#fff" stroke-width="3" stroke-linejoin="round" paint-order="stroke"' if halo else ""
        self.elements.append(f'<text x="{number(x)}" y="{number(baseline)}" fill="{fill}"{more}>{safe(text)}</text>')

    def line(self, start: Point, end: Point, stroke: str = INK, width: float = 1.0, dash: str = "") -> None:
        """Draw a straight line."""
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.elements.append(
            f'<path d="M{number(start[0])} {number(start[1])}L{number(end[0])} {number(end[1])}" '
            f'stroke="{stroke}" stroke-width="{width:g}"{dashes}/>'
        )

    def path(self, data: str, stroke: str, width: float, dash: str = "", fill: str = "none") -> None:
        """Draw a path; nothing where there is none."""
        if data:
            dashes = f' stroke-dasharray="{dash}"' if dash else ""
            ends = ' stroke-linecap="round"' if not dash else ""
            self.elements.append(
                f'<path d="{data}" fill="{fill}" stroke="{stroke}" stroke-width="{width:g}" '
                f'stroke-linejoin="round"{ends}{dashes}/>'
            )

    def dot(self, at: Point, radius: float, fill: str, stroke: str = INK) -> None:
        """Draw a point."""
        self.elements.append(
            f'<circle cx="{number(at[0])}" cy="{number(at[1])}" r="{radius:g}" fill="{fill}" stroke="{stroke}"/>'
        )

    def area(self, box: Box, fill: str) -> None:
        """Fill a rectangle."""
        self.elements.append(
            f'<rect x="{number(box.left)}" y="{number(box.top)}" width="{number(box.right - box.left)}" '
            f'height="{number(box.bottom - box.top)}" fill="{fill}"/>'
        )

    def whole(self, width: float, height: float, title: str, finding: str) -> str:
        """Return the picture as one SVG element, ended by a line feed."""
        said = finding
        if self.unnamed:
            more = f" and {len(self.unnamed) - 12} more" if len(self.unnamed) > 12 else ""
            said = f"{said} Not named in the picture: {', '.join(self.unnamed[:12])}{more}.".strip()
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{width:g}" height="{number(height)}" '
            f'viewBox="0 0 {width:g} {number(height)}" font-family="{FONT}" font-size="{SIZE:g}">\n'
            f"<title>{safe(title)}</title>\n<desc>{safe(said, 900)}</desc>\n"
            f'<rect width="{width:g}" height="{number(height)}" fill="#fff"/>\n'
        )
        return head + "\n".join(self.elements) + "\n</svg>\n"


def safe(text: str, longest: int = 300) -> str:
    """Return text from outside as it may stand in XML."""
    return escape(clean(text, longest))


def line_height(size: float) -> float:
    """Return the distance of two baselines."""
    return round(1.3 * size, 1)


def width_of(text: str, size: float = SIZE) -> float:
    """Return how wide a label is at most."""
    return em(text) * size
