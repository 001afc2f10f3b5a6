"""The record's formats against what is published about the standards they use."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import zlib

import pytest

from controller.records.chain import link
from controller.records.frames import OVERHEAD, frame
from controller.records.rows import cell, time_utc


def test_chain_value_is_the_published_sha256():
    """FIPS 180-4's example "abc" (NIST, Cryptographic Standards and Guidelines, Example Values, SHA-256)."""
    assert link("a", "bc") == "ba7816bf8f01cfea"


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this machine")
def test_chain_value_is_what_sha256sum_prints():
    """GNU coreutils' sha256sum, an implementation of its own, gives the same digits."""
    row = "2026-03-16T06:00:00.000Z,0.000,1,running,\u00e9"
    printed = subprocess.run(["sha256sum"], input=("0" * 16 + row).encode(), capture_output=True, check=True).stdout
    assert link("0" * 16, row) == printed.decode()[:16]


def test_frames_are_checked_by_the_common_crc32():
    """CRC-32/ISO-HDLC: the check value of "123456789" is CBF43926 (catalogue of parametrised CRC algorithms)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    data = frame(1, 2, b"body")
    stored = int.from_bytes(data[OVERHEAD - 4 : OVERHEAD], "little")
    assert stored == zlib.crc32(data[: OVERHEAD - 4] + b"body")


@pytest.mark.parametrize("text", ['a "quoted" word', "one, two", 'b""', ",", "plain"])
def test_cells_follow_rfc_4180(text):
    """RFC 4180, 2.5 to 2.7: cells with commas or quotes are quoted, a quote inside is doubled; csv.reader agrees."""
    assert next(csv.reader(io.StringIO(cell(text) + "\n"))) == [text]
    if '"' in text or "," in text:
        assert cell(text) == '"' + text.replace('"', '""') + '"'


def test_times_follow_rfc_3339():
    """RFC 3339, 5.8: 1985-04-12T23:20:50.52Z is 20 min 50.52 s after 23:00 UTC on 12 April 1985."""
    assert time_utc(482_196_050_520) == "1985-04-12T23:20:50.520Z"
