"""The release file: what it holds, what of it is refused, which line of a profile changed since, how it is written."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.loader import LIBRARY, load_model, parse_document, read_document
from profiles.problems import InputError
from profiles.release import (
    LARGEST_BYTES,
    Band,
    CourseStep,
    Release,
    digest,
    first_change,
    load_release,
    parse_release,
    profile_place,
    read_release,
    release_place,
    release_problems,
    release_text,
    write_release,
)

PROFILE = LIBRARY / "starter-60.toml"
TEXT = PROFILE.read_text(encoding="utf-8")


def band(*points):
    return Band(low=points, middle=points, high=points)


def release_of(text=TEXT, **over):
    """A release of that text, any field by its name."""
    step = CourseStep(
        step=2, name="first charge", kind="charge", grid="charge_Ah", at=(0.0, 48.0, 96.0),
        elapsed_h=band(0.5, 3.7, 6.9),
        voltage_V_per_cell=Band(low=(2.1, 2.1, None), middle=(2.2, 2.2, None), high=(2.3, 2.3, None)),
        current_A=band(15.0, 15.0, 15.0), probe_C=band(30.0, 42.0, 44.0), duration_h=(6.39, 6.4, 6.41),
    )  # fmt: skip
    data = parse_document(text, "text").data
    fields = {
        "kind": "release", "format": "formbath/release/1", "profile": data["name"], "revision": data["revision"],
        "sha256": digest(text), "text": text, "person": "ines", "reason": "first of its type",
        "utc": "2026-03-16T06:00:00.000Z", "versions": {"numpy": "2.1", "formbath": "0.1.0"},
        "model": {"water_W_K": 6.1, "paste_Ah": [2.0, 1.9]}, "settings": {"batteries": 18, "air_C": 22.0, "bath": None},
        "water_C": (20.0, 34.0), "course": (step,), "totals": {"hours": 18.4, "hydrogen_m3": None},
        "confirmed": ("probe: 1 K to derate",), "study": {"strings": 256, "seed": 1, "derated_percent": 2.5},
    }  # fmt: skip
    return Release(**(fields | over))


def file_with(tmp_path, **over):
    """A release's file, plain fields changed past the model."""
    path = tmp_path / "x.release.json"
    path.write_text(json.dumps(json.loads(release_text(release_of())) | over), encoding="utf-8")
    return path


def refused(path):
    with pytest.raises(InputError) as caught:
        read_release(path)
    return str(caught.value)


def test_what_is_written_is_read_again(tmp_path):
    """Every field comes back equal, the place is NAME.release.json beside NAME.toml, and back."""
    place = release_place(tmp_path / "starter-60.toml")
    assert place == tmp_path / "starter-60.release.json"
    assert profile_place(place) == tmp_path / "starter-60.toml"
    write_release(place, release_of())
    found, document = load_release(place)
    assert found == release_of()
    assert document.text == release_text(release_of())
    assert document.sha256 == digest(document.text)


def test_the_same_release_has_the_same_bytes(tmp_path):
    """Keys whose order means nothing are sorted; indented by 1, LF, plain ASCII, readable by a service's user."""
    place = tmp_path / "a.release.json"
    write_release(place, release_of(versions={"formbath": "0.1.0", "numpy": "2.1"}))
    assert place.read_text(encoding="ascii") == release_text(release_of())
    lines = place.read_bytes().split(b"\n")
    assert lines[:2] == [b"{", b' "kind": "release",']
    assert lines[-1] == b""
    assert b"\r" not in place.read_bytes()
    assert place.stat().st_mode & 0o777 == 0o644


def test_a_failed_write_leaves_the_old_release(tmp_path, monkeypatch):
    """Until the new file is whole and synced nothing is replaced, and no half file stays."""
    place = tmp_path / "a.release.json"
    write_release(place, release_of())

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="cannot be written: No space left"):
        write_release(place, release_of(reason="second"))
    monkeypatch.undo()
    assert read_release(place).reason == "first of its type"
    assert list(tmp_path.iterdir()) == [place]


def test_file_and_folder_are_synced(tmp_path, monkeypatch):
    """Before the rename the file, after it the folder: a power cut leaves the old or the new one."""
    synced, renamed = [], []
    real_sync, real_rename = os.fsync, Path.replace
    monkeypatch.setattr(
        os, "fsync", lambda fd: (synced.append(str(Path(f"/proc/self/fd/{fd}").readlink())), real_sync(fd))[1]
    )
    monkeypatch.setattr(Path, "replace", lambda a, b: (renamed.append(len(synced)), real_rename(a, b))[1])
    write_release(tmp_path / "a.release.json", release_of())
    assert renamed == [1]
    assert synced[0].startswith(str(tmp_path / ".a.release.json-"))
    assert synced[1:] == [str(tmp_path)]


