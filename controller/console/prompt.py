"""The dialogues in which orders are given: pure state machines of keys, bursts and time.

Nothing that can let current flow comes of one key, nor of one key and Enter: its dialogue ends in a name that is typed
letter by letter, it takes no paste, and it dies when it is left alone or when its circuit changes. Zero current (hold)
and a block need one Enter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from controller.console import loadform
from controller.console.promptlines import rows
from controller.console.promptopen import open_prompt
from controller.console.prompttypes import (
    ENERGY,
    LIFE_S,
    NAME_MOST,
    TEXT_MOST,
    TEXT_STAGES,
    Prompt,
    Scalar,
    Step,
    Wanted,
    has_no_run,
    same,
    what_stands,
)
from controller.console.scene import Scene
from controller.service.protocol import clean

__all__ = ["Prompt", "Step", "Wanted", "burst", "expired", "open_prompt", "pressed", "reopened", "rows", "takes_text"]


def takes_text(prompt: Prompt) -> bool:
    """Whether the letter S belongs to what is being typed here; elsewhere it arms the hold.

    A typed name takes it only where the name goes on with it.
    """
    if prompt.stage in TEXT_STAGES:
        return True
    if prompt.stage == "form":
        return prompt.at != loadform.FRESH
    if prompt.stage in {"told", "name", "end"}:
        return _next_letter(prompt) == "s"
    return False


def _next_letter(prompt: Prompt) -> str:
    """The letter that the wanted name has behind what was typed of it, empty where another was typed."""
    wanted, typed = _wanted_name(prompt).casefold(), prompt.typed.casefold()
    return wanted[len(typed) : len(typed) + 1] if wanted.startswith(typed) else ""


def _wanted_name(prompt: Prompt) -> str:
    return prompt.neighbours[0] if prompt.stage == "told" and prompt.neighbours else prompt.phrase


def expired(prompt: Prompt, scene: Scene, now_s: float) -> str:
    """Return why the dialogue is void, empty while it lives.

    A typed name is waited for 60 s from the last key; one that can let current flow ends with any change, too.
    """
    say = scene.say
    if prompt.kind not in ENERGY and prompt.stage != "end":
        return ""
    if now_s - prompt.touched_s >= LIFE_S:
        return say("orders.dead_time", kind=prompt.kind, target=prompt.target)
    if prompt.kind not in ENERGY:
        return ""
    seen = scene.bath(prompt.bath)
    if seen is None or seen.picture is None or not seen.trusted:
        return say("orders.dead_silent", bath=prompt.bath)
    if what_stands(seen.picture, prompt.targets) != prompt.seen:
        return say("orders.dead_changed", kind=prompt.kind, target=prompt.target)
    return ""


def pressed(prompt: Prompt, key: str, scene: Scene, now_s: float) -> Step:
    """Take one key; Esc leaves everything as it is. Keys are named as the terminal names them: `a`, `enter`, `esc`."""
    if key == "esc":
        return Step(None)
    why = expired(prompt, scene, now_s)
    if why:
        return Step(None, said=why)
    prompt = replace(prompt, touched_s=now_s)
    return _STAGES[prompt.stage](prompt, key, scene)


def reopened(prompt: Prompt, draft: Prompt) -> Prompt:
    """Return a dialogue just opened with the unsent text of one before: a form at its first field."""
    if prompt.stage == "form":
        return loadform.reopened(prompt, draft)
    return replace(prompt, typed=draft.typed)


def burst(prompt: Prompt, text: str, scene: Scene, now_s: float) -> Step:
    """Take letters that came together (a paste, a scanner): free text takes them, a typed confirmation never does."""
    why = expired(prompt, scene, now_s)
    if why:
        return Step(None, said=why)
    if prompt.stage == "form":
        return loadform.burst(replace(prompt, touched_s=now_s), text, scene)
    if prompt.stage in TEXT_STAGES:
        apart = " " if prompt.typed and not prompt.typed.endswith(" ") else ""
        return Step(replace(prompt, typed=clean(prompt.typed + apart + text, TEXT_MOST), touched_s=now_s))
    return Step(prompt, said=scene.say("orders.pasted", n=len(text)))


def _ask(prompt: Prompt, key: str, scene: Scene) -> Step:
    """Hold, block, unload without a reason: Enter sends; under hold `e` ends the run, `b` holds the bath."""
    if prompt.kind == "hold" and key in {"e", "E"}:
        if has_no_run(prompt, scene):
            return Step(prompt, said=scene.say("orders.no_run", name=prompt.target))
        return Step(replace(prompt, stage="end", typed=""))
    if prompt.kind == "hold" and key in {"b", "B"}:
        return Step(replace(prompt, stage="bath"))
    if key != "enter":
        return Step(prompt)
    revision = prompt.revisions[0] if prompt.kind == "unload" and prompt.revisions else None
    return Step(None, (Wanted(prompt.bath, prompt.kind, prompt.target, seen_revision=revision),))


def _bath(prompt: Prompt, key: str, scene: Scene) -> Step:
    if key != "enter":
        return Step(prompt)
    seen = scene.bath(prompt.bath)
    name = seen.picture.bath if seen is not None and seen.picture is not None else prompt.bath
    return Step(None, (Wanted(prompt.bath, "hold", name),))


def _typing(prompt: Prompt, key: str, most: int) -> Prompt:
    """Return the dialogue with one more letter, or one less."""
    if key == "backspace":
        return replace(prompt, typed=prompt.typed[:-1])
    if len(key) == 1 and key.isprintable():
        return replace(prompt, typed=(prompt.typed + key)[:most])
    return prompt


def _told(prompt: Prompt, key: str, scene: Scene) -> Step:
    """Name each blocked circuit under the same hood whose person was told, then on to the circuit's own name."""
    if key != "enter":
        return Step(_typing(prompt, key, NAME_MOST))
    if not prompt.neighbours:
        return Step(replace(prompt, stage="name", typed=""))
    first, *rest = prompt.neighbours
    if not same(prompt.typed, first):
        return _wrong(prompt, first, scene)
    told = replace(prompt, typed="", told=(*prompt.told, first), neighbours=tuple(rest))
    return Step(told if rest else replace(told, stage="name"))


