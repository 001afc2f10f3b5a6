"""The desk: messages become the core's orders, its word goes back to who asked; what cannot be read ends there."""

from __future__ import annotations

import asyncio
import hashlib
import threading
from pathlib import Path

import pytest

import profiles
from controller.bathmodel import BathFile
from controller.console import followed
from controller.core import bath as core_bath
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import LOST, BathIn, BathReading, ChannelReading, Event, EventKind, Value
from controller.service import client, kept
from controller.service import desk as desk_module
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.errors import Refused
from controller.service.people import ROLES, Person
from controller.service.protocol import OrderMessage
from profiles.loader import read_document

PROFILE = Path(profiles.__file__).parent / "library" / "starter-60.toml"
NOW = Now(7_200_000, 1_773_648_000_000)  # 2 h after the start, 2026-03-16T08:00:00Z
NOW_UTC = "2026-03-16T08:00:00.000Z"
ANNA = Person("anna", ROLES)
SETTINGS = BathSettings("north", "A", True, 1_000, 3_000, 5_000, (CircuitSettings("A01", 18, 0.5, 60.0, 340.0),))
FILE = BathFile.model_validate(
    {
        "kind": "bath",
        "hall": "north",
        "name": "A",
        "virtual": True,
        "link": {"east": {"tcp": "127.0.0.1:0"}},
        "inputs": {"link": "east", "unit": 9, "map": "inputs"},
        "circuit": [
            {
                "name": "A01", "link": "east", "unit": 1, "map": "cabinet", "places": 18, "current_max_A": 60,
                "voltage_max_V": 340,
            }
        ],
    }
)  # fmt: skip
BOUND_S = 20.0
ARGS = {
    "profile": str(PROFILE),
    "batch": "K3107:1-11 K3108:12-18",
    "first_filled_minutes_ago": 58.0,
    "last_filled_minutes_ago": 50,
    "continued": False,
}


@pytest.fixture
def desk():
    return Desk(FILE, lambda: NOW)


def message(verb="load", target="A01", number=1, **args):
    return OrderMessage(id=f"t-{number}", verb=verb, target=target, args=args)


def load_of(**changes):
    """The usual load; a value of None leaves its key out."""
    args = {key: value for key, value in (ARGS | changes).items() if value is not None}
    return message(**args)


async def given(desk, said, person=ANNA):
    """Start one order and wait until it lies on the desk, or was refused before."""
    task = asyncio.create_task(desk.on_order(said, person))
    before = desk.taken
    async with asyncio.timeout(BOUND_S):
        while desk.taken == before and not task.done():  # noqa: ASYNC110 - sleep(0) only gives way
            await asyncio.sleep(0)
    return task


async def order_of(desk, said):
    """The core's order made from a message."""
    task = await given(desk, said)
    if task.done():
        await task
    (order,) = desk.take()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return order


async def core_answers(desk, *tasks):
    """Let the real core decide a cycle of a silent bath; return the answers."""
    silent = ChannelReading(LOST, LOST, LOST, LOST, LOST)
    inputs = BathReading((Value(25.0),), Value(1.0), Value(1.0))
    given_ = BathIn(1_000, inputs, (silent,), desk.take())
    _, out = core_bath.step(SETTINGS, core_bath.fresh_state(SETTINGS), given_)
    desk.answer(out.events)
    return [await task for task in tasks]


async def test_load_says_what_run_it_continues(desk):
    """Type, trial and the earlier run come into the load, and a follow-on run is not fresh."""
    said = {"type": "L3", "trial": True, "continues": "20260316T080000Z-A-A01-K3107", "from_step": 3}
    load = (await order_of(desk, load_of(credited_Ah=99.0, **said))).load
    assert (load.battery_type, load.trial, load.fresh) == ("L3", True, False)
    assert (load.continues, load.first_step, load.credited_Ah) == (said["continues"], 2, 99.0)


async def test_load_that_contradicts_itself_never_reaches_the_core(desk):
    """A follow-on run without its charge is refused with what is missing; no profile is kept of it."""
    with pytest.raises(Refused, match="continues, from_step without credited_Ah") as caught:
        await desk.on_order(load_of(continues="20260316T080000Z-A-A01-K3107", from_step=3), ANNA)
    assert caught.value.code == "bad_list"
    assert desk.take() == ()
    assert desk.profiles == {}


