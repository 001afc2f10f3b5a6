"""Verify of a bath's own folder: files that are gone, replaced or forged with an editor."""

from __future__ import annotations

import json
import shutil

import pytest

from controller.core.types import Event, EventKind
from controller.records.bathlog import BathLog
from controller.records.eventrow import event_row
from controller.records.rows import EventRow
from controller.records.sealed import SEAL
from controller.records.writer import Writer
from controller.service.limits import FORMAT
from controller.service.proofs import proof_cells
from controller.verify.bathfolder import verify_bath
from controller.verify.proofcheck import COMMIT_MS, lacking_proofs

UTC_MS = 1_773_640_800_000
STATE = {"now_ms": 1, "circuits": {"A01": {"blocked_by": "anna"}}}
OLDER = "is of an older form, not sealed: a changed byte in it would not show"


def proof_order(who="anna", item="hydrogen"):
    return Event("proof", "A", data={"who": who, "item": item, "result": "ok", "order": "o1"}, kind=EventKind.ORDER)


def prove(log, at_ms, who="anna", *, kept=True):
    """What a recorder does with an accepted proof."""
    event = proof_order(who)
    if kept:
        log.add_proof(proof_cells(event, at_ms))
    log.add_event(event_row(event, at_ms, None))


@pytest.fixture
def folder(tmp_path):
    """A bath's own folder as a service leaves it, with two proofs, the second by a name that must be cleaned."""
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(EventRow(UTC_MS, None, "", "event", "service_started", "A"))
    prove(log, UTC_MS + 1_000)
    prove(log, UTC_MS + 2_000, '=an"na,\n' + "x" * 3_000)
    log.add_event(EventRow(UTC_MS + 60_000, None, "", "event", "notice", "A"))
    log.put_state(STATE)
    log.put_limits({"format": FORMAT, "limits": {"bath.period_s": 1}})
    assert writer.close(), writer.trouble
    return log.folder


def test_what_a_service_left_is_whole(folder):
    """Nothing wrong, no note but that of every bath, each file named."""
    verdict = verify_bath(folder)
    assert verdict.wrong == []
    assert len(verdict.notes) == 1
    assert sorted(verdict.files) == ["events-202603.csv", "limits.json", "proofs.csv", "state.json"]


def test_proofs_that_are_gone_are_named(folder):
    """The file removed: each of its events; its last row cut: that one's."""
    said = [f"events-202603.csv:{row + 1}: row {row}: its proof is not in proofs.csv" for row in (2, 3)]
    rows = (folder / "proofs.csv").read_bytes().splitlines(keepends=True)
    (folder / "proofs.csv").write_bytes(b"".join(rows[:-1]))
    assert verify_bath(folder).wrong == said[1:]
    (folder / "proofs.csv").unlink()
    assert verify_bath(folder).wrong == said


@pytest.mark.parametrize(
    ("after_ms", "code", "wrong"),
    [(COMMIT_MS, "notice", False), (COMMIT_MS + 1, "notice", True), (COMMIT_MS, "", True)],
)
def test_a_proof_that_a_kill_took_is_not_called_gone(tmp_path, after_ms, code, wrong):
    """Right before a service began anew: of one commit events may be on the disk and proofs not. No later one."""
    rows = [event_row(proof_order(), UTC_MS, None)]
    rows += [EventRow(UTC_MS + after_ms, None, "", "event", "notice", "A")]
    rows += [EventRow(UTC_MS + 9_999_000, None, "", "event", "service_started", "A")] * bool(code)
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    for row in rows:
        log.add_event(row)
    assert writer.close()
    assert bool(verify_bath(log.folder).wrong) is wrong


def test_no_more_proofs_are_missed_than_rows_were_lost():
    """Rows that found no room in memory were told of: as many proofs may be among them."""
    proof = {"kind": "order", "code": "proof", "time_utc": "2026-03-16T06:00:00.000Z", "who": "anna"}
    lost = {"kind": "event", "code": "rows_lost", "value": "1"}
    assert lacking_proofs({"a": [proof, lost]}, []) == []
    assert len(lacking_proofs({"a": [proof, proof, lost]}, [])) == 2
    assert len(lacking_proofs({"a": [proof], "b": [proof]}, [{"time_utc": proof["time_utc"], "by": "anna"}])) == 1


