"""Every small change ("mutant") that could be made to a piece of source, and the source with one of them made.

The changes are cosmic-ray's operators, driven here without its session: other operators, other comparisons, numbers
one up or down, `and` for `or`, `not` added or taken away, a loop that never turns, a decorator gone; and those of
`swaps.py`. What cannot change a decision is left out: docstrings, annotations, imports, `__slots__`, what only type
checkers read.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import takewhile
from pathlib import Path

import cosmic_ray.plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from parso.python.tree import Name, Newline, PythonLeaf, String
from swaps import SWAPS

Place = tuple[int, int]


@dataclass(frozen=True)
class Mutant:
    """The `occurrence`-th place of a file at which an operator can act; `line` is where that is."""

    file: str
    operator: str
    occurrence: int
    line: int


@dataclass(frozen=True)
class Change:
    """What a mutant does to its file: the whole new source, and the changed lines for people."""

    source: str
    before: str
    after: str


ALWAYS_THE_SAME = ("ReplaceComparisonOperator_Is_Eq", "ReplaceComparisonOperator_IsNot_NotEq")
"""`is` stands before None, True, False and members of enumerations only, which equal nothing but themselves."""


@cache
def operators() -> dict[str, object]:
    """Return all operators that need no argument, by name; those with one change variables by chance."""
    named = {name: cosmic_ray.plugins.get_operator(name) for name in cosmic_ray.plugins.operator_names()}
    general = {name.partition("/")[2]: kind() for name, kind in sorted(named.items()) if not kind.arguments()}
    for name in ALWAYS_THE_SAME:
        del general[name]
    return general | SWAPS


def _unread(node: ast.AST) -> Iterator[ast.AST | None]:
    """The parts of one node that no decision reads."""
    if isinstance(node, ast.Import | ast.ImportFrom):
        yield node
    elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        yield node.returns
    elif isinstance(node, ast.arg):
        yield node.annotation
    elif isinstance(node, ast.AnnAssign):
        yield node.annotation
        yield node.value if ast.unparse(node.annotation).endswith("TypeAlias") else None
    elif (isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__slots__") or (
        isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")
    ):
        yield node
    elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("dataclass"):
        yield from (keyword.value for keyword in node.keywords if keyword.arg == "slots")
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        yield node


def unread_spans(source: str) -> list[tuple[Place, Place]]:
    """Return from where to where the source holds what no decision reads; columns in characters."""
    lines = [line.encode() for line in source.splitlines()]

    def place(line: int, column: int) -> Place:
        return line, len(lines[line - 1][:column].decode())

    parts = [part for node in ast.walk(ast.parse(source)) for part in _unread(node) if part is not None]
    return [(place(p.lineno, p.col_offset), place(p.end_lineno, p.end_col_offset)) for p in parts]


def mutants_of(name: str, source: str) -> list[Mutant]:
    """Return all mutants of one file, in the order of its text."""
    spans, count, found = unread_spans(source), Counter(), []
    for node in ast_nodes(get_ast(source)):
        if isinstance(node, Name | String | Newline) or (isinstance(node, PythonLeaf) and node.value in ".,:()[]="):
            continue  # no operator has a place here, and most of a text is made of these
        for operator, acts in operators().items():
            for start, _ in acts.mutation_positions(node):
                if not any(begin <= start < end for begin, end in spans):
                    found.append(Mutant(name, operator, count[operator], start[0]))
                count[operator] += 1
    return sorted(found, key=lambda mutant: (mutant.line, mutant.operator, mutant.occurrence))


def list_mutants(root: Path, names: list[str]) -> list[Mutant]:
    """Return all mutants of these files, named from the root."""
    return [mutant for name in names for mutant in mutants_of(name, (root / name).read_text(encoding="utf-8"))]


def _differing(before: list[str], after: list[str]) -> tuple[str, str]:
    """The lines in which two texts differ, from the first to the last, each as one line."""
    head = len(list(takewhile(lambda pair: pair[0] == pair[1], zip(before, after, strict=False))))
    before, after = before[head:], after[head:]
    pairs = zip(reversed(before), reversed(after), strict=False)
    tail = len(list(takewhile(lambda pair: pair[0] == pair[1], pairs)))
    parts = before[: len(before) - tail], after[: len(after) - tail]
    return tuple(" ".join(line.strip() for line in part) for part in parts)


def change_of(source: str, mutant: Mutant) -> Change | None:
    """Return what the mutant makes of the source; None where that is no Python, or the same Python."""
    changed = mutate_code(source, operators()[mutant.operator], mutant.occurrence)
    try:
        same = changed is None or ast.dump(ast.parse(changed)) == ast.dump(ast.parse(source))
    except SyntaxError:
        return None
    if same:
        return None
    before, after = _differing(source.splitlines(), changed.splitlines())
    return Change(changed, before, after)