@pytest.mark.parametrize(
    ("batch", "why"),
    [
        ("", "an empty list"),
        ("K3107", "BATCH:FIRST-LAST"),
        ("K3107:1-11 K3108:11-18", "position 11 is taken"),
        ("K3107:11-1", "positions run upwards"),
        ("K3107:0-17", "positions run upwards"),
        ("../K3107:1-18", "BATCH:FIRST-LAST"),
    ],
)
async def test_bad_list_never_reaches_the_core(desk, batch, why):
    """A list that cannot be read is refused here, with what would be right; nothing lies on the desk."""
    with pytest.raises(Refused, match=why) as caught:
        await desk.on_order(load_of(batch=batch), ANNA)
    assert caught.value.code == "bad_list"
    assert caught.value.text.startswith("load list refused: ")
    assert desk.take() == ()
    assert desk.taken == 0


async def test_bad_profile_is_refused_with_its_line(desk, tmp_path):
    """A profile file with a fault is refused as its check would say it: file, line, key."""
    text = PROFILE.read_text(encoding="utf-8").replace("revision = 3", 'revision = "three"')
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Refused) as caught:
        await desk.on_order(load_of(profile=str(path)), ANNA)
    assert caught.value.code == "bad_profile"
    line = next(number for number, each in enumerate(text.splitlines(), 1) if each.startswith("revision"))
    assert f"mine.toml:{line}: revision" in caught.value.text
    assert desk.profiles == {}


@pytest.mark.parametrize("content", [None, "", 'kind = "bath"\n', "kind = [", "\0"])
async def test_profile_that_is_none_is_refused(desk, tmp_path, content):
    """A missing, empty, foreign or broken file is a refusal in one line, not an exception of the service."""
    path = tmp_path / "other.toml"
    if content is not None:
        path.write_text(content, encoding="utf-8")
    with pytest.raises(Refused, match=r"other\.toml") as caught:
        await desk.on_order(load_of(profile=str(path)), ANNA)
    assert caught.value.code == "bad_profile"
    assert "\n" not in caught.value.text
    with pytest.raises(Refused):
        await desk.on_order(load_of(profile=None), ANNA)


async def test_load_carries_the_compiled_profile(desk):
    """The order has the plan of the very text read, whose hash and text are kept for the record once it is accepted."""
    order = await order_of(desk, load_of())
    sha256 = hashlib.sha256(PROFILE.read_bytes()).hexdigest()
    assert desk.profiles == {}
    accepted = Event("accepted", "A01", EventKind.ORDER, {"order": order.id, "verb": "load"})
    desk.settle((accepted,), (CircuitState("A01", load=order.load),))
    assert order.load.plan.sha256 == sha256
    assert desk.profiles[sha256].text == PROFILE.read_text(encoding="utf-8")
    assert order.load.plan.planned_charge_Ah == pytest.approx(202.5)
    assert (order.load.batteries, order.load.batch, order.load.fresh) == (18, "K3107", True)
    assert order.load.text == ARGS["batch"]
    assert order.args["profile"] == PROFILE.name  # a path of somebody's machine is not for the record
    assert (order.who, order.roles) == ("anna", ROLES)


async def test_filled_minutes_become_core_time(desk):
    """So many minutes ago, counted from the cycle's own time, whatever the wall clock says."""
    order = await order_of(desk, load_of(first_filled_minutes_ago=58.0, last_filled_minutes_ago=50))
    assert order.load.first_filled_ms == NOW.now_ms - 58 * 60_000
    assert order.load.last_filled_ms == NOW.now_ms - 50 * 60_000


@pytest.mark.parametrize("moment", ["2026-03-16T07:30:00Z", "2026-03-16T08:30:00+01:00"])
async def test_filled_moment_becomes_core_time(desk, moment):
    """A stated moment of the wall clock becomes an age, in any time zone."""
    said = load_of(first_filled_minutes_ago=None, last_filled_minutes_ago=None)
    said = said.model_copy(update={"args": {**said.args, "first_filled_utc": moment, "last_filled_utc": moment}})
    order = await order_of(desk, said)
    assert order.load.first_filled_ms == order.load.last_filled_ms == NOW.now_ms - 30 * 60_000


