"""The screen's one widget: rows of text become one canvas, of which the terminal is sent only the rows that changed.

One widget for the whole screen: forty circuits drawn as columns of texts cost some ten times as much.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping

import urwid

from controller.console.row import Row, fitted, single

Palette = tuple[str, str, str, str | None, str | None, str | None]

# Name, 16 colours (text, ground), mono, 256 colours (text, ground). Every coloured cell sets both; no green: what is
# normal is no news. Contrast at 256 colours: 7.4:1, 11:1, 6.4:1 (computed after WCAG 2).
PALETTE: tuple[Palette, ...] = (
    ("now", "white", "dark red", "standout,bold", "h231", "h124"),
    ("soon", "black", "brown", "bold,underline", "h16", "h214"),
    ("waits", "white", "dark blue", "standout", "h231", "h25"),
    ("shift", "default,bold", "default", "bold", "default,bold", "default"),
    ("replay", "default,bold,standout", "default", "bold,standout", "default,bold,standout", "default"),
)

Runs = list[tuple[Hashable, int]]


class Sheet(urwid.Widget):
    """Draws what `rows_of(width, height)` returns; `refresh` makes it ask again."""

    _sizing = frozenset([urwid.BOX])
    _selectable = True
    no_cache = ("render",)

    def __init__(self, rows_of: Callable[[int, int], list[Row]], *, ascii_only: bool) -> None:
        super().__init__()
        self._rows_of = rows_of
        self._ascii_only = ascii_only

    def refresh(self) -> None:
        """Make the next drawing ask for its rows again."""
        self._invalidate()

    def render(self, size: tuple[()] | tuple[int] | tuple[int, int], focus: bool = False) -> urwid.Canvas:
        """The whole screen as one canvas."""
        width, height = size if len(size) == 2 else (80, 24)
        return canvas(self._rows_of(width, height), width, height, ascii_only=self._ascii_only)

    def keypress(self, size: tuple[()] | tuple[int] | tuple[int, int], key: str) -> str:
        """Every key has been taken before it comes here."""
        return key


def canvas(rows: list[Row], width: int, height: int, *, ascii_only: bool) -> urwid.TextCanvas:
    """Return the rows as a canvas of exactly this size."""
    encoding = "ascii" if ascii_only else "utf-8"
    texts: list[bytes] = []
    attributes: list[Runs] = []
    for one in rows[:height]:
        one = fitted(one, width)
        text = single(one.text, ascii_only=ascii_only).ljust(width)
        texts.append(text.encode(encoding, "replace"))
        attributes.append(_runs(one, text, ascii_only=ascii_only))
    missing = height - len(texts)
    texts += [b" " * width] * missing
    attributes += [[(None, width)]] * missing
    return urwid.TextCanvas(texts, attributes, maxcol=width, check_width=False)


def _runs(one: Row, text: str, *, ascii_only: bool) -> Runs:
    """Return the row's styles as runs, whose lengths count bytes."""
    if not one.spans:
        return [(None, _length(text, ascii_only=ascii_only))]
    runs: Runs = []
    at = 0
    for first, last, style in one.spans:
        if first > at:
            runs.append((None, _length(text[at:first], ascii_only=ascii_only)))
        runs.append((style, _length(text[first:last], ascii_only=ascii_only)))
        at = last
    if at < len(text):
        runs.append((None, _length(text[at:], ascii_only=ascii_only)))
    return runs


def _length(text: str, *, ascii_only: bool) -> int:
    return len(text) if ascii_only or text.isascii() else len(text.encode("utf-8"))


def wants_ascii(environ: Mapping[str, str], encoding: str) -> bool:
    """Whether only ASCII may be sent: the locale is not UTF-8, or the terminal cannot be trusted with more."""
    term = environ.get("TERM", "")
    return "utf" not in encoding.lower() or term in {"", "dumb"} or term.startswith("linux")
