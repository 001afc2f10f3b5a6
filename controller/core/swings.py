"""How often a history of amounts turned back: for hunting rectifiers and arcing clamps."""

from __future__ import annotations

History = tuple[tuple[int, float], ...]


def span(history: History) -> float:
    """Return the distance from the least to the greatest amount; zero for an empty history."""
    if len(history) < 2:
        return 0.0
    amounts = [amount for _, amount in history]
    return max(amounts) - min(amounts)


def reversals(history: History, least: float) -> int:
    """Return how often the amounts turned back by at least `least`; smaller movements are noise."""
    turns, way = 0, 0
    low = high = history[0][1] if history else 0.0
    for _, amount in history:
        low, high = min(low, amount), max(high, amount)
        if way >= 0 and high - amount >= least:
            turns += way
            way, low = -1, amount
        elif way <= 0 and amount - low >= least:
            turns -= way
            way, high = 1, amount
    return turns


def lately(history: History, now_ms: int, keep_ms: int) -> History:
    """Return the part of a history that is not older than `keep_ms`."""
    return tuple(entry for entry in history if now_ms - entry[0] <= keep_ms)
