"""Verify on what a record says of itself: hashes, names, the summary, its README, archives, values on paper."""

from __future__ import annotations

import json
import zipfile
from hashlib import sha256

import pytest
from memoryplace import in_memory

from controller.records.chain import DIGITS
from controller.records.head import Text
from controller.records.summary import summary_bytes
from controller.verify.headcheck import wrong_head
from controller.verify.paper import PaperError, Typed, on_paper, told, typed_value
from controller.verify.runfolder import verify_place, verify_run


@pytest.fixture(scope="module")
def place(kept_run):
    """The whole record in memory."""
    return in_memory(kept_run)


def with_summary(place, **changes):
    content = {**json.loads(place.files["summary.json"]), **changes}
    return place.with_file("summary.json", summary_bytes(content))


def with_head(place, change):
    plain = json.loads(place.files["run.json"])
    change(plain)
    return plain


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda plain: plain["profile"].update(text="kind = 'bath'\n"), "profile: its text does not have the SHA-256"),
        (lambda plain: plain["map"].update(sha256="0" * 64), "map: its text does not have the SHA-256"),
        (lambda plain: plain.pop("bath_file"), "bath_file: its text does not have the SHA-256"),
        (lambda plain: plain["plan"].update(sha256="0" * 64), "plan: was not compiled from this profile"),
        (lambda plain: plain["load"].update(released=True), "release: is missing, the load rests on one"),
        (lambda plain: plain.update(bath="B"), "bath: is not that of the settings"),
        (lambda plain: plain.update(hall="south"), "hall: is not that of the settings"),
        (lambda plain: plain.update(virtual=False), "virtual: is not that of the settings"),
        (lambda plain: plain.update(batch="K2"), "batch: is not that of the load"),
        (lambda plain: plain["load"].update(plan={"known": 0, "name": "x"}), "load: rests on another plan"),
    ],
)
def test_run_json_is_held_against_itself(place, change, told):
    """Texts and their hashes, the plan and its profile, names and settings: what differs is named."""
    wrong, _ = wrong_head(with_head(place, change), place.name)
    assert any(said.startswith(f"run.json: {told}") for said in wrong)
    assert wrong_head(json.loads(place.files["run.json"]), place.name) == ([], [])


def released(profile_sha256):
    text = Text("p.release.json", json.dumps({"sha256": profile_sha256}))
    return {"name": text.name, "sha256": text.sha256, "text": text.text}


def test_a_release_is_of_the_same_profile(place):
    """A release of another text is named; the right one, and one whose text a restart lost, are not."""
    good = json.loads(place.files["run.json"])["profile"]["sha256"]
    for release, wrong, notes in (
        (released(good), 0, 0),
        (released("0" * 64), 1, 0),
        ({"name": "r", "text": "{", "sha256": sha256(b"{").hexdigest()}, 1, 0),
        ({"name": "lost.release.json", "text": "", "sha256": sha256(b"").hexdigest()}, 0, 1),
    ):
        found = wrong_head(with_head(place, lambda plain, one=release: plain.update(release=one)), place.name)
        assert tuple(map(len, found)) == (wrong, notes)


def test_a_lost_profile_is_a_note(place):
    """A profile whose text a restart did not find says so by its name; its plan's hash cannot be held against it."""
    lost = Text("lost.toml", "")
    plain = with_head(place, lambda plain: plain["profile"].update(name=lost.name, text="", sha256=lost.sha256))
    wrong, notes = wrong_head(plain, place.name)
    assert (wrong, len(notes)) == ([], 1)


@pytest.mark.parametrize(
    ("name", "wrong", "notes"),
    [
        ("20260316T060007Z-A-A01-K1", 0, 0),
        ("20260316T060007Z-A-A01-K1-2", 0, 0),
        ("20260316T060007Z-A-A02-K1", 1, 0),
        ("20260316T060007Z-A-A01-K11", 1, 0),
        ("20260316T060008Z-A-A01-K1", 1, 0),
        ("a copy", 0, 1),
    ],
)
def test_the_folder_s_name_tells_of_this_run(place, name, wrong, notes):
    """Start, bath, circuit and batch stand in the name; a name of another run is wrong, one that is none is noted."""
    plain = with_head(place, lambda plain: plain.update(start_utc="2026-03-16T06:00:07.000Z"))
    assert tuple(map(len, wrong_head(plain, name))) == (wrong, notes)


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("batch", "K2", "batch is K2, the record says K1"),
        ("circuit", "A02", "circuit is A02, the record says A01"),
        ("core", 1, "core is 1, the record says "),
        ("cycles", 401, "cycles is 401, the record says 402"),
        ("state", "held", "state is held, the record says complete"),
        ("revision", 7, "revision is 7, the record says 1"),
        ("charge_Ah", 0.6, "charge_Ah is 0.6, the last row of log.csv says"),
    ],
)
def test_the_summary_is_held_against_the_record(place, key, value, told):
    """A summary with a right hash of its own, but of another run, is named key by key."""
    wrong = verify_place(with_summary(place, **{key: value}), chain_only=True).wrong
    assert any(said.startswith(f"summary.json: {told}") for said in wrong), wrong


def test_run_json_that_is_no_json_is_told_and_the_rest_looked_at(place):
    """Without a readable run.json the rows still follow from each other and hashes fit: said, and it does not hold."""
    verdict = verify_place(place.with_file("run.json", b"{" + place.files["run.json"]))
    assert any(said.startswith("run.json: is not readable") for said in verdict.wrong)
    assert "run.json: is not the one summary.json was written for" in verdict.wrong
    assert [said for said in verdict.wrong if not said.startswith("run.json: ")] == []
    assert "log.csv: its rows follow from each other, but for the first" in verdict.notes
    assert verdict.files["cycles.bin"]
    assert not verdict.files["run.json"]
    assert verdict.counted_from == "rows"