@pytest.mark.parametrize("name", ["state.json", "limits.json"])
def test_a_file_that_every_service_leaves_is_missed(folder, name):
    """Nobody can say what it held: a note."""
    (folder / name).unlink()
    verdict = verify_bath(folder)
    assert verdict.wrong == []
    assert verdict.notes[0].startswith(f"{name}: is missing")


@pytest.mark.parametrize("name", ["events-202603.csv", "proofs.csv", "state.json", "limits.json", "releases"])
@pytest.mark.parametrize("link", [True, False])
def test_a_name_of_ours_that_is_no_plain_file_is_wrong(folder, tmp_path, name, link):
    """A link leads to what somebody else may change; a folder (or for the releases a file) holds nothing of ours."""
    if (folder / name).exists():
        shutil.move(folder / name, tmp_path / "elsewhere")
    else:
        (tmp_path / "elsewhere").mkdir()
    if link:
        (folder / name).symlink_to(tmp_path / "elsewhere")
    elif name == "releases":
        (folder / name).write_text("")
    else:
        (folder / name).mkdir()
    verdict = verify_bath(folder)
    assert f"{name}: is no plain file" in verdict.wrong
    assert not verdict.files.get(name)


def test_no_bit_of_the_limits_can_be_another_unseen(folder):
    """A flipped bit of any byte, any cut is told: by verify, and to the next service."""
    path = folder / "limits.json"
    whole = path.read_bytes()
    log = BathLog(folder.parent, "A", Writer())
    assert log.read_limits() == ({"format": FORMAT, "limits": {"bath.period_s": 1}}, None)
    others = [whole[:at] + bytes([each ^ 1 << at % 7]) + whole[at + 1 :] for at, each in enumerate(whole)]
    for data in [*others, *(whole[:at] for at in range(1, len(whole))), whole + b"\n"]:
        path.write_bytes(data)
        plain, trouble = log.read_limits()
        assert plain is None
        assert trouble is not None
    assert verify_bath(folder).wrong == ["limits.json: is not as it was written: its own SHA-256 does not fit"]


def test_settings_and_states_of_before_are_noted(tmp_path):
    """Both without a hash, in the forms that had none: read as they stand, and a person is told."""
    writer = Writer()
    log = BathLog(tmp_path, "A", writer)
    log.add_event(EventRow(UTC_MS, None, "", "event", "notice", "A"))
    assert writer.close()
    (log.folder / "limits.json").write_text(json.dumps({"format": FORMAT, "limits": {"a": 1}}))
    (log.folder / "state.json").write_text(json.dumps({"format": "formbath/state/1", **STATE}))
    verdict = verify_bath(log.folder)
    assert verdict.wrong == []
    assert verdict.notes[:2] == [f"state.json: {OLDER}", f"limits.json: {OLDER}"]


def unsealed(path, **changes):
    """What an editor makes of a sealed file: another content, its hash taken away."""
    plain = {key: value for key, value in json.loads(path.read_text()).items() if key != SEAL}
    path.write_text(json.dumps(plain | changes))


@pytest.mark.parametrize("beside", ["limits.json", "lost", "bath_lost_rows", "a limits.json that cannot be read"])
def test_a_state_without_its_hash_is_damage_where_a_version_that_seals_it_was(folder, beside):
    """A sealed limits.json beside it shows that, or what no older version kept in a state: no block vanishes."""
    own = {} if "." in beside else {beside: {}}
    unsealed(folder / "state.json", format="formbath/state/1", circuits={"A01": {"blocked_by": ""}}, **own)
    if own:
        unsealed(folder / "limits.json")
    elif beside != "limits.json":
        (folder / "limits.json").unlink()
        (folder / "limits.json").mkdir()
    verdict = verify_bath(folder)
    assert "state.json: is not as it was written: its own SHA-256 is gone" in verdict.wrong


def test_limits_without_their_hash_hold_nothing_of_their_own(folder):
    """What no older version left in them shows that somebody else did."""
    (folder / "limits.json").write_text('{"a": 2}')
    assert verify_bath(folder).wrong == ["limits.json: is not as it was written: its own SHA-256 is gone"]
