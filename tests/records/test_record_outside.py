"""Numbers, JSON and false marks from outside: bounded work, no number that fails later, one line of what is wrong."""

from __future__ import annotations

import json
import struct
import tracemalloc
import zlib
from dataclasses import dataclass
from hashlib import sha256

import pytest
from forgekit import rechained, resealed, unsealed
from memoryplace import in_memory

from controller.bathmodel import CircuitEntry
from controller.records import cycles, frames, outside
from controller.records.cycles import DamagedCycles, decode
from controller.records.errors import RecordError
from controller.records.frames import FILE_HEAD, LARGEST_BODY, Damage, Frame, frame, scan
from controller.records.head import read_plain
from controller.records.outside import milliseconds_of, number_of, plain_number, read_json
from controller.records.plain import Codec
from controller.records.reader import read_cycles
from controller.records.summary import read_summary
from controller.verify import chained, gather
from controller.verify import runfolder as verify
from controller.verify.runfolder import verify_place

BLOCKS = [frame(number, 1, b"body" * 50) for number in range(200)]


def _short(value):
    return "whole" if isinstance(value, int) else ascii(value)[:20]


@pytest.fixture(scope="module")
def place(kept_run):
    """The whole record in memory."""
    return in_memory(kept_run)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("0.000", 0.0), ("-1.5", -1.5), ("12", 12.0), ("1e-05", 1e-05), ("1.5e+17", 1.5e17), ("9" * 17, 1e17),
        ("", None), ("nan", None), ("inf", None), ("-inf", None), ("1_0", None), (" 1", None), ("+1", None),
        (".5", None), ("1.", None), ("0x1", None), ("1e5", None), ("9" * 19, None),
        ("0" * 18 + "1", None), ("1" * 5_000, None),
        ("1e+999", None), ("1e+18", None), ("-1e+18", None), ("\u0661.0", None), ("1.0\n", None),
    ],
    ids=_short,
)  # fmt: skip
def test_a_cell_holds_a_number_as_tables_write_it(text, number):
    """Plain decimals below 1e18 are numbers; no numbers, other digits and endless ones are none."""
    assert number_of(text) == number
    assert milliseconds_of(text) == (None if number is None else round(number * 1000))


@pytest.mark.parametrize(
    ("value", "number"),
    [(1, 1.0), (-2.5, -2.5), (True, None), ("1", None), (None, None), (float("nan"), None), (10**18, None),
     (10**5_000, None), (float("inf"), None), (10**18 - 1, 1e18), (-(10**18), None)],
    ids=_short,
)  # fmt: skip
def test_a_number_in_json_is_one_or_none(value, number):
    """What compares with nothing, or overflows a float, is no number; nor is a truth value."""
    assert plain_number(value) == number


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[NaN]", "NaN is no number"), ("[-Infinity]", "-Infinity is no number"),
        ("[1e400]", "a number beyond all bounds"), ("[" + "9" * 19 + "]", "a number of 19 digits"),
        ("9" * 5_000, "a number of 5000 digits"), ("[" * 65 + "]" * 65, "more than 64 deep"),
        ("[" * 100_000, "more than 64 deep"), ('{"a":' * 65 + "1" + "}" * 65, "more than 64 deep"), ("{", "Expecting"),
    ],
    ids=_short,
)  # fmt: skip
def test_json_that_no_writer_makes_is_refused_in_a_line(text, said):
    """No such number and no such depth comes through, whoever would have met it."""
    with pytest.raises(ValueError, match=said) as error:
        read_json(text)
    assert len(str(error.value)) < 100


def test_json_within_the_bounds_is_read():
    """18 digits, a minus before them, and 64 lists in each other are what they are."""
    plain = [10**18 - 1, -(10**18) + 1, 1.5, True, None, "x"]
    assert read_json(json.dumps(plain)) == plain
    assert read_json("[" * 64 + "]" * 64) is not None
    assert read_json('{"a": {"b": [{}, [1]]}}') == {"a": {"b": [{}, [1]]}}


@pytest.mark.parametrize(
    "data", [b"[" * 100_000, b'{"format": "formbath/run/1", "start_ms": ' + b"9" * 400 + b"}"], ids=_short
)
def test_run_json_and_summary_of_endless_things_are_not_readable(data):
    """Both say so in one sentence; neither fails later in whoever reads a number of it."""
    with pytest.raises(RecordError, match=r"run\.json: is not readable: "):
        read_plain(data)
    assert str(read_summary(data)[1]).startswith("summary.json: is not readable: ")


