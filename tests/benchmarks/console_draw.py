"""How long the console takes to draw, beside the obvious way to build it, in one run and into one pseudo-terminal.

    python tests/benchmarks/console_draw.py [--short]

Forty circuits. The peer is a Pile of forty Columns of ten Texts, all of them set and drawn. Ours is timed twice: from
rows of text to the terminal, as the peer is, and from a picture that was never drawn before, with every figure worked
out. Times are medians. Exit 1 where drawing takes more than a tenth of the peer's time, sends more than 6 kB for
everything or 200 bytes for one changed row, or where working out and drawing takes more than half the peer's time.
"""

from __future__ import annotations

import argparse
import os
import pty
import statistics
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import urwid
from urwid.display.raw import Screen

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "console")]

import pictures

from controller.console.app import App, Taste
from controller.console.scene import BathSeen
from controller.console.sheet import PALETTE, Sheet
from controller.words import Say

WIDTH, HEIGHT = 120, 50
CIRCUITS = 40
MOST_RATIO, MOST_WHOLE, MOST_BYTES, MOST_ROW_BYTES = 0.1, 0.5, 6000, 200


class Sink:
    """A pseudo-terminal's other end, always read, its bytes counted."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        self.bytes = 0
        self.quiet = threading.Event()
        threading.Thread(target=self._drain, daemon=True).start()

    def _drain(self) -> None:
        while data := os.read(self.master, 65536):
            self.bytes += len(data)

    def screen(self) -> Screen:
        """A screen that draws into it."""
        made = Screen(
            input=os.fdopen(os.dup(self.slave), "r"), output=os.fdopen(os.dup(self.slave), "w"),
            bracketed_paste_mode=True, focus_reporting=False,
        )  # fmt: skip
        made.set_terminal_properties(colors=256)
        made.register_palette(PALETTE)
        made.start()
        return made

    def sent(self, do: Callable[[], None]) -> int:
        """Bytes that `do` sends."""
        self._drained()
        before = self.bytes
        do()
        self._drained()
        return self.bytes - before

    def _drained(self) -> None:
        """Wait until nothing more comes."""
        seen = -1
        while self.bytes != seen:
            seen = self.bytes
            self.quiet.wait(0.05)


def peer(sink: Sink) -> Callable[[int], None]:
    """Forty Columns of ten Texts."""
    texts = [[urwid.Text("") for _ in range(10)] for _ in range(CIRCUITS)]
    pile = urwid.Filler(urwid.Pile([urwid.Columns([(12, cell) for cell in line]) for line in texts]), "top")
    screen = sink.screen()

    def draw(turn: int) -> None:
        for at, line in enumerate(texts):
            for column, cell in enumerate(line):
                cell.set_text(f"{at:02d} {column} {(turn * 7 + at * column) % 1000:05d}")
        screen.draw_screen((WIDTH, HEIGHT), pile.render((WIDTH, HEIGHT), focus=True))

    return draw


def baths(turn: int, page: str) -> tuple[BathSeen, ...]:
    """Forty circuits with other values each turn: one bath for its own page, four for the hall."""
    names = [f"A{number:02d}" for number in range(1, CIRCUITS + 1)]
    groups = [names] if page == "bath" else [names[first : first + 10] for first in range(0, CIRCUITS, 10)]
    seen: list[BathSeen] = []
    for at, group in enumerate(groups):
        circuits = [
            pictures.circuit(
                name,
                current_A=pictures.reading(9.0 + (turn * 3 + index) % 40 / 10.0),
                probes_C=[pictures.reading(35.0 + (turn * 7 + index) % 90 / 10.0)],
            )
            for index, name in enumerate(group)
        ]
        seen += pictures.scene(pictures.picture(circuits, bath="ABCD"[at])).baths
    return tuple(seen)


def ours(sink: Sink, page: str, prepared: list[tuple[BathSeen, ...]]) -> tuple[App, Callable[[int], None]]:
    """The console's own screen on a page of forty circuits; a picture is parsed beforehand, as a message is once."""
    app, turns = App(Taste(Say(), None, still=True)), len(prepared)
    app.look(prepared[0], None, ())
    app.place = replace(app.place, page=page, bath="A", circuit="A03")
    sheet = Sheet(lambda width, height: app.rows(width, height, 1.0), ascii_only=False)
    screen = sink.screen()

    def draw(turn: int) -> None:
        app.look(prepared[turn % turns], None, ())
        sheet.refresh()
        screen.draw_screen((WIDTH, HEIGHT), sheet.render((WIDTH, HEIGHT), focus=True))

    return app, draw


