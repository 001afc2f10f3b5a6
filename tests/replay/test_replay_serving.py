"""A record on a socket: snapshots that a console understands, seeks and pace, no order, and never the future."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import stat
from dataclasses import replace
from types import SimpleNamespace

import pytest

from controller.console.picture import read_picture
from controller.core.version import CORE
from controller.replay.clockwork import Clockwork
from controller.replay.landmarks import happened
from controller.replay.serving import MOST_PROBLEMS, Serving, Show
from controller.replay.tape import open_tape
from controller.service.client import attach
from controller.service.people import Person
from controller.service.protocol import VERBS, BadMessage, OrderMessage, PaceMessage, WhoMessage, decode
from controller.service.sockets import OrderSocket
from controller.words import Say

BOUND_S = 20.0


def show_of(folder, base, *, ratio=60.0):
    tape = open_tape(folder)
    return Show(tape, base, Clockwork(tape.begin_ms, tape.end_ms, ratio))


def rows(base, snapshot, name):
    return (base / snapshot["circuits"][0]["folder"] / name).read_text().splitlines()


def seek(show, **wish):
    found = show.seek(PaceMessage(id="q", **wish))
    return found, show.snapshot()


@contextlib.asynccontextmanager
async def served(kept, tmp_path, **changes):
    serving = Serving(show_of(kept.folder, tmp_path, **changes), tmp_path)
    await serving.socket.start()
    running = asyncio.create_task(serving.run())
    async with asyncio.timeout(BOUND_S):
        client = await attach(serving.socket.path)
        try:
            yield SimpleNamespace(client=client, messages=client.messages(), serving=serving)
        finally:
            await client.close()
            serving.end()
            await running
            await serving.socket.close()


async def heard(at, wanted):
    """The first message for which `wanted` holds."""
    async for said in at.messages:
        if wanted(said):
            return said
    raise AssertionError("the replay hung up")


def is_shown(**replay):
    return lambda said: said["type"] == "snapshot" and all(said["replay"][key] == it for key, it in replay.items())


# -- what is shown


def test_a_snapshot_is_a_picture_of_a_replay(kept, tmp_path):
    """The console reads it as any other, and knows what it is, where it stands and how much there is."""
    show = show_of(kept.folder, tmp_path)
    picture = read_picture(seek(show, elapsed_s=400.0)[1])
    replay = picture.replay
    assert (replay.elapsed_s, replay.length_s) == (400.0, (kept.end_ms - kept.start_ms) / 1000.0)
    assert (replay.core, replay.shown_by, replay.decided, replay.ended) == (CORE, CORE, True, False)
    assert replay.problems == ()
    assert picture.utc == picture.replay.first + (picture.utc - picture.replay.first)
    assert (picture.pace.ratio, picture.pace.paused) == (60.0, False)
    assert [each.name for each in picture.circuits] == ["A01"]
    assert (replay.last - replay.first).total_seconds() == replay.length_s


def test_files_hold_no_future(kept, tmp_path):
    """At each moment, on every way to it, no row in the console's files is later than what is shown."""
    show = show_of(kept.folder, tmp_path)
    log = open_tape(kept.folder).log
    for elapsed_s in (0.0, 300.0, 299.0, 700.0, 20.0, 1_040.0, 5.0, 301.5):
        _, shown = seek(show, elapsed_s=elapsed_s)
        for name in ("log.csv", "events.csv"):
            header, *lines = rows(tmp_path, shown, name)
            assert header.startswith("time_utc,elapsed_s,")
            assert all(float(line.split(",")[1]) <= elapsed_s for line in lines)
        assert len(lines) >= 1
        assert len(rows(tmp_path, shown, "log.csv")) - 1 == log.until(kept.start_ms + round(elapsed_s * 1000))


def test_nothing_later_is_in_a_snapshot(kept, tmp_path):
    """The counters of a moment are those of that moment after the end was seen."""
    show = show_of(kept.folder, tmp_path)
    first = seek(show, elapsed_s=120.0)[1]["circuits"][0]
    seek(show, elapsed_s=10_000.0)
    again = seek(show, elapsed_s=120.0)[1]["circuits"][0]
    assert {**again, "folder": ""} == {**first, "folder": ""}
    assert again["folder"] != first["folder"]


