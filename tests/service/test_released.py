"""A load order finds its profile's release: what is read beside it, what the core is told, what a restart keeps."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest

from controller import words
from controller.bathmodel import BathFile
from controller.core.bath import fresh_state
from controller.core.orderchecks import Refusal
from controller.core.plan import compile_plan
from controller.core.planned import Load
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind, Order
from controller.records.bathlog import BathLog
from controller.records.disk import Disk
from controller.records.errors import RecordError
from controller.records.head import Text
from controller.records.writer import Writer
from controller.service import recorder
from controller.service.clock import Now
from controller.service.desk import Desk
from controller.service.keeping import kept_circuits, kept_profiles, kept_releases, state_to_keep
from controller.service.people import ROLES, Person
from controller.service.protocol import OrderMessage
from controller.service.released import Found, found_release
from profiles.loader import LIBRARY, load_model, parse_document, read_document
from profiles.profile import Profile
from profiles.release import Release, digest, release_place, write_release

TEXT = (LIBRARY / "starter-60.toml").read_text(encoding="utf-8")
OWN = CircuitSettings("A01", 18, 0.5, 60.0, 340.0)
SETTINGS = BathSettings("north", "A", True, 1_000, 3_000, 5_000, (OWN,))
FILE = BathFile.model_validate(
    {
        "kind": "bath", "hall": "north", "name": "A", "virtual": True, "link": {"east": {"tcp": "127.0.0.1:0"}},
        "inputs": {"link": "east", "unit": 9, "map": "inputs"},
        "circuit": [{
            "name": "A01", "link": "east", "unit": 1, "map": "cabinet", "places": 18, "current_max_A": 60,
            "voltage_max_V": 340,
        }],
    }
)  # fmt: skip
BOUND_S = 20.0


def release_of(text=TEXT):
    data = parse_document(text, "text").data
    return Release(
        kind="release", format="formbath/release/1", profile=data["name"], revision=data["revision"],
        sha256=digest(text), text=text, person="ines", reason="first", utc="2026-03-16T06:00:00Z", versions={},
        model={}, settings={}, water_C=(20.0, 34.0), course=(), totals={}, confirmed=(), study={},
    )  # fmt: skip


@pytest.fixture
def profile(tmp_path) -> Path:
    """A profile with its release beside it."""
    path = tmp_path / "p.toml"
    path.write_text(TEXT, encoding="utf-8")
    write_release(release_place(path), release_of())
    return path


def found(path):
    return found_release(read_document(path))


def test_the_release_of_this_very_text_is_found(profile):
    """With its whole text; the core is told nothing more."""
    place = release_place(profile)
    assert found(profile) == Found(Text("p.release.json", place.read_text(encoding="utf-8")))
    assert found(profile).args == {}


def test_no_release_is_missing(profile):
    """A draft that nobody has tried."""
    release_place(profile).unlink()
    assert found(profile).args == {"release": "missing", "release_line": None, "release_said": ""}


def test_a_changed_profile_names_its_line(profile):
    """By the file's bare name: the answer goes to whoever may load."""
    profile.write_text(TEXT.replace("current_C20 = 0.25", "current_C20 = 0.26"), encoding="utf-8")
    args = found(profile).args
    assert (args["release"], args["release_line"]) == ("changed", 36)
    assert args["release_said"].startswith("p.toml:36: changed since its release (revision 3, by ines, 2026-03-16T")
    assert "was: current_C20 = 0.25; is: current_C20 = 0.26" in args["release_said"]
    assert found(profile).release is None


@pytest.mark.parametrize("content", [b"", b"{}", b"\xff", b'{"kind": "release", "sha256": "NaN"}'])
def test_what_is_no_release_is_unreadable(profile, content):
    """Damage never counts as a release, and the answer says what is wrong without the folder."""
    release_place(profile).write_bytes(content)
    args = found(profile).args
    assert args["release"] == "unreadable"
    assert args["release_said"].startswith("p.release.json:")
    assert str(profile.parent) not in args["release_said"]


def test_a_folder_or_a_lock_is_unreadable(profile, monkeypatch):
    """Neither ends the service."""
    release_place(profile).unlink()
    release_place(profile).mkdir()
    assert found(profile).why == "unreadable"

    def denied(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "exists", denied)
    assert found_release(replace(read_document(profile), path=profile)).said == "p.release.json: Permission denied"