@pytest.mark.parametrize("moment", [None, "", "yesterday", "2026-03-16T07:30:00", 17])
async def test_filled_without_a_sure_moment_is_refused(desk, moment):
    """No moment, none that can be read, or one without its zone: the soak cannot be counted, so nothing is loaded."""
    said = load_of(last_filled_minutes_ago=None)
    said = said.model_copy(update={"args": {**said.args, "last_filled_utc": moment}})
    with pytest.raises(Refused, match="last_filled") as caught:
        await desk.on_order(said, ANNA)
    assert caught.value.code == "bad_list"


async def test_last_filled_before_first_filled_is_refused(desk):
    """Moments the wrong way round would count the shortest soak from the battery that was filled first."""
    with pytest.raises(Refused, match="first"):
        await order_of(desk, load_of(first_filled_minutes_ago=10, last_filled_minutes_ago=100))


@pytest.mark.parametrize(
    ("batch", "batteries", "links"),
    [
        ("K1:1-18", 18, 0),
        ("K1:1-8 K1:10-18", 17, 1),
        ("K1:3-18", 16, 2),
        ("K1:2 K2:4", 2, 2),
    ],
)
async def test_gaps_in_the_list_are_links(desk, batch, batteries, links):
    """Places left out up to the last battery are bridged by links, counted here and not taken from the message."""
    order = await order_of(desk, load_of(batch=batch, links=7))
    assert order.load.batteries == batteries
    assert order.args["links"] == links


async def test_continued_string_is_not_fresh(desk):
    """The one word that changes which volts are expected at the start arrives."""
    assert (await order_of(desk, load_of(continued=True))).load.fresh is False
    assert (await order_of(desk, load_of(continued=None))).load.fresh is True


async def test_target_is_taken_in_any_case(desk):
    """A name typed in small letters is the circuit's own name in the order."""
    assert (await order_of(desk, message("hold", "a01"))).target == "A01"


async def test_unknown_target_is_refused_by_the_core(desk):
    """The desk refuses nobody: a name it does not know goes to the core, whose word comes back."""
    task = await given(desk, message("stop", "Z9"))
    (answer,) = await core_answers(desk, task)
    assert (answer.accepted, answer.code, answer.id) == (False, "unknown_target", "t-1")
    assert answer.text == "stop refused: no circuit or bath of that name here"


async def test_each_gets_the_word_on_their_own_order(desk):
    """Two orders in one cycle are answered each by its id; an accepted one says whether a read-back follows."""
    block = await given(desk, message("block", "A01", 1))
    start = await given(desk, message("start", "A01", 2))
    blocked, started = await core_answers(desk, block, start)
    assert (blocked.id, blocked.accepted, blocked.code, blocked.reads_back) == ("t-1", True, "", True)
    assert (started.id, started.accepted, started.reads_back) == ("t-2", False, False)
    assert started.code


def test_read_back_is_for_all(desk):
    """What the device read back is told to every client: when, which order, which circuit, in the catalogue's words."""
    data = {"order": "t-1", "verb": "hold", "current_A": 0.04, "state": "held"}
    told = desk.answer((Event("read_back", "A01", EventKind.ORDER, data), Event("step_began", "A01")))
    assert told == [
        {
            "type": "readback",
            "id": "t-1",
            "time_utc": NOW_UTC,
            "verb": "hold",
            "target": "A01",
            "text": "hold: zero read back (0.0 A), held",
        }
    ]


async def test_every_word_of_the_core_is_for_all(desk):
    """Who did not ask sees the order too: accepted or refused, by whom, on what, when, in the answer's own words."""
    tasks = [await given(desk, message("block", "A01", 1)), await given(desk, message("start", "A01", 2))]
    inputs = BathReading((Value(25.0),), Value(1.0), Value(1.0))
    silent = ChannelReading(LOST, LOST, LOST, LOST, LOST)
    _, out = core_bath.step(SETTINGS, core_bath.fresh_state(SETTINGS), BathIn(1_000, inputs, (silent,), desk.take()))
    told = desk.answer(out.events)
    answers = await asyncio.gather(*tasks)
    assert [
        (said["type"], said["id"], said["verb"], said["target"], said["who"], said["time_utc"]) for said in told
    ] == [
        ("order", "t-1", "block", "A01", "anna", NOW_UTC),
        ("order", "t-2", "start", "A01", "anna", NOW_UTC),
    ]
    assert [(said["accepted"], said["text"]) for said in told] == [(each.accepted, each.text) for each in answers]
    assert [each.accepted for each in answers] == [True, False]


