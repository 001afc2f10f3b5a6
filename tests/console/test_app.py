"""The console as a whole without a terminal: keys in, screens and orders out."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from datetime import UTC

import pictures
import pytest

from controller.console.app import IDLE_S, Announced, App, Pace, Quit, Taste
from controller.console.prompt import Prompt, Wanted
from controller.console.scene import BathSeen, Scene
from controller.words import Say

ENERGY = {"start", "resume", "reset", "unblock"}
KEYS = (
    *"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 ?/,.+-=:", "enter", "esc", "up", "down", "left",
    "right", "page up", "page down", "home", "end", "backspace", "tab", "f1", "ctrl l", "meta s", "delete", "shift tab",
)  # fmt: skip


class Desk:
    """A console on given baths, whose time is handed in."""

    def __init__(self, seen: tuple[BathSeen, ...], width: int = 80, height: int = 24) -> None:
        self.app = App(Taste(Say(), UTC, still=True))
        self.seen = seen
        self.now_s = 100.0
        self.size = (width, height)
        self.out: list[object] = []
        self.draw()

    def draw(self) -> list[str]:
        self.app.look(self.seen, None, ())
        return [row.text for row in self.app.rows(*self.size, self.now_s)]

    @property
    def text(self) -> str:
        return "\n".join(self.draw())

    def press(self, *keys: str) -> None:
        """Each key in a read of its own, a moment apart, with a drawing between, as at a terminal."""
        for key in keys:
            self.now_s += 0.2
            self.out += self.app.read([key], self.now_s)
            self.draw()

    def type(self, text: str) -> None:
        self.press(*text)

    def orders(self) -> list[Wanted]:
        return [each for each in self.out if isinstance(each, Wanted)]

    def show(self, scene: Scene) -> None:
        self.seen = scene.baths
        self.draw()


def hall(**over) -> Desk:
    return Desk(pictures.forty().baths, **over)


def test_every_screen_is_exactly_the_terminal():
    """Whatever the size, as many rows as it has and none wider; from 300 x 100 down to 40 x 8."""
    for width, height in ((80, 24), (120, 40), (200, 60), (300, 100), (40, 8), (40, 24), (300, 8)):
        desk = hall(width=width, height=height)
        for page in "hbtaeol?":
            desk.press({"b": "enter"}.get(page, page))
            rows = desk.draw()
            assert len(rows) == height
            assert max(map(len, rows)) <= width


def test_two_keys_to_the_circuit_of_the_first_alarm_from_every_page():
    """`a` then Enter opens the circuit of what is first to be done, wherever the person is."""
    for page in ("h", "o", "e", "?", "l", "t"):
        desk = hall()
        desk.press(page, "a", "enter")
        assert desk.app.place.page == "circuit"
        assert desk.app.place.circuit == "A07"


def test_enter_goes_deeper_and_esc_comes_back():
    """Hall, bath, circuit, trend, and back the same way."""
    desk = hall()
    pages = []
    for key in ("enter", "enter", "enter", "esc", "esc", "esc"):
        desk.press(key)
        pages.append(desk.app.place.page)
    assert pages == ["bath", "circuit", "trend", "circuit", "bath", "hall"]


def test_the_first_lines_and_the_keys_stand_on_every_page_and_under_every_dialogue():
    """Path and clock, services, the first alarm, and the two key lines are never covered."""
    for page in ("h", "enter", "a", "e", "o", "l", "?", "t"):
        for dialogue in ((), ("s",), ("n",), ("g",)):
            desk = hall()
            desk.press(page, *dialogue)
            rows = desk.draw()
            assert "02:14:31" in rows[0]
            assert "answer" in rows[1]
            assert "A07" in rows[2]
            assert "s STOP/HOLD" in rows[-1]


@pytest.mark.parametrize("page", ["h", "enter", "e", "o", "l", "?", "t"])
def test_s_and_enter_hold_the_selected_circuit_from_every_page(page):
    """Two keys, and for every user; the selection is the one that was there before."""
    desk = hall()
    desk.press("g", *"b03", "enter")
    desk.press(page, "s", "enter")
    (order,) = desk.orders()
    assert (order.verb, order.target, order.bath) == ("hold", "B03", "B")


def test_on_the_alarms_page_s_means_the_marked_alarms_circuit():
    """What is marked is what is held: the circuit of the alarm at the cursor, not one that was selected elsewhere."""
    desk = hall()
    desk.press("g", *"b03", "enter", "a", "s", "enter")
    assert [(order.verb, order.target, order.bath) for order in desk.orders()] == [("hold", "A07", "A")]


def test_in_a_dialogue_s_means_its_circuit():
    """Whatever is selected: the dialogue that is open names the circuit."""
    desk = hall()
    desk.press("g", *"a08", "enter", "o", "enter")
    assert desk.app.prompt is not None
    target = desk.app.prompt.targets[0]
    desk.app.place = replace(desk.app.place, circuit="C01", bath="C")
    desk.press("s", "enter")
    assert [(order.verb, order.target) for order in desk.orders()] == [("hold", target)]


def test_two_baths_of_one_name_are_two():
    """Orders go to the bath whose circuit is selected, and a bare name that both have is asked for again."""
    one, other = pictures.picture(pictures.special()), pictures.picture(pictures.special())
    desk = Desk(pictures.scene(pictures.seen(one), pictures.seen(other, name="south/A")).baths)
    desk.press("g", *"south/a/a01", "enter", "s", "enter")
    assert [(order.target, order.bath) for order in desk.orders()] == [("A01", "south/A")]


def test_from_a_text_field_esc_comes_before_s():
    """In a note the letter s is a letter; Esc, then s, arms the hold."""
    desk = hall()
    desk.press("g", *"b03", "enter", "n", *"also s", "esc", "s", "enter")
    assert [order.verb for order in desk.orders()] == ["hold"]


def test_case_does_not_matter():
    """With caps lock on the same keys work."""
    desk = hall()
    desk.press("G", *"B03", "enter", "S", "enter")
    assert [(order.verb, order.target) for order in desk.orders()] == [("hold", "B03")]


def test_an_alarm_is_acknowledged_only_after_its_second_on_screen():
    """What was not there to be read for a second cannot be acknowledged, then it can, and it alone."""
    desk = hall()
    desk.out += desk.app.read(["k"], desk.now_s + 0.1)
    assert desk.orders() == []
    desk.now_s += 1.5
    desk.press("k")
    (order,) = desk.orders()
    assert (order.verb, order.target, order.args) == ("acknowledge", "A07", {"alarm": "probe_derate"})
    assert order.seen_revision is not None


def test_the_selected_alarm_stays_selected_when_others_come():
    """The cursor belongs to an alarm, not to a row: a newer one above it does not slip under the key."""
    desk = Desk(pictures.scene(pictures.picture(pictures.special())).baths)
    desk.press("a")
    first = desk.app.place.cursor
    more = pictures.alarm("A", "extraction_lost", priority=1, value=None, limit=None)
    desk.show(pictures.scene(pictures.picture(pictures.special(), alarms=(more,))))
    desk.now_s += 1.5
    desk.press("k")
    (order,) = desk.orders()
    assert first == 0
    assert (order.target, order.args["alarm"]) == ("A07", "probe_derate")


def test_an_idle_console_goes_back_to_the_hall_and_voids_its_dialogue():
    """After ten minutes without a key an open dialogue is void and the hall stands there, with its alarms."""
    desk = hall()
    desk.press("enter", "enter", "n", "x")
    desk.now_s += IDLE_S + 1.0
    text = desk.text
    assert desk.app.prompt is None
    assert desk.app.place.page == "hall"
    assert "A07" in text


def test_letters_together_are_no_keys():
    """A paste outside a text field gives no order, says so, and changes no page."""
    desk = hall()
    desk.out += desk.app.read([*"sa07", "enter"], desk.now_s)
    assert desk.out == []
    assert "pasted 5 characters, ignored" in desk.text


def test_a_dialogue_is_told_to_the_others_and_again_when_it_is_left():
    """Opening and closing a dialogue of an order is announced; finding something is nobody's business."""
    desk = hall()
    desk.press("g", "esc", "s", "esc")
    told = [(each.verb, each.open) for each in desk.out if isinstance(each, Announced)]
    assert told == [("hold", True), ("hold", False)]


