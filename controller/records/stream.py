"""Rows of a chained table, piece by piece, the chain walked on the way: one reader for whatever looks at a record.

Memory stays bounded whatever the file's size. An unfinished line at the very end, zero bytes included, is what a crash
leaves: it is told, not damage. Anything else that is not as it was written is damage, told with its row; rows before it
are given, rows behind it only to who asks for them (`behind`), marked as not sound. Light on purpose: the console and
every short command load it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from hashlib import sha256
from itertools import groupby
from operator import itemgetter
from typing import BinaryIO, NamedTuple

from controller.records.errors import RecordError
from controller.records.place import Place
from controller.records.tables import grown
from profiles.problems import clean

PIECE_BYTES = 1 << 20
"""Read at once: small beside any memory, large beside what a call costs."""
LONGEST_LINE = 1 << 17
"""Bytes of a line. Thirteen cells of 2,000 characters, each of four bytes or a doubled quote, stay below it."""
DIGITS = 16
SAVED = "another program saved it; work on a copy"
CRLF = f"its line ends are CR LF, not LF: {SAVED}"
_MARK = b"\xef\xbb\xbf"
_TAIL = DIGITS + 1
_COMMA = itemgetter(-_TAIL)


class Mark(NamedTuple):
    """Where reading goes on: bytes of whole lines from the file's beginning, rows in them, the last one's chain value.

    An empty `chain` is not known: the rows are given unchecked.
    """

    offset: int = 0
    rows: int = 0
    chain: str = ""


class Piece(NamedTuple):
    """Whole rows that follow each other, without line ends, the first of them the table's row `first` (from 1).

    `sound`: the chain holds up to the last of them, or is not walked; False: they stand behind damage.
    """

    first: int
    lines: Sequence[bytes]
    sound: bool = True


class TableStream:
    """A table being read once, from its header or from a mark on. RecordError where the bytes cannot be read.

    `header`, `columns`: what the file itself says (empty until read, and from a mark on). `mark`: how far sound rows
    were given; `offset`, `rows`: all that was passed. `damage`: sentences, empty when all is as it was written;
    `wrong_row`: the first damaged row; `too_long`: lines that no table has. `cut`, `cut_bytes`: an unfinished line at
    the end, its beginning and its length.
    """

    def __init__(
        self, name: str, stream: BinaryIO, known: tuple[str, ...], run_json: bytes | None = None,
        *, mark: Mark | None = None, behind: bool = False,
    ) -> None:  # fmt: skip
        """`known`: the columns that this version writes. `run_json` None, or a mark without a value: no chain walk."""
        self.name = name
        self.header = b""
        self.columns: tuple[str, ...] = ()
        self.header_right = mark is not None
        self.mark = Mark() if mark is None else mark
        self.offset, self.rows = self.mark.offset, self.mark.rows
        self.wrong_row: int | None = None
        self.too_long = 0
        self.damage: list[str] = []
        self.cut = b""
        self.cut_bytes = 0
        self._stream = stream
        self._known = known
        self._run_json = run_json
        self._behind = behind
        self._headless = mark is None
        self._crlf = False
        self._line = _OpenLine()

    def pieces(self) -> Iterator[Piece]:
        """Give the whole rows; what is said above is right up to the piece just given, `cut` when all were."""
        if self.offset:
            _go_to(self._stream, self.offset, self.name)
        while data := read_some(self._stream, PIECE_BYTES, self.name):
            for lines, size in self._line.take(data):
                if lines:
                    yield from self._given(lines, size)
                else:
                    self._swallowed(size)
                if self.wrong_row is not None and not self._behind:
                    return
        self._close()

    def _given(self, lines: list[bytes], size: int) -> Iterator[Piece]:
        if self._headless:
            header = lines.pop(0)
            size -= len(header) + 1
            self._take_header(header, len(header) + 1)
        written = lines
        if self._crlf:  # what another program put behind every row is told once; the rows are judged without it
            lines = [line.removesuffix(b"\r") for line in lines]
        good = self._count_good(lines)
        behind = 0 if good == len(lines) else sum(map(len, written[good:])) + len(lines) - good
        if good:
            first = self.rows + 1
            self.rows += good
            self.offset += size - behind
            chain = lines[good - 1][-DIGITS:].decode() if self.mark.chain else ""
            self.mark = Mark(self.offset, self.rows, chain)
            yield Piece(first, lines if good == len(lines) else lines[:good])
        if good == len(lines):
            return
        first, rest = self.rows + 1, lines[good:]
        self._wrong(first, "is not as it was written, or one before it is missing")
        if self._behind:
            self.rows += len(rest)
            self.offset += behind
            yield Piece(first, rest, sound=False)

    def _count_good(self, lines: list[bytes]) -> int:
        """How many of these are sound."""
        if self.wrong_row is not None:
            return 0
        return first_wrong(lines, self.mark.chain) if self.mark.chain else len(lines)

    def _take_header(self, line: bytes, size: int) -> None:
        self._headless = False
        line = self._as_written(line)
        self.header = line
        self.columns = tuple(line.decode("utf-8", "replace").split(","))
        self.header_right = grown(self.columns, self._known)
        if not self.header_right:
            self._wrong_header()
        chain = ""
        if self._run_json is not None:
            # Rows below a damaged header may still hold: they are walked from the header that was written.
            written = line if self.header_right else ",".join(self._known).encode()
            chain = sha256(self._run_json + written).hexdigest()[:DIGITS]
        self.offset += size
        self.mark = Mark(self.offset, 0, chain)

    def _as_written(self, header: bytes) -> bytes:
        """The header without what a program that saves whole files puts around it, which is told."""
        if header.startswith(_MARK):
            header = header.removeprefix(_MARK)
            self.damage.append(f"{self.name}: begins with a byte order mark: {SAVED}")
        if header.endswith(b"\r"):
            header, self._crlf = header.removesuffix(b"\r"), True
            self.damage.append(f"{self.name}: {CRLF}")
        return header

    def _wrong_header(self) -> None:
        self._headless, self.header_right, self.columns = False, False, self._known
        self.damage.append(f"{self.name}:1: the header is not {','.join(self._known)}")

    def _swallowed(self, size: int) -> None:
        self.too_long += 1
        if self._headless:
            self._take_header(b"", size)
            return
        self.rows += 1
        self.offset += size
        self._wrong(self.rows, "is longer than any row")

    def _wrong(self, row: int, what: str) -> None:
        if self.wrong_row is None:
            self.wrong_row = row
            self.damage.append(f"{self.name}:{row + 1}: row {row} {what}")

    def _close(self) -> None:
        self.cut, self.cut_bytes = self._line.start, self._line.length
        if self._headless:
            self._wrong_header()
        elif self.cut_bytes > LONGEST_LINE and not self._line.blank:
            self._wrong(self.rows + 1, "is longer than any row")

    @property
    def blank(self) -> bool:
        """Whether an unfinished line, past what any row has, is nothing but zero bytes: room that was never written."""
        return self._line.blank

    @property
    def cut_said(self) -> str:
        """What is unfinished at the end, as a sentence; empty: nothing."""
        if not self.cut_bytes:
            return ""
        return f"{self.name}: row {self.rows + 1} is unfinished: the last {self.cut_bytes} bytes are left out"

    @property
    def problems(self) -> tuple[str, ...]:
        """All that is not as it was written."""
        return (*self.damage, self.cut_said) if self.cut_bytes else tuple(self.damage)


class _OpenLine:
    """Cuts bytes into lines; what has no line end yet is kept, at most `LONGEST_LINE` of it, the rest only counted."""

    def __init__(self) -> None:
        self.start = b""
        self.length = 0
        self.blank = True
        """Whether what was only counted is nothing but zero bytes."""

    def take(self, data: bytes) -> Iterator[tuple[list[bytes], int]]:
        """Give whole lines in order and their size, or no lines and the size of one too long, which is thrown away."""
        if self.length > LONGEST_LINE:
            end = data.find(b"\n")
            if end < 0:
                self._count(data)
                return
            swallowed = self.length + end + 1
            data = data[end + 1 :]
            self._keep(b"")
            yield [], swallowed
        data = self.start + data
        lines = data.split(b"\n")
        self._keep(lines.pop())
        whole = len(data) - self.length
        if lines and (len(lines) == 1 or _all_short(data, whole)) and len(lines[0]) <= LONGEST_LINE:
            yield lines, whole
            return
        for long, group in groupby(lines, lambda line: len(line) > LONGEST_LINE):
            if long:
                yield from (([], len(line) + 1) for line in group)
            else:
                short = list(group)
                yield short, sum(map(len, short)) + len(short)

    def _keep(self, line: bytes) -> None:
        self.start, self.blank = line[:LONGEST_LINE], True
        self.length = len(self.start)
        self._count(line[LONGEST_LINE:])

    def _count(self, more: bytes) -> None:
        self.length += len(more)
        self.blank = self.blank and not more.strip(b"\0")


def _all_short(data: bytes, end: int) -> bool:
    """Whether a line end stands in each stretch of half the bound: no line then is longer than the bound."""
    half = LONGEST_LINE // 2
    return all(data.find(b"\n", at, at + half) >= 0 for at in range(0, max(0, end - half), half))


def open_table(
    place: Place, name: str, known: tuple[str, ...], run_json: bytes | None = None,
    *, mark: Mark | None = None, behind: bool = False,
) -> tuple[TableStream, BinaryIO] | None:  # fmt: skip
    """A table of a record and the file behind it, which the caller closes; None: it is not there."""
    stream = place.open(name)
    if stream is None:
        return None
    return TableStream(name, stream, known, run_json, mark=mark, behind=behind), stream


def first_wrong(lines: Sequence[bytes], chain: str) -> int:
    """The index of the first row that does not follow from `chain` and the rows before it; their number: all do."""
    before = chain.encode()
    if _all_follow(lines, before):
        return len(lines)
    for index, line in enumerate(lines):
        value = sha256(before + line[:-_TAIL]).hexdigest()[:DIGITS].encode()
        if line[-_TAIL:] != b"," + value:
            return index
        before = value
    return len(lines)


def _all_follow(lines: Sequence[bytes], before: bytes) -> bool:
    """Whether all rows follow, in a third less time than one by one: each is held against what the one before claims.

    Up to the first wrong row that is the walk itself, and behind it nothing is asked.
    """
    try:
        if bytes(map(_COMMA, lines)).count(b",") != len(lines):
            return False
    except IndexError:
        return False  # shorter than a chain value
    claims = [line[-DIGITS:] for line in lines]
    digests = b"".join([sha256(a + b[:-_TAIL]).digest() for a, b in zip((before, *claims), lines, strict=False)])
    claimed = b"".join(claims)
    if claimed.translate(None, b"0123456789abcdef"):
        return False
    values = bytes.fromhex(claimed.decode())
    return all(values[place::8] == digests[place::32] for place in range(8))


def cells_of(line: bytes) -> list[str]:
    """The cells of one row as texts, none for an empty line; bytes that are no text are replaced."""
    return cells_in(line.decode("utf-8", "replace"))


def cells_in(text: str) -> list[str]:
    """The cells of one row that is a text already."""
    text = _one_line(text)
    if '"' not in text:
        return text.split(",") if text else []
    import csv  # seldom needed, and not without cost

    try:
        return next(csv.reader((text,)), [])
    except csv.Error:
        return text.split(",")


def plain_text(data: bytes) -> str:
    """Bytes of a table as text; what is none, and line ends and zeros, which no row has inside, are replaced."""
    return _one_line(data.decode("utf-8", "replace"))


def _one_line(text: str) -> str:
    return text if text.isprintable() else text.replace("\r", " ").replace("\n", " ").replace("\0", " ")


def read_some(stream: BinaryIO, size: int, name: str) -> bytes:
    """Read up to `size` bytes; RecordError where the system cannot."""
    try:
        return stream.read(size)
    except OSError as error:
        raise RecordError(f"{name}: cannot be read: {clean(error.strerror or type(error).__name__)}") from None


def _go_to(stream: BinaryIO, offset: int, name: str) -> None:
    if stream.seekable():
        stream.seek(offset)
        return
    while offset > 0 and (data := read_some(stream, min(offset, PIECE_BYTES), name)):
        offset -= len(data)