def test_what_no_reader_would_take_is_not_written(tmp_path):
    """A release made past the model (a changed text under the old hash) is refused before the disk is touched."""
    wrong = release_of().model_copy(update={"text": TEXT + "# more\n"})
    with pytest.raises(InputError, match="changed by hand"):
        write_release(tmp_path / "a.release.json", wrong)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"text": TEXT + "\n"}, "its text is not the one of its sha256"),
        ({"revision": 4}, "name or revision is not that of its text"),
        ({"profile": "another"}, "name or revision is not that of its text"),
        ({"text": "x =", "sha256": digest("x =")}, "its text is no profile"),
        ({"water_C": [34, 20]}, "water_C does not rise"),
        ({"water_C": [20]}, "water_C"),
        ({"kind": "profile"}, 'kind = "release" is wanted'),
        ({"format": "formbath/release/2"}, "format"),
        ({"extra": 1}, "extra"),
        ({"utc": "yesterday"}, "utc"),
        ({"model": {"a b": 1.0}}, "name cannot be used"),
        ({"study": {"strings": "many"}}, "study.strings"),
        ({"settings": {"air_C": True}}, "settings.air_C"),
        ({"text": "a" * 256_001, "sha256": digest("a" * 256_001)}, "text"),
        ({"confirmed": ["x"] * 501}, "too many entries"),
    ],
)
def test_a_release_that_contradicts_itself_is_refused(tmp_path, over, words):
    """Each in words that name the field, never a traceback."""
    assert words in refused(file_with(tmp_path, **over))


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"at": (1.0, 2.0, 3.0)}, "do not rise from 0"),
        ({"at": (0.0, 2.0, 2.0)}, "do not rise from 0"),
        ({"at": (0.0,)}, "too few entries"),
        ({"at": tuple(range(42))}, "too many entries"),
        ({"probe_C": band(1.0, 2.0).model_dump()}, "probe_C has not as many points"),
        ({"probe_C": {"low": [3, 3, 3], "middle": [2, 2, 2], "high": [4, 4, 4]}}, "do not rise at every point"),
        ({"probe_C": {"low": [3], "middle": [3, 3, 3], "high": [4, 4, 4]}}, "not the same number of points"),
        ({"duration_h": (2.0, 1.0, 3.0)}, "duration_h does not rise"),
        ({"duration_h": (-1.0, 1.0, 3.0)}, "duration_h: entry 1 is no number from 0 to 10000"),
        ({"duration_h": (1.0, 2.0, 10001.0)}, "duration_h: entry 3 is no number from 0 to 10000"),
        ({"at": (0.0, 1.0, 1e7)}, "at: entry 3 is no number from 0 to 1e+06"),
        (
            {"elapsed_h": {key: [0.0, 1.0, 1e308] for key in ("low", "middle", "high")}},
            "step 1 of the course: elapsed_h: entry 3 is no number",
        ),
        ({"elapsed_h": band(-10001.0, 1.0, 2.0).model_dump()}, "entry 1 is no number from -10000 to 10000"),
        ({"voltage_V_per_cell": band(2.0, 2.1, 5.1).model_dump()}, "entry 3 is no number from -5 to 5"),
        ({"voltage_V_per_cell": band(-5.1, 2.1, 2.2).model_dump()}, "entry 1 is no number from -5 to 5"),
        ({"current_A": band(0.0, 1.0, 10001.0).model_dump()}, "entry 3 is no number from -10000 to 10000"),
        ({"probe_C": band(1.0, 2.0, 301.0).model_dump()}, "entry 3 is no number from -100 to 300"),
        ({"probe_C": {"low": ["x"] * 3, "middle": [3, 3, 3], "high": [4, 4, 4]}}, "entry 1 is no number"),
        ({"probe_C": {"low": [3, 3, 3]}}, "probe_C has the keys low, middle, high"),
        ({"probe_C": {"low": 3, "middle": [3, 3, 3], "high": [4, 4, 4]}}, "probe_C: is no [list] of numbers"),
        ({"more": 1}, "step 1 of the course is none: it has the keys at, current_A,"),
        ({"step": 0}, "step: 0 is below 1"),
        ({"grid": "Ah"}, "grid"),
    ],
)
def test_a_course_that_is_none_is_refused(tmp_path, over, words):
    """Points rise from 0, every band has a value for each, quantiles are in order."""
    step = json.loads(release_text(release_of()))["course"][0]
    assert words in refused(file_with(tmp_path, course=[step | over]))