async def load_order(desk, profile, **args):
    """The core's order made from a load message."""
    said = {"profile": str(profile), "batch": "K1:1-18", "first_filled_minutes_ago": 58, "last_filled_minutes_ago": 50}
    message = OrderMessage(id="t-1", verb="load", target="A01", args=said | args)
    before = desk.taken
    task = asyncio.create_task(desk.on_order(message, Person("anna", ROLES)))
    async with asyncio.timeout(BOUND_S):
        while desk.taken == before:  # noqa: ASYNC110 - sleep(0) only gives way
            await asyncio.sleep(0)
    (order,) = desk.take()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return order


def settled(desk, order, kind=EventKind.ORDER, standing=None):
    """The desk after the core's word on an order; `standing`: the circuit's load then (that of the order)."""
    event = Event("accepted", "A01", kind, {"order": order.id, "verb": order.verb})
    desk.settle((event,), (CircuitState("A01", load=standing or order.load), CircuitState("A02")))


async def test_a_refused_load_changes_nothing_of_the_accepted_one(profile):
    """Neither a release made anew meanwhile nor another profile of it comes into the accepted load's record."""
    desk = Desk(FILE, lambda: Now(7_200_000, 1_773_648_000_000))
    first = await load_order(desk, profile)
    settled(desk, first)
    kept = dict(desk.releases), dict(desk.profiles)
    write_release(release_place(profile), release_of().model_copy(update={"person": "eva", "reason": "again"}))
    settled(desk, await load_order(desk, profile), EventKind.REFUSAL, first.load)
    assert (desk.releases, desk.profiles) == kept
    await load_order(desk, profile)
    desk.take()
    settled(desk, first)
    assert (desk.releases, desk.profiles) == kept
    settled(desk, await load_order(desk, profile))
    assert json.loads(desk.releases["A01"].text)["person"] == "eva"


async def test_what_no_load_uses_is_forgotten(profile):
    """With the next accepted load: the texts of unloaded circuits, and the release of one loaded anew without."""
    desk = Desk(FILE, lambda: Now(7_200_000, 1_773_648_000_000))
    desk.profiles["0" * 64], desk.releases["A02"] = Text("old.toml", ""), Text("old.release.json", "")
    settled(desk, await load_order(desk, profile))
    assert (list(desk.profiles), list(desk.releases)) == ([digest(TEXT)], ["A01"])
    release_place(profile).unlink()
    settled(desk, await load_order(desk, profile))
    assert (list(desk.profiles), desk.releases) == ([digest(TEXT)], {})


async def test_the_desk_hands_in_whether_it_is_released(profile):
    """With the release's text kept for the record once the core accepted the load, by the circuit."""
    desk = Desk(FILE, lambda: Now(7_200_000, 1_773_648_000_000))
    order = await load_order(desk, profile)
    assert order.load.released is True
    assert (desk.releases, desk.profiles) == ({}, {})
    settled(desk, order)
    assert desk.releases == {"A01": found(profile).release}
    assert desk.profiles == {digest(TEXT): Text("p.toml", TEXT)}
    assert not [key for key in order.args if key.startswith("release")]
    release_place(profile).unlink()
    desk = Desk(FILE, lambda: Now(7_200_000, 1_773_648_000_000))
    order = await load_order(desk, profile)
    assert (order.load.released, order.args["release"], desk.releases) == (False, "missing", {})


async def test_a_client_cannot_say_what_only_the_service_says(profile):
    """Arguments of those names are dropped, whatever stands in them."""
    said = {"release": "released", "release_line": 1, "release_said": "trust me"}
    order = await load_order(Desk(FILE, lambda: Now(7_200_000, 1_773_648_000_000)), profile, **said)
    assert not [key for key in order.args if key.startswith("release")]
    release_place(profile).unlink()
    order = await load_order(Desk(FILE, lambda: Now(7_200_000, 1_773_648_000_000)), profile, **said)
    assert (order.args["release"], order.args["release_said"]) == ("missing", "")
    assert order.load.released is False


def loaded(released=True):
    plan = compile_plan(load_model(parse_document(TEXT, "p"), Profile), digest(TEXT))
    return Load(plan, 18, "K1", released=released)


def lost(sha256):
    """A release's file that is not there any more."""
    raise RecordError("gone")


def test_a_restart_of_an_older_state_keeps_the_release():
    """It held the text itself, by the hash of the profile's."""
    state = fresh_state(SETTINGS)
    circuits = {"A01": replace(state.circuits[0], load=loaded()), "A02": CircuitState("A02")}
    older = {"releases": {digest(TEXT): {"name": "p.release.json", "text": "{}"}}}
    assert kept_releases(older, circuits, lost) == ({"A01": Text("p.release.json", "{}")}, [])


