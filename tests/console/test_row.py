"""Rows: every character one column, cut ones say so, styles stay where they belong."""

from __future__ import annotations

from controller.console.row import BLANK, Row, beside, fitted, row, single, wrapped
from controller.console.sheet import PALETTE, canvas


def test_parts_carry_their_styles():
    """A part with a style becomes a span over just its characters."""
    assert row("a ", ("now", "bc"), "d") == Row("a bcd", ((2, 4, "now"),))


def test_cut_rows_say_so():
    """A row that does not fit ends in `~`; a style that is cut away vanishes."""
    assert fitted(row("abcdef", ("now", "gh")), 4) == Row("abc~", ())
    assert fitted(row("ab", ("now", "cdef")), 4) == Row("abc~", ((2, 4, "now"),))
    assert fitted(BLANK, 0) == BLANK


def test_rows_beside_each_other():
    """The right row begins at its column, its styles shifted with it."""
    assert beside(Row("left"), row(("soon", "right")), 8) == Row("left    right", ((8, 13, "soon"),))


def test_wrapping_is_bounded():
    """A text that needs more rows than there are ends in `~`."""
    rows = wrapped("one two three four five six seven", 10, "  ", 2)
    assert len(rows) == 2
    assert rows[-1].text.endswith("~")


def test_text_from_outside_keeps_its_columns():
    """Wide, combining and control characters each become one column; without UTF-8 nothing but ASCII is left."""
    text = "K\u00f6ln \u65e5\u672c e\u0301 \x1b[31m \u00b0"
    assert len(single(text, ascii_only=False)) == len(text)
    plain = single(text, ascii_only=True)
    assert len(plain) == len(text)
    assert plain.isascii()
    assert plain.isprintable()
    assert "?" not in plain


def test_a_canvas_has_exactly_its_size():
    """Too few, too many and too long rows make a canvas of the size asked for, with styles in bytes of the encoding."""
    made = canvas([row(("now", "\u00e4b"), "c" * 30), *[Row("x")] * 9], 10, 5, ascii_only=False)
    content = list(made.content())
    assert made.cols() == 10
    assert made.rows() == 5
    first = content[0]
    assert first[0][0] == "now"
    assert first[0][2].decode("utf-8") == "\u00e4b"


def test_a_coloured_cell_sets_both_colours_or_none():
    """No style sets only text or only ground: one of them would vanish on somebody's background."""
    for name, text, ground, _mono, text_256, ground_256 in PALETTE:
        for one, other in ((text, ground), (text_256, ground_256)):
            assert (one.split(",")[0] == "default") == (other == "default"), name