async def test_order_to_the_bath_is_told_for_each_circuit_it_reaches(desk):
    """A hold of the whole bath shows as the bath's order and as one on every circuit, under its one id."""
    data = {"order": "t-1", "verb": "hold", "who": "anna"}
    events = tuple(Event("accepted", target, EventKind.ORDER, data) for target in ("A", "A01"))
    assert [(said["id"], said["target"]) for said in desk.answer(events)] == [("t-1", "A"), ("t-1", "A01")]


async def test_refusal_at_the_desk_is_for_all_with_the_next_cycle(desk):
    """What no cycle ever saw (a bad list, a full record, an ending service) is told to the others as well, once."""
    with pytest.raises(Refused):
        await desk.on_order(load_of(batch=""), ANNA)
    first = await given(desk, message("start", "A01", 2))
    desk.refuse(desk.take(), ("start",), "record_full")
    second = await given(desk, message("hold", "A01", 3))
    desk.refuse_all()
    await asyncio.gather(first, second)
    told = desk.answer(())
    assert [(said["id"], said["verb"], said["accepted"], said["who"]) for said in told] == [
        ("t-1", "load", False, "anna"),
        ("t-2", "start", False, "anna"),
        ("t-3", "hold", False, "anna"),
    ]
    assert told[0]["text"].startswith("load list refused: ")
    assert told[1]["text"].startswith("start refused: the record ")
    assert told[2]["text"] == "hold refused: the service is ending"
    assert desk.answer(()) == []


async def test_tick_is_answered_without_a_read_back(desk):
    """An item of the start list moves no device: nobody waits for one."""
    tick = await given(desk, message("done", "A01", 1, item=1, ok=True))
    (answer,) = await core_answers(desk, tick)
    assert (answer.accepted, answer.reads_back) == (False, False)


async def test_refuse_all_answers_everybody(desk):
    """When the service ends, nobody is left waiting, and no order counts as done."""
    tasks = [await given(desk, message("hold", "A01", number)) for number in (1, 2, 3)]
    desk.refuse_all()
    answers = await asyncio.gather(*tasks)
    assert {(answer.accepted, answer.code) for answer in answers} == {(False, "service_ending")}
    assert [answer.id for answer in answers] == ["t-1", "t-2", "t-3"]
    assert desk.take() == ()
    desk.refuse_all()


async def test_order_no_cycle_took_is_withdrawn(desk, monkeypatch):
    """Where the loop stands, the person is told, and the order does not act when it runs again."""
    monkeypatch.setattr(desk_module, "ANSWER_CYCLES_S", 0.0)
    with pytest.raises(Refused) as caught:
        await desk.on_order(message("start", "A01"), ANNA)
    assert caught.value.code == "no_cycle"
    assert desk.take() == ()


async def test_order_of_a_client_that_hung_up_is_withdrawn(desk):
    """An order whose giver is gone before any cycle took it is not carried out behind their back."""
    task = await given(desk, message("start", "A01"))
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert desk.take() == ()


async def test_orders_are_taken_once_and_in_order(desk):
    """One cycle gets all that waits, in the order of coming; the next gets none of it."""
    tasks = [await given(desk, message("hold", "A01", number)) for number in range(5)]
    assert [order.id for order in desk.take()] == [f"t-{number}" for number in range(5)]
    assert desk.take() == ()
    desk.refuse_all()
    await asyncio.gather(*tasks)


