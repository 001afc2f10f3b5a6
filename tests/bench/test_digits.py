"""Numbers and files as people name them: what is read, and what is refused rather than guessed."""

from __future__ import annotations

import os

import pytest

from simulator.bench.digits import is_number, number_of, whole_of
from simulator.bench.plainfile import is_no_plain_file


@pytest.mark.parametrize(
    ("text", "value"), [("31", 31.0), ("-3.5", -3.5), ("+.5", 0.5), ("2.", 2.0), ("1e-3", 0.001), ("1E+2", 100.0)]
)
def test_plain_numbers_are_read(text, value):
    """Digits, one point, one sign, an exponent."""
    assert number_of(text) == value


OTHERS = "\uff13\uff11", "\u0663", " 31", "31 ", "31\n", "3_1", "0x1f", "nan", "inf", "1,5", "1e9999", "--1", "9" * 41


@pytest.mark.parametrize("text", ["", " ", ".", "e3", "1e", *OTHERS])
def test_whatever_else_is_no_number(text):
    """No underscore, no other script's digits, no blank, no infinity, nothing endless."""
    assert number_of(text) is None
    assert whole_of(text) is None
    assert not is_number(text)


def test_a_number_may_be_too_large_to_compute_with():
    """It is a number as it is written; as a value it is none."""
    assert is_number("1e400")
    assert number_of("1e400") is None


def test_whole_numbers_have_no_point():
    """Sign and digits."""
    assert (whole_of("012"), whole_of("-1"), whole_of("1.0"), whole_of("1e2")) == (12, -1, None, None)


def test_pipes_and_devices_are_no_plain_files(tmp_path):
    """Also through a link; what is not there yet may become one."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "pipe")
    (tmp_path / "device").symlink_to("/dev/null")
    (tmp_path / "file").write_text("")
    (tmp_path / "good").symlink_to(tmp_path / "file")
    (tmp_path / "broken").symlink_to(tmp_path / "nothing")
    odd = [name for name in ("pipe", "link", "device", "file", "good", "broken", "none") if
           is_no_plain_file(tmp_path / name)]  # fmt: skip
    assert odd == ["pipe", "link", "device"]
