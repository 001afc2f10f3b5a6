"""The golden screens: drawn anew from the kept pictures. `golden.py` makes both."""

from __future__ import annotations

import re

import golden
import pytest

CUT = re.compile(r"\S~(?=\s|$)| ~$")
NAME_CUT = re.compile(r"\b(maint|night)[a-z ]*~")
"""Who blocked: a person's name may be cut."""

STILL_CUT = (r"^[ >]\d\d [\d:]+ A\d\d (event|alarm|order) ",)
"""Sentences that hall, bath, circuit and events cut at 80 columns today; a line may only be taken out of here."""


@pytest.mark.parametrize(("moment", "screen", "width", "height"), list(golden.screens()))
def test_screen_is_as_kept(moment, screen, width, height):
    """Each page and dialogue of a moment is drawn exactly as its file shows it."""
    text = golden.text_of(golden.drawn(golden.read(moment), screen, width, height))
    assert text == golden.path_of(moment, screen, width, height).read_text(encoding="utf-8"), golden.__doc__


@pytest.mark.parametrize(("moment", "screen", "width", "height"), list(golden.screens()))
def test_screen_fits_its_columns(moment, screen, width, height):
    """Every screen has all its rows, none wider than the terminal, in ASCII, and says that its plant is virtual."""
    rows = golden.drawn(golden.read(moment), screen, width, height)
    assert len(rows) == height
    assert max(len(row.text) for row in rows) <= width
    assert all(row.text.isascii() and row.text.isprintable() for row in rows)
    assert "DEMO" in rows[0].text


def cut_lines() -> list[str]:
    """Every line of the small screens that was cut, but for those cut in a person's name."""
    return [
        row.text.rstrip()
        for moment, screen, width, height in golden.screens()
        if width == golden.SIZES[0][0]
        for row in golden.drawn(golden.read(moment), screen, width, height)
        if CUT.search(row.text.rstrip()) and not NAME_CUT.search(row.text)
    ]


def test_no_sentence_is_cut_at_80_columns():
    """Nothing that the demo says is cut on a small terminal, but for what is listed above; and that list is true."""
    cut = cut_lines()
    assert [line for line in cut if not any(re.search(known, line) for known in STILL_CUT)] == []
    assert [known for known in STILL_CUT if not any(re.search(known, line) for line in cut)] == []


def test_no_file_is_left_over():
    """The folder holds the screens and pictures that the command makes, and nothing else."""
    wanted = {golden.path_of(*each).name for each in golden.screens()} | {f"{each}.json" for each in golden.SCREENS}
    assert {path.name for path in golden.FOLDER.iterdir()} == wanted
