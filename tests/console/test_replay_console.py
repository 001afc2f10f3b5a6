"""The console on a replay: REPLAY on every page, keys that go through time, no order from any key, no bell."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pictures
import pytest

from controller.console import help as help_page
from controller.console import layout, pacing, plainwords, sending
from controller.console.app import IDLE_S, App, Taste
from controller.console.feed import Feed
from controller.console.pacing import Pace, Seek
from controller.console.prompt import Wanted
from controller.console.replayview import ReplayView
from controller.console.scene import EventLine
from controller.console.sheet import PALETTE
from controller.words import Say

START_MS = 1_773_640_800_000  # 2026-03-16T06:00:00Z
HOUR_MS = 3_600_000


def view(**over) -> ReplayView:
    said = {
        "elapsed_s": 12_345.0, "length_s": 72_000.0, "start_utc_ms": START_MS, "end_utc_ms": START_MS + 20 * HOUR_MS,
        "core": 4, "shown_by": 4, "decided": True, **over,
    }  # fmt: skip
    return ReplayView.model_validate(said)


def replayed(circuits=None, *, paused=False, time_utc="2026-03-16T09:25:45.000Z", **over):
    pace = {"ratio": 60.0, "paused": paused}
    made = pictures.picture(circuits or pictures.special(), pace=pace, time_utc=time_utc)
    return made.model_copy(update={"replay": view(**over)})


class Desk:
    """A console on given baths, whose time is handed in."""

    def __init__(self, *baths) -> None:
        self.app = App(Taste(Say(), UTC, still=True))
        self.seen = pictures.scene(*baths).baths
        self.now_s = 100.0
        self.out: list[object] = []
        self.draw()

    def draw(self, width: int = 80) -> list[str]:
        self.app.look(self.seen, None, ())
        return [row.text for row in self.app.rows(width, 24, self.now_s)]

    def type(self, *keys: str) -> None:
        for key in keys:
            self.now_s += 0.2
            self.out += self.app.read([key], self.now_s)

    def press(self, *keys: str) -> str:
        self.type(*keys)
        return "\n".join(self.draw())


@pytest.mark.parametrize("page", sorted(layout.PAGES))
@pytest.mark.parametrize("width", [40, 80, 120])
def test_replay_stands_in_the_first_line_of_every_page(page, width):
    """Nobody takes it for the plant, on whatever page; no key that orders is offered."""
    desk = Desk(replayed())
    desk.app.place = replace(desk.app.place, page=page)
    desk.app.look(desk.seen, None, ())
    first, *_, keys, more = (row.text for row in desk.app.rows(width, 24, desk.now_s))
    assert "REPLAY" in first
    assert not any(word in keys + more for word in ("STOP", "orders", "acknowledge", "tick", "note"))


@pytest.mark.parametrize("page", sorted(layout.PAGES))
def test_no_key_orders_anything(page):
    """From every page each key there is, alone and with Enter behind it, gives no order, opens no dialogue of one."""
    keys = [chr(code) for code in range(33, 127)] + ["enter", "up", "down", "left", "right", "tab", "home", "end"]
    for key in keys:
        desk = Desk(replayed())
        desk.app.place = replace(desk.app.place, page=page)
        desk.type(key)
        assert desk.app.prompt is None or desk.app.prompt.kind in {"go", "find"}, key
        desk.type("enter", "A", "0", "7", "enter")
        assert [each for each in desk.out if isinstance(each, Wanted)] == [], key


@pytest.mark.parametrize("key", ["s", "n", "o", "9", "7", "3"])
def test_keys_of_orders_say_why_not(key):
    """A person who wants to order is told that this is a replay."""
    assert "a replay takes no orders" in Desk(replayed()).press(key)


def test_no_bell_and_no_way_back_to_the_hall():
    """What rang then does not ring now; whoever watches for long is not sent to another page."""
    desk = Desk(replayed())
    assert pictures.scene(replayed()).alarms()
    assert desk.app.bell() == frozenset()
    desk.app.place = replace(desk.app.place, page="trend")
    desk.now_s += 2 * IDLE_S
    desk.draw()
    assert desk.app.place.page == "trend"


def test_keys_go_through_time():
    """Space, comma, dot, brackets: each a wish about the selected replay, on every page."""
    desk = Desk(replayed())
    for page in sorted(layout.PAGES):
        desk.app.place = replace(desk.app.place, page=page)
        desk.out.clear()
        desk.press(" ", ",", ".", "[", "]")
        assert desk.out == [
            Pace("A", pause=True), Pace("A", 0.5), Pace("A", 2.0), Seek("A", event="previous"),
            Seek("A", event="next"),
        ]  # fmt: skip


def test_brackets_do_nothing_in_a_demo():
    """Only a record knows what comes next."""
    demo = pictures.picture(pictures.special(), virtual=True, pace={"ratio": 300.0, "paused": False})
    desk = Desk(demo)
    desk.press("[", "]")
    assert desk.out == []


@pytest.mark.parametrize(
    ("typed", "wish"),
    [
        ("+3:20", Seek("A", elapsed_s=12_000.0)),
        ("14:05", Seek("A", moment=datetime(2026, 3, 16, 14, 5, tzinfo=UTC))),
        ("07:00", Seek("A", moment=datetime(2026, 3, 16, 7, tzinfo=UTC))),
    ],
)
def test_g_goes_to_a_time(typed, wish):
    """Since the start with a plus, else by the clock of this terminal; the dialogue says both."""
    desk = Desk(replayed())
    assert "+3:20 is since the start, 14:05 by the clock" in desk.press("g")
    desk.press(*typed, "enter")
    assert [each for each in desk.out if isinstance(each, Seek)] == [wish]


def test_g_goes_to_a_name_all_the_same():
    """What is no time is a name; a time outside the record is told with the record's own span."""
    desk = Desk(replayed())
    desk.press("g", *"A07", "enter")
    assert desk.app.place.circuit == "A07"
    assert "04:00 is not in this record: it goes from Mon 16 Mar 06:00 to Tue 17 Mar 02:00" in desk.press(
        "g", *"04:00", "enter"
    )
    assert desk.out == []