def test_the_record_is_not_touched(kept, tmp_path):
    """Bytes and times of the record are as before, whatever was looked at."""
    before = {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in kept.folder.iterdir()}
    show = show_of(kept.folder, tmp_path)
    for elapsed_s in (500.0, 1.0, 9_999.0):
        seek(show, elapsed_s=elapsed_s)
    assert {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in kept.folder.iterdir()} == before


# -- where it goes


def test_next_and_previous_event(kept, tmp_path):
    """Forward through every landmark to the last and back to the first; a jump pauses, and nothing is further."""
    show = show_of(kept.folder, tmp_path)
    landmarks = [each for each in happened(show.tape.events) if each.matters]
    forward = []
    while found := seek(show, event="next")[0]:
        assert show.clockwork.paused
        assert {each.at_ms for each in found} == {show.clockwork.now_ms}
        forward.append(show.clockwork.now_ms)
    codes = {each.code for each in landmarks}
    assert {"accepted", "probe_derate:new", "held", "gap", "step_began", "complete"} <= codes
    assert forward == sorted({each.at_ms for each in landmarks if each.at_ms > kept.start_ms})
    back = [show.clockwork.now_ms]
    while seek(show, event="previous")[0]:
        back.append(show.clockwork.now_ms)
    assert back[::-1][1:] == forward
    assert back[-1] == kept.start_ms


def test_an_alarm_jumped_to_is_on_the_screen(kept, tmp_path):
    """The moment of an event is one in which it has happened."""
    show = show_of(kept.folder, tmp_path)
    while found := seek(show, event="next")[0]:
        if any(each.code == "probe_derate:new" for each in found):
            break
    codes = [alarm["code"] for alarm in show.snapshot()["circuits"][0]["alarms"]]
    assert codes == ["probe_derate"]
    assert any("alarm,probe_derate:new" in line for line in rows(tmp_path, show.snapshot(), "events.csv"))


def test_seek_by_the_wall_clock(kept, tmp_path):
    """A moment by its wall time, whatever zone it is written in; beyond the ends it is the end."""
    show = show_of(kept.folder, tmp_path)
    utc = read_picture(show.snapshot()).replay.first
    for text, wanted_s in (("06:08:48Z", 420.0), ("07:08:48+01:00", 420.0), ("05:00:00Z", 0.0), ("23:00:00Z", None)):
        _, shown = seek(show, time_utc=f"{utc:%Y-%m-%d}T{text}")
        assert shown["replay"]["elapsed_s"] == (wanted_s if wanted_s is not None else shown["replay"]["length_s"])
    assert shown["replay"]["ended"]


# -- damage


def test_problems_are_told_and_bounded(kept, tmp_path):
    """What is not whole stands in every snapshot, cleaned, and no more of it than fits a screen."""
    folder = shutil.copytree(kept.folder, tmp_path / "r")
    data = bytearray((folder / "log.csv").read_bytes())
    data[200] ^= 1
    (folder / "log.csv").write_bytes(data)
    show = show_of(folder, tmp_path)
    show.tape.problems += [f"\x1b[31mbad {number}" for number in range(20)]
    replay = read_picture(show.snapshot()).replay
    assert "log.csv:2: row 1 is not as it was written" in replay.problems[0]
    assert len(replay.problems) == MOST_PROBLEMS
    assert replay.more_problems == len(show.tape.problems) - MOST_PROBLEMS
    assert all("\x1b" not in each for each in replay.problems)


