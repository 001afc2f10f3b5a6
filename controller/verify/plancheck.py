"""Settings and plan of run.json, held against the texts beside them: made again by what made them. Pure.

Only a record that was begun by this very version is asked: another one may have made something else of the same text.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from controller.bathfile import settings_of_texts
from controller.core.plan import compile_plan
from controller.core.planned import Plan
from controller.core.settings import BathSettings
from controller.records.ours import VERSION, is_ours, version_of
from controller.records.plain import Codec
from controller.records.saying import short
from controller.records.summary import FORMAT
from controller.verify.telling import few
from profiles.loader import LARGEST_BYTES, load_model, parse_document
from profiles.problems import InputError
from profiles.profile import Profile

MOST_TOLD = 3
"""Differing keys of settings or plan that are named; the others are counted."""
_BY_MAP = ("can_discharge", "has_uptime", "has_contactor", "default_A", "default_V")
"""Keys of a circuit's settings that come from its register map; the record keeps that of its own circuit only."""
_UNUSABLE = (InputError, ValueError, OverflowError, RecursionError)


def wrong_texts(run_json: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """What settings, plan and release say otherwise than the texts that they were made from. Wrong, and notes."""
    if not is_ours(run_json):
        version = version_of(run_json)
        notes = [] if version in (None, VERSION) else [
            f"run.json: settings and plan were not made again from their texts: by version {version}, this is {VERSION}"
        ]  # fmt: skip
        return [], notes
    wrong = [] if run_json.get("summary_format", FORMAT) == FORMAT else [
        f"run.json: summary_format: this version writes {FORMAT}"
    ]  # fmt: skip
    wrong += [
        *_said(lambda: _odd_settings(run_json), "settings: the texts of bath_file and map give none"),
        *_said(lambda: _odd_plan(run_json), "plan: the profile's text gives none"),
        *_odd_release(run_json),
    ]
    return wrong, []


def _said(look: Callable[[], list[str]], otherwise: str) -> list[str]:
    try:
        return look()
    except _UNUSABLE as error:
        return [f"run.json: {otherwise}: {str(error).partition(chr(10))[0][:200]}"]


def _text(run_json: Mapping[str, Any], name: str) -> str:
    part = run_json.get(name)
    text = part.get("text") if isinstance(part, Mapping) else None
    text = text if isinstance(text, str) else ""
    if len(text) > LARGEST_BYTES:
        raise ValueError(f"{name} has {len(text)} characters, at most {LARGEST_BYTES} are read")
    return text


def _odd_settings(run_json: Mapping[str, Any]) -> list[str]:
    circuit = str(run_json.get("circuit"))
    made, known = settings_of_texts(_text(run_json, "bath_file"), _text(run_json, "map"), circuit)
    wanted, held = Codec().dump(BathSettings, made), run_json.get("settings")
    for each in wanted["circuits"]:
        for key in _BY_MAP if each["name"] not in known else ():
            del each[key]
    return _odd("settings", wanted, held, "the texts of bath_file and map give")


def _odd_plan(run_json: Mapping[str, Any]) -> list[str]:
    text = _text(run_json, "profile")
    if not text:
        # Lost at a restart, which is told elsewhere.
        return []
    document = parse_document(text, "profile")
    wanted = Codec().dump(Plan, compile_plan(load_model(document, Profile), document.sha256))
    return _odd("plan", wanted, run_json.get("plan"), "the profile's text gives")


def _odd_release(run_json: Mapping[str, Any]) -> list[str]:
    """A release keeps the profile's text, its name and revision, too."""
    part, profile, plan = (run_json.get(key) for key in ("release", "profile", "plan"))
    if not (isinstance(part, Mapping) and isinstance(profile, Mapping) and isinstance(plan, Mapping)):
        return []
    try:
        told = json.loads(str(part.get("text")))
    except (ValueError, RecursionError):
        return []
    if not isinstance(told, Mapping) or not profile.get("text"):
        return []
    wanted = {"text": profile.get("text"), "revision": plan.get("revision")}
    return [
        f"run.json: release: its {key} is not that of the profile"
        for key, value in wanted.items()
        if key in told and told[key] != value
    ]


def _odd(name: str, wanted: object, held: object, by: str) -> list[str]:
    differing = _differing(name, wanted, held)
    told = (f"run.json: {where}: is {_json(there)}, {by} {_json(right)}" for where, right, there in differing)
    return few(told, f"run.json: {name}", "values", MOST_TOLD)


def _differing(name: str, wanted: object, held: object) -> Iterator[tuple[str, object, object]]:
    """Each value that is another one, with where it stands; what only one of both has is no contradiction."""
    if isinstance(wanted, Mapping) and isinstance(held, Mapping):
        for key in (key for key in wanted if key in held):
            yield from _differing(f"{name}.{key}", wanted[key], held[key])
    elif isinstance(wanted, list) and isinstance(held, list) and len(wanted) == len(held):
        for at, (one, other) in enumerate(zip(wanted, held, strict=True)):
            yield from _differing(f"{name}.{at}", one, other)
    elif isinstance(wanted, bool) is not isinstance(held, bool) or wanted != held:
        yield name, wanted, held


def _json(value: object) -> str:
    return short(json.dumps(value, default=str))