def test_g_in_a_live_bath_knows_no_times():
    """A clock time is just a name that nobody has where what is shown is now."""
    desk = Desk(pictures.picture(pictures.special()))
    assert "no circuit or bath 14:05 here" in desk.press("g", *"14:05", "enter")
    assert desk.out == []


@pytest.mark.parametrize(("typed", "told"), [
    ("99:99", "no such time: 99:99; right are +3:20 (since the start), 14:05 and 2026-03-16 14:05"),
    ("+5:61", "no such time: +5:61; right"), ("2020-01-01", "no such time: 2020-01-01; right"),
    ("-1:00", "no such time: -1:00; right"), ("14.05", "no such time: 14.05; right"),
    ("+20:00:01", "+20:00:01 is beyond the end: the record is 20:00:00 long"),
    ("+99:00", "+99:00 is beyond the end: the record is 20:00:00 long"),
    ("B7", "no circuit or bath B7 here"), ("+x", "no circuit or bath +x here"),
])  # fmt: skip
def test_what_is_no_time_here_is_told(typed, told):
    """With what would be right, or why not; nothing is sent."""
    desk = Desk(replayed())
    shown = desk.press("g", *typed, "enter")
    assert told in " ".join(shown.split())
    assert desk.out == []


def test_the_end_itself_can_be_gone_to():
    """The record's length is no time beyond it."""
    desk = Desk(replayed())
    desk.press("g", *"+20:00", "enter")
    assert [each for each in desk.out if isinstance(each, Seek)] == [Seek("A", elapsed_s=72_000.0)]


def test_a_dialogue_says_what_is_typed_there():
    """In a replay a time or a name, in a live bath a name, in a search whatever is looked for."""
    assert "\ntime or name: 1_" in Desk(replayed()).press("g", "1")
    live = Desk(pictures.picture(pictures.special()))
    assert "\nname: 1_" in live.press("g", "1")
    live.press("esc", "e")
    assert "\ntext: 1_" in live.press("/", "1")


@pytest.mark.parametrize("width", [17, 20, 24, 31, 40, 60, 80])
@pytest.mark.parametrize("height", [*range(1, 13), 24])
@pytest.mark.parametrize("over", [{}, {"paused": True}, {"ended": True, "elapsed_s": 72_000.0}])
def test_at_every_size_a_replay_says_where_it_stands(width, height, over):
    """REPLAY, where it is, how fast it goes; the year where there is room for it: also in a window of a few lines."""
    desk = Desk(replayed(name="20260316T060000Z-A-A07-K3107", **over))
    desk.app.look(desk.seen, None, ())
    shown = [row.text for row in desk.app.rows(width, height, desk.now_s)]
    assert len(shown) == height
    assert max(map(len, shown)) <= width
    head = "\n".join(shown[: min(height, 2)])
    wide = height > 1 or width >= 24
    at = "20:00:00" if "ended" in over else "3:25:45"
    pace = "END" if "ended" in over else "PAUSED" if over else "x60"
    for word in ("REPLAY", at if wide else at[:2], pace):
        assert word in head
    assert "2026-03-16" in head or width < (31 if height > 1 else 38)


