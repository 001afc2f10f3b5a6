"""`check` and `schema` as a person or a script meets them: lines, the count, exit codes, JSON."""

from __future__ import annotations

import io
import json

import pytest

from controller.bathfile import bath_check
from controller.bathmodel import BathFile
from profiles.commands import check, profile_check, schema
from profiles.profile import Profile

RIGHT = """\
kind = "profile"
name = "short"
revision = 1
battery = { cells = 6, capacity_C20_Ah = 60 }
[[step]]
name = "three ampere"
kind = "charge"
current_A = 3
voltage_limit_V_per_cell = 2.85
end = { hours = 0.01 }
"""
KINDS = {"profile": profile_check, "bath": bath_check}


def run(*paths, as_json=False):
    out, err = io.StringIO(), io.StringIO()
    code = check(paths, KINDS, out, err, as_json)
    return code, out.getvalue(), err.getvalue()


@pytest.fixture
def files(tmp_path):
    """Four files: right, wrong in two places, right with a note, right with a warning."""
    texts = {
        "right": RIGHT,
        "wrong": RIGHT.replace("current_A = 3", "current_mA = 3000").replace("revision = 1", "revision = 0"),
        "noted": RIGHT + "[bath]\nwater_C = [20, 30]\n",
        "warned": RIGHT + "[limits]\nprobe_C = 63\n",
    }
    paths = {name: tmp_path / f"{name}.toml" for name in texts}
    for name, path in paths.items():
        path.write_text(texts[name], encoding="utf-8")
    return paths


def test_right_files_end_with_code_0(files):
    """One line of count; beside it only the note that nobody released the profile."""
    code, out, err = run(files["right"])
    assert (code, out) == (0, "1 file: 1 right\n")
    assert err == f"{files['right']}:3: note: not released: a bath that asks for a release refuses it\n"


def test_a_warning_or_a_note_does_not_make_a_file_wrong(files):
    """The code stays 0; warnings are counted, notes are not."""
    code, out, err = run(files["noted"], files["warned"])
    assert (code, out) == (0, "2 files: 2 right with 1 warning\n")
    assert f"{files['noted']}:3: note:" in err
    assert f"{files['warned']}:12: warning: 63 C is above" in err


def test_any_wrong_file_ends_with_code_2_and_all_are_read(files):
    """Faults are told by file and line, and a wrong file does not keep the next from being checked."""
    code, out, err = run(files["wrong"], files["right"], files["warned"])
    assert (code, out) == (2, "3 files: 2 right, 1 wrong with 1 warning\n")
    assert f"{files['wrong']}:3: revision: 0 is below 1" in err
    assert f"{files['wrong']}:8: step[1].current_mA: unit mA is not used here, write current_A" in err
    assert "63 C" in err


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b'kind = "rectifier"\n', 'is no kind of file known here, write "profile", "bath"'),
        (b'kind = "profil"\n', 'write "profile"'),
        (b"kind = 3\n", "is no kind of file"),
        (b"name = 3\n", "kind: missing"),
        (b"\x00\x01", "binary"),
        (b"", "empty"),
        (b"x" * 20_000_000, "larger than 1 MB"),
        (b'kind = "profile"\nname = "\n', ":2: a text in quotes is not closed"),
    ],
    ids=["other", "slip", "number", "none", "binary", "empty", "20 MB", "syntax"],
)
def test_files_that_are_of_no_kind_are_one_problem(tmp_path, content, words):
    """Whatever lies there, the answer is one line and code 2."""
    path = tmp_path / "x.toml"
    path.write_bytes(content)
    code, out, err = run(path)
    assert (code, out) == (2, "1 file: 1 wrong\n")
    assert words in err
    assert err.count("\n") == 1


def test_a_missing_file_and_a_folder_are_wrong(tmp_path):
    """Both are told by name."""
    code, out, err = run(tmp_path / "absent.toml", tmp_path)
    assert (code, out) == (2, "2 files: 2 wrong\n")
    assert "absent.toml: is not there" in err
    assert "is a folder" in err


def test_json_is_one_object_with_every_problem(files):
    """Format, files, problems with line and level; the error stream stays empty."""
    code, out, err = run(files["wrong"], files["noted"], as_json=True)
    told = json.loads(out)
    assert (code, err) == (2, "")
    assert told["format"] == "formbath/check/1"
    assert (told["right"], told["wrong"], told["warnings"]) == (1, 1, 0)
    wrong, noted = told["files"]
    assert (wrong["right"], noted["right"], noted["kind"]) == (False, True, "profile")
    assert {problem["level"] for problem in wrong["problems"]} == {"wrong"}
    assert {(problem["level"], problem["line"]) for problem in noted["problems"]} == {("note", 3)}


def test_a_file_cannot_write_to_the_terminal(tmp_path):
    """Escape sequences in a file's text or name reach no stream."""
    path = tmp_path / "a\x1b[31m.toml"
    path.write_text(RIGHT.replace('name = "short"', 'name = "\\u001b[2J"\n"\\u001b[1m" = 1'), encoding="utf-8")
    for as_json in (False, True):
        _, out, err = run(path, as_json=as_json)
        assert "\x1b" not in out + err


@pytest.mark.parametrize(("kind", "model"), [("profile", Profile), ("bath", BathFile)])
def test_schemas_describe_their_files(kind, model):
    """The schema names the draft, refuses unknown keys, and knows every key of the model."""
    out, err = io.StringIO(), io.StringIO()
    assert schema(kind, {"profile": Profile, "bath": BathFile}, out, err) == 0
    shape = json.loads(out.getvalue())
    assert shape["$schema"].endswith("2020-12/schema")
    assert shape["additionalProperties"] is False
    assert set(shape["properties"]) == set(model.model_fields)


def test_a_schema_of_no_kind_is_refused():
    """The kinds there are get named."""
    out, err = io.StringIO(), io.StringIO()
    assert schema("pizza", {"profile": Profile}, out, err) == 2
    assert (out.getvalue(), "write one of profile" in err.getvalue()) == ("", True)
