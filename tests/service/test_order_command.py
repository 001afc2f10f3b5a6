"""`formbath order`: one order against a real socket, its exit codes, and the name that must be typed twice."""

from __future__ import annotations

import argparse
import asyncio
import io
import json
import os
import sys
from pathlib import Path

import pytest

import profiles
from controller.service import ordercmd
from controller.service.client import Connection, serving
from controller.service.errors import Unreachable
from controller.service.people import Person
from controller.service.protocol import RAISES_ENERGY, VERBS, Answer, ReadBack, encode, raises_energy
from controller.service.sockets import OrderSocket
from profiles.problems import InputError

ROOT = Path(__file__).parents[2]
CIRCUIT = "Q77-order-test"
"""A name that no other service on this machine serves."""


class Loop:
    """Answers orders as a control loop would: accepts, then tells what was read back; refuses `reset`."""

    def __init__(self) -> None:
        self.orders: list = []
        self.socket: OrderSocket | None = None

    async def on_order(self, message, person) -> Answer:
        self.orders.append(message)
        if message.verb == "reset":
            return Answer(id=message.id, accepted=False, code="cause_stands", text="still\x1b[31m 61 C")
        if message.verb == "block":
            # As a service does whose disk takes long: what was read back comes before the answer.
            await self.socket.tell(ReadBack(id=message.id, text="0.0 A read").model_dump())
            return Answer(id=message.id, accepted=True, text="taken, but NOT\x1b[31m kept", reads_back=True, kept=False)
        if message.verb == "hold":
            await self.socket.tell({"type": "readback", "id": "somebody-else's", "text": "not this one"})
            asyncio.get_running_loop().call_soon(self.read_back, message.id)
        return Answer(id=message.id, accepted=True, code="accepted", reads_back=message.verb == "hold")

    def read_back(self, order_id) -> None:
        self.told = asyncio.ensure_future(
            self.socket.tell(ReadBack(id=order_id, text="0.0 A set, 0.1 A read").model_dump())
        )


