"""One row of a screen: its characters, and which of them carry a style. Every character fills exactly one column.

Colour never stands alone and only on few cells: the styles are those of `STYLES`, everything else keeps the terminal's
own colours.
"""

from __future__ import annotations

import textwrap
import unicodedata
from dataclasses import dataclass

from controller.texts.replay import THEN

STYLES = ("now", "soon", "waits", "shift", "replay")
"""Priority 1; priority 2, derate, late; waits for a person (also BLOCKED, PURGE); priority 3 and stale values; the word
REPLAY."""

Part = str | tuple[str, str]


@dataclass(frozen=True, slots=True)
class Row:
    """`spans`: (first column, column behind the last, style), in order, without overlap."""

    text: str = ""
    spans: tuple[tuple[int, int, str], ...] = ()


BLANK = Row()


def row(*parts: Part) -> Row:
    """Return a row of its parts: plain text, or (style, text)."""
    text, spans = "", []
    for part in parts:
        style, words = ("", part) if isinstance(part, str) else part
        if style and words:
            spans.append((len(text), len(text) + len(words), style))
        text += words
    return Row(text, tuple(spans))


def fitted(one: Row, width: int) -> Row:
    """Return the row in at most `width` columns; a cut one ends in `~`, so that nobody takes it for whole."""
    if len(one.text) <= width:
        return one
    spans = tuple((first, min(last, width), style) for first, last, style in one.spans if first < width)
    return Row(one.text[: max(0, width - 1)] + "~" if width > 0 else "", spans)


def beside(left: Row, right: Row, column: int) -> Row:
    """Return two rows as one: the left one fitted before `column`, the right one from there."""
    cut = fitted(left, max(0, column - 1))
    shifted = tuple((first + column, last + column, style) for first, last, style in right.spans)
    return Row(cut.text.ljust(column) + right.text, (*cut.spans, *shifted))


def wrapped(text: str, width: int, indent: str = "", most: int = 4) -> list[Row]:
    """Return a text in at most `most` rows, the later ones set in by `indent`; a cut one ends in `~`."""
    # Never the end of a row: in a replay no advice stands first in one without its word.
    kept = text.replace(THEN, THEN.replace(" ", "\0"))
    broken = textwrap.wrap(kept, max(8, width), subsequent_indent=indent, break_on_hyphens=False) or [""]
    lines = [line.replace("\0", " ") for line in broken]
    if len(lines) > most:
        lines = lines[:most]
        lines[-1] = lines[-1][: width - 1] + "~"
    return [Row(line) for line in lines]


_SWAPS = {"°": " ", "Ω": "R", "±": "~", "─": "-", "–": "-", "’": "'", "“": '"', "”": '"'}


def single(text: str, *, ascii_only: bool) -> str:
    """Return the text with each character exactly one column wide, so that columns stay aligned.

    What came from outside may hold anything: wide, combining and unknown characters become `.`, and with `ascii_only`
    a letter loses its accent.
    """
    if text.isascii():
        return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)
    return "".join(_single(character, ascii_only) for character in text)


def _single(character: str, ascii_only: bool) -> str:
    if character.isascii():
        return character if character.isprintable() else " "
    if ascii_only:
        base = _SWAPS.get(character) or unicodedata.normalize("NFKD", character)[0]
        return base if base.isascii() and base.isprintable() else "."
    # Ambiguous-width characters are two columns wide on some terminals.
    plain = unicodedata.east_asian_width(character) in {"N", "Na", "H"} and unicodedata.category(character)[0] in "LNPS"
    latin = character in "°±ÄÖÜäöüßàáâéèêíìóòúùñçåæøÅÆØ"
    return character if plain or latin else "."
