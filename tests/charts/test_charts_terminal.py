"""Figures in a terminal: width kept, numbers and names there, ASCII where asked."""

from __future__ import annotations

import math

import pytest

from controller.charts.figure import Dot, Dots, Figure, Line, Panel, Span, band, limit, mark, shares
from controller.charts.lettering import cells
from controller.charts.terminal import to_text

HOSTILE = "<b> \x1b[31m \u202e \x07 日本語 = "
X = [n / 10 for n in range(185)]
STEPS = [Span("1 wetting", 0, 0.5), Span("2 first charge", 0.5, 8), Span("3 pause", 8, 8.5), Span("4 last", 8.5, 18.4)]


def temperature(spans=()):
    lines = [
        Line("probe", X, [31 + 15 * math.sin(h / 6) for h in X]),
        Line("course", X, [30 + 15 * math.sin(h / 6) for h in X], "course"),
        band("sisters", X, [28.0] * 185, [33.0] * 185),
        limit("derate", 50),
        mark("knee", 12.0),
        mark("hottest", 9.4, 46),
    ]
    return Figure("Probe", "Hottest 46.0 C.", "time", "h", [Panel("temperature", "C", lines)], spans)


def two():
    volts = Panel("voltage", "V/cell", [Line("read", X, [2 + h / 30 for h in X]), limit("limit", 2.85)])
    return Figure(
        "A and V", "Fine.", "time", "h", [Panel("current", "A", [Line("read", X, [12.0] * 185)]), volts], STEPS
    )


def line(x, y):
    return Figure("t", "", "x", "m", [Panel("y", "A", [Line("read", x, y)])])


FIGURES = {
    "temperature": temperature(STEPS),
    "two": two(),
    "hostile": Figure(
        HOSTILE * 20,
        HOSTILE * 40,
        HOSTILE,
        HOSTILE,
        [
            Panel(
                HOSTILE * 20,
                HOSTILE,
                [Line(HOSTILE * 5, [0, 1], [1e-3, 1e6]), mark(HOSTILE * 2, 1, 5), limit(HOSTILE, -9)],
            )
        ],
        [Span(HOSTILE, 0, 1)],
    ),
    "empty": line([], []),
    "point": line([3], [-5]),
    "pulses": Figure("p", "", "x", "h", two().panels, [Span(f"{n} pulse", n / 5, n / 5 + 0.2) for n in range(90)]),
    "shares": Figure("n 4", "", "end", "h", [Panel("share", "%", [shares("a", [1, 2, 2, 4])])]),
    "circuits": Dots("Bath", "", "off", "mV", [Dot("A01", 3, 1, 4), Dot("A02", -31), Dot("A03", None)], 0, -5, 5),
    "hostile rows": Dots(HOSTILE * 9, HOSTILE, HOSTILE * 9, HOSTILE, [Dot(HOSTILE * 9, 1e6)]),
    "no rows": Dots("Bath", "", "off", "mV", []),
}


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("columns", [40, 78, 80, 132])
def test_width_is_kept(name, ascii_only, columns):
    """No line is wider than asked, none ends in blanks, none holds a control character, in ASCII all is ASCII."""
    text = to_text(FIGURES[name], columns, ascii=ascii_only)
    assert text.endswith("\n")
    for row in text.splitlines():
        assert cells(row) <= columns
        assert row == row.rstrip()
        assert row.isprintable()
    assert text.isascii() or not ascii_only
    assert text == to_text(FIGURES[name], columns, ascii=ascii_only)


@pytest.mark.parametrize("ascii_only", [False, True])
def test_two_panels_fit_a_screen(ascii_only):
    """Current and voltage with their steps stand in 24 lines; so does one panel."""
    assert len(to_text(two(), ascii=ascii_only).splitlines()) <= 24
    assert len(to_text(temperature(STEPS), ascii=ascii_only).splitlines()) <= 24


def test_words_of_a_figure_are_there():
    """Title, finding, axis names with units, step names, limit with value, line names, words of marks."""
    text = to_text(temperature(STEPS), ascii=True)
    wanted = ["Probe", "Hottest 46.0 C.", "temperature, C", "time, h", "2 first charge", "4 last", "- derate 50 C"]
    wanted += ["* probe", "o course", ". sisters", "knee", "hottest"]
    assert [word for word in wanted if word not in text] == []
    assert "not named" not in text


