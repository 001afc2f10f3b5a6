"""The help page: all of it on one page of the smallest usual screen, and the four cautions on it."""

from __future__ import annotations

import random
from dataclasses import replace

import pictures
import pytest

from controller.console import help as page
from controller.texts.help import TEXTS
from controller.words import Say


def texts(width=80, height=18, **place):
    return [row.text for row in page.rows(pictures.scene(pictures.picture(), **place), width, height)]


def test_all_of_it_fits_eighty_columns_and_eighteen_rows():
    """No line is wrapped, cut or left out, and the catalogue holds no line that is not shown."""
    lines = texts()
    assert sorted(lines) == sorted(TEXTS.values())
    assert len(lines) <= 18
    assert set(page.LINES) == set(TEXTS)


def test_first_line_says_what_it_is_not():
    """Nobody takes a console for the red button."""
    assert texts()[0].startswith("This is NOT the emergency stop")


@pytest.mark.parametrize(
    ("caution", "named"),
    [
        ("ACID", ("goggles", "gloves", "apron", "shower")), ("HYDROGEN", ("no spark", "air first")),
        ("VOLTS", ("300 V DC stay on a string with the rectifier off",)), ("LEAD", ("wash hands",)),
    ],
)  # fmt: skip
def test_cautions_are_whole(caution, named):
    """Each of the four hazards with what it asks for."""
    (line,) = (each for each in texts() if each.startswith(f"{caution}:"))
    assert all(word in line for word in named)


def test_marks_priorities_and_keys_are_explained():
    """Every mark of an alarm, each priority, and the keys of the frame."""
    whole = " ".join(texts())
    for part in ("* new", "! acknowledged", "~ gone", "# latched", "1 NOW", "2 SOON", "3 SHIFT", "STOP/HOLD"):
        assert part in whole
    assert "NOT ISOLATION" in whole


def test_longer_words_wrap_and_scroll():
    """Two fifths longer it is longer than the body; scrolling reaches the last line."""
    made = pictures.scene(pictures.picture(), cursor=50)
    long = replace(made, say=Say(lambda text: text + " word" * (len(text) * 2 // 25)))
    shown = page.rows(long, 80, 18)
    assert len(shown) == 18
    assert shown[-1].text.startswith(("LEAD", "  "))
    assert "word" in shown[-1].text
    assert page.rows(replace(long, place=replace(long.place, cursor=0)), 80, 18)[0].text.startswith("This is NOT")


def test_any_size_never_raises_and_never_is_wider():
    """At any size, wherever it was scrolled to."""
    chance = random.Random(2)
    for _ in range(200):
        width, height = chance.randint(1, 300), chance.randint(1, 100)
        found = page.rows(pictures.any_scene(chance), width, height)
        assert len(found) <= height
        assert all(len(row.text) <= width for row in found)
