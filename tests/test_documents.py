"""What the documents say of the code holds."""

from __future__ import annotations

import re
from pathlib import Path

from controller.core.table import mermaid
from controller.core.version import CORE

ROOT = Path(__file__).parents[1]


def test_state_diagram_is_the_table():
    """DEVELOPERS.md draws the very table that the core uses."""
    assert mermaid() in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_rooms_named_in_the_map_are_there():
    """Every file or folder that DEVELOPERS.md names in code marks exists."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:profiles|controller|simulator|tests)/[\w/]*(?:\.py)?)`", text))
    assert named
    assert not [name for name in sorted(named) if not (ROOT / name).exists()]


def test_readme_says_the_cautions_before_the_commands():
    """README.md's cautions stand above its first command."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for word in ("not a safety system", "Hydrogen", "Acid into water", "local codes"):
        assert text.lower().index(word.lower()) < text.index("python3 -m venv")


def test_core_number_is_whole():
    """The number of the decisions is a positive whole number."""
    assert isinstance(CORE, int)
    assert CORE >= 1