@pytest.mark.parametrize("height", range(3, 12))
def test_a_dialogue_in_a_few_lines_leaves_where_the_replay_stands(height):
    """What is typed stands below it, its keys at the end."""
    desk = Desk(replayed(paused=True))
    desk.type("g", "+", "3")
    shown = [row.text for row in desk.app.rows(40, height, desk.now_s)]
    assert len(shown) == height
    assert shown[1].endswith("PAUSED")
    assert shown[-1].startswith("[ ] event")
    assert height < 4 or "time or name: +3_" in shown


def test_second_line_says_where_it_stands():
    """Position, length and pace; at its end END; another core and what is not whole, as far as there is room."""
    second = Desk(replayed()).draw()[1]
    assert second.startswith("3:25:45 of 20:00:00 ")
    assert second.endswith(" x60")
    assert Desk(replayed(paused=True)).draw()[1].endswith("PAUSED")
    assert Desk(replayed(paused=True, ended=True)).draw()[1].endswith(" END")
    second = Desk(replayed(shown_by=6, decided=False, problems=["cycles 360 to 719 are missing"])).draw(120)[1]
    assert " | NOT WHOLE (1) | decided by core 4, shown by 6 | from rows | cycles 360 to 719 are missing " in second
    assert "| NOT WHOLE (12) | log.csv " in Desk(replayed(problems=["log.csv", "x"], more_problems=10)).draw()[1]


@pytest.mark.parametrize("page", sorted(layout.PAGES))
@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_every_page_has_the_year_and_the_run(page, width):
    """A record of years ago is told from one of today, and one run from another; the name where there is room."""
    desk = Desk(replayed(name="20260316T060000Z-A-A07-K3107"))
    desk.app.place = replace(desk.app.place, page=page)
    first, second, *_ = desk.draw(width)
    assert f"{first}\n{second}".count("2026-03-16") == 1
    assert ("20260316T060000Z-A-A07-K3107" in second) == (width >= 80)


@pytest.mark.parametrize("virtual", [False, True])
def test_a_simulated_run_is_told_from_a_real_one(virtual):
    """The word of a virtual plant stands beside REPLAY, on every page."""
    for page in sorted(layout.PAGES):
        desk = Desk(replayed().model_copy(update={"virtual": virtual}))
        desk.app.place = replace(desk.app.place, page=page)
        for width in (40, 80):
            first = desk.draw(width)[0]
            assert ("REPLAY DEMO" in first) == virtual
            assert ("DEMO" in first) == virtual


@pytest.mark.parametrize("page", sorted(layout.PAGES))
@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_word_replay_has_a_style_of_its_own(page, width):
    """Nothing else on the screen has it, and it is told without colour too: reversed and bold at every level."""
    desk = Desk(replayed())
    desk.app.place = replace(desk.app.place, page=page)
    desk.app.look(desk.seen, None, ())
    first, *others = desk.app.rows(width, 24, desk.now_s)
    assert [first.text[begin:end] for begin, end, style in first.spans if style == "replay"] == ["REPLAY"]
    assert not any(style == "replay" for row in others for _, _, style in row.spans)
    (entry,) = (each for each in PALETTE if each[0] == "replay")
    for level in (entry[1], entry[3], entry[4]):
        assert {"standout", "bold"} <= set(level.split(","))
    assert sum("standout" in each[1] for each in PALETTE) == 1


def test_a_live_bath_has_no_such_style():
    """It is of a replay alone."""
    desk = Desk(pictures.picture(pictures.special()))
    desk.app.look(desk.seen, None, ())
    assert not any(style == "replay" for row in desk.app.rows(80, 24, desk.now_s) for _, _, style in row.spans)


def test_a_replay_beside_a_live_bath_takes_nothing_from_it():
    """Attached to both on purpose, the live one keeps its orders and its bell, and the word names the other."""
    other = replayed().model_copy(update={"bath": "R"})
    live = pictures.picture(pictures.special())
    desk = Desk(live, other)
    assert "REPLAY: R" in desk.draw()[0]
    assert "STOP/HOLD" in desk.draw()[-1]
    assert {name for name, _, _ in desk.app.bell()} == {"A"}
    desk.press("s")
    assert desk.app.prompt is not None


