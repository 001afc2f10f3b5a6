"""Where a record stands: folder and archive read alike, and nothing hostile gets further than one clean line."""

from __future__ import annotations

import io
import os
import random
import struct
import tracemalloc
import zipfile
import zlib

import pytest
from tablekit import RUN_JSON, chained

from controller.records import place as place_file
from controller.records import zipped
from controller.records.errors import RecordError
from controller.records.place import ArchivePlace, FolderPlace, place_of, read_all
from controller.records.reader import read_run
from controller.records.tables import LOG_HEADER
from controller.records.typed import read_log

NAME = "20260316T060000Z-A-A01-K1"
FILES = {"run.json": b'{"format": "formbath/run/1"}\n', "log.csv": b"a,chain\n" + b"1,x\n" * 500}


def packed(path, files, **changes):
    """An archive of these files; `changes` go to each entry's description."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files:
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            for key, value in changes.items():
                setattr(entry, key, value)
            archive.writestr(entry, data)
    return path


@pytest.fixture
def archive(tmp_path):
    return packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/{name}", data) for name, data in FILES.items()])


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / NAME
    made.mkdir()
    for name, data in FILES.items():
        (made / name).write_bytes(data)
    return made


def refused(path, name="log.csv", *, own=False):
    """The one clean line that whoever reads this file gets; `own`: who takes only what archiving here has packed."""
    with pytest.raises(RecordError) as caught:
        read_all(ArchivePlace(path, own=True) if own else place_of(path), name)
    said = str(caught.value)
    assert said.isprintable()
    assert len(said) < 900
    return said


@pytest.mark.parametrize("kind", ["folder", "archive"])
def test_folder_and_archive_are_read_alike(kind, request):
    """The same names, sizes, bytes; a file that is not there is none."""
    path = request.getfixturevalue(kind)
    place = place_of(path)
    assert (place.name, place.path) == (NAME, path)
    assert kind == "folder" or place.as_packed_here()
    assert place.names() == ("log.csv", "run.json")
    assert {name: place.size(name) for name in FILES} == {name: len(data) for name, data in FILES.items()}
    assert {name: read_all(place, name) for name in FILES} == FILES
    assert (place.size("none"), place.open("none"), read_all(place, "none")) == (None, None, b"")
    with place.open("log.csv") as stream:
        assert stream.read(3) + stream.read() == FILES["log.csv"]
    with pytest.raises(RecordError, match="larger than"):
        read_all(place, "log.csv", 100)
    assert read_all(place, "log.csv", len(FILES["log.csv"])) == FILES["log.csv"]


def test_a_stored_archive_is_read(tmp_path):
    """Files may be stored as well as deflated."""
    files = [(f"{NAME}/{name}", data) for name, data in FILES.items()]
    path = packed(tmp_path / f"{NAME}.zip", files, compress_type=zipfile.ZIP_STORED)
    assert place_of(path).names() == ("log.csv", "run.json")
    assert read_all(place_of(path), "log.csv") == FILES["log.csv"]


@pytest.mark.parametrize("where", [0, 1, 2, 3])
@pytest.mark.parametrize("adjusted", [True, False])
def test_stray_bytes_are_refused(tmp_path, where, adjusted):
    """Before, between, behind the files, behind everything: also where the offsets in the list leave room for them."""
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/{name}", data) for name, data in FILES.items()])
    whole = bytearray(path.read_bytes())
    listed = whole.index(b"PK\1\2")
    at = (0, whole.index(b"PK\3\4", 10), listed, len(whole))[where]
    if adjusted:
        for field, size in ((listed + 42, 4), (whole.rindex(b"PK\1\2") + 42, 4), (whole.rindex(b"PK\5\6") + 16, 4)):
            value = int.from_bytes(whole[field : field + size], "little")
            whole[field : field + size] = (value + 7 * (value >= at)).to_bytes(size, "little")
    path.write_bytes(whole[:at] + b"strange" + whole[at:])
    said = refused(path, own=True)
    assert "packed in a way" in said or "is no archive" in said


@pytest.mark.parametrize(
    "changes",
    [
        {"date_time": (1980, 1, 1, 0, 0, 2)}, {"date_time": (2026, 3, 16, 6, 0, 0)}, {"extra": b"\x55\x54\1\0\0"},
        {"comment": b"signed: me"}, {"create_system": 0}, {"create_version": 63}, {"extract_version": 45},
        {"internal_attr": 1}, {"external_attr": 0o100644 << 16 | 1},
    ],
)  # fmt: skip
def test_what_archives_here_never_say_of_a_file_is_refused(tmp_path, changes):
    """A date, a further field, a remark could be changed unseen: an archive that has one is not ours."""
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/log.csv", b"x")], **changes)
    assert "packed in a way that archives here never are" in refused(path, own=True)
    assert not ArchivePlace(path).as_packed_here()


def test_no_byte_that_only_describes_can_be_changed_unseen(archive):
    """Each bit of everything but the packed bytes (their check sums have those) flipped: refused, or a file less."""
    whole = bytearray(archive.read_bytes())
    first, second = whole.index(b"PK\3\4"), whole.index(b"PK\3\4", 10)
    heads = [*range(first, first + 30), *range(second, second + 30), *range(whole.index(b"PK\1\2"), len(whole))]
    listed = [whole.index(b"PK\1\2"), whole.rindex(b"PK\1\2")]
    modes = {at + 40 + byte for at in listed for byte in (0, 1)}
    unseen = []
    for at in heads:
        for bit in range(8):
            data = whole[:]
            data[at] ^= 1 << bit
            archive.write_bytes(data)
            try:
                place = ArchivePlace(archive, own=True)
                if {name: read_all(place, name) for name in place.names()} == FILES:
                    unseen.append(at)
            except RecordError:
                continue
    assert set(unseen) <= modes  # who may read it, once it is unpacked


@pytest.mark.parametrize(
    "name",
    [
        "../log.csv", "/log.csv", f"{NAME}/../log.csv", f"{NAME}/sub/log.csv", "log.csv", "other/log.csv", "",
        f"{NAME}//log.csv", f"{NAME}/\x1b[2Jlog.csv", f"{NAME}/lo\u202eg.csv", f"{NAME}/..\\log.csv", f"{NAME}/..",
        f"{NAME}/a\nb", f"{NAME}/sub/",
    ],
)  # fmt: skip
def test_names_that_lead_elsewhere_are_refused(tmp_path, name):
    """Path parts, other folders, control and direction characters: the archive is not read at all."""
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/log.csv", b"x"), (name, b"y")])
    assert "has no place in an archive of" in refused(path, own=True)
    path = packed(path, [*((f"{NAME}/{each}", data) for each, data in FILES.items()), (name, b"y")])
    said = refused(path)
    assert said.startswith("is no archive that formbath packs: unpack it, its folder can be read")


def test_a_name_with_a_zero_byte_is_refused(tmp_path):
    """Such a name is read as a shorter one by some and as the whole by others."""
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/log.csvXjunk", b"x")])
    path.write_bytes(path.read_bytes().replace(b"csvXjunk", b"csv\0junk"))
    assert "has no place" in refused(path)
    assert "has no place" in refused(path, own=True)


def test_doubled_names_are_refused(tmp_path):
    """Two files of one name: nobody can say which is meant."""
    with pytest.warns(UserWarning, match="Duplicate"):
        path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/log.csv", b"x"), (f"{NAME}/log.csv", b"y")])
    assert "has no place" in refused(path)
    assert "has no place" in refused(path, own=True)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"external_attr": 0o120777 << 16}, "is no plain file"),
        ({"external_attr": 0o010644 << 16}, "is no plain file"),
        ({"external_attr": 0o040755 << 16}, "is no plain file"),
        ({"compress_type": zipfile.ZIP_BZIP2}, "packed in a way"),
        ({"compress_type": zipfile.ZIP_LZMA}, "packed in a way"),
    ],
)
def test_links_pipes_and_other_packings_are_refused(tmp_path, changes, said):
    """An archive of a record holds plain files, stored or deflated."""
    for own in (True, False):
        assert said in refused(packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/run.json", b"x")], **changes), own=own)
    fine = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/run.json", b"x")], external_attr=0o100644 << 16)
    assert read_all(place_of(fine), "run.json") == b"x"


@pytest.mark.parametrize("bit", [0x1, 0x40, 0x2000])
def test_encrypted_files_are_refused(archive, bit):
    """No password will be known in thirty years."""
    data = bytearray(archive.read_bytes())
    at = 0
    while (at := data.find(b"PK\1\2", at)) >= 0:
        flags = struct.unpack_from("<H", data, at + 8)[0] | bit
        struct.pack_into("<H", data, at + 8, flags)
        at += 4
    archive.write_bytes(data)
    assert "packed in a way" in refused(archive)


class _Unpacking:
    """In the place of zlib for the zip library: counts the bytes that were unpacked."""

    def __init__(self):
        self.bytes = 0

    def __getattr__(self, name):
        return getattr(zlib, name)

    def decompressobj(self, *args):
        inner = zlib.decompressobj(*args)

        def decompress(*given):
            data = inner.decompress(*given)
            self.bytes += len(data)
            return data

        return _Counting(inner, decompress)


class _Counting:
    def __init__(self, inner, decompress):
        self._inner = inner
        self.decompress = decompress

    def __getattr__(self, name):
        return getattr(self._inner, name)


@pytest.fixture
def unpacking(monkeypatch):
    """What reading archives unpacks."""
    counted = _Unpacking()
    monkeypatch.setattr(zipfile, "zlib", counted)
    return counted


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path, unpacking):
    """What is packed a thousand times denser than rows can be is no record, whatever size it claims."""
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/log.csv", bytes(30_000_000)), (f"{NAME}/run.json", b"x")])
    assert read_all(ArchivePlace(packed(tmp_path / "b.zip", [(f"{NAME}/run.json", b"xy")])), "run.json") == b"xy"
    assert unpacking.bytes == 2
    assert "unpacks to far more than any record" in refused(path)
    data = bytearray(path.read_bytes())
    listed = data.find(b"PK\1\2")
    for offset in (24, 20):  # it claims to be small; then to be huge
        struct.pack_into("<L", data, listed + offset, 1000 if offset == 24 else 2**31)
        path.write_bytes(data)
        tracemalloc.start()
        try:
            refused(path)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < 5_000_000
    assert unpacking.bytes < 100_000


@pytest.mark.parametrize(
    ("name", "densest"), [("log.csv", 25), ("cycles.bin", 6), ("cycles.tail", 6), ("events.csv", 100)]
)
def test_how_densely_a_record_s_large_files_may_be_packed(tmp_path, name, densest):
    """As dense as a file of a record can be, it is read; a little denser, it is refused. Small ones may be any."""
    noise = random.Random(1)
    for times, fine in ((0.8, True), (1.3, False)):
        size = 1_100_000
        bare = noise.randbytes(round(size / (densest * times)))
        path = packed(
            tmp_path / f"{NAME}.zip", [(f"{NAME}/{name}", bare.ljust(size, b"x")), (f"{NAME}/run.json", b"x")]
        )
        if fine:
            assert len(read_all(place_of(path), name)) == size
        else:
            assert f"{name}: is packed more densely than any record" in refused(path, name)
    small = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/{name}", bytes(900_000)), (f"{NAME}/run.json", b"x")])
    assert len(read_all(place_of(small), name)) == 900_000


def test_an_archive_unpacks_to_no_more_than_some_times_its_size(tmp_path, unpacking):
    """Many small files, each as dense as can be: twenty kilobytes would become as many megabytes."""
    many = [(f"{NAME}/{number}", bytes(900_000)) for number in range(15)]
    assert "unpacks to far more than any record" in refused(
        packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/run.json", b"x"), *many]), "run.json"
    )
    assert unpacking.bytes == 0
    few = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/run.json", b"x"), *many[:11]])
    assert read_all(place_of(few), "run.json") == b"x"


def test_too_large_files_are_refused(tmp_path, monkeypatch):
    """Neither a folder nor an archive may fill the memory."""
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/log.csv", os.urandom(2000))])
    (tmp_path / NAME).mkdir()
    (tmp_path / NAME / "log.csv").write_bytes(bytes(2000))
    monkeypatch.setattr(place_file, "LARGEST_FILE", 1999)
    monkeypatch.setattr(zipped, "LARGEST_FILE", 1999)
    assert "is larger than" in refused(path)
    assert "is larger than" in refused(tmp_path / NAME)


def test_a_list_of_a_million_files_is_not_parsed(tmp_path):
    """The end of an archive says how long its list is; a long one is refused before it costs anything."""
    path = tmp_path / f"{NAME}.zip"
    with zipfile.ZipFile(path, "w") as made:
        for number in range(zipped.MOST_FILES + 1):
            made.writestr(f"{NAME}/{number}", b"")
    assert "packed in a way" in refused(path)
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, 46_000_000, 0, 0)
    path.write_bytes(b"x" * 1000 + end)
    assert "packed in a way" in refused(path)
    large = struct.pack("<4sLQL", b"PK\6\7", 0, 0, 1)
    path.write_bytes(b"x" * 1000 + large + struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, 50, 0, 0))
    assert "packed in a way" in refused(path)


def test_wrong_check_sums_and_ends_are_told(archive):
    """A changed byte of the packed file, and an archive that ends too soon."""
    whole = archive.read_bytes()
    at = whole.index(b"log.csv") + 12
    archive.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
    assert "cannot be read" in refused(archive)
    for end in (0, 10, 100, len(whole) - 1):
        archive.write_bytes(whole[:end])
        assert "is no archive that can be read" in refused(archive)


def test_damage_inside_an_archive_leaves_the_rows_before_it(tmp_path):
    """Rows that were unpacked before the packed bytes turn bad are given, and why no more come is told."""
    chance = random.Random(5)
    rows = [f"2026-03-16T06:00:00.000Z,{n}.000,1,running,{chance.random():.3f}" + "," * 9 for n in range(20_000)]
    files = [(f"{NAME}/run.json", RUN_JSON), (f"{NAME}/log.csv", chained(LOG_HEADER, rows))]
    path = packed(tmp_path / f"{NAME}.zip", files)
    assert read_log(place_of(path)).rows == 20_000
    data = bytearray(path.read_bytes())
    at = len(data) - 300
    data[at] ^= 255
    path.write_bytes(data)
    found = read_log(place_of(path))
    assert 5_000 < found.rows <= 20_000
    assert found.problems
    assert all(line.isprintable() for line in found.problems)
    with pytest.raises(RecordError, match="cannot be read"):
        read_all(place_of(path), "log.csv")


def test_any_damaged_archive_ends_in_an_answer(archive):
    """A few bytes changed anywhere, 200 times: the files as they were, or one clean line; never another error."""
    chance = random.Random(11)
    whole = archive.read_bytes()
    answers = set()
    for _ in range(200):
        data = bytearray(whole)
        for _ in range(chance.randint(1, 4)):
            data[chance.randrange(len(data))] = chance.randrange(256)
        archive.write_bytes(data)
        for name, right in FILES.items():
            try:
                found = read_all(ArchivePlace(archive), name)
            except RecordError as error:
                answers.add(("refused", str(error).isprintable()))
            else:
                answers.add(("read", found in (right, b"")))
    assert answers == {("refused", True), ("read", True)}


def test_an_archive_in_an_archive_is_only_a_file(tmp_path):
    """Nothing is unpacked twice."""
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as made:
        made.writestr(f"{NAME}/run.json", FILES["run.json"])
    path = packed(tmp_path / f"{NAME}.zip", [(f"{NAME}/{NAME}.zip", inner.getvalue())])
    assert ArchivePlace(path, own=True).names() == (f"{NAME}.zip",)
    with pytest.raises(RecordError, match="is no archive that formbath packs"):
        read_run(path)


@pytest.mark.parametrize("what", ["pipe", "folder", "link", "dead link", "socket"])
@pytest.mark.parametrize("name", ["run.json", "log.csv", "cycles.bin", "summary.json"])
def test_what_is_no_plain_file_is_never_waited_for(folder, tmp_path, what, name):
    """A pipe would wait for ever, a link lead out of the folder."""
    odd = folder / name
    odd.unlink(missing_ok=True)
    if what == "pipe":
        os.mkfifo(odd)
    elif what == "folder":
        odd.mkdir()
    elif what == "socket":
        os.mknod(odd, 0o140600)
    else:
        (tmp_path / "elsewhere").write_bytes(b"secret\n")
        odd.symlink_to(tmp_path / ("elsewhere" if what == "link" else "nowhere"))
    assert refused(folder, name).endswith(f"{name}: is no plain file")
    assert name not in FolderPlace(folder).names()
    with pytest.raises(RecordError, match="is no plain file"):
        read_run(folder)


def test_what_changes_between_looking_and_opening_is_still_not_waited_for(folder, monkeypatch):
    """A pipe put in a file's place a moment later is seen when it is open."""
    (folder / "log.csv").unlink()
    os.mkfifo(folder / "log.csv")
    monkeypatch.setattr(FolderPlace, "size", lambda *_: 5)
    with pytest.raises(RecordError, match="is no plain file"):
        FolderPlace(folder).open("log.csv")
    (folder / "log.csv").unlink()
    assert FolderPlace(folder).open("log.csv") is None
    (folder / "log.csv").symlink_to("run.json")
    with pytest.raises(RecordError, match="cannot be read"):
        FolderPlace(folder).open("log.csv")


def test_what_is_no_record_is_said_in_one_line(tmp_path):
    """Nothing there, another file, names that no system takes, a folder that is not to be listed."""
    for path, said in (
        (tmp_path / "none", "there is no such folder"),
        (tmp_path / "a\x1bb", "there is no such folder"),
        (tmp_path / "zero\0", "there is no such folder"),
        (tmp_path / ("x" * 300), "cannot be read"),
    ):
        with pytest.raises(RecordError, match=said) as caught:
            place_of(path)
        assert str(caught.value).isprintable()
    (tmp_path / "file").write_bytes(b"x")
    with pytest.raises(RecordError, match="it is another file"):
        place_of(tmp_path / "file")
    with pytest.raises(RecordError, match="cannot be read"):
        FolderPlace(tmp_path / "gone").names()
    with pytest.raises(RecordError, match="cannot be read"):
        FolderPlace(tmp_path).size("zero\0")
    (tmp_path / "x.zip").write_bytes(b"")
    with pytest.raises(RecordError, match="is no archive"):
        place_of(tmp_path / "x.zip").names()
