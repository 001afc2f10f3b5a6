"""Which tests look at a file: those that carry its name, import it, or speak of what it defines.

Nothing is listed by hand, so that a new law and its tests find each other.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

FIRST_S = 2.0
"""How much time the first round of tests may take unmutated; own choice: most mutants fall within it."""


def words_of(name: str, source: str) -> set[str]:
    """Return the words by which a test can speak of a file: its module, what it defines in public, its laws' codes."""
    words = {name.removesuffix(".py").replace("/", ".")}
    for node in ast.parse(source).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            words.add(node.name)
    for node in ast.walk(ast.parse(source)):
        named = isinstance(node, ast.Call) and ast.unparse(node.func) == "Law" and node.args
        if named and isinstance(node.args[0], ast.Constant):
            words.add(str(node.args[0].value))
    return words


def ranking(name: str, source: str, tests: dict[str, str], seconds: dict[str, float]) -> list[tuple[str, bool]]:
    """Return the test files, the nearest first, and whether each speaks of the file at all.

    `tests`: text by name; `seconds`: how long each takes unmutated.
    """
    words = words_of(name, source)
    rule = re.compile("|".join(rf"(?<![\w.]){re.escape(word)}\b" for word in sorted(words)))
    package, _, module = name.removesuffix(".py").replace("/", ".").rpartition(".")
    imported = re.compile(rf"from {re.escape(package)} import [^\n]*\b{module}\b")
    stem = "_".join(Path(name).with_suffix("").parts[-2:])  # laws_probe, core_limits

    def key(test: str) -> tuple[bool, int, float]:
        told = len(set(rule.findall(tests[test]))) + bool(imported.search(tests[test]))
        return not Path(test).stem.endswith(stem), -told, seconds[test]

    ranked = sorted(tests, key=key)
    return [(test, key(test)[:2] != (True, 0)) for test in ranked]


def rounds(name: str, source: str, tests: dict[str, str], seconds: dict[str, float]) -> list[list[str]]:
    """Return the tests for a file in two rounds: the nearest that fit into `FIRST_S`, then all others, quick first."""
    first, spent = [], 0.0
    for test, near in ranking(name, source, tests, seconds):
        if near and (not first or spent + seconds[test] <= FIRST_S):
            first.append(test)
            spent += seconds[test]
    rest = sorted((test for test in tests if test not in first), key=lambda test: seconds[test])
    return [part for part in (first, rest) if part]