@pytest.fixture
async def loop(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    made = Loop()
    made.socket = OrderSocket(
        tmp_path / "hall-Q.sock", lambda uid: Person("ada", (), uid), made.on_order, targets=("Q", CIRCUIT)
    )
    await made.socket.start()
    yield made
    await made.socket.close()


async def test_who_says_as_whom_and_where(loop, tmp_path):
    """The blocking client reads all of the answer: the person, the bath, its own connection's name."""
    with await asyncio.to_thread(Connection, tmp_path / "hall-Q.sock") as connection:
        served = await asyncio.to_thread(connection.who)
    assert (served.who, served.roles, served.bath, served.targets) == ("ada", (), "Q", ("Q", CIRCUIT))
    assert served.console


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    ordercmd.add_arguments(parser)
    return parser.parse_args(words)


async def order(*words: str) -> int:
    return await asyncio.to_thread(ordercmd.run, options(*words))


async def test_accepted_order_prints_answer_and_read_back(loop, capsys):
    """A hold is found its service by name, and what the device read back is printed, not just "sent"."""
    assert await order("hold", CIRCUIT, "--reason", "flow low", "--seen-revision", "4") == 0
    assert capsys.readouterr().out == f"hold {CIRCUIT}: accepted\nread back: 0.0 A set, 0.1 A read\n"
    assert (loop.orders[0].args, loop.orders[0].seen_revision) == ({"reason": "flow low"}, 4)


async def test_refused_order_exits_1_and_shows_no_escape(loop, capsys):
    """A refusal has its code, its sentence and exit code 1; a terminal escape in it is not obeyed."""
    assert await order("reset", CIRCUIT, "--confirm", CIRCUIT) == 1
    assert capsys.readouterr().out == f"reset {CIRCUIT}: refused (cause_stands): still [31m 61 C\n"


async def test_an_order_that_is_not_on_the_disk_exits_1_and_says_so(loop, capsys):
    """It is in force and read back, even where that came first; a script must not take it for kept."""
    assert await order("block", CIRCUIT) == 1
    assert capsys.readouterr().out == (f"block {CIRCUIT}: accepted: taken, but NOT [31m kept\nread back: 0.0 A read\n")
    assert await order("block", CIRCUIT, "--json") == 1
    got = json.loads(capsys.readouterr().out)
    assert (got["accepted"], got["kept"], got["read_back"]) == (True, False, "0.0 A read")


async def test_json_is_one_object(loop, capsys):
    """A script gets one object with the answer and the read-back."""
    assert await order("hold", CIRCUIT, "--json") == 0
    got = json.loads(capsys.readouterr().out)
    assert got.pop("id") == loop.orders[0].id
    assert got == {
        "format": "formbath/order/1", "verb": "hold", "target": CIRCUIT,
        "accepted": True, "code": "accepted", "text": "", "kept": True, "read_back": "0.0 A set, 0.1 A read",
    }  # fmt: skip


@pytest.mark.parametrize("verb", sorted(RAISES_ENERGY))
def test_order_that_can_let_current_flow_needs_the_name_twice(verb):
    """Without a terminal, no or a wrong --confirm stops the order before anything is sent."""
    message = ordercmd.message_of(options(verb, CIRCUIT))
    for stated in (None, "A08", CIRCUIT.lower(), ""):
        with pytest.raises(InputError):
            ordercmd.confirm(message, stated, io.StringIO(f"{CIRCUIT}\n"), io.StringIO())
    ordercmd.confirm(message, CIRCUIT, io.StringIO(), io.StringIO())


@pytest.mark.parametrize("verb", sorted(set(VERBS) - RAISES_ENERGY - {"load"}))
def test_order_towards_less_current_needs_no_confirmation(verb):
    """Hold, stop, block and the like go out at once."""
    words = ("--text", "pump hums") if verb == "note" else ()
    ordercmd.confirm(ordercmd.message_of(options(verb, CIRCUIT, *words)), None, io.StringIO(), io.StringIO())


def test_tick_of_the_start_list_needs_no_confirmation():
    """It lets nothing flow by itself; `done` of a step's task, with the same verb, does."""
    ticked = ordercmd.message_of(options("done", CIRCUIT, "--item", "2"))
    assert ticked.args == {"item": 2, "ok": True}
    ordercmd.confirm(ticked, None, io.StringIO(), io.StringIO())
    crossed = ordercmd.message_of(options("done", CIRCUIT, "--item", "1", "--not-ok", "--reason", "battery 4"))
    assert crossed.args == {"item": 1, "ok": False, "reason": "battery 4"}
    with pytest.raises(InputError, match="--confirm"):
        ordercmd.confirm(ordercmd.message_of(options("done", CIRCUIT)), None, io.StringIO(), io.StringIO())


def test_what_lets_current_flow_is_decided_in_one_place():
    """Every verb with and without an item: only a tick is taken out, and only where the verb is `done`."""
    assert {verb for verb in VERBS if raises_energy(verb, {})} == RAISES_ENERGY
    assert {verb for verb in VERBS if raises_energy(verb, {"item": 1})} == RAISES_ENERGY - {"done"}


def test_options_become_arguments_of_their_order():
    """A note's text, one alarm's code, the neighbours who were told."""
    assert ordercmd.message_of(options("note", CIRCUIT, "--text", "pump hums")).args == {"text": "pump hums"}
    assert ordercmd.message_of(options("acknowledge", CIRCUIT, "--alarm", "step_slow")).args == {"alarm": "step_slow"}
    assert ordercmd.message_of(options("acknowledge", CIRCUIT)).args == {}
    assert ordercmd.message_of(options("resume", CIRCUIT, "--told", "A12")).args == {"told": "A12"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("note",), "--text: a note needs it"),
        (("note", "--text", " "), "--text: a note needs it"),
        (("hold", "--text", "x"), "--text: belongs to note only"),
        (("reset", "--alarm", "x"), "--alarm: belongs to acknowledge only"),
        (("start", "--item", "1"), "--item: belongs to done only"),
        (("block", "--told", "A12"), "--told: belongs to start and resume and done and skip only"),
        (("done", "--not-ok"), "--not-ok: says what was found of an item"),
        (("done", "--item", "1", "--not-ok"), "--not-ok: needs --reason"),
    ],
)
def test_options_that_lack_or_belong_elsewhere_are_errors(words, said):
    """Nothing is left out in silence, and nothing half is sent."""
    with pytest.raises(InputError, match=said):
        ordercmd.message_of(options(words[0], CIRCUIT, *words[1:]))


