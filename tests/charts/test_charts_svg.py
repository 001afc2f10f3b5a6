"""SVG figures: well formed, every label inside and clear of the others, every extreme drawn, nothing fetched."""

from __future__ import annotations

import math
import random
import re
from itertools import combinations, pairwise
from xml.etree import ElementTree as ET

import pytest

from controller.charts.figure import Dot, Dots, Figure, Line, Panel, Span, band, limit, mark, shares
from controller.charts.layout import Box
from controller.charts.lettering import em
from controller.charts.svg import to_svg

NS = "{http://www.w3.org/2000/svg}"
HOSTILE = '<script>alert("x")</script> & ]]> \x1b[31m \u202e \ud800 \x00 日本'
STEPS = tuple(
    Span(name, start, end)
    for name, start, end in (
        ("soak", 0, 1),
        ("1 wetting", 1, 1.5),
        ("2 first charge", 1.5, 7.9),
        ("3 pause", 7.9, 8.4),
        ("4 second charge", 8.4, 15.4),
        ("5 pause", 15.4, 15.9),
        ("6 finish", 15.9, 18.4),
    )
)


def hours(count, last=18.4):
    return [last * n / (count - 1) for n in range(count)]


def temperature():
    x = hours(400)
    probe = [31 + 15 * math.sin(h / 6) for h in x]
    return Figure(
        "Probe and bath",
        "Hottest 46.0 C.",
        "time since filling",
        "h",
        [
            Panel(
                "temperature",
                "C",
                [
                    Line("probe", x, probe),
                    Line("bath", x, [31.0] * 400),
                    Line("course", x[:200], probe[100:300], "course"),
                    band("sisters", x, [v - 2 for v in probe], [v + 1 for v in probe]),
                    limit("derate", 50),
                    limit("hold", 55),
                    mark("hottest", 9.4, 46),
                    mark("knee", 12),
                ],
            )
        ],
        STEPS,
    )


def electrical():
    x = hours(300)
    lines = [Line("read", x, [15.0 if h < 9 else 6.0 for h in x])]
    volts = [Line("read", x, [2.1 + h / 30 for h in x]), limit("limit", 2.85), mark("gassing from 12:40", 12.67)]
    return Figure("A and V", "", "time", "h", [Panel("current", "A", lines), Panel("voltage", "V/cell", volts)], STEPS)


def crowd():
    lines = [Line(f"line {n}", [0, 2], [2, 2.2 + n / 500], ("read", "course")[n % 2]) for n in range(9)]
    return Figure("crowd", "", "time", "h", [Panel("voltage", "V", [*lines, limit("a", 2.21), limit("b", 2.211)])])


def hostile():
    lines = [
        Line(HOSTILE * 3, [0, 1, 2, 3], [1e-3, None, math.nan, 1e6]),
        Line(HOSTILE, [0, 1], [5, 2], "course"),
        limit(HOSTILE * 2, -3e5),
        mark(HOSTILE, 1.5, 3e5),
        mark(HOSTILE * 2, 2.5),
    ]
    return Figure(
        HOSTILE * 9,
        HOSTILE * 30,
        HOSTILE * 3,
        HOSTILE,
        [Panel(HOSTILE * 3, HOSTILE, lines)],
        [Span(HOSTILE, 0, 1), Span("=" + HOSTILE * 9, 1, 3)],
    )


def one_line(x, y, style="read"):
    return Figure("one", "", "x", "m", [Panel("y", "A", [Line("read", x, y, style)])])


def circuits():
    values = [3, -2, 1, 5, -4, 2, -31, 0, None, 4]
    rows = [Dot(f"A{n:02d}", value, -5, 6) for n, value in enumerate(values, 1)]
    return Dots("Bath A", "A07 differs.", "voltage from the median", "mV/cell", rows, 0, -6.2, 7)


FIGURES = {
    "temperature": temperature(),
    "electrical": electrical(),
    "crowd": crowd(),
    "hostile": hostile(),
    "nothing": Figure("none", "", "time", "h", [Panel("current", "A", [])]),
    "empty": one_line([], []),
    "missing": one_line([0, 1], [None, None]),
    "point": one_line([3], [-5]),
    "constant": one_line([0, 6], [2.13, 2.13]),
    "negative": one_line([-3, 0, 2], [-5e3, -1, -7]),
    "wide": one_line([0, 1, 2], [1e-3, 1, 1e6]),
    "small": one_line([1e-3, 2e-3], [1e-3, 1.1e-3]),
    "pulses": Figure(
        "forty", "", "time", "h", electrical().panels, [Span(f"{n} pulse", n * 0.2, n * 0.2 + 0.2) for n in range(40)]
    ),
    "shares": Figure("n 5", "", "end", "h", [Panel("share of runs", "%", [shares("17 h", [1, 3, 2, 5, 2])])]),
    "circuits": circuits(),
    "no rows": Dots("none", "", "x", "K", []),
    "hostile rows": Dots(HOSTILE, HOSTILE, HOSTILE * 4, HOSTILE, [Dot(HOSTILE * 4, 1e6), Dot("a", -1e-3)], 3, 1, 2),
}


