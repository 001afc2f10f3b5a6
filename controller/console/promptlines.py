"""How a dialogue looks: its sentences, who else has it open, and the line that is typed in. Pure."""

from __future__ import annotations

from controller.console.amounts import finite
from controller.console.prompttypes import Prompt
from controller.console.promptwords import texts
from controller.console.row import Row, fitted, wrapped
from controller.console.scene import Scene

BLOCKED = "BLOCKED"


def rows(prompt: Prompt, scene: Scene, width: int, most: int) -> list[Row]:
    """Return the dialogue in at most `most` rows; where they are too few, its first line and its last ones stay."""
    if most <= 0:
        return []
    above = [made for text in texts(prompt, scene) for made in wrapped(text, width, "   ", 20)]
    below = [made for text in _presence(prompt, scene) for made in wrapped(text, width, "   ", 2)]
    below += _typed(prompt, scene, width)
    if len(above) + len(below) > most:
        below = below[-most:] if len(below) >= most else below
        room = most - len(below)
        above = [_cut(above[0], width), *above[len(above) - (room - 1) :]] if room > 1 else above[:room]
    return [_marked(fitted(made, width)) for made in (*above, *below)][:most]


def _cut(one: Row, width: int) -> Row:
    """Return a line with the sign that rows below it are left out."""
    return Row(f"{one.text[: max(0, width - 2)]} ~")


def _marked(one: Row) -> Row:
    """Give the word of a block its colour."""
    at = one.text.find(BLOCKED)
    return Row(one.text, ((at, at + len(BLOCKED), "waits"),)) if at >= 0 else one


def _presence(prompt: Prompt, scene: Scene) -> list[str]:
    """Who else has this dialogue open. This console's own one is told by its name at the service."""
    seen = scene.bath(prompt.bath)
    if seen is None or seen.picture is None or not prompt.verb:
        return []
    targets = {prompt.target, *prompt.targets}
    return [
        scene.say("orders.presence", who=other.who, age=int(finite(other.age_s) or 0.0))
        for other in seen.picture.prompts
        if other.verb == prompt.verb
        and other.target in targets
        and (not other.console or other.console != seen.console)
    ][:3]


def _typed(prompt: Prompt, scene: Scene, width: int) -> list[Row]:
    """The line that is typed in, its end always in sight."""
    say = scene.say
    where = "replay.type_time" if scene.replay else "orders.type_goal"
    asks = {
        "told": ("orders.type_told", prompt.neighbours[0] if prompt.neighbours else "--"),
        "name": ("orders.type_name", prompt.phrase.lower()),
        "end": ("orders.type_end", prompt.phrase.lower()),
        "reason": ("orders.type_why_unblock" if prompt.kind == "unblock" else "orders.type_reason", ""),
        "text": (where if prompt.kind == "go" else "orders.type_text", ""),
    }
    if prompt.stage not in asks:
        return []
    key, name = asks[prompt.stage]
    asked = wrapped(say(key, name=name.lower(), told=name, verb=prompt.kind), width - 2, "   ", 3)
    line = f"{asked[-1].text} {prompt.typed}_"
    if len(line) <= width:
        return [*asked[:-1], Row(line)]
    tail = prompt.typed[-(width - 4) :] if width > 4 else ""
    cut = ".." if len(tail) < len(prompt.typed) else ""
    return [*asked, Row(f"{cut}{tail}_")]