def test_what_an_order_takes_is_written_as_key_and_value():
    """Numbers, yes and no become what they are, all else stays text; beside the older options."""
    words = ("batteries=17", "links=1", "reason=bad one out")
    assert ordercmd.message_of(options("change-count", CIRCUIT, *words)).args == {
        "batteries": 17, "links": 1, "reason": "bad one out",
    }  # fmt: skip
    words = ("what=density", "position=9", "value=1.24", "temperature_C=-3.5", "instrument=H2=b")
    assert ordercmd.message_of(options("reading", CIRCUIT, *words)).args == {
        "what": "density", "position": 9, "value": 1.24, "temperature_C": -3.5, "instrument": "H2=b",
    }  # fmt: skip
    assert ordercmd.message_of(options("horn-test", "Q", "ok=false")).args == {"ok": False}
    assert ordercmd.message_of(options("block", CIRCUIT, "leads_off=true")).args == {"leads_off": True}
    assert ordercmd.message_of(options("done", CIRCUIT, "walk=2", "ok=true")).args == {"walk": 2, "ok": True}
    assert ordercmd.message_of(options("note", CIRCUIT, "text=12")).args == {"text": "12"}
    assert ordercmd.message_of(options("proof", "Q", "item=1e5", "result=0x10")).args == {
        "item": "1e5", "result": "0x10",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("shelve", "minutes"), "minutes: is no KEY=VALUE"),
        (("shelve", "hours=1"), "hours=: shelve does not take it, right would be: alarm, minutes, reason"),
        (("unload", "x=1"), "x=: unload does not take it, right would be: reason"),
        (("skip", "step=1", "step=2"), "step=: is said twice"),
        (("acknowledge", "alarm=a", "--alarm", "b"), "alarm=: is said twice"),
        (("done", "item=1", "--item", "1"), "item=: is said twice"),
        (("skip", "reason=a", "--reason", "b"), "reason=: is said twice"),
    ],
)
def test_what_an_order_does_not_take_or_says_twice_is_an_error(words, said):
    """Nothing is sent half, and nothing is left out in silence."""
    with pytest.raises(InputError, match=said):
        ordercmd.message_of(options(words[0], CIRCUIT, *words[1:]))


def test_the_help_names_what_each_order_takes():
    """For who does not know README.md's table."""
    parser = argparse.ArgumentParser()
    ordercmd.add_arguments(parser)
    told = " ".join(parser.format_help().split())
    assert "change-count batteries links" in told
    assert "take-over" in told.replace("- ", "-")


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_the_name_is_asked_for():
    """The typed name lets it pass; anything else, or just Enter, does not."""
    message, prompt = ordercmd.message_of(options("start", CIRCUIT)), io.StringIO()
    ordercmd.confirm(message, None, Terminal(f"{CIRCUIT}\n"), prompt)
    assert f"type {CIRCUIT} to confirm" in prompt.getvalue()
    for typed in ("\n", "yes\n", ""):
        with pytest.raises(InputError, match="nothing was sent"):
            ordercmd.confirm(message, None, Terminal(typed), prompt)


async def test_load_tells_profile_batches_and_times(loop, tmp_path):
    """Minutes ago stay minutes, a moment becomes UTC, the profile an absolute path, the list a count."""
    profile = tmp_path / "p.toml"
    profile.write_text('kind = "profile"\n')
    words = ["--profile", str(profile), "--batch", "K3107:1-11 K3108:12-18", "--first-filled", "75"]
    assert await order("load", CIRCUIT, *words, "--last-filled", "2026-03-16T05:10+01:00") == 0
    assert loop.orders[0].args == {
        "continued": False, "profile": str(profile.resolve()), "batch": "K3107:1-11 K3108:12-18", "batteries": 18,
        "first_filled_minutes_ago": 75.0, "last_filled_utc": "2026-03-16T04:10:00+00:00",
    }  # fmt: skip


def test_load_says_everything_that_is_missing_or_wrong():
    """All wrong options of a load are named at once."""
    with pytest.raises(InputError) as caught:
        ordercmd.message_of(
            options("load", CIRCUIT, "--batch", "K1", "--first-filled", "yesterday", "--profile", "none.toml")
        )
    text = str(caught.value)
    for part in (
        "--batch",
        "is not BATCH:FIRST-LAST",
        "'yesterday' is neither",
        "none.toml: no such file",
        "--last-filled: load needs",
    ):
        assert part in text


