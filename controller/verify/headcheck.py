"""What run.json and summary.json say, held against each other, their hashes, and the folder's name. Pure."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from hashlib import sha256
from typing import Any

from controller.records.head import safe_name
from controller.records.plain import KNOWN
from controller.records.saying import bare
from controller.verify.loadcheck import wrong_lists, wrong_loaded
from controller.verify.plancheck import wrong_texts
from controller.verify.summarycheck import missing_keys, wrong_verdict

LOST_TEXTS = ("lost.toml", "lost.release.json")
"""Names that stand in for a profile or release whose text a restart did not find any more."""
_FOLDER = re.compile(r"(\d{8}T\d{6}Z)-(.+)")
_TEXTS = ("profile", "bath_file", "map", "release")

Plain = Mapping[str, Any]


def wrong_head(plain: Plain, folder: str) -> tuple[list[str], list[str]]:
    """What is wrong within run.json, and notes. `folder`: the run folder's name."""
    wrong = [f"run.json: {name}: its text does not have the SHA-256 beside it" for name in _wrong_texts(plain)]
    notes: list[str] = []
    profile, plan = _part(plain, "profile"), _part(plain, "plan")
    if profile.get("name") in LOST_TEXTS and not profile.get("text"):
        notes.append("run.json: the profile's text was lost at a restart; its plan and hash are there")
    elif plan.get("sha256") != profile.get("sha256"):
        wrong.append("run.json: plan: was not compiled from this profile: another SHA-256")
    wrong += _wrong_release(plain, profile, notes)
    wrong += _wrong_names(plain)
    wrong += wrong_lists(plain)
    odd, unsaid = wrong_texts(plain)
    wrong += odd
    notes += unsaid
    found = _FOLDER.fullmatch(folder)
    if found is None:
        notes.append("the folder has another name than runs have")
    elif not _named(plain, found):
        wrong.append("the folder's name tells of another run than run.json does (start, bath, circuit, batch)")
    return wrong, notes


def _wrong_texts(plain: Plain) -> Iterator[str]:
    for name in _TEXTS:
        part = plain.get(name)
        if part is None and name == "release":
            continue
        text = part.get("text") if isinstance(part, dict) else None
        if not isinstance(text, str) or not isinstance(part, dict) or _sha256_of(text) != part.get("sha256"):
            yield name


def _wrong_release(plain: Plain, profile: Plain, notes: list[str]) -> list[str]:
    released = _part(plain, "load").get("released") is True
    release = plain.get("release")
    if not isinstance(release, dict):
        return ["run.json: release: is missing, the load rests on one"] if released else []
    if release.get("name") in LOST_TEXTS and not release.get("text"):
        notes.append("run.json: the release's text was lost at a restart")
        return []
    try:
        told = json.loads(str(release.get("text")))
    except (ValueError, RecursionError):
        return ["run.json: release: is not readable"]
    if not isinstance(told, dict) or told.get("sha256") != profile.get("sha256"):
        return ["run.json: release: is of another profile's text"]
    return []


def _wrong_names(plain: Plain) -> Iterator[str]:
    settings, load = _part(plain, "settings"), _part(plain, "load")
    for key, told, where in (
        ("bath", settings.get("name"), "the settings"),
        ("hall", settings.get("hall"), "the settings"),
        ("virtual", settings.get("virtual"), "the settings"),
        ("batch", load.get("batch"), "the load"),
    ):
        if plain.get(key) != told:
            yield f"run.json: {key}: is not that of {where}"
    plan = load.get("plan")
    if not (isinstance(plan, dict) and plan.keys() == {KNOWN}):
        yield "run.json: load: rests on another plan than the one beside it"


def _named(plain: Plain, found: re.Match[str]) -> bool:
    start = str(plain.get("start_utc"))[:19].replace("-", "").replace(":", "") + "Z"
    name = "-".join(safe_name(str(plain.get(key))) for key in ("bath", "circuit", "batch"))
    return found[1] == start and re.fullmatch(re.escape(name) + r"(-\d+)?", found[2]) is not None


def wrong_summary(summary: Plain, plain: Plain, cycles: int | None, last_state: str | None) -> list[str]:
    """What summary.json tells otherwise than run.json and the files; keys that it lacks are not asked for.

    `cycles`: in cycles.bin (None: not known); `last_state`: of the last row of log.csv.
    """
    plan = _part(plain, "plan")
    wanted = {
        "core": plain.get("core"),
        "circuit": plain.get("circuit"),
        "batch": plain.get("batch"),
        "virtual": plain.get("virtual"),
        "profile": plan.get("name"),
        "revision": plan.get("revision"),
        "planned_Ah": plan.get("planned_charge_Ah"),
        "start_utc": plain.get("start_utc"),
    }
    known = {key: value for key, value in wanted.items() if value is not None}
    if cycles is not None:
        known["cycles"] = cycles
    if last_state is not None:
        known["state"] = last_state
    wrong = [
        f"summary.json: {key} is {bare(summary[key])}, the record says {bare(value)}"
        for key, value in known.items()
        if key in summary and summary[key] != value
    ]
    return [*wrong, *wrong_loaded(summary, plain), *missing_keys(summary, plain), *wrong_verdict(summary, plain)]


def _part(plain: Plain, name: str) -> Plain:
    part = plain.get(name)
    return part if isinstance(part, dict) else {}


def _sha256_of(text: str) -> str:
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