def test_steps_of_a_course_rise(tmp_path):
    """A step twice, or out of order, is refused."""
    step = json.loads(release_text(release_of()))["course"][0]
    assert "steps do not rise" in refused(file_with(tmp_path, course=[step, step]))


@pytest.mark.parametrize("figure", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
def test_numbers_that_are_none_are_refused(tmp_path, figure):
    """As JSON's own words or by their size."""
    path = tmp_path / "x.release.json"
    path.write_text(release_text(release_of()).replace('"hours": 18.4', f'"hours": {figure}'), encoding="utf-8")
    assert "no number" in refused(path) or "no figure" in refused(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is no JSON"),
        (b"[]", "is no JSON object"),
        (b'{"kind": "release", "kind": "release"}', "a key stands in it twice"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a": ' + b"9" * 5000 + b"}", "is no release"),
        (b"\xff\xfe", "is not UTF-8"),
        (b" " * (LARGEST_BYTES + 1), "larger than 2 MB"),
        (b'{"kind": "release"}', "missing"),
    ],
    ids=["empty", "list", "twice", "deep", "long", "binary", "large", "bare"],
)
def test_hostile_files_are_refused(tmp_path, content, words):
    """Whatever lies there, the answer is an InputError."""
    path = tmp_path / "x.release.json"
    path.write_bytes(content)
    assert words in refused(path)


def test_a_missing_release_and_a_folder_are_told(tmp_path):
    """Each by the name that was given."""
    assert "is not there" in refused(tmp_path / "a.release.json")
    assert "is not there, or is no plain file" in refused(tmp_path)
    assert "a?b: is not there" in refused("a\0b")


def test_sentences_are_cleaned(tmp_path):
    """Nothing in it reaches a terminal as a control, and nobody writes a novel."""
    said = {"person": "in\x1b[31mes", "reason": "a\u202eb\nc" + "x" * 1000, "confirmed": ["\x07"]}
    found = read_release(file_with(tmp_path, **said))
    assert found.person == "in?[31mes"
    assert found.reason.startswith("a?b cxxx")
    assert len(found.reason) == 600
    assert found.confirmed == ("?",)
    assert "too many" not in refused(file_with(tmp_path, reason="x" * 2001))


def test_the_released_text_has_no_problem():
    """The document with this very text, whatever its file is called."""
    assert release_problems(read_document(PROFILE), release_of()) == []


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("current_C20 = 0.25", "current_C20 = 0.26", 36, "was: current_C20 = 0.25; is: current_C20 = 0.26"),
        ("revision = 3\n", "revision = 3\n# more\n", 4, "is: # more"),
        ("revision = 3\n", "revision = 3 \n", 3, "was: revision = 3; is: revision = 3 "),
        ("revision = 3\n", "revision\t= 3\n", 3, "in characters that do not show"),
        ("\n", "\r\n", 1, ": its line ends"),
    ],
)
def test_the_first_changed_line_is_named(old, new, line, words):
    """With what was and what is; who released it and when stands before."""
    text = TEXT.replace(old, new) if old == "\n" else TEXT.replace(old, new, 1)
    (found,) = release_problems(parse_document(text, "starter-60.toml"), release_of())
    assert found.line == line
    assert str(found).startswith(f"starter-60.toml:{line}: changed since its release (revision 3, by ines, 2026-03-16T")
    assert words in found.what
    assert found.wrong


def test_a_text_that_was_cut_or_grew_is_told():
    """At the line where one of the two ends."""
    more = release_problems(parse_document(TEXT + "# end", "p.toml"), release_of())
    assert "is: # end" in more[0].what
    lines = TEXT.rstrip("\n").split("\n")
    (cut,) = release_problems(parse_document("\n".join(lines[:-1]), "p.toml"), release_of(TEXT.rstrip("\n")))
    assert cut.line == len(lines)
    assert f"was: {lines[-1]}; the text has ended" in cut.what
    (grown,) = release_problems(parse_document(TEXT.rstrip("\n") + "\n\n", "p.toml"), release_of(TEXT.rstrip("\n")))
    assert "the text had ended" in grown.what


def test_of_a_long_line_the_change_is_shown():
    """Around the first character that differs, cut and cleaned."""
    start, end = TEXT + "# " + "a" * 200 + "\x85", "b" * 200 + "\n"
    (found,) = release_problems(parse_document(f"{start}1{end}", "p.toml"), release_of(f"{start}2{end}"))
    assert "aaa?2bbb" in found.what
    assert "aaa?1bbb" in found.what
    assert len(found.what) < 400
    assert "was: ..." in found.what


