"""Sentences stand in the catalogue, not in the pages: what is written there could not be translated."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOM = Path(__file__).parents[2] / "controller" / "console"
# Said about the program itself before or after there is a screen, as every command's messages are.
COMMAND_LINE = {"commands.py"}
WORDS = re.compile(r"[A-Za-z]{2,} [A-Za-z]{2,}")


def literals(file: Path) -> list[str]:
    """Every text in the module that is neither a docstring nor part of an exception, nor a key that urwid names."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    quiet: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            quiet.add(id(node.value))
        if isinstance(node, ast.Raise):
            quiet |= {id(each) for each in ast.walk(node)}
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("Unreachable", "BadPicture")):
            quiet |= {id(each) for each in ast.walk(node)}
    found = (node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str))
    return [node.value for node in found if id(node) not in quiet]


KEYS = {
    "page up", "page down", "begin paste", "end paste", "window resize", "mouse press", "ctrl l", "no answer",
    "start all", "resume all", "note bath", "reset bath", "dark red", "dark blue", "shift tab",
}  # fmt: skip


@pytest.mark.parametrize("file", sorted(ROOM.glob("*.py")), ids=lambda file: file.name)
def test_no_page_holds_a_sentence(file):
    """Two words beside each other in a literal are a sentence that belongs to the catalogue."""
    if file.name in COMMAND_LINE:
        return
    found = [text for text in literals(file) if WORDS.search(text) and text not in KEYS]
    assert found == []
