"""Reading files: each way in which a file cannot be used has its place and plain words, and nothing else escapes."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.loader import Document, found_profile, parse_document, path_text, read_document
from profiles.problems import InputError, Problem, clean

SYNTAX = [
    ("a = 1\nb = \n", 2, "this is no value"),
    ("a = 1\na = 2\n", 2, "given twice"),
    ("[t]\nx = 1\n[t]\n", 3, "given twice"),
    ("a = 1\n\nb 2\n", 3, "no = after the key"),
    ("a = 1 b = 2\n", 1, "one key = value a line"),
    ("a = [1, 2\nb = 3\n", 2, "a [ is never closed"),
    ("a = { x = 1\nb = 3\n", 1, "a { is never closed"),
    ('a = "text\nb = 3\n', 1, "not closed on its line"),
    ('a = """text\nb = 3\n', 2, "never closed"),
    ('a = "C:\\data"\n', 1, "lone \\"),
    ("[t\n", 1, "missing ]"),
    ("a = 5\n= 3\n", 2, "no line of TOML"),
    ("a = { x = 1 }\na.y = 2\n", 2, "one place"),
    ("a = 2026-02-30\n", 1, "does not exist"),
    (f"a = {'9' * 6000}\n", 1, "too many digits"),
]


def fault(text: str) -> Problem:
    with pytest.raises(InputError) as caught:
        parse_document(text, "x.toml")
    assert len(caught.value.problems) == 1
    return caught.value.problems[0]


@pytest.mark.parametrize(("text", "line", "words"), SYNTAX, ids=[words for _, _, words in SYNTAX])
def test_a_syntax_error_stands_alone_with_its_line_and_plain_words(text, line, words):
    """The line is the one the parser names; the words are ours."""
    found = fault(text)
    assert words in found.what
    assert found.line == line
    assert "(at line" not in str(found)


def test_a_document_knows_its_text_hash_and_lines():
    """The hash is that of the file's own bytes, line ends included; lines of absent keys are those of their table."""
    document = parse_document("a = 1\r\n[t]\r\nb = [1,\r\n2]\r\n", "x.toml")
    assert document.sha256 == hashlib.sha256(b"a = 1\r\n[t]\r\nb = [1,\r\n2]\r\n").hexdigest()
    assert document.line_of(("t", "b", 1)) == 4
    assert document.line_of(("t", "absent", "deeper")) == 2
    assert document.line_of(("absent",)) == 1


def test_reading_gives_path_name_and_the_same_hash_as_the_bytes(tmp_path):
    """What is hashed is what stands on the disk."""
    file = tmp_path / "x.toml"
    file.write_bytes(b'name = "\xc3\xa9"\r\n')
    document = read_document(file)
    assert document.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert (document.path, document.name, document.data) == (file, str(file), {"name": "é"})


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"", None, "is empty"),
        (b" \n\t\n", None, "is empty"),
        (b"a = 1\nb = \xff\n", 2, "not UTF-8"),
        (b"\x7fELF\x02\x01\x01\x00\xff", 1, "not UTF-8"),
        (b"a = 1\n\x00\x00", 2, "is binary"),
        (b"\xef\xbb\xbfa = 1\n", 1, "byte order mark"),
        (b"# " + b"x" * 20_000_000, None, "larger than 1 MB"),
        (b"a = " + b"[" * 100_000, None, "nested too deeply"),
    ],
    ids=["empty", "blank", "latin", "program", "zero", "mark", "20 MB", "deep"],
)
def test_files_that_are_no_toml_text_are_refused(tmp_path, content, line, words):
    """Empty, binary, foreign coding, too large, nested past all reason: one problem each."""
    file = tmp_path / "x.toml"
    file.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_document(file)
    (found,) = caught.value.problems
    assert words in found.what
    assert found.line == line
    assert found.file == str(file)


@pytest.mark.parametrize(("name", "words"), [("absent.toml", "not there"), (".", "folder"), ("a\0b", "not there")])
def test_names_that_lead_to_no_file_are_refused(tmp_path, name, words):
    """A missing file, a folder and an impossible name have their own words."""
    with pytest.raises(InputError) as caught:
        read_document(f"{tmp_path}/{name}")
    assert words in caught.value.problems[0].what


@given(st.text(max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_gives_a_document_or_an_input_error(text):
    """No text, however odd, raises anything else, and a line named is one of the text's."""
    try:
        document = parse_document(text, "x.toml")
    except InputError as error:
        for found in error.problems:
            assert found.line is None or 1 <= found.line <= text.count("\n") + 1
            assert clean(str(found), 10_000) == str(found)
    else:
        assert isinstance(document, Document)


@given(st.text(max_size=80), st.text(max_size=80), st.text(max_size=80))
def test_a_problem_is_one_line_that_no_terminal_obeys(file, key, what):
    """Names and values from files cannot move the cursor, colour the screen or break the line."""
    line = str(Problem(file, 3, key, what))
    assert line.isprintable() or all(character.isprintable() or character.isspace() for character in line)
    assert not set(line) & set("\n\r\x1b\x07\x9b\u202e\u2066")


def test_the_shape_of_a_problem_line():
    """Parts that are empty are left out; a warning and a note say what they are in place of the key."""
    assert str(Problem("a.toml", 4, "step[1].end", "missing")) == "a.toml:4: step[1].end: missing"
    assert str(Problem("a.toml", None, "", "is empty")) == "a.toml: is empty"
    assert str(Problem("a.toml", 4, "k", "odd", warning=True)) == "a.toml:4: warning: odd"
    assert str(Problem("a.toml", 4, "k", "so", note=True)) == "a.toml:4: note: so"
    assert [Problem("a", 1, "", "", warning=True).wrong, Problem("a", 1, "", "").wrong] == [False, True]


def test_paths_count_from_one_for_people():
    """The first step is step[1]."""
    assert path_text(("step", 0, "step", 1, "end", "hours")) == "step[1].step[2].end.hours"


@pytest.mark.parametrize("text", ["", ".", "none", "../starter-60", "/etc/starter-60", "a\0b", "x" * 5_000])
def test_what_is_no_profile_is_not_found(text):
    """Neither a file nor a name of the library, nor a way out of it; nothing raises."""
    assert found_profile(text) is None


def test_a_smaller_limit_is_said_in_its_own_unit(tmp_path):
    """A file above the limit that the caller sets is refused before it is looked into."""
    path = tmp_path / "p.toml"
    path.write_text("a = 1\n" + "#" * 256_000)
    with pytest.raises(InputError, match="larger than 256 kB"):
        read_document(path, 256_000)
    assert read_document(path).data == {"a": 1}
