"""A circuit told in two lines: what it does and why, then how far it is and what comes. Pure."""

from __future__ import annotations

from datetime import datetime

from controller.console.amounts import cooling_ms, ended_ms, ends_utc, finite, step_of
from controller.console.outlook import ENDED, NO_VALUE, clock_at, code_words, hm, of_cell, state_word
from controller.console.picture import AlarmView, CircuitView, Picture, PlanView
from controller.console.row import Row, row, wrapped
from controller.console.scene import BathSeen, Scene, worst

_VERBS = {
    "start": "bath.verb.start",
    "resume": "bath.verb.resume",
    "reset": "bath.verb.reset",
    "unload": "bath.verb.unload",
}
_NEXT = {"idle": "start", "held": "resume", "tripped": "reset", "complete": "unload", "stopped": "unload"}


def sentence(scene: Scene, seen: BathSeen, circuit: CircuitView) -> tuple[str, str]:
    """Return the two lines that stand below a bath's table. They may be longer than the screen is wide."""
    picture, scene = seen.picture, scene.of(seen)
    if picture is None:
        return "", ""
    if not seen.trusted:
        at = clock_at(scene, seen, picture.now_ms, "%H:%M:%S")
        by = f" {circuit.blocked_by}" if circuit.blocked_by else ""
        was = " ".join(filter(None, (state_word(scene, seen, circuit) + by, _amount(scene, picture, circuit))))
        return scene.say("bath.said.old", name=circuit.name, at=at, what=was), ""
    return _does(scene, seen, picture, circuit), " ".join(filter(None, _comes(scene, picture, circuit)))


def told(scene: Scene, seen: BathSeen, circuit: CircuitView, width: int, most: int) -> list[Row]:
    """Return both lines in rows, whole; where `most` rows do not hold the second, it says where the rest is read.

    No caution is ever cut in two.
    """
    first, second = sentence(scene, seen, circuit)
    made = [*wrapped(first, width, "  ", most=most), *wrapped(second, width, "  ", most=1000)]
    if len(made) <= most:
        return made
    return [*wrapped(first, width, "  ", most=max(1, most - 1)), Row(scene.say("bath.said.more"))][:most]


def cause_of(scene: Scene, circuit: CircuitView, code: str | None) -> str:
    """Why: the alarm of that code with value and limit, else its code as words; without a code the worst alarm."""
    found: AlarmView | None = next((each for each in circuit.alarms if each.code == code), None)
    if found is None and code:
        return code_words(scene, code)
    found = found or worst(circuit.alarms)
    return scene.say.alarm(found.code, found.value, found.limit).cause if found is not None else ""


