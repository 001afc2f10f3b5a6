"""`check` and `schema`: are these files right, and what may stand in one.

A profile is also held against its release, where one stands beside it, and a release against its profile.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

from pydantic import BaseModel

from profiles.loader import Document, load_model, read_document
from profiles.nearkeys import nearest
from profiles.problems import InputError, Problem, clean
from profiles.profile import Profile
from profiles.release import (
    ENDING,
    read_release,
    release_document,
    release_place,
    release_problems,
)
from profiles.warnings import profile_problems

CHECK_FORMAT = "formbath/check/1"
Found = tuple[str, str | None, list[Problem]]
"""A file's name, its kind (None: unknown), everything found in it."""
Kinds = Mapping[str, Callable[[Document], list[Problem]]]
Across = Callable[[Mapping[str, Sequence[Document]]], list[Problem]]
"""Warnings and notes that only several files show together; it is given the right ones by their kind."""


def check(
    paths: Sequence[Path | str],
    kinds: Kinds,
    out: TextIO,
    err: TextIO,
    as_json: bool = False,
    across: Across | None = None,
) -> int:
    """Check files of the kinds given; problems go to `err`, the count (or one JSON object with all) to `out`.

    Each entry of `kinds` returns a file's warnings and notes, or raises InputError. `across` looks at all right files.
    Returns 2 if any file is wrong, else 0.
    """
    found = [(str(path), *problems_of(path, kinds)) for path in paths]
    if across is not None:
        found = _with(found, across(_right_documents(found)))
    found = _once(found)
    wrong = sum(any(problem.wrong for problem in problems) for _, _, problems in found)
    warnings = sum(problem.warning for _, _, problems in found for problem in problems)
    if as_json:
        json.dump(_as_json(found, wrong, warnings), out, indent=2, ensure_ascii=True)
        out.write("\n")
    else:
        for _, _, problems in found:
            err.writelines(f"{problem}\n" for problem in problems)
        out.write(_count(len(found), wrong, warnings) + "\n")
    return 2 if wrong or not found else 0


def problems_of(path: Path | str, kinds: Kinds) -> tuple[str | None, list[Problem]]:
    """A file's kind (None: unknown) and everything found in it, in the order of its lines, faults before the rest."""
    kind: str | None = None
    try:
        document = release_document(path) if str(path).endswith(ENDING) else read_document(path)
        given = document.data.get("kind")
        if not isinstance(given, str) or given not in kinds:
            raise InputError([document.problem(("kind",), _unknown_kind(given, kinds))])
        kind = given
        problems = list(kinds[kind](document))
    except InputError as error:
        problems = list(error.problems)
    return kind, sorted(problems, key=lambda problem: (not problem.wrong, problem.note, problem.line or 0))


def profile_check(document: Document) -> list[Problem]:
    """Entry of `check` for profiles: warnings and notes; raises InputError."""
    return [*profile_problems(load_model(document, Profile), document), _released(document)]


def _released(document: Document) -> Problem:
    """A note: by whom and when a profile was released; a warning: where it was changed since."""
    place = release_place(document.path)
    if not place.exists():
        return document.problem(("revision",), "not released: a bath that asks for a release refuses it", note=True)
    try:
        release = read_release(place)
    except InputError as error:
        what = f"its release cannot be used: {error.problems[0]}"
        return document.problem(("revision",), what, warning=True)
    for changed in release_problems(document, release):
        return replace(changed, warning=True)
    what = f"released by {release.person}, {release.utc}: {release.reason}"
    return document.problem(("revision",), what, note=True)


def _right_documents(found: Sequence[Found]) -> dict[str, list[Document]]:
    """The files without a fault, read once more, by their kind."""
    right: dict[str, list[Document]] = {}
    for name, kind, problems in found:
        if kind is not None and not any(problem.wrong for problem in problems):
            read = release_document if name.endswith(ENDING) else read_document
            with contextlib.suppress(InputError):  # it went away meanwhile
                right.setdefault(kind, []).append(read(name))
    return right


def _with(found: Sequence[Found], more: Sequence[Problem]) -> list[Found]:
    """What was found with further problems, each at the file that it names."""
    return [
        (name, kind, [*problems, *(problem for problem in more if problem.file == name)])
        for name, kind, problems in found
    ]


def _once(found: Sequence[Found]) -> list[Found]:
    """What was found without a warning that another file tells as its fault: a changed profile and its release."""
    faults = {_place(problem) for _, _, problems in found for problem in problems if problem.wrong}
    return [
        (name, kind, [problem for problem in problems if problem.wrong or _place(problem) not in faults])
        for name, kind, problems in found
    ]


def _place(problem: Problem) -> tuple[str, int | None, str]:
    return str(Path(problem.file).absolute()), problem.line, problem.what


def schema(kind: str, models: Mapping[str, type[BaseModel]], out: TextIO, err: TextIO) -> int:
    """Print the JSON schema (draft 2020-12) of a kind of file; 2 for a kind that has none."""
    if kind not in models:
        err.write(f"schema: {clean(kind, 40)!r} is no kind of file, write one of {', '.join(sorted(models))}\n")
        return 2
    shape = {"$schema": "https://json-schema.org/draft/2020-12/schema", **models[kind].model_json_schema()}
    json.dump(shape, out, indent=2, ensure_ascii=True)
    out.write("\n")
    return 0


def _unknown_kind(given: object, kinds: Kinds) -> str:
    known = ", ".join(f'"{kind}"' for kind in kinds)
    if given is None:
        return f"missing, write the kind of file as the first line: {known}"
    near = nearest(str(given), kinds)
    return f"{clean(str(given), 40)!r} is no kind of file known here, write " + (f'"{near}"' if near else known)


def _count(files: int, wrong: int, warnings: int) -> str:
    right = files - wrong
    parts = [f"{right} right"] if right or not wrong else []
    parts += [f"{wrong} wrong"] if wrong else []
    text = f"{files} {'file' if files == 1 else 'files'}: {', '.join(parts)}"
    return text + (f" with {warnings} {'warning' if warnings == 1 else 'warnings'}" if warnings else "")


def _as_json(found: Sequence[Found], wrong: int, warnings: int) -> dict[str, Any]:
    return {
        "format": CHECK_FORMAT,
        "files": [
            {
                "file": name,
                "kind": kind,
                "right": not any(problem.wrong for problem in problems),
                "problems": [_problem_json(problem) for problem in problems],
            }
            for name, kind, problems in found
        ],
        "right": len(found) - wrong,
        "wrong": wrong,
        "warnings": warnings,
    }


def _problem_json(problem: Problem) -> dict[str, Any]:
    level = "wrong" if problem.wrong else "warning" if problem.warning else "note"
    return {
        "file": problem.file,
        "line": problem.line,
        "key": problem.key or None,
        "level": level,
        "what": problem.what,
    }