@pytest.mark.parametrize("name", ["log.csv", "events.csv", "cycles.bin", "cycles.tail"])
@pytest.mark.parametrize("how", ["gone", "empty", "rubbish", "half"])
def test_any_file_may_be_missing_or_broken(kept, tmp_path, name, how):
    """A replay shows what is left, at the beginning, in the middle and at the end, and never fails."""
    folder = shutil.copytree(kept.folder, tmp_path / "r")
    file = folder / name
    data = file.read_bytes() if file.exists() else b""
    if how == "gone":
        file.unlink(missing_ok=True)
    else:
        file.write_bytes(
            {"empty": b"", "rubbish": os.urandom(0) + b'\xff\0,"\n' * 500, "half": data[: len(data) // 2]}[how]
        )
    show = show_of(folder, tmp_path)
    for elapsed_s in (0.0, 400.0, 1e6, 10.0):
        shown = json.loads(json.dumps(seek(show, elapsed_s=elapsed_s)[1]))
        assert read_picture(shown).circuits[0].name == "A01"
        seek(show, event="next")
        seek(show, event="previous")


def test_hostile_names_and_texts(hostile, tmp_path):
    """A batch with escapes, a way up and a wall of text: the folder is a plain name, the picture holds no control."""
    show = show_of(hostile.folder, tmp_path)
    shown = show.snapshot()
    assert shown["circuits"][0]["folder"] == "A01"
    picture = read_picture(shown)
    assert picture.circuits[0].load.batch.isprintable()
    show.tape.head.plain["circuit"] = "../up"
    other = Show(show.tape, tmp_path, show.clockwork).snapshot()
    assert (tmp_path / other["circuits"][0]["folder"]).resolve().parent == tmp_path.resolve()


def test_state_that_no_core_wrote_is_shown_by_rows(kept, tmp_path, monkeypatch):
    """Whatever the fold gives, a snapshot that cannot be made of it is made of the row."""
    show = show_of(kept.folder, tmp_path)
    moment = show._story.at(kept.start_ms + 400_000)
    broken = SimpleNamespace(
        **{name: getattr(moment, name) for name in ("now_ms", "state", "standing", "decided")}, cin=None
    )
    monkeypatch.setattr(show._story, "at", lambda now_ms: broken)
    shown = seek(show, elapsed_s=400.0)[1]
    assert not shown["replay"]["decided"]
    assert shown["circuits"][0]["state"] == "running"


# -- on the socket


async def test_no_order_whoever_gives_it(kept, tmp_path):
    """Every verb there is, for the circuit and for the bath, is refused with one sentence; nothing moves by it."""
    async with served(kept, tmp_path) as at:
        for number, verb in enumerate(VERBS):
            target = "A" if number % 2 else "A01"
            await at.client.send(OrderMessage(id=f"o{number}", verb=verb, target=target))
            said = await heard(at, lambda said, number=number: said.get("id") == f"o{number}")
            assert (said["type"], said["accepted"], said["code"]) == ("answer", False, "replay")
            assert said["text"] == "a replay takes no order"


async def test_its_socket_is_private_and_says_what_it_is(kept, tmp_path):
    """The socket's name has the process's number, nobody else may open it, and who asks has no role in it."""
    async with served(kept, tmp_path) as at:
        path = at.serving.socket.path
        assert path.name == f"replay-{os.getpid()}.sock"
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        await at.client.send(WhoMessage(id="w"))
        said = await heard(at, lambda said: said["type"] == "serves")
        assert (said["targets"], said["roles"], said["runs"]) == (["A", "A01"], [], str(tmp_path.resolve()))


async def test_seek_pause_and_pace_on_the_socket(kept, tmp_path):
    """Each is answered, and the next snapshot shows it at once."""
    async with served(kept, tmp_path) as at:
        await at.client.send(PaceMessage(id="p", paused=True))
        await heard(at, lambda said: said["type"] == "snapshot" and said["pace"]["paused"])
        await at.client.send(PaceMessage(id="q", elapsed_s=333.0))
        said = await heard(at, is_shown(elapsed_s=333.0))
        assert said["circuits"][0]["run"]["charge_Ah"] == pytest.approx(
            kept.shown[kept.start_ms + 333_000]["circuits"][0]["run"]["charge_Ah"]
        )
        await at.client.send(PaceMessage(id="r", ratio=3_600.0))
        await heard(at, lambda said: said["type"] == "snapshot" and said["pace"]["ratio"] == 3_600.0)


async def test_it_plays_to_its_end_and_says_so(kept, tmp_path):
    """Played at its fastest it comes to the end, pauses there, tells it, and is still there for a seek."""
    async with served(kept, tmp_path, ratio=3_600.0) as at:
        said = await heard(at, lambda said: said["type"] == "notice")
        assert said["text"] == Say()("replay.end")
        said = await heard(at, is_shown(ended=True))
        assert said["pace"]["paused"]
        assert said["circuits"][0]["state"] == "complete"
        await at.client.send(PaceMessage(id="q", event="next"))
        said = await heard(at, lambda said: said["type"] == "notice")
        assert said["text"] == Say()("replay.no_next")
        await at.client.send(PaceMessage(id="r", event="previous"))
        said = await heard(at, lambda said: said["type"] == "notice")
        assert said["text"].startswith("+")
        await at.client.send(PaceMessage(id="s", elapsed_s=5.0))
        await heard(at, is_shown(elapsed_s=5.0))
        await at.client.send(PaceMessage(id="t", event="previous"))
        await heard(at, is_shown(elapsed_s=1.0))


async def test_a_refusal_that_is_sought_asked_for_something_then(kept, tmp_path):
    """Jumped to, it is told as one of then; what asks for nothing is told as it is."""
    folder = shutil.copytree(kept.folder, tmp_path / kept.folder.name)
    rows = (folder / "events.csv").read_text().splitlines(keepends=True)
    told = (row.replace(",order,", ",refusal,") if "hold by anna" in row else row for row in rows)
    (folder / "events.csv").write_text("".join(told))
    async with served(replace(kept, folder=folder), tmp_path) as at:
        told = [""]
        while told[-1] != Say()("replay.no_next"):
            await at.client.send(PaceMessage(id="q", event="next"))
            told.append((await heard(at, lambda said: said["type"] == "notice"))["text"])
    found = [text.partition(" A01: ")[2] for text in told]
    assert "then: hold by anna" in found
    assert "acknowledge by anna" in found
    assert sum("then: " in text for text in told) == 1


async def test_nothing_goes_on_while_nobody_looks(kept, tmp_path):
    """A replay waits for its console: the first snapshot is the record's first moment."""
    serving = Serving(show_of(kept.folder, tmp_path, ratio=3_600.0), tmp_path)
    await serving.socket.start()
    running = asyncio.create_task(serving.run())
    rounds = 0
    passed = serving.show.clockwork.passed

    def counted(wall_s, *, still=False):
        nonlocal rounds
        rounds += 1
        return passed(wall_s, still=still)

    serving.show.clockwork.passed = counted
    async with asyncio.timeout(BOUND_S):
        while rounds < 5:
            serving._woken.set()
            await asyncio.sleep(0)
    assert serving.show.clockwork.now_ms == kept.start_ms
    serving.end()
    await running
    await serving.socket.close()


async def test_only_a_replay_goes_to_another_time(tmp_path):
    """A stepped plant has a pace and no other time; a wish that fails inside costs only its answer."""
    asked = []

    def paced(ratio, paused):
        asked.append((ratio, paused))

    def sought(wish):
        raise RuntimeError("inside")

    for name, on_seek, code in (("plant", None, "no_seek"), ("replay", sought, "internal")):
        server = OrderSocket(
            tmp_path / f"{name}.sock", lambda uid: Person("ada", (), uid), None, on_pace=paced, on_seek=on_seek
        )
        await server.start()
        async with asyncio.timeout(BOUND_S):
            client = await attach(server.path)
            for number, wish in enumerate(({"elapsed_s": 1.0}, {"event": "next"}, {"time_utc": "2026-03-16T06:00Z"})):
                await client.send(PaceMessage(id=f"q{number}", **wish))
                said = await heard(SimpleNamespace(messages=client.messages()), lambda said: said["type"] == "answer")
                assert (said["accepted"], said["code"]) == (False, code)
                assert "inside" not in said["text"]
            await client.send(PaceMessage(id="p", paused=True))
            said = await heard(SimpleNamespace(messages=client.messages()), lambda said: said.get("id") == "p")
            assert said["accepted"]
            await client.close()
        await server.close()
    assert asked[-1] == (None, True)
    assert (None, True) in asked[:-1]


@pytest.mark.parametrize(
    "line",
    [
        b'{"type":"pace","id":"q","elapsed_s":1e10}', b'{"type":"pace","id":"q","elapsed_s":NaN}',
        b'{"type":"pace","id":"q","elapsed_s":"5"}', b'{"type":"pace","id":"q","event":"first"}',
        b'{"type":"pace","id":"q","time_utc":"2026-03-16T06:00:00"}', b'{"type":"pace","id":"q","time_utc":"now"}',
    ],
)  # fmt: skip
def test_rubbish_is_no_wish(line):
    """Endless, unnumbered, without a zone: refused before anything acts on it."""
    with pytest.raises(BadMessage):
        decode(line)
