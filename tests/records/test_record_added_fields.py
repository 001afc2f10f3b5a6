"""A record from before releases is read: what it lacks takes its default, and its decisions are compared as ever."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import pytest

from controller.core.lawsettings import LawSettings
from controller.core.planned import Load
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.records import run
from controller.records.errors import RecordError
from controller.records.head import ADDED, Text, cycle_codec, read_head, read_plain, write_head
from controller.records.plain import Codec, PlainError
from controller.records.reader import read_run
from controller.verify.runfolder import verify_run


def older(start):
    """run.json's plain content as it was written before the fields of `ADDED`."""
    plain = read_plain(write_head(start))
    settings = plain["settings"]
    for kind, place in (("Load", plain["load"]), ("BathSettings", settings), ("LawSettings", settings["laws"])):
        for name in ADDED[kind]:
            del place[name]
    plain["layout"]["Load"] = [name for name in plain["layout"]["Load"] if name not in ADDED["Load"]]
    return plain


def test_added_fields_stand_last():
    """Compact lists of older records end before them, so nothing may be added in the middle."""
    for kind in (Load, BathSettings, LawSettings):
        names = [field.name for field in fields(kind)]
        assert set(names[-len(ADDED[kind.__name__]) :]) == ADDED[kind.__name__]


def test_an_older_run_is_read_with_defaults(rec):
    """Not released, and whether releases were asked for is left to the bath's kind."""
    found = read_head(older(rec.start()))
    assert found.load == rec.start().load
    assert (found.load.released, found.settings.require_release) == (False, None)
    assert found.settings == replace(rec.settings, require_release=None)


@pytest.mark.parametrize("spoil", [
    lambda plain: plain["load"].pop("trial"),
    lambda plain: plain["layout"]["Load"].pop(0),
    lambda plain: plain["layout"].pop("Run"),
    lambda plain: plain["layout"].update(Load=3),
    lambda plain: plain.update(layout=[1]),
    lambda plain: plain["settings"].pop("hall"),
])  # fmt: skip
def test_anything_else_that_is_missing_is_still_refused(rec, spoil):
    """Only what came later may lack."""
    plain = older(rec.start())
    spoil(plain)
    with pytest.raises(RecordError):
        read_head(plain)


def test_states_of_an_older_record_are_read(rec):
    """Fields in order, the last ones not there yet; one less, or one more, is damage."""
    codec = cycle_codec(rec.plan())
    state = CircuitState("A01", load=rec.start().load)
    compact = codec.dump(CircuitState, state)
    at = [field.name for field in fields(CircuitState)].index("load")
    assert compact[at].pop() is False
    assert codec.load(CircuitState, compact) == state
    with pytest.raises(PlainError, match="must be a list"):
        codec.load(CircuitState, [*compact[:at], compact[at][:-1], *compact[at + 1 :]])
    with pytest.raises(PlainError, match="must be a list"):
        codec.load(CircuitState, [*compact[:at], [*compact[at], False, False], *compact[at + 1 :]])
    with pytest.raises(PlainError, match="must be a list"):
        Codec((rec.plan(),), compact=True).load(CircuitState, compact)


class OlderCodec(Codec):
    """Writes states as they were before: a load is one field shorter."""

    def dump(self, kind, value):
        plain = super().dump(kind, value)
        if kind is CircuitState and (load := plain[[field.name for field in fields(kind)].index("load")]) is not None:
            load.pop()
        return plain


def test_a_whole_older_record_is_verified(rec, tmp_path, monkeypatch):
    """Every decision of a record written without the later fields is compared, and is the same."""
    codecs = []

    def older_codec(plan):
        codecs.append(OlderCodec((plan,), compact=True))
        return codecs[-1]

    monkeypatch.setattr(run, "write_head", lambda start: json.dumps(older(start)).encode())
    monkeypatch.setattr(run, "cycle_codec", older_codec)
    folder = rec.whole_run(tmp_path)
    monkeypatch.undo()
    assert codecs
    assert b"released" not in (folder / "run.json").read_bytes()
    verdict = verify_run(folder)
    assert (verdict.wrong, verdict.redecided) == ([], True)
    assert verdict.compared == verdict.same > 400


def test_the_release_stands_in_run_json(rec, tmp_path):
    """Name, text and hash; null where the profile was not released; a changed text is found."""
    release = Text("p.release.json", '{"kind": "release"}\n')
    plain = read_plain(write_head(rec.start(release=release)))
    assert plain["release"] == {"name": "p.release.json", "sha256": release.sha256, "text": release.text}
    assert read_plain(write_head(rec.start()))["release"] is None
    plain["release"]["text"] += " "
    (tmp_path / "run.json").write_text(json.dumps(plain))
    assert "run.json: release: its text does not have the SHA-256 beside it" in read_run(tmp_path).problems