def _does(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """The first line: what the circuit does, or why it does not."""
    say, name = scene.say, circuit.name
    if circuit.blocked_by:
        at = clock_at(scene, seen, circuit.blocked_ms) if circuit.blocked_ms is not None else None
        return f"{say('bath.said.blocked', name=name, by=circuit.blocked_by, at=at)} {say('bath.not_isolation')}"
    if circuit.state == "running":
        return _runs(scene, seen, picture, circuit)
    told = _stands(scene, seen, picture, circuit)
    return told if circuit.confirmed or circuit.state == "unknown" else f"{told} {say('bath.said.unread')}"


def _stands(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """The first line of a circuit without current."""
    say, name, run = scene.say, circuit.name, circuit.run
    since = clock_at(scene, seen, circuit.since_ms)
    if circuit.state == "held":
        steps, step = _steps(picture, circuit), run.step if run is not None else None
        if run is not None and run.held_since_ms is not None:
            since = clock_at(scene, seen, run.held_since_ms)
        cause = cause_of(scene, circuit, run.held_by if run is not None else None)
        return say("bath.said.held", name=name, at=since, n=step, steps=steps, cause=cause or None)
    if circuit.state == "tripped":
        latched = next((each.code for each in circuit.alarms if each.latched), None)
        return say("bath.said.tripped", name=name, at=since, cause=cause_of(scene, circuit, latched) or None)
    if circuit.state == "unknown":
        return say("bath.said.unknown", name=name, link=circuit.link)
    state = state_word(scene, seen, circuit)
    if circuit.state in ENDED:
        at = clock_at(scene, seen, picture.now_ms - ended_ms(picture, circuit))
        return say("bath.said.ended", name=name, state=state, at=at)
    return _idles(scene, seen, circuit, state)


def _idles(scene: Scene, seen: BathSeen, circuit: CircuitView, state: str) -> str:
    """The first line of an idle circuit: free, or what stands in it and when it may start."""
    say, load, plan = scene.say, circuit.load, seen.picture.plan_of(circuit) if seen.picture is not None else None
    if circuit.state != "idle":
        return say("bath.said.other", name=circuit.name, state=state)
    what = row(*of_cell(scene, seen, circuit)).text
    if load is None:
        return say("bath.said.idle", name=circuit.name, what=what)
    profile = profile_words(scene, circuit, plan)
    return say("bath.said.loaded", name=circuit.name, batch=load.batch, n=load.batteries, profile=profile, what=what)


def profile_words(scene: Scene, circuit: CircuitView, plan: PlanView | None) -> str:
    """A loaded profile's name; before that of an engineer's trial stands that it is one."""
    name = plan.name if plan is not None else NO_VALUE
    return scene.say("bath.trial", profile=name) if circuit.load is not None and circuit.load.trial else name


def _runs(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """The first line of a running circuit."""
    say, run, step = scene.say, circuit.run, step_of(picture, circuit)
    if run is None or step is None:
        return say("bath.said.other", name=circuit.name, state=state_word(scene, seen, circuit))
    named = {"name": circuit.name, "step": step.name}
    counted = {**named, "n": step.number, "steps": _steps(picture, circuit)}
    if not circuit.confirmed:
        reads_off = picture.fresh(circuit.output_on) == 0.0
        return say("bath.said.runs_off" if reads_off else "bath.said.runs_unread", **counted)
    if step.order:
        return say("bath.said.task", **counted)
    if not circuit.allowed_percent >= 100.0:  # also where it is no number
        share = _share(circuit)
        alarm = next((each for each in circuit.alarms if each.code == circuit.allowed_code), None)
        cause = cause_of(scene, circuit, circuit.allowed_code)
        if alarm is None:
            return say("bath.said.reduced_plain", **named, percent=share, cause=cause or None)
        at = clock_at(scene, seen, alarm.since_ms)
        return say("bath.said.reduced", **named, percent=share, at=at, cause=cause)
    if run.slow:
        return say("bath.said.slow", **counted)
    if run.restart_left_ms > 0:
        return say("bath.said.restart", **counted, left=hm(run.restart_left_ms))
    return say("bath.said.runs", **counted)


def _comes(scene: Scene, picture: Picture, circuit: CircuitView) -> list[str]:
    """The second line's parts: charge, then what comes next."""
    say, parts = scene.say, [_amount(scene, picture, circuit)]
    if circuit.state == "running" and circuit.run is not None:
        parts.append(_ends(scene, picture, circuit))
    elif circuit.state == "held" and circuit.confirmed and not circuit.blocked_by:
        at = ends_utc(picture, circuit)
        parts.append(say("bath.would_end", at=moment(scene, at, picture.utc)) if at is not None else "")
    elif circuit.state in ENDED:
        left = cooling_ms(picture, circuit)
        if left == 0:
            parts.append(say("bath.cooling_hot", limit=picture.limits.after_run_probe_C))
        elif left is not None:
            parts.append(say("bath.cooling", left=hm(left)))
    verb = _NEXT.get(circuit.state, "")
    if verb in circuit.may and not circuit.blocked_by and not (verb == "start" and circuit.load is None):
        why, word = circuit.may[verb].rstrip("."), say(_VERBS[verb])
        parts.append(say("bath.refused", verb=word, why=why) if why else say("bath.may", verb=word))
    return parts


def _ends(scene: Scene, picture: Picture, circuit: CircuitView) -> str:
    """When the run ends; with a reduced current also when it would at the whole."""
    at = ends_utc(picture, circuit)
    if at is None:
        return scene.say("bath.ends_unknown")
    shown = moment(scene, at, picture.utc)
    whole = ends_utc(picture, circuit, 100.0)
    if circuit.allowed_percent >= 100.0 or whole is None:
        return scene.say("bath.ends", at=shown)
    return scene.say("bath.ends_reduced", at=shown, percent=_share(circuit), whole=moment(scene, whole, at))


def _amount(scene: Scene, picture: Picture, circuit: CircuitView) -> str:
    """Charge done and planned; empty without a run."""
    plan, run = picture.plan_of(circuit), circuit.run
    if run is None or plan is None:
        return ""
    return scene.say("bath.amount", done=finite(run.charge_Ah), planned=finite(plan.planned_Ah))


def _share(circuit: CircuitView) -> int:
    return int(max(0.0, min(100.0, finite(circuit.allowed_percent) or 0.0)))


def _steps(picture: Picture, circuit: CircuitView) -> int | None:
    plan = picture.plan_of(circuit)
    return len(plan.steps) if plan is not None else None


def moment(scene: Scene, at: datetime, beside: datetime) -> str:
    """A moment to come: its time, and its day where that is another than `beside`'s."""
    try:
        own, other = scene.local(at), scene.local(beside)
    except (OverflowError, ValueError):
        return "--"
    return own.strftime("%H:%M" if own.date() == other.date() else "%a %H:%M")
