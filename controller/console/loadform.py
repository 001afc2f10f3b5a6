"""The load form: what the string shall receive, what stands where, when it was filled.

A field is checked when Enter leaves it, for the profile its file is read (`controller.service.foreseen`); drawing reads
no file. Whether the load is taken is the service's word.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from controller.console.outlook import NO_VALUE
from controller.console.picture import CircuitView, Picture
from controller.console.prompttypes import TEXT_MOST, Prompt, Scalar, Step, Wanted, circuit_of
from controller.console.scene import Scene
from controller.console.sentence import moment
from controller.records.batchlist import count, parse_batches
from controller.service.foreseen import Foreseen, foreseen
from controller.service.protocol import clean
from profiles.loader import LIBRARY, found_profile
from profiles.problems import InputError

PROFILE, BATCH, FRESH, FIRST, LAST = range(5)
EMPTY = ("", "", "fresh", "", "")
LABELS = ("orders.load_profile", "orders.load_batch", "orders.load_fresh", "orders.load_first", "orders.load_last")
MOST_MINUTES = 99_999

_TURNS = {"left", "right"}
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
        return _left(prompt, scene)
    text = prompt.fields[at]
    if at == FRESH:
        chosen = {"f": "fresh", "c": "continued"}.get(key.lower() if len(key) == 1 else key, text)
        if key in _TURNS:
            chosen = "continued" if text == "fresh" else "fresh"
        return Step(_with(prompt, chosen))
    if key == "backspace":
        return Step(_with(prompt, text[:-1]))
    if len(key) == 1 and key.isprintable():
        return Step(_with(prompt, (_kept(prompt) + key)[:TEXT_MOST]))
    return Step(prompt)


def typed(prompt: Prompt, text: str, scene: Scene) -> Step:
    """Take a whole line for the field, as if it was typed there with Enter; an empty one keeps what stands in it."""
    said = clean(text, TEXT_MOST).strip()
    if not said:
        return _left(prompt, scene)
    if prompt.at != FRESH:
        return _left(_with(prompt, said), scene)
    chosen = {"f": "fresh", "c": "continued"}.get(said.lower(), said.lower())
    if chosen not in {"fresh", "continued"}:
        return Step(prompt, said=scene.say("orders.load_which"))
    return _left(_with(prompt, chosen), scene)


def reopened(prompt: Prompt, draft: Prompt) -> Prompt:
    """Return the form just opened with what was typed into one before: at its first field, typing replaces a field."""
    old = tuple(at for at, text in enumerate(draft.fields) if text and at != FRESH)
    return replace(prompt, fields=draft.fields, at=PROFILE, old=old)


def _kept(prompt: Prompt) -> str:
    """What stands in the field when a letter comes: nothing of a draft's own text."""
    return "" if prompt.at in prompt.old else prompt.fields[prompt.at]


def _left(prompt: Prompt, scene: Scene) -> Step:
    """Go on to the next field, or to the summary behind the last; a field that is wrong stays open and is told."""
    read: Filled | Foreseen | Wrong | None = None
    if prompt.at == PROFILE:
        read = _foreseen(prompt, scene)
    elif prompt.at == BATCH:
        read = _wrong_batch(prompt, scene)
    elif prompt.at in {FIRST, LAST}:
        read = _moment(prompt, scene, prompt.at)
    if isinstance(read, Wrong):
        return Step(prompt, said=read.what)
    if isinstance(read, Foreseen):
        prompt = replace(prompt, foreseen=read)
    return Step(replace(prompt, at=prompt.at + 1)) if prompt.at < LAST else _summary(prompt, scene)


def burst(prompt: Prompt, text: str, scene: Scene) -> Step:
    """Take a paste or a scanner's letters into the field; the line end of a scanner goes on to the next field."""
    if prompt.at == FRESH:
        return Step(prompt, said=scene.say("orders.pasted", n=len(text)))
    before = _kept(prompt)
    apart = " " if before and not before.endswith(" ") else ""
    filled = _with(prompt, clean(before + apart + text, TEXT_MOST))
    ended = text.endswith(("\n", "\r", "\t")) and prompt.at < LAST
    return Step(replace(filled, at=prompt.at + 1) if ended else filled)


def _with(prompt: Prompt, text: str) -> Prompt:
    fields = (*prompt.fields[: prompt.at], text, *prompt.fields[prompt.at + 1 :])
    return replace(prompt, fields=fields, old=tuple(at for at in prompt.old if at != prompt.at))


def _summary(prompt: Prompt, scene: Scene) -> Step:
    read, asks = read_form(prompt, scene), _foreseen(prompt, scene)
    wrong = asks if isinstance(asks, Wrong) else read
    if isinstance(wrong, Wrong):
        return Step(replace(prompt, at=wrong.at), said=wrong.what)
    return Step(replace(prompt, stage="summary", foreseen=asks if isinstance(asks, Foreseen) else None))


def send(prompt: Prompt, scene: Scene) -> Step:
    """Return the order that the form makes, or the form again with what is wrong."""
    read = read_form(prompt, scene)
    if isinstance(read, Wrong):
        return Step(replace(prompt, stage="form", at=read.at), said=read.what)
    return Step(None, (Wanted(prompt.bath, "load", prompt.target, read.args),))