def test_a_release_has_a_file_of_its_own_that_is_written_once(tmp_path):
    """Before the state that names it, synced; what is not what was kept says so, and no name leads elsewhere."""
    written = []

    class Watched(Disk):
        def replace(self, path, data):
            written.append(path.name)
            super().replace(path, data)

    writer = Writer(disk=Watched())
    log, text = BathLog(tmp_path, "A", writer), Text("p.release.json", '{"a": 1}')
    log.keep_release(text)
    log.put_state({})
    assert writer.commit()
    log.keep_release(Text("q.release.json", '{"a": 1}'))
    log.put_state({})
    assert writer.commit()
    assert written == [f"{text.sha256}.json", "state.json", "state.json"]
    again = BathLog(tmp_path, "A", Writer())
    assert again.read_release(text.sha256) == text.text
    place = tmp_path / "A" / "releases" / f"{text.sha256}.json"
    place.write_text("{}", encoding="utf-8")
    with pytest.raises(RecordError, match="is not what was kept"):
        again.read_release(text.sha256)
    place.unlink()
    with pytest.raises(RecordError, match="is missing"):
        again.read_release(text.sha256)
    with pytest.raises(RecordError, match="no such hash"):
        again.read_release("../state")


def test_a_restart_keeps_the_release(profile):
    """By its hash, as long as a load rests on it, beside the profile's text; its own text has a file of its own."""
    state = fresh_state(SETTINGS)
    one = replace(state.circuits[0], load=loaded())
    text = Text("p.release.json", "{}")
    profiles, releases = {digest(TEXT): Text("p.toml", TEXT)}, {"A01": text, "A02": text}
    kept = json.loads(json.dumps(state_to_keep(replace(state, circuits=(one,)), 5, {}, profiles, {}, releases)))
    assert kept["releases"] == {"A01": {"name": "p.release.json", "sha256": digest("{}")}}
    assert kept_releases(kept, {"A01": one}, {digest("{}"): "{}"}.__getitem__) == ({"A01": text}, [])
    assert kept_profiles(kept) == profiles
    assert kept_circuits(kept)[0]["A01"].load.released is True
    for damaged in ({}, {"releases": [1]}, {"releases": {"A01": 1}}, {"releases": {"A02": {"name": 1}}}):
        assert kept_releases(damaged, {"A01": one}, lost) == ({}, [])
    assert kept_releases(kept, {"A01": one}, lost) == ({}, ["the release of A01: gone"])
    assert kept_releases(kept, {"A01": replace(one, load=loaded(released=False))}, lost) == ({}, [])
    for without in (replace(one, load=loaded(released=False)), replace(one, load=None)):
        left = state_to_keep(replace(state, circuits=(without,)), 5, {}, profiles, {}, releases)
        assert left["releases"] == {}
    assert state_to_keep(replace(state, circuits=(one,)), 5, {}, profiles)["releases"] == {}


def test_a_circuit_kept_before_there_were_releases_is_not_released():
    """Its load comes back, and nobody is said to have released it."""
    state = fresh_state(SETTINGS)
    kept = state_to_keep(replace(state, circuits=(replace(state.circuits[0], load=loaded()),)), 5, {}, {})
    del kept["circuits"]["A01"]["load"]["released"]
    circuits, problems = kept_circuits(kept)
    assert (problems, circuits["A01"].load) == ([], loaded(released=False))


def test_the_record_gets_the_release_that_the_load_rests_on():
    """None for a load that is not released, whatever was released since; a lost one says so by its name."""
    texts = {digest(TEXT): Text("p.toml", TEXT)}, {"A01": Text("p.release.json", "{}"), "A02": Text("q", "{}")}
    begun = CircuitState("A01", load=loaded())
    assert recorder.texts_of(begun, *texts) == (Text("p.toml", TEXT), Text("p.release.json", "{}"))
    assert recorder.texts_of(begun, texts[0], {}) == (Text("p.toml", TEXT), Text("lost.release.json", ""))
    assert recorder.texts_of(replace(begun, load=loaded(released=False)), *texts) == (Text("p.toml", TEXT), None)
    assert recorder.texts_of(CircuitState("A01"), *texts) == (Text("lost.toml", ""), None)


def test_words_of_a_refusal_stay_one_line():
    """What the file says was cleaned before; a code nobody knows has words too."""
    order = Order("o", "load", "A01", "anna", ("technician",), Found(why="changed", line=3, said="p.toml:3: x").args)
    data = {"profile": "p", "revision": 3, "why": order.args["release"], "what": order.args["release_said"]}
    assert words.refusal_text("not_released", data).startswith("not released: p.toml:3: x")
    other = Refusal("not_released", {**data, "why": "x"})
    assert words.refusal_text(other.code, other.data).startswith("p, revision 3, is not released")
