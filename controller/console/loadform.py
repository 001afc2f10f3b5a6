"""The load form: what the string shall receive, what stands where, when it was filled. Pure; no file is opened here.

A problem is said beside its field; whether the load is taken is the service's word.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import profiles
from controller.console.picture import CircuitView, Picture
from controller.console.prompttypes import TEXT_MOST, Prompt, Scalar, Step, Wanted, circuit_of
from controller.console.scene import Scene
from controller.service.batchlist import count, parse_batches
from controller.service.protocol import clean

PROFILE, BATCH, FRESH, FIRST, LAST = range(5)
EMPTY = ("", "", "fresh", "", "")
LABELS = ("orders.load_profile", "orders.load_batch", "orders.load_fresh", "orders.load_first", "orders.load_last")
MOST_MINUTES = 99_999

_TURNS = {"left", "right", " "}
_MINUTES = re.compile(r"\d{1,5}(?:[.,]\d+)?")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})")


@dataclass(frozen=True, slots=True)
class Filled:
    """When a battery was filled: minutes ago, or a moment; `ago_minutes` is known for both."""

    ago_minutes: float
    utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong in the form, and in which field."""

    at: int
    what: str


@dataclass(frozen=True, slots=True)
class LoadList:
    """The form, read. `last`: the last place that a battery takes."""

    args: dict[str, Scalar]
    batteries: int
    last: int
    first_filled: Filled
    last_filled: Filled


def pressed(prompt: Prompt, key: str, scene: Scene) -> Step:
    """Take a key in the form: letters into the field, arrows and Tab between fields, Enter on to the next."""
    at = prompt.at
    if key in {"up", "shift tab"}:
        return Step(replace(prompt, at=max(0, at - 1)))
    if key in {"down", "tab"}:
        return Step(replace(prompt, at=min(LAST, at + 1)))
    if key == "enter":
        return Step(replace(prompt, at=at + 1)) if at < LAST else _summary(prompt, scene)
    text = prompt.fields[at]
    if at == FRESH:
        chosen = {"f": "fresh", "c": "continued"}.get(key.lower() if len(key) == 1 else key, text)
        if key in _TURNS:
            chosen = "continued" if text == "fresh" else "fresh"
        return Step(_with(prompt, chosen))
    if key == "backspace":
        return Step(_with(prompt, text[:-1]))
    if len(key) == 1 and key.isprintable():
        return Step(_with(prompt, (text + key)[:TEXT_MOST]))
    return Step(prompt)


def burst(prompt: Prompt, text: str, scene: Scene) -> Step:
    """Take a paste or a scanner's letters into the field; the line end of a scanner goes on to the next field."""
    if prompt.at == FRESH:
        return Step(prompt, said=scene.say("orders.pasted", n=len(text)))
    before = prompt.fields[prompt.at]
    apart = " " if before and not before.endswith(" ") else ""
    filled = _with(prompt, clean(before + apart + text, TEXT_MOST))
    ended = text.endswith(("\n", "\r", "\t")) and prompt.at < LAST
    return Step(replace(filled, at=prompt.at + 1) if ended else filled)


def _with(prompt: Prompt, text: str) -> Prompt:
    return replace(prompt, fields=(*prompt.fields[: prompt.at], text, *prompt.fields[prompt.at + 1 :]))


def _summary(prompt: Prompt, scene: Scene) -> Step:
    read = read_form(prompt, scene)
    if isinstance(read, Wrong):
        return Step(replace(prompt, at=read.at), said=read.what)
    return Step(replace(prompt, stage="summary"))


def send(prompt: Prompt, scene: Scene) -> Step:
    """Return the order that the form makes, or the form again with what is wrong."""
    read = read_form(prompt, scene)
    if isinstance(read, Wrong):
        return Step(replace(prompt, stage="form", at=read.at), said=read.what)
    return Step(None, (Wanted(prompt.bath, "load", prompt.target, read.args),))


