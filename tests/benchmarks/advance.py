"""How long a step of many batteries takes, beside what its calls of numpy cost by themselves.

    python tests/benchmarks/advance.py [--short]

The calls of one step are counted truly: every array that goes in tells each operation that reaches it, what kind of
work it is (transcendental, division, all else) and how many numbers come out. What such a call costs at that size is
measured in the same run, with fresh arrays, ours and the peer taking turns, in time of the processor, so that other
programs do not count; figures are medians over rounds. Exit 1 where a step of 1,000 or 10,000 batteries costs more than
1.3 times its calls.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from simulator.cell import advance
from simulator.parameters import ARRAYS, Array, Cells, Spread, build_cells
from simulator.rows import new_state

SIZES = (1_000, 10_000)
MOST = 1.3
CURRENT_A, DT_S = 9.0, 15.0
SLOW_ONES = {"exp", "expm1", "log10", "sinh"}
COUNTED: Counter[tuple[str, int]] = Counter()
Key = tuple[str, int]


class Telling(np.ndarray[Any, np.dtype[np.float64]]):
    """An array that counts each operation it takes part in, and whose results count on."""

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, out: Any = None, **keywords: Any) -> Any:
        if out is not None:
            keywords["out"] = tuple(plain(one) for one in out)
        found = getattr(ufunc, method)(*(plain(one) for one in inputs), **keywords)
        kind = "exp" if ufunc.__name__ in SLOW_ONES else "divide" if ufunc.__name__ == "divide" else "simple"
        size = inputs[0].size if method == "reduce" else np.size(found)
        COUNTED[kind, size] += 1
        return telling(found)

    def __array_function__(self, func: Callable[..., Any], types: Iterable[Any], args: Any, kwargs: Any) -> Any:
        found = func(*(plain(one) for one in args), **{key: plain(one) for key, one in kwargs.items()})
        if func is not np.empty_like:
            COUNTED["simple", found.size] += 1
        return telling(found)

    def __setitem__(self, key: Any, value: Any) -> None:
        COUNTED["simple", np.size(plain(value))] += 1
        plain(self)[key] = plain(value)


def plain(value: Any) -> Any:
    return value.view(np.ndarray) if isinstance(value, Telling) else value


def telling(value: Any) -> Any:
    return value.view(Telling) if isinstance(value, np.ndarray) and value.dtype == np.float64 else value


def hall(batteries: int) -> tuple[Cells, Array]:
    """So many batteries that differ, well past their first minutes, with a stationary current: what most steps are."""
    cells = build_cells(
        np.full(batteries, 60.0), np.full(batteries, 6.0), spread=Spread(), random=np.random.default_rng(1)
    )
    state = new_state(cells)
    for current_A, count in ((0.0, 60), (3.0, 30), (CURRENT_A, 240)):
        for _ in range(count):
            state, _ = advance(cells, state, current_A, 30.0, 60.0, 22.0)
    return cells, state


def count_calls(cells: Cells, state: Array) -> Counter[Key]:
    """The calls of one step by kind and number of results."""
    watched = replace(cells, **{name: telling(getattr(cells, name)) for name in ARRAYS})
    COUNTED.clear()
    after, _ = advance(watched, telling(state), CURRENT_A, 30.0, DT_S, 22.0)
    counted = Counter(COUNTED)
    ours, _ = advance(cells, state, CURRENT_A, 30.0, DT_S, 22.0)
    if not (plain(after) == ours).all():
        raise SystemExit("the counted step is not the step")
    return counted


def ten_calls(kind: str, size: int) -> Callable[[], tuple[Array, ...]]:
    """Ten typical calls of this kind with fresh arrays: what one made the next takes, all ten stay until the end."""
    random = np.random.default_rng(size)
    a, b = random.uniform(0.9, 1.1, size), random.uniform(0.9, 1.1, size)

    def exponentials() -> tuple[Array, ...]:
        return tuple(np.exp(one) for one in (a, b, a, b, a, b, a, b, a, b))

    def divisions() -> tuple[Array, ...]:
        c, d = a / b, b / a
        e, f, g, h = c / d, d / c, c / b, d / a
        return c, d, e, f, g, h, e / f, f / g, g / h, h / e

    def simple() -> tuple[Array, ...]:
        c, d = a * b, a + b
        e, f, g, h = c * d, d + c, c * b, d + a
        return c, d, e, f, g, h, e * f, f + g, g * h, h + e

    return {"exp": exponentials, "divide": divisions, "simple": simple}[kind]


def seconds(call: Callable[[], object], repeats: int) -> float:
    start = time.process_time()
    for _ in range(repeats):
        call()
    return (time.process_time() - start) / repeats


def measure(batteries: int, rounds: int) -> float:
    """Print all figures of one size and return how many times its calls a step costs."""
    cells, state = hall(batteries)
    counted = count_calls(cells, state)
    calls = {key: ten_calls(*key) for key in counted}
    steps, costs = [], []
    for _ in range(rounds):
        steps.append(seconds(lambda: step(cells, state), max(1, 40_000 // batteries)))
        costs.append({key: seconds(call, max(4, 40_000 // key[1])) / 10.0 for key, call in calls.items()})
    cost = {key: statistics.median(one[key] for one in costs) for key in counted}
    total = sum(number * cost[key] for key, number in counted.items())
    took = statistics.median(steps)
    print(f"{batteries} batteries: a step {took * 1e6:.0f} us, {took * 1e9 / batteries:.0f} ns a battery")
    for key in sorted(counted):
        print(f"  {counted[key]:>4} x {key[0]:<7} of {key[1]:>6} at {cost[key] * 1e6:8.2f} us")
    print(f"  {sum(counted.values())} calls, together {total * 1e6:.0f} us: a step costs {took / total:.2f} of that")
    return took / total


def step(cells: Cells, state: Array) -> None:
    advance(cells, state, CURRENT_A, 30.0, DT_S, 22.0)


def settle_heap() -> None:
    """Give one large block back: from then on the C library keeps what is freed, instead of handing every few arrays'
    worth to the system and asking for it again, which is half of a step's time and hangs on what ran before.
    """
    block = np.ones(3_000_000)
    del block


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--short", action="store_true", help="fewer rounds")
    settle_heap()
    rounds = 5 if parser.parse_args().short else 25
    shares = [measure(batteries, rounds) for batteries in SIZES]
    good = all(share <= MOST for share in shares)
    print(f"at most {MOST:.1f} of its calls: {'held' if good else 'NOT HELD'}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