class Slow:
    """Stands in for reading a profile: waits until it is let, and keeps what it saw of the others."""

    def __init__(self):
        self.may_go = threading.Event()
        self.threads, self.limits, self.inside, self.most = set(), set(), 0, 0

    def read(self, path, largest_bytes):
        self.threads.add(threading.get_ident())
        self.limits.add(largest_bytes)
        self.inside += 1
        self.most = max(self.most, self.inside)
        assert threading.get_ident() == threading.main_thread().ident or self.may_go.wait(BOUND_S)
        self.inside -= 1
        return read_document(path, largest_bytes)


@pytest.fixture
def slow(monkeypatch):
    made = Slow()
    monkeypatch.setattr(desk_module, "read_document", made.read)
    yield made
    made.may_go.set()


async def test_a_profile_that_takes_long_delays_no_cycle(desk, slow):
    """While files are read, one at a time and beside the loop, a hold is taken and answered; then the loads are."""
    loads = [asyncio.create_task(desk.on_order(message(number=n, **ARGS), ANNA)) for n in (1, 2, 3)]
    async with asyncio.timeout(BOUND_S):
        while not slow.inside and not desk.taken:  # noqa: ASYNC110 - sleep(0) only gives way
            await asyncio.sleep(0)
    hold = await given(desk, message("hold", "A01", 4))
    (answer,) = await core_answers(desk, hold)
    assert answer.id == "t-4"
    assert desk.taken == 1
    assert threading.main_thread().ident not in slow.threads
    slow.may_go.set()
    async with asyncio.timeout(BOUND_S):
        while desk.taken < 4:  # noqa: ASYNC110 - sleep(0) only gives way
            await asyncio.sleep(0)
    assert slow.most == 1
    assert slow.limits == {256_000}
    assert all(order.load is not None for order in desk.take())
    desk.refuse_all()
    await asyncio.gather(*loads)


@pytest.mark.parametrize(("target", "roles", "code"), [
    ("A01", ("quality", "maintenance"), "role"), ("Z9", ROLES, "unknown_target"), ("A", ROLES, "not_for_a_bath"),
])  # fmt: skip
async def test_no_file_is_read_for_who_may_not_load(desk, slow, target, roles, code):
    """Role and target are asked first: the core refuses as ever, and nothing of the file's path is kept."""
    task = await given(desk, message(target=target, **ARGS), Person("eva", roles))
    (order,) = desk._waiting
    assert (order.load, order.args["profile"]) == (None, "starter-60.toml")
    (answer,) = await core_answers(desk, task)
    assert (answer.accepted, answer.code) == (False, code)
    assert slow.threads == set()


async def test_a_large_profile_is_refused(desk, tmp_path):
    """More than 256 kB is no profile, well formed or not."""
    path = tmp_path / "huge.toml"
    path.write_text(PROFILE.read_text(encoding="utf-8") + "#" * 256_000)
    with pytest.raises(Refused, match="larger than 256 kB") as caught:
        await desk.on_order(load_of(profile=str(path)), ANNA)
    assert caught.value.code == "bad_profile"


SAFE = [
    message("block"), message("start"), message("note", text="pump hums"), message("sign-off", result="pass"),
    message("proof", item="hydrogen", result="ok"), message("added", what="water", mL=50),
    message("reading", what="voltage", value=12.8, position=4), load_of(), message("unload", reason="scrap"),
    message("unblock", reason="looked"), message("out-of-use", reason="cracked lead"), message("round", text="ok"),
    message("take-over"), message("change-count", batteries=1), message("acknowledge", alarm="leak"),
]  # fmt: skip


async def accepted(desk, said):
    """The answer to an order that the core accepts."""
    task = await given(desk, said)
    desk.take()
    data = {"order": said.id, "verb": said.verb, "who": "anna"}
    desk.answer((Event("accepted", "A01", EventKind.ORDER, data=data),))
    return await task


@pytest.mark.parametrize("said", SAFE, ids=lambda said: said.verb)
async def test_what_the_disk_does_not_have_is_in_force_and_said_loudly(said):
    """Accepted, but the answer begins with that a crash would forget it, and why; the wait is a known one."""
    asked = []

    def flush(longest_s):
        asked.append(longest_s)
        return "A/events-202603.csv: No space left\x1b[31m on device"

    answer = await accepted(Desk(FILE, lambda: NOW, flush), said)
    assert (answer.accepted, answer.kept, asked) == (True, False, [kept.SAFE_S])
    assert answer.text.startswith("taken, but NOT on the disk yet: A/events-202603.csv: No space left [31m on device; ")
    assert "after a crash nobody would know of it" in answer.text