def test_a_run_json_larger_than_any_is_not_read(place, monkeypatch):
    """One file of many lists must not fill the memory before it is looked at."""
    monkeypatch.setattr(gather, "LARGEST_HEAD", len(place.files["run.json"]) - 1)
    wrong = verify_place(place, chain_only=True).wrong
    assert [said for said in wrong if "run.json: is larger than" in said]
    assert not [said for said in wrong if "is missing" in said or "not readable" in said]
    monkeypatch.setattr(gather, "LARGEST_HEAD", len(place.files["run.json"]))
    assert verify_place(place, chain_only=True).wrong == []
    assert outside.LARGEST_HEAD >= 3 * 1_000_000 + 2_000_000  # texts of profile, bath file, map; release


@dataclass(frozen=True)
class _NoRoom:
    """A place where one file does not fit into the memory."""

    place: object
    full: str

    def __getattr__(self, name):
        return getattr(self.place, name)

    def open(self, name):
        if name == self.full:
            raise MemoryError
        return self.place.open(name)


@pytest.mark.parametrize("name", ["cycles.bin", "log.csv"])
def test_a_file_beyond_the_memory_is_a_finding(place, name):
    """Verify says so of that file, and looks at the others."""
    verdict = verify_place(_NoRoom(place, name), chain_only=True)
    assert f"{name}: is larger than the memory that is left here: not looked at" in verdict.wrong
    assert verdict.tables["events.csv"] == 4


def test_a_record_beyond_the_memory_is_a_finding(kept_run, monkeypatch):
    """Wherever in looking at it the memory ends."""

    def full(*_):
        raise MemoryError

    monkeypatch.setattr(verify, "counted_rows", full)
    assert verify.verify_run(kept_run, chain_only=True).wrong == [
        "is larger than the memory that is left here: not looked at"
    ]


@pytest.mark.parametrize("digits", [400, 4_000, 5_000])
@pytest.mark.parametrize("column", [1, 9])
def test_endless_digits_in_a_row_are_a_wrong_form(place, digits, column):
    """elapsed_s and charge_Ah of so many digits: named with their row, in a record that is chained and sealed anew."""

    def edit(rows):
        rows[-1][column] = "1" * digits + "." + "0" * (3 if column == 1 else 4)
        return rows

    wrong = verify_place(resealed(rechained(place, "log.csv", edit)), chain_only=True).wrong
    assert any(said.startswith("log.csv:43: row 42: ") and "not a number with" in said for said in wrong), wrong


def test_numbers_that_are_none_in_a_summary_are_wrong(place):
    """NaN and 4,000 digits as charge: not readable, and no error on the way."""
    for charge_Ah in (float("nan"), 10**4_000, float("inf")):
        wrong = verify_place(unsealed(place, charge_Ah=charge_Ah), chain_only=True).wrong
        assert any(said.startswith("summary.json: is not readable: ") for said in wrong), wrong


def test_numbers_and_depth_in_cycles_are_damage():
    """The JSON in a block's body is as bounded as any other."""
    for text in (b"[" * 100_000, b'{"start": ' + b"9" * 5_000 + b', "extras": []}', b'{"start": NaN, "extras": []}'):
        body = zlib.compress(struct.pack("<HI", 0, len(text)) + text)
        with pytest.raises(DamagedCycles):
            decode(body, 1, Codec())


class _Counted:
    """Counts the bytes that checks of blocks look at."""

    def __init__(self):
        self.bytes = 0

    def crc32(self, data, value=0):
        assert isinstance(data, memoryview)  # nothing is copied for it
        self.bytes += len(data)
        return zlib.crc32(data, value)


def _false_blocks(count, size):
    """Marks whose length fits into what follows, close to each other."""
    return (struct.pack("<4sQHHI", b"FBcy", 0, 1, 0, size) + b"none") * count + bytes(size)


@pytest.fixture
def work(monkeypatch):
    """What a search hashes, in bytes; the least work allowed is none."""
    counted = _Counted()
    monkeypatch.setattr(frames, "zlib", counted)
    monkeypatch.setattr(frames, "_LEAST_WORK", 0)
    return counted


def test_false_marks_cost_a_few_times_the_file(work):
    """Thousands of marks, each with half the file behind it: given up after some four times the file's size."""
    data = _false_blocks(5_000, 200_000)
    found = list(scan(data, 0))
    assert found == [Damage(0, len(data), given_up=True)]
    assert work.bytes <= 5 * len(data)
    assert read_cycles(FILE_HEAD + data).damage == (
        "cycles.bin: bytes from 18 on look like blocks and are none: the rest is not looked at",
    )


