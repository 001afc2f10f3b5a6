"""The recovery list: after the controller was away, what each open run is, and the answer it waits for. Pure.

Nothing in it acts by itself. Enter opens the dialogue of the answer shown: one typed word for all that may go on
unchanged, the typed name for any other; `x` leaves a circuit held and says so in its record.
"""

from __future__ import annotations

from datetime import timedelta

from controller.console import promptfacts as facts
from controller.console.amounts import finite, step_of
from controller.console.outlook import hm
from controller.console.picture import AwayView, CircuitView, Picture
from controller.console.promptopen import open_prompt
from controller.console.prompttypes import Step, Wanted
from controller.console.recoverystate import Entry, answered, entries, group, length, moment_of, wanted
from controller.console.row import Row, fitted, row, wrapped
from controller.console.scene import BathSeen, Scene

__all__ = ["answered", "entries", "group", "length", "pressed", "rows", "wanted"]

_BEFORE, _COUNTED, _ZERO, _HOT, _ANSWER = 10, 14, 15, 6, 8


def pressed(scene: Scene, key: str, now_s: float) -> Step:
    """Take Enter (the dialogue of the answer shown) or `x` (leave held, with a note)."""
    listed = entries(scene)
    if not listed or key.lower() not in {"enter", "x"}:
        return Step(None)
    if scene.replay:
        return Step(None, said=scene.say("orders.replay"))
    seen, name, _ = listed[_cursor(scene, len(listed))]
    done = answered(scene, seen, name)
    if done:
        return Step(None, said=scene.say("recovery.answered", name=name, answer=done))
    if key.lower() == "x":
        note = scene.say("recovery.left_note")
        return Step(None, (Wanted(seen.name, "note", name, {"text": note}),))
    several = group(scene, seen)
    if name in several:
        return open_prompt("resume all", scene, now_s, bath=seen.name, targets=several)
    return open_prompt("resume", scene, now_s, name, bath=seen.name)