@pytest.mark.parametrize("said", SAFE, ids=lambda said: said.verb)
async def test_what_the_disk_has_is_just_accepted(said):
    """No more words than ever; the wait was asked for."""
    asked = []
    answer = await accepted(Desk(FILE, lambda: NOW, asked.append), said)
    assert (answer.accepted, answer.kept, asked) == (True, True, [kept.SAFE_S])
    assert "disk" not in answer.text


async def test_a_wait_that_breaks_is_no_refusal():
    """Whatever goes wrong behind the order: it is in force, and who gave it hears so."""

    def flush(longest_s):
        raise RuntimeError("can't start new thread")

    answer = await accepted(Desk(FILE, lambda: NOW, flush), message("block"))
    assert (answer.accepted, answer.kept) == (True, False)
    assert "RuntimeError: can't start new thread" in answer.text


@pytest.mark.parametrize("verb", ["hold", "stop"])
async def test_a_hold_waits_for_no_disk_and_says_what_is_known(verb):
    """Less current never waits for a disk's word; where the disk is known to fail at that moment it is said."""
    asked = []
    assert (await accepted(Desk(FILE, lambda: NOW, asked.append), message(verb))).kept
    assert asked == [0.0]
    answer = await accepted(Desk(FILE, lambda: NOW, lambda longest_s: f"away for {longest_s:g} s"), message(verb))
    assert (answer.accepted, answer.kept) == (True, False)
    assert answer.text.startswith("taken, but NOT on the disk yet: away for 0 s; ")


async def test_a_refused_order_is_nothing_to_keep():
    """The disk is not asked for what changes nothing."""
    asked = []
    desk = Desk(FILE, lambda: NOW, asked.append)
    (answer,) = await core_answers(desk, await given(desk, message("start")))
    assert (answer.accepted, answer.kept, asked) == (False, True, [])


async def test_orders_of_one_cycle_share_one_wait_and_the_next_cycle_s_has_its_own():
    """Forty at once ask the disk once; who is accepted while that wait lasts is not told by it."""
    waits, lasts = [], threading.Event()

    def flush(longest_s):
        waits.append(longest_s)
        assert lasts.wait(BOUND_S)

    desk = Desk(FILE, lambda: NOW, flush)
    early = [await given(desk, message("note", number=number, text="x")) for number in range(40)]
    answer_all(desk, range(40))
    await until(lambda: len(waits) == 1)
    late = await given(desk, message("note", number=40, text="x"))
    answer_all(desk, [40])
    await until(lambda: len(waits) == 2)
    assert not any(task.done() for task in (*early, late))
    lasts.set()
    assert all([(await task).kept for task in (*early, late)])
    assert waits == [kept.SAFE_S] * 2


async def test_who_hangs_up_ends_nobody_else_s_wait():
    """The one who began the shared wait goes; the other hears all the same."""
    lasts = threading.Event()
    desk = Desk(FILE, lambda: NOW, lambda _: None if lasts.wait(BOUND_S) else "never")
    gone, stays = [await given(desk, message("note", number=number, text="x")) for number in range(2)]
    answer_all(desk, range(2))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    gone.cancel()
    lasts.set()
    assert (await stays).kept
    assert gone.cancelled()


def answer_all(desk, numbers) -> None:
    """The core accepts these notes in one cycle."""
    desk.take()
    data = [{"order": f"t-{number}", "verb": "note", "who": "anna"} for number in numbers]
    desk.answer(tuple(Event("accepted", "A01", EventKind.ORDER, data=each) for each in data))


async def until(condition) -> None:
    async with asyncio.timeout(BOUND_S):
        while not condition():  # noqa: ASYNC110 - sleep(0) only gives way
            await asyncio.sleep(0)


def test_the_wait_for_the_disk_ends_before_anybody_says_that_nobody_answers():
    """The console says so after its time, the command after its own; both hear the answer first."""
    assert 2 * kept.SAFE_S <= followed.ANSWER_S < client.ANSWER_S