def drawing(sink: Sink, app: App, prepared: list[tuple[BathSeen, ...]]) -> Callable[[int], None]:
    """From rows that are ready to the terminal: what the widgets and the screen cost."""
    screens = []
    for seen in prepared:
        app.look(seen, None, ())
        screens.append(app.rows(WIDTH, HEIGHT, 1.0))
    turn_of = [0]
    sheet = Sheet(lambda *_: screens[turn_of[0] % len(screens)], ascii_only=False)
    screen = sink.screen()

    def draw(turn: int) -> None:
        turn_of[0] = turn
        sheet.refresh()
        screen.draw_screen((WIDTH, HEIGHT), sheet.render((WIDTH, HEIGHT), focus=True))

    return draw


def timed_ms(draw: Callable[[int], None], turns: int) -> list[float]:
    """How long each turn took."""
    taken = []
    for turn in range(turns):
        begin = time.perf_counter()
        draw(turn)
        taken.append((time.perf_counter() - begin) * 1000.0)
    return taken


def main() -> int:
    """Measure, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="fewer turns")
    turns = 40 if parser.parse_args().short else 300
    sink = Sink()
    theirs = peer(sink)
    theirs(0)
    wrong = []
    columns_ms = statistics.median(timed_ms(theirs, turns))
    print(f"columns of texts, 40 x 10: {columns_ms:.2f} ms, {sink.sent(lambda: theirs(turns + 1))} bytes")
    for page in ("bath", "hall"):
        prepared = [baths(turn, page) for turn in range(turns + 1)]
        app, whole = ours(sink, page, prepared)
        whole_ms = statistics.median(timed_ms(whole, turns))
        draw = drawing(sink, app, prepared)
        draw(0)
        draw_ms = statistics.median(timed_ms(draw, turns))
        all_bytes = sink.sent(lambda draw=draw: draw(turns // 2))
        whole(0)
        row_bytes = sink.sent(lambda app=app, whole=whole: one_row(app, whole))
        print(
            f"{page}: drawing {draw_ms:.2f} ms, {draw_ms / columns_ms:.3f} of the peer; with every figure worked out "
            f"{whole_ms:.2f} ms, {whole_ms / columns_ms:.3f}; all rows {all_bytes} bytes, one row {row_bytes} bytes"
        )
        wrong += [f"{page}: drawing takes too long"] if draw_ms > MOST_RATIO * columns_ms else []
        wrong += [f"{page}: working out takes too long"] if whole_ms > MOST_WHOLE * columns_ms else []
        wrong += [f"{page}: {all_bytes} bytes"] if all_bytes > MOST_BYTES else []
        wrong += [f"{page}: {row_bytes} bytes for a row"] if row_bytes > MOST_ROW_BYTES else []
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong else 0


def one_row(app: App, draw: Callable[[int], None]) -> None:
    """Draw again with one circuit's temperature changed."""
    seen = app.scene(1.0).baths
    picture = seen[0].picture
    if picture is None:
        raise RuntimeError("no picture")
    first = picture.circuits[0]
    warmer = first.probes_C[0]._replace(number=51.1)
    circuits = (first.model_copy(update={"probes_C": (warmer,)}), *picture.circuits[1:])
    changed = replace(seen[0], picture=picture.model_copy(update={"circuits": circuits}))
    kept = app.look
    kept((changed, *seen[1:]), None, ())
    app.look = lambda *_: None
    draw(0)
    app.look = kept


if __name__ == "__main__":
    sys.exit(main())
