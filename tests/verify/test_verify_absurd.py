"""One absurd file among many: whoever looks at several says so of that one, and goes on to the next."""

from __future__ import annotations

import argparse
from hashlib import sha256

import inventedrun as invented
import pytest

from controller.records.errors import RecordError
from controller.runs import archiveall
from controller.runs import commands as runscmd
from controller.runs.runhours import orders_of
from controller.verify import bathfolder as bathverify
from controller.verify.bathfolder import verify_bath


def test_an_absurd_row_in_a_bath_s_events_is_left_out(tmp_path):
    """A cell larger than Python's csv takes, and a quote without an end: the other rows are read."""
    good = "2026-03-16T06:00:00.000Z,,o1,order,accepted,A01,anna,technician,,,,,load by anna,0000000000000000"
    quoted = good.replace("load by anna", '"load by anna, twice"')
    absurd = good.replace("anna,", '"' + "a" * 1_100_000 + '",', 1)
    unended = good.replace(",anna,", ',"anna,', 1)
    bath = tmp_path / "A"
    bath.mkdir()
    (bath / "events-202603.csv").write_text(f"{invented.EVENTS}\n{absurd}\n{unended}\n{good}\n{quoted}\n")
    (bath / "events-202604.csv").write_bytes(b"\xff\x00\r," + good.encode() + b"\n")
    orders = orders_of(bath)["A01"]
    assert [verb for _, verb in orders].count("load") >= 2


def test_a_kept_release_that_cannot_be_read_is_a_finding(tmp_path, monkeypatch):
    """Larger than any file: said of that release, and the one behind it is looked at."""
    kept = tmp_path / "A" / "releases"
    kept.mkdir(parents=True)
    (tmp_path / "A" / "state.json").write_text("")
    names = sorted(f"{sha256(text).hexdigest()}.json" for text in (b"one", b"two"))
    for name in names:
        (kept / name).write_bytes(b"three")
    real = bathverify.read_all

    def too_large(place, name, *most):
        if name == names[0]:
            raise RecordError(f"{place.path}/{name}: is larger than 500 MB")
        return real(place, name, *most)

    monkeypatch.setattr(bathverify, "read_all", too_large)
    assert verify_bath(tmp_path / "A").wrong == [
        f"releases/{names[0][:16]}...: is larger than 500 MB",
        f"releases/{names[1][:16]}...: is not what was kept under this hash",
    ]


@pytest.mark.parametrize("error", [ValueError("digits"), OverflowError("float"), MemoryError(), RecordError("no run")])
def test_archiving_goes_on_to_the_next_run(tmp_path, monkeypatch, capsys, error):
    """Whatever the first run does to who looks at it; exit 1 tells that something was left."""
    names = [invented.make(tmp_path, batch=batch).name for batch in ("K1", "K2")]
    asked = []

    def packed(path, **_):
        asked.append(path.name)
        if path.name == names[0]:
            raise error
        return 1, 1

    monkeypatch.setattr(archiveall, "archive_run", packed)
    monkeypatch.setattr(archiveall, "why_not", lambda *_, **__: None)
    parser = argparse.ArgumentParser()
    runscmd.add_arguments(parser)
    assert runscmd.run(parser.parse_args([str(tmp_path), "--archive"])) == 1
    assert asked == names
    out = capsys.readouterr()
    assert out.out.splitlines()[-1].startswith("1 of 2 runs archived")
    assert (str(error) or type(error).__name__) in out.err
