"""What a whole typed line does to an open dialogue: the plain console's answers. Pure.

A line is one answer, never a row of keys: it is a name, a text, a field, or the plain yes that Enter is on the screen.
"""

from __future__ import annotations

from dataclasses import replace

from controller.console import loadform, prompt
from controller.console.prompttypes import ENERGY, TEXT_MOST, TEXT_STAGES, Prompt, Step
from controller.console.scene import Scene
from controller.service.protocol import clean

NAMED_STAGES = frozenset({"told", "name", "end"})
LOOK_S = 0.5
"""An answer that can let current flow comes at least so long after its question: nobody reads faster."""

_YES = frozenset({"", "yes"})


def too_soon(given: Prompt, asked_s: float, read_s: float) -> bool:
    """Whether an answer was in the input before its question could be read (a paste). Times of the same clock."""
    return given.kind in ENERGY and given.stage in NAMED_STAGES and read_s - asked_s < LOOK_S


def answered(given: Prompt, line: str, scene: Scene, now_s: float) -> Step:
    """Take a line as the answer; one that is none changes nothing and says what would be."""
    said = line.strip()
    if given.stage in NAMED_STAGES:
        return prompt.pressed(replace(given, typed=said), "enter", scene, now_s)
    if given.stage in TEXT_STAGES:
        return prompt.pressed(replace(given, typed=clean(said, TEXT_MOST)), "enter", scene, now_s)
    if given.stage == "form":
        why = prompt.expired(given, scene, now_s)
        return Step(None, said=why) if why else loadform.typed(replace(given, touched_s=now_s), line, scene)
    word = said.lower()
    if word in _YES:
        return prompt.pressed(given, "enter", scene, now_s)
    if given.kind == "hold" and given.stage == "ask" and word in {"e", "b"}:
        return prompt.pressed(given, word, scene, now_s)
    if given.stage == "summary" and word == "up":
        return prompt.pressed(given, "up", scene, now_s)
    return Step(given, said=scene.say("plain.yes_or_cancel"))