def test_load_options_belong_to_load():
    """A profile given with a start is an error, not silently left out."""
    with pytest.raises(InputError, match="--profile: belongs to load only"):
        ordercmd.message_of(options("start", CIRCUIT, "--profile", "p.toml"))


async def test_unknown_target_is_wrong_input(loop):
    """A circuit that no service serves is a mistake in the input, not a lost service."""
    with pytest.raises(InputError, match="no running service serves 'Q99-order-test'"):
        await order("hold", "Q99-order-test")


async def test_target_served_twice_must_be_told_apart(loop, tmp_path):
    """With two halls that both have such a circuit, nothing is sent until --socket says which."""
    other = OrderSocket(tmp_path / "other.sock", lambda uid: Person("ada", (), uid), loop.on_order, targets=(CIRCUIT,))
    await other.start()
    with pytest.raises(InputError, match="say which"):
        await order("hold", CIRCUIT)
    assert loop.orders == []
    await other.close()


async def test_service_that_says_nothing_is_unreachable(tmp_path):
    """A service that takes the connection and answers nothing within the time is not there."""
    held = []  # a stream nobody holds is closed by later Pythons
    server = await asyncio.start_unix_server(lambda *streams: held.append(streams), tmp_path / "mute.sock")
    with pytest.raises(Unreachable, match="no serves within 0"):
        await asyncio.to_thread(lambda: Connection(tmp_path / "mute.sock").who(timeout_s=0.05))
    server.close()


@pytest.mark.parametrize(
    "line", [b"rubbish\n", b"[1]\n", encode({"type": "serves", "id": 5, "targets": 1}), b"x" * 70_000]
)
async def test_whatever_answers_otherwise_is_unreachable(tmp_path, line):
    """Something else on the socket ends in a sentence, not in a trace."""

    async def answer(reader, writer):
        asked = json.loads(await reader.readline())
        writer.write(line.replace(b'"id":5', f'"id":"{asked["id"]}"'.encode()))
        await writer.drain()

    server = await asyncio.start_unix_server(answer, tmp_path / "odd.sock")
    with pytest.raises(Unreachable, match=r"odd\.sock"):
        await asyncio.to_thread(serving, CIRCUIT, [tmp_path / "odd.sock"])
    server.close()


async def spawn(*words: str, **env: str) -> tuple[int, str, str]:
    """The command as a shell would start it, with its standard input closed."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, ROOT / "formbath.py", *words, cwd=ROOT, env={**os.environ, **env},
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, err = await asyncio.wait_for(process.communicate(), 60)
    return process.returncode, out.decode(), err.decode()


async def test_exit_codes_of_the_command(loop, tmp_path):
    """0 accepted, 1 refused, 2 not confirmed, 3 no service: as a script sees them; standard output has results only."""
    path = str(tmp_path / "hall-Q.sock")
    accepted, refused, unconfirmed, lost = await asyncio.gather(
        spawn("order", "hold", CIRCUIT),
        spawn("order", "reset", CIRCUIT, "--confirm", CIRCUIT, "--socket", path),
        spawn("order", "start", CIRCUIT, "--socket", path),
        spawn("order", "hold", CIRCUIT, "--socket", path + "x"),
    )
    assert (accepted[0], accepted[2]) == (0, "")
    assert "read back: 0.0 A" in accepted[1]
    assert refused[0] == 1
    assert (unconfirmed[0], unconfirmed[1]) == (2, "")
    assert f"add --confirm {CIRCUIT}" in unconfirmed[2]
    assert (lost[0], lost[1]) == (3, "")
    assert "hall-Q.sockx" in lost[2]
    assert {message.verb for message in loop.orders} == {"hold", "reset"}


@pytest.mark.parametrize("name", ["starter-60", "starter-60.toml"])
async def test_load_takes_a_name_from_the_library(loop, name, tmp_path, monkeypatch):
    """Where no such file lies here, the library's profile of that name is meant; a file that lies here goes first."""
    monkeypatch.chdir(tmp_path)
    words = ["--profile", name, "--batch", "K1:1-18", "--first-filled", "75", "--last-filled", "70"]
    assert await order("load", CIRCUIT, *words) == 0
    assert loop.orders[0].args["profile"] == str(Path(profiles.__file__).parent / "library" / "starter-60.toml")
    (tmp_path / name).write_text('kind = "profile"\n')
    assert ordercmd.message_of(options("load", CIRCUIT, *words)).args["profile"] == str(tmp_path / name)