def test_the_filter_leaves_places_where_they_are():
    """`f` blanks what is normal; what is not stays in its place."""
    desk = hall()
    before = next(row.index("A07") for row in desk.draw()[4:20] if "A07" in row)
    desk.press("f")
    rows = desk.draw()[4:20]
    assert next(row.index("A07") for row in rows if "A07" in row) == before
    assert not any("B05" in row for row in rows)


def test_pause_and_pace_only_where_the_plant_is_stepped():
    """Space and the dots do nothing on a real bath, and ask for a pace in a demo."""
    desk = hall()
    desk.press(" ", ".", ",")
    assert [each for each in desk.out if isinstance(each, Pace)] == []
    demo = pictures.picture(pictures.special(), virtual=True, pace={"ratio": 300.0, "paused": False})
    desk = Desk(pictures.scene(demo).baths)
    desk.press(" ", ".", ",")
    wishes = [each for each in desk.out if isinstance(each, Pace)]
    assert [(wish.factor, wish.pause) for wish in wishes] == [(1.0, True), (2.0, False), (0.5, False)]
    assert "DEMO" in desk.draw()[0]


def test_q_leaves():
    """`q` asks to leave, whatever page."""
    desk = hall()
    desk.press("a", "q")
    assert any(isinstance(each, Quit) for each in desk.out)


def test_the_bell_rings_for_new_alarms_of_the_first_two_priorities_and_can_be_muted():
    """New 1 and 2 ring; `m` silences just those that ring now."""
    desk = hall()
    assert desk.app.bell() == {("A", "A07", "probe_derate"), ("A", "A09", "link_lost")}
    desk.press("m")
    assert desk.app.bell() == frozenset()