def test_plot_shows_the_line_where_it_is():
    """In ASCII a rising line is in the lowest row at the left and in the highest at the right; the axis says so."""
    rows = to_text(line([0, 10], [0, 10]), columns=60, rows=11, ascii=True).splitlines()[2:13]
    assert rows[0].rindex("*", 0, 52) > 45
    assert rows[-1].index("*") == rows[-1].index("+") + 1
    assert rows[-1].startswith(" 0 +")
    starts = [row.index("*") for row in rows]
    assert starts == sorted(starts, reverse=True)


def test_braille_is_finer_than_cells():
    """Without ASCII the line is drawn in braille dots, and a limit beneath is seen but where the line is."""
    text = to_text(temperature())
    dots = [char for char in text if "\u2801" <= char <= "\u28ff"]
    assert len(dots) > 60
    assert text.count("┄") > 40
    assert "░" in text
    assert "│knee" not in text


def test_course_is_dashed_and_a_tick_hides_nothing():
    """In braille a course has about half the dots of what was read; under a vertical mark the line goes on."""

    def dots(style, *more):
        panel = Panel("y", "A", [Line("one", X, [1.0] * 185, style), *more])
        text = to_text(Figure("t", "", "x", "m", [panel]))
        return sum((ord(char) - 0x2800).bit_count() for char in text if "\u2801" <= char <= "\u28ff")

    assert 0.5 * dots("read") < dots("course") < 0.65 * dots("read")
    assert dots("read", mark("knee", 9)) == dots("read")
    line_with_tick = to_text(
        Figure("t", "", "x", "m", [Panel("y", "A", [Line("one", X, X), mark("knee", 9)])]), ascii=True
    )
    ticked = {row.index("!") for row in line_with_tick.splitlines() if "!" in row}
    assert len(ticked) == 1
    (row,) = [row for row in line_with_tick.splitlines()[2:14] if "!" not in row]
    assert row[ticked.pop()] == "*"


def test_band_is_filled_to_its_peaks():
    """Every column of a band is filled from its lowest to its highest row, on a steep edge too."""
    x = list(range(15))
    peaks = Figure("t", "", "x", "m", [Panel("y", "A", [band("b", x, [0.0] * 15, [10.0 * (n % 2) for n in x])])])
    rows = to_text(peaks, columns=60, rows=12, ascii=True).splitlines()
    (top,) = (row for row in rows if row.startswith("10 +"))
    assert top.count(".") >= 7
    bottom = next(row for row in rows if row.startswith(" 0 +"))
    assert set(bottom[4:].split(" ")[0]) == {"."}


def test_missing_numbers_are_a_gap():
    """Between two pieces the plot is blank; nothing is bridged."""
    x = list(range(21))
    y = [5.0 if n < 8 or n > 12 else None for n in x]
    rows = to_text(line(x, y), columns=60, rows=5, ascii=True).splitlines()
    (row,) = [row for row in rows if "***" in row]
    plot = row[row.index("|" if "|" in row else "+") + 1 :].removesuffix(" * read")
    assert plot.strip("* ") == ""
    gap = len(plot.strip().replace("*", ""))
    assert 8 <= gap <= 14


def test_what_found_no_room_is_said_below():
    """Names of spans that are too many stand in the last lines."""
    text = to_text(FIGURES["pulses"], ascii=True)
    assert "not named above: " in text
    assert "89" in text


def test_no_data_is_said():
    """An empty panel says so, and still has its axis."""
    text = to_text(line([], []))
    assert "no data" in text
    assert "1.0 ┤" in text
    assert "no data" in to_text(FIGURES["no rows"])
    assert "no data" not in to_text(line([3], [-5]))


def test_dots_of_circuits():
    """The row outside the range has a filled dot and an arrow; inside a ring; missing none; numbers at the right."""
    rows = to_text(FIGURES["circuits"], ascii=True).splitlines()
    a01, a02, a03 = (next(row for row in rows if name in row) for name in ("A01", "A02", "A03"))
    assert "o" in a01
    assert a01.endswith(" 3")
    assert a02.startswith("> A02")
    assert "#" in a02
    assert a02.endswith("-31")
    assert a03.endswith("--")
    assert "o" not in a03
    assert "median 0, range -5 to 5" in "\n".join(rows)
    assert a02.index("#") < a01.index("o")


def test_too_small_is_refused():
    """Below 40 columns or 4 rows nothing could be read."""
    for columns, rows in ((39, 8), (78, 3)):
        with pytest.raises(ValueError, match="40 columns and 4 rows"):
            to_text(two(), columns, rows)
    assert len(to_text(two(), 40, 4).splitlines()) >= 12