def parsed(figure, width=720, height=None):
    return ET.fromstring(to_svg(figure, width, height))


def boxes(root):
    """Each label with the box it takes; bold letters are up to 1.27 times as wide."""
    for text in root.iter(NS + "text"):
        size = float(text.get("font-size", root.get("font-size")))
        wide = em(text.text) * size * (1.27 if text.get("font-weight") else 1.0)
        left = float(text.get("x")) - {"middle": wide / 2, "end": wide}.get(text.get("text-anchor"), 0.0)
        base = float(text.get("y"))
        yield text.text, Box(left, base - 0.76 * size, left + wide, base + 0.24 * size)


def ways(root):
    """Points of each path in the picture, with its attributes; only the commands that are used."""
    for path in root.iter(NS + "path"):
        for piece in path.get("d").split("M")[1:]:
            start, command, rest = re.match(r"([-\d. ]+)([lLhz]?)(.*)$", piece).groups()
            numbers = [float(n) for n in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", start + " " + rest.split("z")[0])]
            points = [(numbers[0], numbers[1])]
            for dx, dy in zip(numbers[2::2], numbers[3::2], strict=False):
                x, y = points[-1] if command == "l" else (0.0, 0.0)
                points.append((x + dx, y + dy))
            yield points, path


def plots(root):
    """The plot areas, from the axes: each a vertical line then a horizontal one, in the axis' grey."""
    lines = [
        points for points, path in ways(root) if path.get("stroke") == "#767676" and path.get("stroke-width") == "1"
    ]
    upright = [p for p in lines if p[0][0] == p[1][0] and abs(p[0][1] - p[1][1]) > 30]
    level = [p for p in lines if p[0][1] == p[1][1] and abs(p[0][0] - p[1][0]) > 30]
    return [Box(v[0][0], v[0][1], h[1][0], h[1][1]) for v, h in zip(upright, level, strict=True)]


def read_points(root):
    """All points of solid data lines."""
    return [
        p for points, path in ways(root) if path.get("stroke-linecap") and path.get("fill") == "none" for p in points
    ]


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("width", [320, 720, 1200])
def test_labels_are_inside_and_apart(name, width):
    """In every figure, at every width, no label leaves the view box and no two labels share a place."""
    root = parsed(FIGURES[name], width)
    _, _, wide, high = map(float, root.get("viewBox").split())
    assert wide == width
    found = list(boxes(root))
    for text, box in found:
        assert box.within(Box(0, 0, wide, high)), text
    for (text, box), (other, box2) in combinations(found, 2):
        assert not box.meets(box2), (text, other)


@pytest.mark.parametrize("name", FIGURES)
def test_picture_is_self_contained(name):
    """Role, title and description are there; nothing is fetched, run or styled; the bytes are always the same."""
    text = to_svg(FIGURES[name])
    root = ET.fromstring(text)
    assert root.get("role") == "img"
    assert [child.tag for child in root][:2] == [NS + "title", NS + "desc"]
    assert {child.tag.removeprefix(NS) for child in root} <= {"title", "desc", "rect", "path", "text", "circle"}
    assert not re.search(r"href|url\(|style=|\bid=|<script|<style|http(?!://www\.w3\.org/2000/svg)", text)
    assert {name for node in root.iter() for name in node.attrib if name.startswith("on")} == set()
    assert text == to_svg(FIGURES[name])
    assert text.endswith("</svg>\n")


def test_words_of_others_are_only_words():
    """Markup, control and direction characters in any name end as harmless text; title and finding are found whole."""
    root = parsed(hostile())
    assert root.find(NS + "title").text.startswith('<script>alert("x")</script> & ]]> ?[31m ? ? ? 日本')
    assert not re.search("[\x00-\x09\x0b-\x1f\u202e]", to_svg(hostile()))
    plain = parsed(temperature())
    assert plain.find(NS + "title").text == "Probe and bath"
    assert plain.find(NS + "desc").text == "Hottest 46.0 C."


@pytest.mark.parametrize(
    "y", [[0.0, 5.0, 2.0], [-3.0, -9.0], [1e-3, 1e6], [2.13, 2.13, 2.13], [-1e6, 1e-3, 7.0], [1e-3, 1.1e-3]]
)
def test_extremes_lie_in_the_plot_where_the_axis_says(y):
    """Highest and lowest are drawn inside the plot, at the height that the axis' own numbers give them."""
    root = parsed(one_line(range(len(y)), y))
    (plot,) = plots(root)
    points = read_points(root)
    assert all(plot.left - 0.1 <= px <= plot.right + 0.1 and plot.top <= py <= plot.bottom for px, py in points)
    ticks = [
        (float(text), (box.top + box.bottom) / 2)
        for text, box in boxes(root)
        if box.right < plot.left and is_number(text)
    ]
    (low, low_y), (high, high_y) = ticks[0], ticks[-1]
    for wanted, drawn in ((min(y), max(p[1] for p in points)), (max(y), min(p[1] for p in points))):
        assert drawn == pytest.approx(low_y + (wanted - low) / (high - low) * (high_y - low_y), abs=1.5)


def is_number(text):
    return re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", text) is not None


def test_spike_survives_and_the_day_stays_small():
    """A day at 10 s in three noisy panels is below 60 kB, and the one high reading among 8640 is drawn."""
    chance = random.Random(1)
    x = [n / 360 for n in range(8640)]
    y = [chance.gauss(2.5, 0.05) for _ in x]
    y[4321] = 3.5
    panels = [Panel(name, "V", [Line("read", x, y), Line("more", x, y[::-1]), limit("limit", 2.8)]) for name in "abc"]
    text = to_svg(Figure("day", "", "time", "h", panels))
    assert len(text.encode()) < 60_000
    root = ET.fromstring(text)
    plot = plots(root)[0]
    top = min(py for px, py in read_points(root) if plot.top <= py <= plot.bottom)
    at = next(px for px, py in read_points(root) if py == top)
    assert at == pytest.approx(plot.left + (plot.right - plot.left) * 4321 / 8639, abs=3)
    assert len(to_svg(one_line(x, y)).encode()) < 30_000


def test_missing_numbers_break_the_line():
    """Where a number is missing nothing is drawn: two pieces, and a lone point is seen as a dot."""
    root = parsed(one_line([0, 1, 2, 3, 4, 5, 6], [1, 2, None, 2, 1, math.nan, 2]))
    pieces = [points for points, path in ways(root) if path.get("stroke-linecap") and path.get("fill") == "none"]
    (plot,) = plots(root)
    ends = [
        [round((p[0] - plot.left) / (plot.right - plot.left) * 6, 1) for p in (piece[0], piece[-1])] for piece in pieces
    ]
    assert ends == [[0, 1], [3, 4], [6, 6]]
    (dot,) = root.iter(NS + "circle")
    assert float(dot.get("cx")) == pytest.approx(plot.right, abs=0.1)


def test_limits_are_dotted_over_the_width_and_named_at_their_height():
    """Each limit is a dotted line from edge to edge; its name with value and unit stands where the line ends."""
    root = parsed(temperature())
    (plot,) = plots(root)
    dotted = [points for points, path in ways(root) if path.get("stroke-dasharray") == "1.5 3"]
    assert [(p[0][0], p[-1][0]) for p in dotted] == [pytest.approx((plot.left, plot.right), abs=0.1)] * 2
    named = {text: box for text, box in boxes(root) if text in {"derate 50 C", "hold 55 C"}}
    assert len(named) == 2
    for text, points in zip(("derate 50 C", "hold 55 C"), dotted, strict=True):
        assert named[text].left > plot.right
        assert named[text].top < points[0][1] < named[text].bottom


def test_styles_differ_without_colour():
    """Read is solid, course dashed in its blue, band filled: three marks that a black-and-white print keeps."""
    root = parsed(temperature())
    seen = {(path.get("stroke"), path.get("stroke-dasharray"), path.get("fill")) for _, path in ways(root)}
    assert ("#1a1a1a", None, "none") in seen
    assert ("#0072B2", "7 4", "none") in seen
    assert ("#dce5ec", None, "#dce5ec") in seen
    names = [text for text, _ in boxes(root)]
    assert {"probe", "bath", "course", "sisters", "hottest", "knee"} <= set(names)
    assert {"temperature, C", "time since filling, h"} <= set(names)
    assert {span.name for span in STEPS} <= set(names)


def test_band_covers_both_edges_and_breaks():
    """A band's area reaches its lowest low and highest high; where one edge is missing there is a gap."""
    figure = Figure(
        "b", "", "x", "m", [Panel("y", "A", [band("b", [0, 1, 2, 3, 4], [0, 1, 1, None, 2], [5, 9, 6, 7, 3])])]
    )
    root = parsed(figure)
    (plot,) = plots(root)
    areas = [points for points, path in ways(root) if path.get("fill") == "#dce5ec"]
    heights = [py for points in areas for _, py in points]
    step = (plot.bottom - min(heights)) / 9  # the axis begins at 0
    assert len(areas) == 2
    assert min(heights) > plot.top
    assert max(heights) == pytest.approx(plot.bottom, abs=0.2)
    assert max(px for px, _ in areas[0]) == pytest.approx(plot.left + (plot.right - plot.left) / 2, abs=0.2)
    assert sorted(py for _, py in areas[1]) == pytest.approx([plot.bottom - 3 * step, plot.bottom - 2 * step], abs=0.2)


def test_band_of_crossed_edges_is_filled_between():
    """Edges that change sides are taken as lower and upper point by point: the area never twists."""
    crossed, right = (
        to_svg(Figure("b", "", "x", "m", [Panel("y", "A", [band("b", [0, 1], low, high)])]))
        for low, high in (([0, 9], [5, 4]), ([0, 4], [5, 9]))
    )
    assert crossed == right


def test_both_ends_of_a_span_are_drawn():
    """A span alone in the middle has its start and its end in the plot and above it, and its name between."""
    root = parsed(Figure("s", "", "x", "m", one_line([0, 10], [0, 1]).panels, [Span("middle", 4, 6)]))
    (plot,) = plots(root)
    wide = plot.right - plot.left
    bounds = sorted((p[0][0] - plot.left) / wide for p, path in ways(root) if path.get("stroke") == "#b8b8b8")
    assert bounds == pytest.approx([0.4, 0.4, 0.6, 0.6], abs=0.001)
    box = next(box for text, box in boxes(root) if text == "middle")
    assert ((box.left + box.right) / 2 - plot.left) / wide == pytest.approx(0.5, abs=0.001)
    assert box.bottom < plot.top


def test_panels_share_one_axis():
    """Two panels stand above each other on the same edges, with one row of numbers, and steps bound both."""
    root = parsed(electrical())
    upper, lower = plots(root)
    assert (upper.left, upper.right) == (lower.left, lower.right)
    assert upper.bottom < lower.top
    assert sum(text == "18" for text, _ in boxes(root)) == 1
    for plot in (upper, lower):
        bounds = [p for p, path in ways(root) if path.get("stroke") == "#b8b8b8" and p[1][1] == plot.bottom]
        assert len(bounds) == 6


def test_what_found_no_room_is_said():
    """A label without room in the picture is named in the description, never dropped in silence."""
    lines = [Line(f"line {n}", [0, 1], [n, n]) for n in range(40)]
    root = parsed(Figure("many", "Forty.", "x", "m", [Panel("y", "A", lines)]), height=200)
    said = root.find(NS + "desc").text
    shown = {text for text, _ in boxes(root)}
    assert said.startswith("Forty. Not named in the picture: line ")
    missing = {line.name for line in lines} - shown
    named = set(re.findall(r"line \d+", said))
    assert len(named) == 12
    assert named < missing
    assert said.endswith(f" and {len(missing) - 12} more.")


def test_height_is_what_was_asked():
    """A given height is kept where the labels allow it, else the picture is as high as it needs."""
    assert float(parsed(electrical(), height=500).get("height")) == pytest.approx(500, abs=0.1)
    assert float(parsed(one_line([0, 1], [0, 1]), height=400).get("height")) == pytest.approx(400, abs=0.1)
    steps = Figure("s", "", "x", "m", electrical().panels, [Span("a", 0, 9), Span("b", 9, 18)])
    assert float(parsed(steps, height=500).get("height")) == pytest.approx(500, abs=0.1)
    assert float(parsed(electrical(), height=10).get("height")) > 200
    with pytest.raises(ValueError, match="320 at least"):
        to_svg(electrical(), width=300)
    with pytest.raises(ValueError, match="320 at least"):
        to_svg(electrical(), width=math.nan)


def test_dots_show_who_differs():
    """The row outside the range is filled and bold, those inside hollow, a missing one without dot; numbers beside."""
    root = parsed(circuits())
    dots = list(root.iter(NS + "circle"))
    assert [dot.get("fill") for dot in dots] == ["#fff"] * 6 + ["#1a1a1a"] + ["#fff"] * 2
    bold = [text.text for text in root.iter(NS + "text") if text.get("font-weight")]
    assert bold == ["Bath A", "A07", "-31"]
    texts = [text for text, _ in boxes(root)]
    assert "--" in texts
    assert "median 0, range -6.2 to 7" in texts
    places = {dot.get("cx") for dot in dots}
    assert len(places) == 9
    assert float(dots[6].get("cx")) == min(float(dot.get("cx")) for dot in dots)


def test_step_lines_have_corners():
    """A cumulative share rises upright at each value and runs level between."""
    root = parsed(FIGURES["shares"])
    points = read_points(root)
    assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(points))
    assert len(points) == 8