def read_form(prompt: Prompt, scene: Scene) -> LoadList | Wrong:
    """Read the form's fields as they stand."""
    profile = clean(prompt.fields[PROFILE], TEXT_MOST)
    path = found_profile(profile)
    if path is None:
        return Wrong(
            PROFILE, scene.say("orders.load_no_file" if profile else "orders.load_no_profile", profile=profile)
        )
    wrong = _wrong_batch(prompt, scene)
    if wrong is not None:
        return wrong
    first, last = _moment(prompt, scene, FIRST), _moment(prompt, scene, LAST)
    if isinstance(first, Wrong):
        return first
    if isinstance(last, Wrong):
        return last
    batch = clean(prompt.fields[BATCH], TEXT_MOST)
    batches = parse_batches(batch)
    args: dict[str, Scalar] = {
        "profile": str(path),
        "batch": batch,
        "batteries": count(batches),
        "continued": prompt.fields[FRESH] == "continued",
        **_when("first_filled", first),
        **_when("last_filled", last),
    }
    return LoadList(args, count(batches), max(each.last for each in batches), first, last)


def _foreseen(prompt: Prompt, scene: Scene) -> Foreseen | Wrong:
    """Read what the profile asks for; a file that is not there or cannot be used is told at once."""
    profile = clean(prompt.fields[PROFILE], TEXT_MOST)
    if not profile:
        return Wrong(PROFILE, scene.say("orders.load_no_profile"))
    path = found_profile(profile)
    if path is None:
        return Wrong(PROFILE, scene.say("orders.load_no_file", profile=profile))
    try:
        return foreseen(path)
    except InputError as error:
        return Wrong(PROFILE, scene.say("orders.load_bad_file", what=clean(str(error.problems[0]), 300)))


def _wrong_batch(prompt: Prompt, scene: Scene) -> Wrong | None:
    try:
        parse_batches(clean(prompt.fields[BATCH], TEXT_MOST))
    except ValueError as error:
        return Wrong(BATCH, scene.say("orders.load_wrong", what=clean(str(error), 200)))
    return None


def _moment(prompt: Prompt, scene: Scene, at: int) -> Filled | Wrong:
    """Read when the first or the last was filled; the last not before the first."""
    found = circuit_of(prompt, scene)
    if found is None:
        return Wrong(at, scene.say("orders.dead_gone", name=prompt.target))
    filled = filled_of(prompt.fields[at], scene, found[1])
    if filled is None:
        return Wrong(at, scene.say("orders.load_when"))
    first = filled_of(prompt.fields[FIRST], scene, found[1]) if at == LAST else None
    if first is not None and filled.ago_minutes > first.ago_minutes:
        return Wrong(LAST, scene.say("orders.load_swapped"))
    return filled


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
    stated = now.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
    try:
        if stated > now:
            stated -= timedelta(days=1)
        ago_s = (now.astimezone(UTC) - stated.astimezone(UTC)).total_seconds()
    except OverflowError:
        return None
    return Filled(max(0.0, ago_s / 60.0), stated.astimezone(UTC))


def library() -> tuple[str, ...]:
    """The names that the library knows."""
    return tuple(sorted(path.stem for path in LIBRARY.glob("*.toml")))


def lines(prompt: Prompt, scene: Scene) -> list[str]:
    """Return the form as it stands, its present field marked."""
    say = scene.say
    made = []
    for at, (key, text) in enumerate(zip(LABELS, prompt.fields, strict=True)):
        here = at == prompt.at and prompt.stage == "form"
        made.append(f"{'>' if here else ' '} {say(key)} {text}{'_' if here else ''}")
        if here and at == PROFILE and prompt.library:
            made.append(f"    {say('orders.load_library', names=' '.join(prompt.library))}")
        if here and at in prompt.old:
            made.append(f"    {say('orders.load_replaces')}")
    return made


def summary(prompt: Prompt, scene: Scene, circuit: CircuitView) -> list[str]:
    """Return what will be sent, in words, or what is wrong with it."""
    say, read = scene.say, read_form(prompt, scene)
    if isinstance(read, Wrong):
        return [read.what]
    key = "orders.load_continued" if read.args["continued"] else "orders.load_is_fresh"
    asks, found = prompt.foreseen, circuit_of(prompt, scene)
    utc = found[1].utc if found is not None else datetime.fromtimestamp(0, UTC)
    return [
        say("orders.load_summary", profile=prompt.fields[PROFILE].strip(), kind=say(key)),
        ""
        if asks is None
        else say(
            "orders.load_asks",
            name=asks.name, revision=asks.revision, charge=asks.charge_Ah, current=asks.most_A,
            volts=asks.most_V_per_cell,
        ),
        say(
            "orders.load_places",
            batch=str(read.args["batch"]), batteries=read.batteries, last=read.last, places=circuit.places,
        ),
        say(
            "orders.load_filled",
            first=_clock(scene, read.first_filled, utc), first_ago=read.first_filled.ago_minutes,
            last=_clock(scene, read.last_filled, utc), last_ago=read.last_filled.ago_minutes,
        ),
    ]  # fmt: skip


def _clock(scene: Scene, filled: Filled, now: datetime) -> str:
    """A filling on this terminal's clock, with its day where that is not today's."""
    try:
        return moment(scene, filled.utc or now - timedelta(minutes=filled.ago_minutes), now)
    except (OverflowError, ValueError):
        return NO_VALUE
