"""Thinning, lettering and the places of labels, by arithmetic."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from controller.charts.layout import Box, best_place, span_names, spread
from controller.charts.lettering import cells, em, points, shortened, wrapped
from controller.charts.thinning import runs, stairs, tenths, thinned


def test_runs_break_where_a_number_is_missing():
    """A missing x or y ends a piece; no piece is empty; nothing is bridged."""
    assert runs([0, 1, 2, None, 4, 5], [1, None, 3, 4, 5, None]) == [[(0, 1)], [(2, 3)], [(4, 5)]]
    assert runs([None, 1], [1, None]) == []
    assert runs([0, 1, 2, 3], [5, 6, 7, None]) == [[(0, 5), (1, 6), (2, 7)]]


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-1e3, 1e3)), min_size=1, max_size=80), st.floats(0.5, 20))
def test_thinning_keeps_ends_and_extremes_in_order(points_, column):
    """First, last, lowest and highest survive, in their order, and a column has four points at most in one passage."""
    kept = thinned(points_, column)
    assert (kept[0], kept[-1]) == (points_[0], points_[-1])
    heights = [y for _, y in points_]
    assert min(heights) in [y for _, y in kept]
    assert max(heights) in [y for _, y in kept]
    rest = iter(points_)
    assert all(any(point == other for other in rest) for point in kept)


def test_thinning_makes_few_of_many():
    """A spike of one reading among ten thousand is still there, and the rest is four points a column."""
    noisy = [(i / 100, float(i % 2)) for i in range(10_000)]
    noisy[5432] = (54.32, 9.0)
    kept = thinned(noisy, 1.0)
    assert len(kept) <= 400
    assert (54.32, 9.0) in kept


def test_stairs_and_tenths():
    """A value holds until the next point; points on a straight way and repeated ones are left out, turns are not."""
    assert stairs([(0, 1), (2, 5), (3, 4)]) == [(0, 1), (2, 1), (2, 5), (3, 5), (3, 4)]
    assert tenths([(0, 0), (1, 1), (1, 1.01), (2, 2), (3, 0)]) == [(0, 0), (20, 20), (30, 0)]
    assert tenths([(0, 0), (2, 0), (1, 0)]) == [(0, 0), (20, 0), (10, 0)]


def test_letters_are_as_wide_as_the_widest_font():
    """No character is taken for narrower than in Helvetica (published metrics) or DejaVu Sans (its file)."""
    helvetica = {" ": 278, "0": 556, "W": 944, "m": 833, "@": 1015, "J": 500, "E": 667, "i": 222, "%": 889, "_": 556}
    dejavu = {" ": 318, "0": 636, "W": 989, "m": 974, "i": 278, "%": 950, "/": 337, "C": 698, "~": 838}
    for widths in (helvetica, dejavu):
        assert all(1000 * em(char) >= width for char, width in widths.items())
    assert em("é") == em("e")
    assert em("日") >= 1.0
    assert points(10, bold=True)("m") > points(10)("m") == 10 * em("m")


def test_texts_are_cut_to_their_room():
    """What fits stays whole; what does not ends in three dots; where not even those fit nothing is written."""
    assert shortened("derate", 6, len) == "derate"
    assert shortened("derate", 5, len) == "de..."
    assert shortened("a bcdef", 5, len) == "a..."
    assert shortened("derate", 3, len) == ""
    assert wrapped("one two three four", 9, len, 3) == ["one two", "three", "four"]
    assert wrapped("one two three four", 9, len, 2) == ["one two", "three..."]
    assert wrapped("endlessly long", 7, len, 3) == ["endl...", "long"]
    assert [cells(text) for text in ("ab", "日本", "e\u0301")] == [2, 4, 1]


@given(st.lists(st.floats(-50, 150), max_size=12).map(sorted), st.floats(1, 30))
def test_spread_labels_keep_order_distance_and_bounds(wanted, pitch):
    """Labels keep their order, stay the pitch apart and inside; only what cannot fit at all is left out."""
    places = spread(wanted, 0.0, 100.0, pitch)
    assert len(places) == min(len(wanted), int(100 / pitch + 1e-9) + 1)
    assert all(-1e-6 <= place <= 100 + 1e-6 for place in places)
    assert all(b - a >= pitch - 1e-6 for a, b in pairwise(places))


def test_spread_moves_no_more_than_needed():
    """Labels with room stay where their lines end; two at one place part evenly."""
    assert spread([10.0, 50.0], 0, 100, 13) == [10.0, 50.0]
    assert spread([50.0, 50.0], 0, 100, 10) == [45.0, 55.0]
    assert spread([99.0, 99.0], 0, 100, 10) == [90.0, 100.0]


def place_spans(names, width, rows=3):
    spans = [(name, width * n, width * (n + 1.0)) for n, name in enumerate(names)]
    return span_names(spans, (0.0, width * len(names)), len, 2.0, rows)


def test_span_names_stand_over_their_spans():
    """A name with room is in the lowest row over the middle of its span."""
    placed, left_out = place_spans(["soak", "rest"], 10)
    assert [(n.text, n.middle, n.row) for n in placed] == [("soak", 5, 0), ("rest", 15, 0)]
    assert left_out == []


def test_crowded_span_names_become_their_numbers():
    """Where whole names do not fit, their first words do; different spans of the same first word are not shortened."""
    placed, left_out = place_spans([f"{n} pulse" for n in range(1, 10)], 3)
    assert {name.text.split(" ")[0] for name in placed} == {str(n) for n in range(1, 10)}
    assert left_out == []
    placed, left_out = place_spans(["a pulse"] * 9, 2)
    assert {name.text for name in placed} == {"a pulse"}
    assert len(placed) + len(left_out) == 9
    assert left_out


@given(st.lists(st.integers(1, 30), min_size=1, max_size=14), st.integers(1, 3), st.data())
def test_span_names_never_meet(widths, rows, data):
    """No two names of a row overlap, none leaves the plot, no leading line crosses a name, none is lost unsaid."""
    spans, at = [], 0.0
    for number, width in enumerate(widths):
        word = "x" * data.draw(st.integers(0, 20))
        spans.append((f"{number} {word}", at, at + width))
        at += width
    placed, left_out = span_names(spans, (0.0, at), len, 2.0, rows)
    boxes = [(n.row, n.middle - len(n.text) / 2, n.middle + len(n.text) / 2, n) for n in placed]
    assert len(placed) + len(left_out) == len(spans)
    for row, left, right, name in boxes:
        assert left >= -1e-6
        assert right <= at + 1e-6
        for other_row, other_left, other_right, other in boxes:
            if other is not name and other_row == row:
                assert right <= other_left + 1e-6 or other_right <= left + 1e-6
            if other.row > row:
                assert not left < other.points_to < right


def test_boxes_meet_and_are_crossed():
    """Touching boxes do not meet; a line that passes a corner outside does not cross."""
    box = Box(0, 0, 10, 10)
    assert box.meets(Box(9, 9, 20, 20))
    assert not box.meets(Box(10, 0, 20, 10))
    assert Box(1, 1, 9, 9).within(box)
    assert not Box(1, 1, 11, 9).within(box)
    assert box.crossed((-5, 5), (15, 5))
    assert box.crossed((5, -5), (5, 15))
    assert box.crossed((3, 3), (4, 4))
    assert not box.crossed((-4, 8), (4, 16))
    assert box.crossed((-4, 4), (4, 12))
    assert not box.crossed((11, -5), (11, 15))


def test_best_place_prefers_no_crossing_and_refuses_other_labels():
    """First free candidate; else the one crossed least; over another label or outside never."""
    plot, way = Box(0, 0, 100, 100), [(0.0, 5.0), (100.0, 5.0)]
    high, low, out = Box(0, 0, 10, 10), Box(0, 20, 10, 30), Box(95, 0, 105, 10)
    assert best_place([high, low], plot, [], [way]) == low
    assert best_place([high], plot, [], [way]) == high
    assert best_place([out], plot, [], []) is None
    assert best_place([low], plot, [Box(5, 25, 6, 26)], []) is None