def read_form(prompt: Prompt, scene: Scene) -> LoadList | Wrong:
    """Read the form's fields as they stand."""
    say, found = scene.say, circuit_of(prompt, scene)
    if found is None:
        return Wrong(PROFILE, say("orders.dead_gone", name=prompt.target))
    profile = clean(prompt.fields[PROFILE], TEXT_MOST)
    if not profile:
        return Wrong(PROFILE, say("orders.load_no_profile"))
    batch = clean(prompt.fields[BATCH], TEXT_MOST)
    try:
        batches = parse_batches(batch)
    except ValueError as error:
        return Wrong(BATCH, say("orders.load_wrong", what=clean(str(error), 200)))
    moments: list[Filled] = []
    for at in (FIRST, LAST):
        moment = filled_of(prompt.fields[at], scene, found[1])
        if moment is None:
            return Wrong(at, say("orders.load_when"))
        moments.append(moment)
    if moments[1].ago_minutes > moments[0].ago_minutes:
        return Wrong(LAST, say("orders.load_swapped"))
    args: dict[str, Scalar] = {
        "profile": profile_path(profile),
        "batch": batch,
        "batteries": count(batches),
        "continued": prompt.fields[FRESH] == "continued",
        **_when("first_filled", moments[0]),
        **_when("last_filled", moments[1]),
    }
    return LoadList(args, count(batches), max(each.last for each in batches), *moments)


def _when(name: str, moment: Filled) -> dict[str, Scalar]:
    if moment.utc is not None:
        return {f"{name}_utc": moment.utc.isoformat(timespec="seconds")}
    return {f"{name}_minutes_ago": moment.ago_minutes}


def filled_of(text: str, scene: Scene, picture: Picture) -> Filled | None:
    """Read minutes ago (comma or point) or a clock time within the last 24 h; None: neither."""
    said = text.strip()
    if _MINUTES.fullmatch(said):
        return Filled(float(said.replace(",", ".")))
    clock = _CLOCK.fullmatch(said)
    if clock is None or int(clock[1]) > 23 or int(clock[2]) > 59:
        return None
    now = scene.local(picture.utc)
    moment = now.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
    try:
        if moment > now:
            moment -= timedelta(days=1)
        ago_s = (now.astimezone(UTC) - moment.astimezone(UTC)).total_seconds()
    except OverflowError:
        return None
    return Filled(max(0.0, ago_s / 60.0), moment.astimezone(UTC))


def profile_path(text: str) -> str:
    """The file that is meant: a path as it stands, a bare name one of the library's."""
    if "/" in text or text.endswith(".toml"):
        return str(Path(text).absolute())
    return str(Path(profiles.__file__).parent / "library" / f"{text}.toml")


def lines(prompt: Prompt, scene: Scene) -> list[str]:
    """Return the form as it stands, its present field marked."""
    say = scene.say
    made = []
    for at, (key, text) in enumerate(zip(LABELS, prompt.fields, strict=True)):
        here = at == prompt.at and prompt.stage == "form"
        made.append(f"{'>' if here else ' '} {say(key)} {text}{'_' if here else ''}")
    return made


def summary(prompt: Prompt, scene: Scene, circuit: CircuitView) -> list[str]:
    """Return what will be sent, in words, or what is wrong with it."""
    say, read = scene.say, read_form(prompt, scene)
    if isinstance(read, Wrong):
        return [read.what]
    key = "orders.load_continued" if read.args["continued"] else "orders.load_is_fresh"
    return [
        say("orders.load_summary", profile=prompt.fields[PROFILE].strip(), kind=say(key)),
        say(
            "orders.load_places",
            batch=str(read.args["batch"]), batteries=read.batteries, last=read.last, places=circuit.places,
        ),
        say(
            "orders.load_filled",
            first=read.first_filled.ago_minutes, last=read.last_filled.ago_minutes,
        ),
    ]  # fmt: skip