def _wrong(prompt: Prompt, wanted: str, scene: Scene) -> Step:
    typed = clean(prompt.typed, NAME_MOST)
    said = scene.say("orders.wrong_name", typed=typed, wanted=wanted) if typed else scene.say(
        "orders.no_name", wanted=wanted
    )  # fmt: skip
    return Step(replace(prompt, typed=""), said=said)


def _name(prompt: Prompt, key: str, scene: Scene) -> Step:
    """The typed name, and nothing shorter, sends the order."""
    if key != "enter":
        return Step(_typing(prompt, key, NAME_MOST))
    if not same(prompt.typed, prompt.phrase):
        return _wrong(prompt, prompt.phrase, scene)
    args: dict[str, Scalar] = {}
    if prompt.told:
        args["told"] = " ".join(prompt.told)
    if prompt.reason:
        args["reason"] = prompt.reason
    if prompt.step is not None:
        args["step"] = prompt.step
    return Step(
        None,
        tuple(
            Wanted(prompt.bath, prompt.kind, name, dict(args), revision)
            for name, revision in zip(prompt.targets, prompt.revisions, strict=True)
        ),
    )


def _end(prompt: Prompt, key: str, scene: Scene) -> Step:
    """An ended run cannot go on: its name is typed."""
    if key != "enter":
        return Step(_typing(prompt, key, NAME_MOST))
    if not same(prompt.typed, prompt.phrase):
        return _wrong(prompt, prompt.phrase, scene)
    return Step(None, (Wanted(prompt.bath, "stop", prompt.target),))


def _reason(prompt: Prompt, key: str, scene: Scene) -> Step:
    """The reason that an order is taken with; where current can flow by it the names come after."""
    if key != "enter":
        return Step(_typing(prompt, key, TEXT_MOST))
    reason = clean(prompt.typed, TEXT_MOST)
    if not reason:
        return Step(replace(prompt, typed=""), said=scene.say("orders.no_reason"))
    if prompt.kind in ENERGY:
        return Step(replace(prompt, reason=reason, typed="", stage="told" if prompt.neighbours else "name"))
    args: dict[str, Scalar] = {"reason": reason}
    if prompt.kind == "refuse":
        args = {"item": prompt.item, "ok": False, "reason": reason}
    return Step(None, (Wanted(prompt.bath, prompt.verb, prompt.target, args, prompt.revisions[0]),))


def _text(prompt: Prompt, key: str, scene: Scene) -> Step:
    """A note, or what to look for."""
    if key != "enter":
        return Step(_typing(prompt, key, TEXT_MOST))
    text = clean(prompt.typed, TEXT_MOST)
    if prompt.kind in {"go", "find"}:
        return Step(None, find=text) if text or prompt.kind == "find" else Step(None)
    if not text:
        return Step(prompt, said=scene.say("orders.no_text"))
    return Step(None, (Wanted(prompt.bath, "note", prompt.target, {"text": text}),))


def _form(prompt: Prompt, key: str, scene: Scene) -> Step:
    return loadform.pressed(prompt, key, scene)


def _summary(prompt: Prompt, key: str, scene: Scene) -> Step:
    if key in {"up", "backspace"}:
        return Step(replace(prompt, stage="form"))
    return loadform.send(prompt, scene) if key == "enter" else Step(prompt)


_STAGES: dict[str, Callable[[Prompt, str, Scene], Step]] = {
    "ask": _ask,
    "bath": _bath,
    "told": _told,
    "name": _name,
    "end": _end,
    "reason": _reason,
    "text": _text,
    "form": _form,
    "summary": _summary,
}