def test_marks_without_room_cost_no_hashing(work):
    """The mark over and over reads as lengths of 2 GB: none is copied or hashed, and their number is bounded."""
    data = b"FBcy" * 150_000
    assert list(scan(data, 0)) == [Damage(0, len(data), given_up=True)]
    assert work.bytes == 0


def test_what_is_given_up_is_not_taken_for_an_unfinished_end():
    """It is damage: nothing of it may be cut by who goes on with the record."""
    data = FILE_HEAD + b"FBcy" * 150_000
    store = read_cycles(data)
    assert (store.torn, store.bin_bytes, len(store.damage)) == ((), len(data), 1)


def test_real_damage_is_searched_to_its_end(work):
    """A hundred damaged blocks cost a hashing each; every whole one between them is found."""
    bad = [block if number % 2 else block[:-1] + b"!" for number, block in enumerate(BLOCKS)]
    found = list(scan(b"".join(bad), 0))
    assert [one.first for one in found if isinstance(one, Frame)] == list(range(1, 200, 2))
    assert not any(one.given_up for one in found if isinstance(one, Damage))


def test_whole_blocks_are_no_work(work, monkeypatch):
    """Any number of them is found behind one damaged one: only what is none counts."""
    monkeypatch.setattr(frames, "_MOST_FALSE", 3)
    monkeypatch.setattr(frames, "_WORK", 0)
    monkeypatch.setattr(frames, "_LEAST_WORK", 700)
    bad = BLOCKS[0][:-1] + b"!"
    data = b"".join((bad, *BLOCKS[:50], bad, bad, *BLOCKS[:50]))
    found = list(scan(data, 0))
    assert sum(isinstance(one, Frame) for one in found) == 100
    assert not any(one.given_up for one in found if isinstance(one, Damage))


def test_blocks_that_hold_next_to_nothing_are_bounded(monkeypatch):
    """A block with fewer bytes than any cycle has: the first few are given, all from there on is one damage."""
    monkeypatch.setattr(frames, "_MOST_FALSE", 3)
    small = [frame(number, 360, b"x" * (frames.LEAST_BODY - 1)) for number in range(50)]
    found = list(scan(b"".join((*BLOCKS[:9], *small)), 0))
    assert [type(one) for one in found] == [Frame] * 12 + [Damage]
    assert found[-1].given_up
    enough = [frame(number, 360, b"x" * frames.LEAST_BODY) for number in range(50)]
    assert len(list(scan(b"".join(enough), 0))) == 50


@pytest.mark.parametrize(
    ("count", "probes", "said"),
    [(360, 16, ""), (361, 1, "361 cycles in a block"), (0, 1, "0 cycles in"), (65_535, 65_535, "65535 cycles in"),
     (360, 17, "17 probes"), (2, 65_535, "65535 probes")],
)  # fmt: skip
def test_a_block_unpacks_to_no_more_than_a_writer_makes(count, probes, said):
    """A constant column has nine bytes, however long: its length and the number of columns are those of a circuit."""
    text = b'{"start": null, "extras": []}'
    columns = struct.pack("<Bq", 0, 1) * (15 + probes) + bytes(9) * (17 + probes)
    body = zlib.compress(struct.pack("<HI", probes, len(text)) + text + columns)
    if not said:
        assert len(decode(body, count, Codec())[1]) == count
        return
    tracemalloc.start()
    try:
        with pytest.raises(DamagedCycles, match=said):
            decode(body, count, Codec())
        assert tracemalloc.get_traced_memory()[1] < 4_000_000  # the columns' bytes alone are 2.4 MB
    finally:
        tracemalloc.stop()


def test_a_circuit_has_no_more_probes_than_a_block_may_hold():
    """What a bath file may say is what is read back."""
    (bound,) = (each.le for each in CircuitEntry.model_fields["probes"].metadata if hasattr(each, "le"))
    assert bound == cycles.MOST_PROBES


def test_a_body_over_the_bound_is_not_unpacked():
    """A megabyte of one byte over and over fits into a kilobyte: unpacking ends at the bound, which is a fixed one."""
    assert cycles.LARGEST_BODY <= 16_000_000
    over = zlib.compress(struct.pack("<HI", 0, 2) + b"{}" + bytes(cycles.LARGEST_BODY))
    tracemalloc.start()
    try:
        with pytest.raises(DamagedCycles, match="is not one whole compressed body"):
            decode(over, 1, Codec())
        assert tracemalloc.get_traced_memory()[1] < 3 * cycles.LARGEST_BODY
    finally:
        tracemalloc.stop()


