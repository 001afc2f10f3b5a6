"""Profiles broken at random: whatever stands in them, the answer is a right file or problems in plain words."""

from __future__ import annotations

import json
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.loader import load_model, parse_document
from profiles.problems import InputError, Problem
from profiles.profile import Profile

TEXT = (Path(__file__).parents[2] / "profiles" / "library" / "starter-45-relief.toml").read_text(encoding="utf-8")
ROWS = TEXT.split("\n")
KEYED = [index for index, row in enumerate(ROWS) if "=" in row.split("#")[0]]
JARGON = ("pydantic", "validation", "Traceback", "input_type", "extra_forbidden", "errors.pydantic", "NoneType")
JUNK = st.one_of(
    st.sampled_from(
        ["nan", "-inf", "-1", "0", "1e308", "true", '""', "[]", "{}", "[[1]]", "{ a = 1 }", "1979-05-27", "07:32:00"]
    ),
    st.integers(-(10**20), 10**20).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80).map(json.dumps),
)
CHANGES = st.lists(
    st.tuples(st.sampled_from(KEYED), st.sampled_from(["value", "key", "drop", "double"]), JUNK), max_size=3
)


def broken(changes: list[tuple[int, str, str]]) -> str:
    rows = list(ROWS)
    for index, what, junk in changes:
        key, _, value = rows[index].partition("=")
        if what == "value":
            rows[index] = f"{key}= {junk}"
        elif what == "key":
            rows[index] = f"x{key}={value}"
        elif what == "double":
            rows[index] = f"{rows[index]}\n{key.strip()}_A = {junk}"
        else:
            rows[index] = ""
    return "\n".join(rows)


def problems_in(text: str) -> list[Problem]:
    try:
        load_model(parse_document(text, "p.toml"), Profile)
    except InputError as error:
        return list(error.problems)
    return []


@given(CHANGES)
@settings(max_examples=150, deadline=None)
def test_a_broken_profile_is_answered_by_lines_in_plain_words(changes):
    """No exception but InputError, every line lies in the file, and no word of the libraries shows."""
    text = broken(changes)
    for found in problems_in(text):
        assert found.wrong
        assert found.line is not None
        assert 1 <= found.line <= text.count("\n") + 1
        assert not any(word in found.what for word in JARGON), found


@given(JUNK)
@settings(max_examples=60, deadline=None)
def test_a_key_that_is_not_known_never_passes(junk):
    """An unknown key is a fault whatever its value, and the only one told."""
    found = problems_in(TEXT.replace("[soak]", f"[soak]\nsoaking = {junk}"))
    assert [problem.key for problem in found] == ["soak.soaking"]
