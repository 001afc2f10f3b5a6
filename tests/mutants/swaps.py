"""Changes that cosmic-ray does not know: `in` and `not in`, `min` and `max`, `any` and `all`, `+=` and `-=`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from parso.python.tree import Keyword, Operator
from parso.tree import NodeOrLeaf

Span = tuple[tuple[int, int], tuple[int, int]]


@dataclass(frozen=True)
class CallOther:
    """Call another of Python's own functions: `min(...)` for `max(...)`."""

    word: str
    instead: str

    def mutation_positions(self, node: NodeOrLeaf) -> Iterator[Span]:
        """Yield the place of the name, where it is called."""
        called = node.type in {"atom_expr", "power"} and node.children[1].type == "trailer"
        if called and node.children[0].type == "name" and node.children[0].value == self.word:
            yield node.start_pos, node.end_pos

    def mutate(self, node: NodeOrLeaf, index: int) -> NodeOrLeaf:
        """Put the other name in its place."""
        node.children[0].value = self.instead
        return node


@dataclass(frozen=True)
class AddOther:
    """Take away where something is added to a variable, or the other way round."""

    word: str
    instead: str

    def mutation_positions(self, node: NodeOrLeaf) -> Iterator[Span]:
        """Yield the place of the operator."""
        if isinstance(node, Operator) and node.value == self.word:
            yield node.start_pos, node.end_pos

    def mutate(self, node: NodeOrLeaf, index: int) -> NodeOrLeaf:
        """Put the other operator in its place."""
        node.value = self.instead
        return node


@dataclass(frozen=True)
class NotIn:
    """Ask whether something is absent, where it was asked whether it is there."""

    def mutation_positions(self, node: NodeOrLeaf) -> Iterator[Span]:
        """Yield the place of an `in` that compares, not that of a loop."""
        if isinstance(node, Keyword) and node.value == "in" and node.parent.type == "comparison":
            yield node.start_pos, node.end_pos

    def mutate(self, node: NodeOrLeaf, index: int) -> NodeOrLeaf:
        """Make it `not in`."""
        node.value = "not in"
        return node


@dataclass(frozen=True)
class In:
    """Ask whether something is there, where it was asked whether it is absent."""

    def mutation_positions(self, node: NodeOrLeaf) -> Iterator[Span]:
        """Yield the place of `not in`."""
        if node.type == "comp_op" and node.children[0].value == "not":
            yield node.start_pos, node.end_pos

    def mutate(self, node: NodeOrLeaf, index: int) -> NodeOrLeaf:
        """Make it `in`."""
        node.children[0].value = ""
        return node


SWAPS = {
    "ReplaceMinWithMax": CallOther("min", "max"),
    "ReplaceMaxWithMin": CallOther("max", "min"),
    "ReplaceAnyWithAll": CallOther("any", "all"),
    "ReplaceAllWithAny": CallOther("all", "any"),
    "ReplaceInPlace_Add_Sub": AddOther("+=", "-="),
    "ReplaceInPlace_Sub_Add": AddOther("-=", "+="),
    "ReplaceInWithNotIn": NotIn(),
    "ReplaceNotInWithIn": In(),
}