def _typed_name(orders: list[Wanted], typed: str, open_: Prompt | None) -> bool:
    """Whether the dialogue that was open asked for just what was typed last, letter by letter."""
    if not orders:
        return True
    return open_ is not None and typed.lower().endswith(open_.phrase.lower())


@pytest.mark.parametrize("seed", range(8 if os.environ.get("FORMBATH_LONG") == "1" else 2))
def test_random_keys_resizes_and_pastes_never_raise_and_never_raise_current(seed):
    """A thousand and more random strokes on random baths: no exception, no stuck screen, no order of current without
    its circuit's name having been typed letter by letter, right before.
    """
    chance = random.Random(seed)
    desk = Desk(pictures.any_scene(chance).baths)
    typed, given = "", 0
    for turn in range(1250):
        if turn % 25 == 0:
            desk.seen = pictures.any_scene(chance).baths if chance.random() < 0.5 else pictures.forty().baths
        if turn % 40 == 0:
            desk.size = (chance.randint(40, 300), chance.randint(8, 100))
        kind = chance.random()
        before = len(desk.out)
        open_ = desk.app.prompt
        if kind < 0.15 and open_ is not None and open_.stage in {"name", "told"}:
            # A person who reads the dialogue types what it asks for.
            name = open_.neighbours[0] if open_.stage == "told" else open_.phrase
            desk.press(*["backspace"] * len(open_.typed))
            typed = ""
            for key in name:
                typed += key
                desk.press(key)
            desk.press("enter")
        elif kind < 0.3:
            wanted = chance.choice(["a08", "a04", "a10", "b01"])
            desk.press("esc", "esc", "h", "g", *wanted, "enter", "o", chance.choice("123456"))
            typed = ""
        elif kind < 0.9:
            key = chance.choice(KEYS)
            typed = (typed + key)[-60:] if len(key) == 1 else typed
            desk.press(key)
        elif kind < 0.95:
            paste = [*chance.choice(["sa07", "a07\n", "start A01", "x" * 500])]
            desk.out += desk.app.read(["begin paste", *paste, "enter", "end paste"], desk.now_s)
        else:
            desk.out += desk.app.read(chance.choices(KEYS, k=chance.randint(2, 9)), desk.now_s)
        new = [each for each in desk.out[before:] if isinstance(each, Wanted) and each.verb in ENERGY]
        given += len(new)
        assert _typed_name(new, typed, open_)
        rows = desk.draw()
        assert len(rows) == desk.size[1]
        assert max(map(len, rows)) <= desk.size[0]
    desk.press("esc", "esc", "h")
    assert desk.app.place.page in {"hall", "recovery"}
    assert given > 0, "no order of current was ever given: nothing was tried"


def test_resizing_keeps_selection_and_dialogue():
    """Two hundred sizes by chance: the dialogue stays open on its circuit and the selection where it was."""
    chance = random.Random(5)
    desk = hall()
    desk.press("g", *"b03", "enter", "n", *"kept")
    for _ in range(200):
        desk.size = (chance.randint(40, 300), chance.randint(8, 100))
        desk.draw()
    assert desk.app.place.circuit == "B03"
    assert desk.app.prompt is not None
    desk.size = (80, 24)
    assert "kept" in desk.text


def test_a_silent_service_is_said_on_the_third_line():
    """A bath that says nothing for three seconds is not trusted, before any alarm."""
    desk = hall()
    first, *others = desk.seen
    desk.seen = (replace(first, silent_s=3.2), *others)
    assert "silent" in desk.draw()[2].lower()


@pytest.mark.parametrize(
    ("digit", "page"), [("1", "alarms"), ("2", "events"), ("3", "orders"), ("8", "help"), ("0", "hall")]
)
def test_every_page_is_reached_by_digits(digit, page):
    """A keyboard without these letters gets everywhere with digits, arrows, Enter and Esc."""
    desk = hall()
    desk.press("enter", digit)
    assert desk.app.place.page == page


def test_a_digit_holds_as_the_letter_does():
    """Nine, then Enter, is STOP/HOLD."""
    desk = hall()
    desk.press("g", *"b03", "enter", "9", "enter")
    assert [(order.verb, order.target) for order in desk.orders()] == [("hold", "B03")]


def test_an_unsent_note_is_there_again_when_it_is_reopened():
    """Esc in a note, to hold something first, loses nothing of what was typed."""
    desk = hall()
    desk.press("g", *"b03", "enter", "n", *"pump hums", "esc", "s", "enter", "n")
    assert "pump hums" in desk.text
    desk.press("enter")
    assert [(order.verb, order.args.get("text")) for order in desk.orders()] == [("hold", None), ("note", "pump hums")]


def test_what_was_said_stands_at_the_bottom_of_the_page():
    """A word about the last key stands above the key lines, and above an open dialogue, and hides no alarm."""
    desk = hall()
    desk.out += desk.app.read([*"abc"], desk.now_s)
    rows = desk.draw()
    assert rows[-3] == "pasted 3 characters, ignored"
    assert "A07" in rows[2]
