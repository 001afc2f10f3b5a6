"""summary.json carries its own hash; older ones without are read."""

from __future__ import annotations

import hashlib
import json

import pytest

from controller.records.summary import FORMAT, UNSEALED, is_sealed, read_summary, summary_bytes

CONTENT = {"charge_Ah": 202.9, "batch": 'K"1"', "rows": {"log.csv": 3}, "none": None}


def test_what_was_written_comes_back_with_its_hash():
    """Format first, the content, last its own hash: that of all bytes before its line."""
    data = summary_bytes(CONTENT)
    plain, wrong = read_summary(data)
    assert wrong is None
    assert list(plain) == ["format", *CONTENT, "sha256"]
    assert (plain["format"], plain["batch"]) == (FORMAT, 'K"1"')
    lines = data.splitlines(keepends=True)
    assert plain["sha256"] == hashlib.sha256(b"".join(lines[:-2])).hexdigest()
    assert is_sealed(plain)


def test_a_summary_written_again_carries_a_new_hash():
    """What was read is changed and written again: the old hash and format are replaced, not kept beside."""
    plain, _ = read_summary(summary_bytes(CONTENT))
    again, wrong = read_summary(summary_bytes({**plain, "verdict": "passed"}))
    assert wrong is None
    assert again["verdict"] == "passed"
    assert again["sha256"] != plain["sha256"]
    assert list(again)[-1] == "sha256"


def test_text_in_the_content_cannot_pass_for_the_hash():
    """A value that looks like the last line changes nothing: the last line counts."""
    hostile = {"note": ' "sha256": "' + "0" * 64 + '"\n}\n', "nested": {"sha256": "0" * 64}}
    plain, wrong = read_summary(summary_bytes(hostile))
    assert wrong is None
    assert plain["nested"] == {"sha256": "0" * 64}


@pytest.mark.parametrize(
    "data",
    [
        summary_bytes(CONTENT).replace(b"202.9", b"203.9"),
        summary_bytes(CONTENT) + b"\n",
        summary_bytes(CONTENT)[:-1],
        summary_bytes(CONTENT).replace(b' "none"', b'  "none"'),
        summary_bytes(CONTENT).replace(b' "sha256": "', b' "sha256": "A', 1),
        (json.dumps({"format": FORMAT}) + "\n").encode(),
        json.dumps({"format": FORMAT, "sha256": 1}).encode(),
    ],
)
def test_a_changed_one_is_given_and_told(data):
    """Whatever differs from what was written, blanks and a lost hash included, is told; the content is given."""
    plain, wrong = read_summary(data)
    assert plain is not None
    assert wrong == "summary.json: is not as it was written: its own SHA-256 does not fit"


def test_one_of_old_is_read():
    """The format before had no hash: it is read, and is said to be unsealed."""
    plain, wrong = read_summary(json.dumps({"format": UNSEALED, "charge_Ah": 1.0}).encode())
    assert (plain["charge_Ah"], wrong, is_sealed(plain)) == (1.0, None, False)


@pytest.mark.parametrize(
    ("data", "told"), [(b"{", "is not readable"), (b"[1]", "is no object"), (b"\xff", "is not readable")]
)
def test_what_is_no_summary_is_told(data, told):
    """Bytes that are no JSON object give nothing and say why; no bytes at all are an open run."""
    plain, wrong = read_summary(data)
    assert plain is None
    assert told in wrong
    assert read_summary(b"") == (None, None)


def test_what_json_has_no_word_for_is_refused():
    """A number that is none does not get into a summary."""
    with pytest.raises(ValueError, match="JSON"):
        summary_bytes({"charge_Ah": float("nan")})