def _cursor(scene: Scene, count: int) -> int:
    return max(0, min(scene.place.cursor, count - 1))


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the list: a head for each bath, a line for each circuit, scrolled so that the selected one is seen."""
    if height <= 0:
        return []
    listed = entries(scene)
    if not listed:
        return [fitted(Row(scene.say("recovery.none")), width)]
    chosen = listed[_cursor(scene, len(listed))]
    wide = max(3, min(12, max(len(name) for _, name, _ in listed)))
    blocks: list[list[Row]] = []
    at = 0
    for seen in scene.baths:
        own = [entry for entry in listed if entry[0] is seen]
        if own:
            blocks.append(_head(scene, seen, wide, width))
        for entry in own:
            if entry is chosen:
                at = len(blocks)
            blocks.append(_line(scene, entry, wide, width, selected=entry is chosen))
    made = _around(scene, blocks, at, height)
    if len(made) < height:
        made.append(Row(scene.say("recovery.keys")))
    return [fitted(each, width) for each in made[:height]]


def _around(scene: Scene, blocks: list[list[Row]], at: int, height: int) -> list[Row]:
    if sum(len(block) for block in blocks) <= height:
        return [one for block in blocks for one in block]
    first, used, room = at, len(blocks[at]), height - 2
    while first > 0 and used + len(blocks[first - 1]) <= room:
        first -= 1
        used += len(blocks[first])
    last = at + 1
    while last < len(blocks) and used + len(blocks[last]) <= room:
        used += len(blocks[last])
        last += 1
    made = [one for block in blocks[first:last] for one in block]
    return [*made[: max(1, height - 1)], Row(scene.say("recovery.hidden", above=first, below=len(blocks) - last))]


def _head(scene: Scene, seen: BathSeen, wide: int, width: int) -> list[Row]:
    """Return when the controller was away, what the bath's inputs say, when orders are taken, and the table's head."""
    picture, say = seen.picture, scene.say
    if picture is None or picture.recovery is None:
        return []
    away = picture.recovery
    gap_s = finite(away.away_s)
    title = say(
        "recovery.title",
        bath=seen.name,
        begin=_clock(scene, away.from_utc),
        end=_clock(scene, away.to_utc),
        gap=_gap(scene, gap_s),
    )
    state = facts.joined((facts.under_hood(scene, seen), facts.water(scene, seen)))
    now = say("recovery.inputs", state=state, orders=_orders_from(scene, seen, picture))
    columns = (
        say("recovery.col_circuit")[: wide + 1].ljust(wide + 1),
        say("recovery.col_before").ljust(_BEFORE),
        say("recovery.col_counted").ljust(_COUNTED),
        say("recovery.col_zero").ljust(_ZERO),
        say("recovery.col_hot").ljust(_HOT),
        say("recovery.col_rule").ljust(_rule_width(wide, width)),
        say("recovery.col_answer"),
    )
    return [*wrapped(title, width, "   ", 2), *wrapped(now, width, "   ", 2), Row("".join(columns))]


def _rule_width(wide: int, width: int) -> int:
    return max(8, width - (wide + 1) - _BEFORE - _COUNTED - _ZERO - _HOT - _ANSWER)


def _orders_from(scene: Scene, seen: BathSeen, picture: Picture) -> str:
    """Return when the first order will be taken: after the purge, if that is not broken again."""
    left_s = finite(picture.purge_left_s)
    if not seen.trusted or left_s is None:
        return scene.say("recovery.orders_unknown")
    if left_s <= 0.0:
        return scene.say("recovery.orders_now")
    try:
        at = scene.local(picture.utc + timedelta(seconds=left_s)).strftime("%H:%M:%S")
    except (OverflowError, ValueError):
        return scene.say("recovery.orders_unknown")
    return scene.say("recovery.orders_after", at=at)


def _gap(scene: Scene, seconds: float | None) -> str:
    if seconds is None:
        return scene.say("recovery.gap_unknown")
    whole = int(max(0.0, min(seconds, 1e9)))
    if whole >= 6000:
        return scene.say("recovery.gap_hours", time=hm(whole * 1000.0))
    return scene.say("recovery.gap", minutes=whole // 60, seconds=whole % 60)


def _clock(scene: Scene, text: str | None) -> str:
    moment = moment_of(text)
    try:
        return scene.local(moment).strftime("%H:%M:%S") if moment is not None else "--"
    except (OverflowError, ValueError):
        return "--"


def _line(scene: Scene, entry: Entry, wide: int, width: int, *, selected: bool) -> list[Row]:
    """Return one circuit; a rule that is longer than its column goes on below."""
    seen, name, away = entry
    picture = seen.picture
    circuit = picture.circuit(name) if picture is not None else None
    short = name if len(name) <= wide else f"{name[: wide - 1]}~"
    before = f"{short:<{wide}}{'>' if selected else ' '}"
    if picture is None or circuit is None:
        return [Row(before + scene.say("recovery.gone"))]
    columns = (
        _step(scene, picture, circuit).ljust(_BEFORE),
        _counted(scene, circuit, away).ljust(_COUNTED),
        _zero(scene, circuit, away).ljust(_ZERO),
        facts.hot(seen, circuit).ljust(_HOT),
    )
    left = before + "".join(columns)
    room = _rule_width(wide, width)
    rule = wrapped(_rule(scene, seen, picture, circuit), room - 1, "", 4)
    first = row(left, rule[0].text.ljust(room), _answer(scene, seen, circuit))
    return [first, *(Row(" " * len(left) + line.text) for line in rule[1:])]


def _step(scene: Scene, picture: Picture, circuit: CircuitView) -> str:
    plan, run = picture.plan_of(circuit), circuit.run
    if plan is None or run is None:
        return "--"
    return scene.say("recovery.step", step=run.step, steps=len(plan.steps))


def _counted(scene: Scene, circuit: CircuitView, away: AwayView) -> str:
    """Return the charge on record, and by how much it is not known."""
    if circuit.run is None:
        return "--"
    unsure = finite(away.unsure_Ah)
    if unsure is None:
        return scene.say("recovery.counted_unsure", charge=circuit.run.charge_Ah)
    return scene.say("recovery.counted", charge=circuit.run.charge_Ah, unsure=unsure)


def _zero(scene: Scene, circuit: CircuitView, away: AwayView) -> str:
    if away.zero_utc:
        return scene.say("recovery.zero_yes", at=_clock(scene, away.zero_utc))
    return scene.say("recovery.zero_not_yet" if circuit.link == "up" else "recovery.zero_no_answer")


def _rule(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """Return what the service would say to a resume now, and how long of what is allowed it has been held."""
    if not seen.trusted:
        return scene.say("recovery.rule_silent")
    why = circuit.may.get("resume")
    if circuit.link != "up":
        return scene.say("recovery.rule_link", link=circuit.link)
    if why is None:
        return scene.say("recovery.rule_state", state=circuit.state)
    if why and not circuit.blocked_by and (finite(picture.purge_left_s) or 0.0) > 0.0:
        # The head says until when; what else may stand against it is said once the purge is over.
        return scene.say("recovery.rule_purge")
    if why:
        return scene.say("recovery.rule_no", why=why)
    run, step = circuit.run, step_of(picture, circuit)
    held = (
        (picture.now_ms - run.held_since_ms) / 60_000.0 if run is not None and run.held_since_ms is not None else None
    )
    limit = step.resume_within_ms / 60_000.0 if step is not None else None
    derate = facts.derate(scene, circuit)
    if derate:
        return scene.say("recovery.rule_derated", derate=derate, held=held, limit=limit)
    return scene.say("recovery.rule_may", held=held, limit=limit)


def _answer(scene: Scene, seen: BathSeen, circuit: CircuitView) -> str:
    """Return the answer that is waited for: what to type, or what else to do; or the one that was given."""
    done = answered(scene, seen, circuit.name)
    if done:
        return done
    several = group(scene, seen)
    if circuit.name in several:
        return f"{seen.name} {len(several)}"
    if circuit.blocked_by:
        return "-"
    if seen.trusted and circuit.may.get("resume") == "":
        return circuit.name.lower()
    return scene.say("recovery.look" if circuit.link != "up" or not circuit.confirmed else "recovery.wait")