def test_a_body_is_no_larger_than_any():
    """A block's length is looked at before its bytes."""
    whole = struct.pack("<4sQHHI", b"FBcy", 0, 1, 0, LARGEST_BODY + 1)
    body = bytes(LARGEST_BODY + 1)
    data = whole + struct.pack("<I", zlib.crc32(body, zlib.crc32(whole))) + body
    assert not any(isinstance(one, Frame) for one in scan(data, 0))


class _Hashed:
    """Counts hashes."""

    def __init__(self):
        self.count = 0

    def sha256(self, data):
        self.count += 1
        return sha256(data)


def _many(place, rows):
    """A table of so many rows, each second of which was edited afterwards."""

    def edit(found):
        return [found[number % len(found)] for number in range(rows)]

    made = rechained(place, "log.csv", edit)
    lines = made.files["log.csv"].split(b"\n")
    lines[2::2] = [line.replace(b"running", b"stopped").replace(b"complete", b"running") for line in lines[2::2]]
    return made.with_file("log.csv", b"\n".join(lines))


def test_broken_rows_cost_one_hash_each(place, monkeypatch):
    """2,000 of 4,000 rows edited: each row behind the first one is hashed once for it, and the first few are named."""
    hashed = _Hashed()
    monkeypatch.setattr(chained, "sha256", hashed.sha256)
    made = _many(place, 4_000)
    table = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    assert table.breaks == tuple(range(2, 4_001, 2))
    assert hashed.count <= 4_000
    told = table.broken(table.breaks)
    assert len(told) == chained.MOST_BREAKS + 1
    assert told[-1] == "log.csv: 1,995 more rows like that"


def chained_columns(place):
    return tuple(place.files["log.csv"].split(b"\n", 1)[0].decode().split(","))


def test_other_line_ends_break_every_row_and_are_told_shortly(place):
    """CRLF from an editor: all rows, the first few by name."""
    crlf = place.files["log.csv"].replace(b"\n", b"\r\n").replace(b"\r\n", b"\n", 1)
    wrong = verify_place(place.with_file("log.csv", crlf), chain_only=True).wrong
    assert sum("is not as it was written" in said for said in wrong) == chained.MOST_BREAKS
    assert "log.csv: 37 more rows like that" in wrong


def test_lines_that_are_no_rows_are_not_kept(place):
    """Two million empty lines: told as such, and none of them stands in the memory as a row."""
    made = place.with_file("log.csv", place.files["log.csv"] + b"\n" * 2_000_000)
    table = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    assert len(table.lines) == 42
    assert any("is not looked at from row 43 on" in said for said in table.damage)


def test_rows_behind_too_many_broken_ones_are_not_kept(place, monkeypatch):
    """As many as may be are named and looked at; one more, and what was read with it is left out."""
    monkeypatch.setattr(chained, "MOST_BROKEN", 2_000)
    made = _many(place, 4_000)
    read = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    assert (len(read.breaks), len(read.lines), read.damage) == (2_000, 4_000, ())
    monkeypatch.setattr(chained, "MOST_BROKEN", 1_999)
    read = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    assert (read.breaks, len(read.lines)) == ((), 1)
    assert read.damage == ("log.csv: is not looked at from row 2 on: too many rows do not follow from the one before",)


def test_rows_of_a_large_table_cost_little_more_than_their_bytes(place, monkeypatch):
    """By their names they are made when they are looked at; a table of usual size keeps them. Both tell the same."""
    made = _many(place, 4_000)
    kept = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    monkeypatch.setattr(chained, "MOST_KEPT", 4_000)
    stopped = sum(row["state"] == "stopped" for row in kept.named)
    monkeypatch.setattr(chained, "MOST_KEPT", 3_999)
    read = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    tracemalloc.start()
    try:
        assert sum(row["state"] == "stopped" for row in read.named) == stopped > 0
        assert read.column("chain")[-1] == read.last
        assert tracemalloc.get_traced_memory()[1] < 500_000
    finally:
        tracemalloc.stop()
    assert isinstance(kept.named, list)
    assert kept.named == list(read.named)
    assert (read.named[-1], list(read.named[-2:]), len(read.named)) == (kept.named[-1], kept.named[-2:], 4_000)


def test_a_few_short_lines_stay_broken_rows(place):
    """What an editor leaves, some empty lines, is named row by row."""
    made = place.with_file("log.csv", place.files["log.csv"] + b"\n\n")
    table = chained.read_chained(made, "log.csv", chained_columns(made), made.files["run.json"])
    assert (table.breaks, len(table.lines)) == ((43, 44), 44)