def test_help_has_the_keys_of_a_replay():
    """The page says what it is, its own keys, and the same cautions; no key of an order."""
    scene = replace(pictures.scene(replayed(), page="help"), replay=True)
    lines = [row.text for row in help_page.rows(scene, 80, 18)]
    whole = "\n".join(lines)
    assert lines[0].startswith("This is NOT the emergency stop")
    assert lines[1] == "REPLAY of a record: nothing here is live, and it takes no order"
    assert all(word in whole for word in ("[ ] event", "+3:20", "14:05", "Space", "HYDROGEN", "ACID", "VOLTS", "LEAD"))
    assert not any(word in whole for word in ("STOP/HOLD", "o orders", "typed name"))
    assert len(lines) <= 18


def test_messages_of_a_seek():
    """One field each, on the wire as the protocol has it."""
    moment = datetime(2026, 3, 16, 14, 5, tzinfo=UTC)
    for wish, wanted in (
        (Seek("A", elapsed_s=60.0), (60.0, None, None)),
        (Seek("A", moment=moment), (None, moment, None)),
        (Seek("A", event="next"), (None, None, "next")),
    ):
        made = sending.seek_of(wish, "q1")
        assert made.seeks
        assert (made.elapsed_s, made.time_utc, made.event, made.ratio, made.paused) == (*wanted, None, None)


def test_events_of_before_a_seek_back_are_not_shown(tmp_path):
    """What the console has read of a later moment fits no longer once the replay has gone back."""

    def seen(folder):
        scene = pictures.scene(replayed([pictures.circuit("A07", folder=folder)]), page="events")
        return replace(scene, baths=tuple(replace(each, runs=str(tmp_path)) for each in scene.baths))

    header = "time_utc,elapsed_s,id,kind,code,target,who,role,priority,value,limit,unit,text,chain\n"
    row = "2026-03-16T0{}:00:00.000Z,0.000,,event,gap,A07,,,,,,,words {},0\n"
    for folder, hours in (("A07", (6, 7, 8)), ("A07-2", (6,))):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "events.csv").write_text(header + "".join(row.format(hour, hour) for hour in hours))
    feed = Feed()
    feed.update(seen("A07"))
    assert [line.text for line in feed.events] == ["words 6", "words 7", "words 8"]
    assert feed.fits(seen("A07").baths)
    assert not feed.fits(seen("A07-2").baths)
    feed.update(seen("A07-2"))
    assert [line.text for line in feed.events] == ["words 6"]
    assert feed.fits(seen("A07-2").baths)
    assert feed.fits(pictures.scene(pictures.picture()).baths)
    assert all(isinstance(line, EventLine) for line in feed.events)


def test_plain_words_of_a_replay():
    """Problems, another core and rows are told once; ticks are refused; the help has its own line."""
    name = "20260316T060000Z-A-A07-K1"
    now = replayed(problems=["cycles 1 to 2 are missing"], more_problems=3, shown_by=6, decided=False, name=name)
    scene = replace(pictures.scene(now, zone=UTC), replay=True)
    (seen,) = scene.baths
    texts = [line.text for line in plainwords.changes(scene, seen, None)]
    assert texts[:5] == [
        "shows 20260316T060000Z-A-A07-K1 of 2026-03-16",
        "NOT WHOLE: cycles 1 to 2 are missing", "NOT WHOLE: 3 more; formbath verify tells all",
        "decided by core 4, shown by 6", "from rows",
    ]  # fmt: skip
    assert plainwords.changes(scene, seen, now) == []
    later = replayed(time_utc="2026-03-17T00:00:05.000Z")
    scene = replace(pictures.scene(later, zone=UTC), replay=True)
    assert plainwords.changes(scene, scene.baths[0], now)[0].text == "it is 2026-03-17 now in this record"
    asked = plainwords.parse("tick A07 1", scene)
    assert plainwords.ticked(scene, asked).said == "a replay takes no orders"
    assert plainwords.parse("go +3:20", scene).rest == "+3:20"
    assert any("no order" in line.text for line in plainwords.help_lines(scene))
    assert not any("hold NAME" in line.text for line in plainwords.help_lines(scene))
    assert any("hold NAME" in line.text for line in plainwords.help_lines(replace(scene, replay=False)))


def test_words_about_time_ask_what_the_keys_ask():
    """The plain console's words and the screen's keys come to the same wishes."""
    scene = pictures.scene(replayed())
    assert [pacing.wish_of(scene, word) for word in pacing.KEYS.values()] == [
        Pace("A", pause=True), Pace("A", 0.5), Pace("A", 2.0), Seek("A", event="previous"), Seek("A", event="next"),
    ]  # fmt: skip
    assert pacing.wish_of(pictures.scene(pictures.picture()), "pause") is None