def test_a_changed_run_json_is_told_as_such(place):
    """Against the summary by name; without one as what it may be; a table changed in its first row is told as that."""
    changed = place.files["run.json"].replace(b'"hall": "north"', b'"hall": "nortH"', 1)
    wrong = verify_place(place.with_file("run.json", changed), chain_only=True).wrong
    assert "run.json: is not the one summary.json was written for" in wrong
    assert not any("row 1 " in said for said in wrong)
    alone = place.with_file("run.json", changed).with_file("summary.json", None)
    wrong = verify_place(alone, chain_only=True).wrong
    assert "run.json or the header was changed: in no table does the first row follow from them" in wrong
    row = place.files["log.csv"].replace(b"running", b"stopped", 1)
    for one in (place, place.with_file("summary.json", None)):
        wrong = verify_place(one.with_file("log.csv", row), chain_only=True).wrong
        assert "log.csv:2: row 1 is not as it was written, or one before it is missing" in wrong


def test_each_break_is_told_and_what_follows_it_holds(place):
    """Two rows changed far from each other are both named; the rows between and behind follow from each other."""
    lines = place.files["log.csv"].splitlines(keepends=True)
    for row in (5, 30):
        lines[row] = lines[row].replace(b",100.0,", b",90.0,")
    wrong = verify_place(place.with_file("log.csv", b"".join(lines)), chain_only=True).wrong
    assert [int(said.split(" ")[2]) for said in wrong if "is not as it was written" in said] == [5, 30]


@pytest.mark.parametrize("name", ["run.json", "log.csv", "events.csv", "cycles.bin", "README.txt"])
def test_a_missing_file_is_told(place, name):
    """Each file that the summary knows is missed by its name."""
    verdict = verify_place(place.with_file(name, None), chain_only=True)
    assert any(said.startswith(f"{name}: is missing") for said in verdict.wrong)


def test_a_stranger_beside_the_record_is_noted(place):
    """A file that is no part of a record is no fault of it."""
    verdict = verify_place(place.with_file("photo.jpg", b"x"), chain_only=True)
    assert verdict.holds
    assert any("photo.jpg" in note for note in verdict.notes)


def test_an_archive_says_the_same_as_its_folder(kept_run, tmp_path):
    """The same verdict from one zip file; a changed byte in it, or half of it, is a finding."""
    whole = tmp_path / f"{kept_run.name}.zip"
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_STORED) as archive:
        for each in sorted(kept_run.iterdir()):
            archive.writestr(zipfile.ZipInfo(f"{kept_run.name}/{each.name}"), each.read_bytes())
    assert verify_run(whole) == verify_run(kept_run)
    data = bytearray(whole.read_bytes())
    data[data.index(b",running,") + 1] ^= 1
    whole.write_bytes(data)
    wrong = verify_run(whole, chain_only=True).wrong
    assert any(said.startswith("log.csv: cannot be read") for said in wrong)
    whole.write_bytes(data[: len(data) // 2])
    (said,) = verify_run(whole).wrong
    assert "is no archive that can be read" in said


@pytest.mark.parametrize(
    ("text", "value", "table"),
    [
        ("3f2a 91bc 0d11 7e5a", "3f2a91bc0d117e5a", None),
        ("3F2A91BC0D117E5A", "3f2a91bc0d117e5a", None),
        (" 3f2a-91bc.0d11:7e5a ", "3f2a91bc0d117e5a", None),
        ("log=3f2a 91bc 0d11 7e5a", "3f2a91bc0d117e5a", "log.csv"),
        ("EVENTS.csv = 3f2a91bc0d117e5a", "3f2a91bc0d117e5a", "events.csv"),
    ],
)
def test_values_from_paper_are_read_as_people_type_them(text, value, table):
    """Any grouping and case, a table's name in front or not."""
    assert typed_value(text) == Typed(value, table)


@pytest.mark.parametrize(
    "text", ["", "3f2a 91bc 0d11 7e5", "3f2a 91bc 0d11 7e5a0", "3f2a 91bc 0d11 7e5g", "logs=3f2a91bc0d117e5a"]
)
def test_what_is_no_chain_value_is_told(text):
    """Too short, too long, no hex digit, no such table: each says what would be right."""
    with pytest.raises(PaperError, match=r"hex digits|log, events"):
        typed_value(text)


def test_a_value_from_paper_is_found_where_it_stands(place):
    """The last row, a row before others, another table, none: each in words."""
    log, events = place.files["log.csv"].splitlines()[1:], place.files["events.csv"].splitlines()[1:]
    tables = {"log.csv": log, "events.csv": events}
    last, fifth, event = (line[-DIGITS:].decode() for line in (log[-1], log[4], events[-2]))
    groups = " ".join(last[at : at + 4] for at in range(0, DIGITS, 4))
    assert told(on_paper(Typed(last), tables)) == f"{groups}: as on paper: last row of log.csv"
    assert told(on_paper(Typed(fifth), tables)).endswith(
        f": stands at row 5 of log.csv: {len(log) - 5} rows came after it was printed"
    )
    assert told(on_paper(Typed(event), tables)).endswith(
        f": stands at row {len(events) - 1} of events.csv: 1 row came after it was printed"
    )
    elsewhere = f"events={groups}: not in events.csv (it stands in log.csv, row {len(log)})"
    assert told(on_paper(Typed(last, "events.csv"), tables)) == elsewhere
    nowhere = "0" * DIGITS
    assert told(on_paper(Typed(nowhere), tables)) == "0000 0000 0000 0000: NOT in what was looked at"
    assert told(on_paper(Typed(nowhere, "log.csv"), tables)) == "log=0000 0000 0000 0000: NOT in what was looked at"