LINES = st.text(alphabet="ab \n", max_size=12)


@given(LINES, LINES)
def test_first_change_is_the_first(before, now):
    """All lines before it are equal, itself is not; equal texts have none."""
    if before == now:
        with pytest.raises(ValueError, match="the same"):
            first_change(before, now)
        return
    line, was, is_ = first_change(before, now)
    old, new = before.split("\n"), now.split("\n")
    assert old[: line - 1] == new[: line - 1]
    assert was != is_
    assert (was, is_) == tuple(text[line - 1] if line <= len(text) else None for text in (old, new))


JSON = st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5), lambda inner: (
    st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
), max_leaves=6)  # fmt: skip


@given(st.sampled_from(sorted(Release.model_fields)), JSON)
def test_no_content_of_a_field_breaks_the_reader(field, content):
    """A field of any content makes a release or an InputError."""
    plain = json.loads(release_text(release_of())) | {field: content}
    try:
        found = load_model(parse_release(json.dumps(plain), "x"), Release)
    except InputError:
        return
    assert release_text(found)


@pytest.mark.parametrize(
    "over",
    [
        {"confirmed": [1] * 600_000},
        {"confirmed": [1] * 500},
        {"course": [{}] * 400_000},
        {"course": [{}] * 500},
        {"model": {f"a{number}": [""] * 500 for number in range(400)}},
        {"model": {f"a{number}": 1.0 for number in range(501)}},
        {"totals": {f"a b{number}": "" for number in range(100_000)}},
        {"study": {f"a b{number}": "" for number in range(100_000)}},
        {"settings": {f"a b{number}": [] for number in range(90_000)}},
        {"versions": {f"a b{number}": 1 for number in range(100_000)}},
        {f"x{number}": 1 for number in range(100_000)},
    ],
    ids=lambda over: f"{next(iter(over))}-{len(next(iter(over.values()))) if len(over) == 1 else len(over)}",
)
def test_a_broken_release_makes_no_long_list_of_faults(tmp_path, over):
    """However many entries are wrong, a few findings are told: the list of all would stop the control for minutes."""
    path = file_with(tmp_path, **over)
    assert path.stat().st_size <= LARGEST_BYTES
    with pytest.raises(InputError) as caught:
        read_release(path)
    assert len(caught.value.problems) == 1


def test_at_most_twenty_faults_of_a_file_get_words(tmp_path):
    """And how many more there are; a file with twenty names every one."""
    keys = {f"key {number}": 1 for number in range(21)}
    with pytest.raises(InputError) as caught:
        read_release(file_with(tmp_path, **keys))
    assert len(caught.value.problems) == 21
    assert str(caught.value.problems[-1]).endswith("x.release.json: and 1 more fault, mend these first")
    del keys["key 20"]
    with pytest.raises(InputError) as caught:
        read_release(file_with(tmp_path, **keys))
    assert len(caught.value.problems) == 20
    assert "more" not in str(caught.value.problems[-1])


def test_too_many_lists_are_refused_before_they_are_built(tmp_path):
    """A million empty lists take longer to build than a cycle has."""
    path = tmp_path / "x.release.json"
    path.write_text("[" + "[]," * 100_000 + "[]]", encoding="utf-8")
    assert "has far too many lists and tables for a release" in refused(path)


def test_numbers_stand_on_one_line(tmp_path):
    """A text that looks like such a list stays as it is."""
    text = release_text(release_of(reason="[\n 1,\n 2\n]", confirmed=("[1,  2]",)))
    assert '  "water_C": [20.0, 34.0],\n'.lstrip(" ") in text
    assert '"at": [0.0, 48.0, 96.0],' in text
    assert '"low": [2.1, 2.1, null],' in text
    assert '"[1,  2]"' in text
    assert json.loads(text) == release_of(reason="[ 1, 2 ]", confirmed=("[1,  2]",)).model_dump(mode="json") | {
        "reason": "[  1,  2 ]"
    }


def test_a_release_too_large_to_be_read_is_not_written(tmp_path):
    """What would be refused at the bath is refused at the desk."""
    filled = {f"a{number}": [1.0 / 3.0] * 500 for number in range(300)}
    with pytest.raises(InputError, match=r"would be 3\.\d MB, a release has at most 2 MB"):
        write_release(tmp_path / "a.release.json", release_of(model=filled))
    assert list(tmp_path.iterdir()) == []
