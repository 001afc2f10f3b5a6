"""What a dialogue says above the line that is typed: what the order does, what stands around it, its cautions. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller.console import loadform
from controller.console import promptfacts as facts
from controller.console.amounts import step_of
from controller.console.outlook import hm, state_word
from controller.console.picture import CircuitView, Picture
from controller.console.prompttypes import Prompt, at_rest, circuit_of, has_no_run
from controller.console.scene import BathSeen, Scene

MOST_NAMES = 12


@dataclass(frozen=True, slots=True)
class _About:
    """A dialogue about one circuit, as that stands now."""

    prompt: Prompt
    scene: Scene
    seen: BathSeen
    picture: Picture
    circuit: CircuitView

    @property
    def name(self) -> str:
        """The circuit as a title names it."""
        return named(self.scene, self.circuit.name, self.seen.name)


def named(scene: Scene, name: str, bath: str) -> str:
    """A circuit's name, with its bath where more than one is attached."""
    return scene.say("orders.of_bath", name=name, bath=bath) if len(scene.baths) > 1 else name


def texts(prompt: Prompt, scene: Scene) -> list[str]:
    """Return the dialogue's sentences, the first of them its title."""
    found = circuit_of(prompt, scene)
    if len(prompt.targets) > 1:
        return _several(prompt, scene)
    maker = _MAKERS.get(prompt.kind)
    if maker is None or found is None:
        return _plain(prompt, scene)
    return [text for text in maker(_About(prompt, scene, *found)) if text]


def _plain(prompt: Prompt, scene: Scene) -> list[str]:
    """A dialogue that is about no circuit, or about one that is not seen any more."""
    say, seen = scene.say, scene.bath(prompt.bath)
    own = seen is not None and seen.picture is not None and seen.picture.bath == prompt.target
    name = prompt.bath if own else prompt.target
    if prompt.kind == "hold":
        return [_hold_line(prompt, scene)]
    if prompt.kind == "reset":
        return [say("orders.title_reset_bath", name=name), say("orders.reset_does")]
    titles = {"note": "orders.title_note", "go": "orders.title_go", "find": "orders.title_find"}
    key = "replay.title_go" if prompt.kind == "go" and scene.replay else titles.get(prompt.kind)
    return [say(key, name=name) if key is not None else say("orders.dead_gone", name=name)]


def _hold_line(prompt: Prompt, scene: Scene) -> str:
    say, name = scene.say, named(scene, prompt.target, prompt.bath)
    if prompt.stage == "end":
        return say("orders.title_end", name=name)
    if prompt.stage != "ask":
        return say("orders.title_hold_bath", bath=prompt.bath)
    found = circuit_of(prompt, scene)
    first = say("orders.title_hold", name=name)
    if found is not None and at_rest(found[0], found[2]):
        first = say("orders.title_at_rest", name=name, state=state_word(scene, found[0], found[2]))
    end = "" if has_no_run(prompt, scene) else say("orders.hold_end")
    return facts.joined((first, end, say("orders.hold_bath", bath=prompt.bath)), "   ")


def _hold(about: _About) -> list[str]:
    reached = about.seen.trusted and about.circuit.link == "up"
    return [_hold_line(about.prompt, about.scene), "" if reached else about.scene.say("orders.hold_unreached")]


def _block(about: _About) -> list[str]:
    seen = about.seen
    circuit = about.circuit
    say = about.scene.say
    running = circuit.state == "running"
    return [
        say("orders.title_block", name=about.name, state=state_word(about.scene, seen, circuit)),
        say("orders.block_does_held" if running else "orders.block_does"),
        "" if circuit.confirmed and seen.trusted else say("orders.block_unsure"),
        say("orders.block_until", who=seen.who or say("orders.you")),
        say("orders.block_caution"),
        say("orders.block_keys"),
    ]


def _unblock(about: _About) -> list[str]:
    picture = about.picture
    circuit = about.circuit
    since = hm(picture.now_ms - circuit.blocked_ms) if circuit.blocked_ms else "--"
    return [
        about.scene.say("orders.title_unblock", name=about.name, who=circuit.blocked_by or "--", since=since),
        about.scene.say("orders.unblock_does"),
    ]


def _reset(about: _About) -> list[str]:
    circuit = about.circuit
    latched = (
        (about.scene.say.alarm(each.code, each.value, each.limit).cause) for each in circuit.alarms if each.latched
    )
    return [
        about.scene.say("orders.title_reset", name=about.name, cause=facts.joined(latched, "; ")),
        facts.looks_open(about.scene, about.seen, circuit),
        about.scene.say("orders.reset_does"),
    ]


def _resume(about: _About) -> list[str]:
    seen = about.seen
    picture = about.picture
    circuit = about.circuit
    why = facts.cause(about.scene, seen, picture, circuit)
    head = facts.joined((facts.held(about.scene, picture, circuit), why), "; ")
    return [
        about.scene.say("orders.title_resume", name=about.name, what=head),
        facts.looks_open(about.scene, seen, circuit),
        about.scene.say("orders.now", hood=facts.under_hood(about.scene, seen), hot=facts.hot(seen, circuit)),
        facts.who_is_blocked(about.scene, picture, about.prompt.targets),
        facts.resume_flow(about.scene, seen, circuit),
        circuit.may.get("resume", "") if about.prompt.stage == "reason" else "",
    ]


def _start(about: _About) -> list[str]:
    seen = about.seen
    picture = about.picture
    circuit = about.circuit
    plan, load = picture.plan_of(circuit), circuit.load
    return [
        about.scene.say(
            "orders.title_start",
            name=about.name,
            profile=plan.name if plan is not None else "--",
            batch=load.batch if load is not None else "--",
            batteries=load.batteries if load is not None else None,
        ),
        about.scene.say("orders.now", hood=facts.under_hood(about.scene, seen), hot=facts.hot(seen, circuit)),
        facts.start_flow(about.scene, plan),
        facts.people_needed(about.scene, plan),
        facts.who_is_blocked(about.scene, picture, about.prompt.targets),
        circuit.may.get("start", "") if about.prompt.stage == "reason" else "",
    ]


def _done(about: _About) -> list[str]:
    picture = about.picture
    circuit = about.circuit
    step = step_of(picture, circuit)
    plan = picture.plan_of(circuit)
    following = next((each for each in plan.steps if step and each.number > step.number), None) if plan else None
    task = (step.task or step.name) if step is not None else "--"
    after = facts.amount(about.scene, following) if following is not None else about.scene.say("orders.flow_end")
    return [
        about.scene.say(
            "orders.title_done", name=about.name, task=task, step=step.number if step is not None else None
        ),
        about.scene.say("orders.done_then", what=after),
    ]


def _unload(about: _About) -> list[str]:
    picture = about.picture
    circuit = about.circuit
    run, batch = circuit.run, circuit.load.batch if circuit.load is not None else "--"
    ago = hm(picture.now_ms - run.end_ms) if run is not None and run.end_ms is not None else None
    return [
        about.scene.say("orders.title_unload", name=about.name, batch=batch),
        about.scene.say("orders.unload_last", ago=ago) if ago is not None else about.scene.say("orders.unload_never"),
        about.scene.say("orders.unload_caution"),
        circuit.may.get("unload", "") if about.prompt.stage == "reason" else about.scene.say("orders.unload_keys"),
    ]


def _load(about: _About) -> list[str]:
    circuit = about.circuit
    title = about.scene.say("orders.title_load", name=about.name, places=circuit.places)
    if about.prompt.stage == "summary":
        return [title, *loadform.summary(about.prompt, about.scene, circuit), about.scene.say("orders.load_sends")]
    return [title, *loadform.lines(about.prompt, about.scene), about.scene.say("orders.load_keys")]


def _note(about: _About) -> list[str]:
    return [about.scene.say("orders.title_note", name=about.name)]


def _refuse(about: _About) -> list[str]:
    items = about.picture.start_items
    item = items[about.prompt.item - 1] if 1 <= about.prompt.item <= len(items) else "--"
    return [about.scene.say("orders.title_refuse", name=about.name, n=about.prompt.item, item=item)]


_MAKERS: dict[str, Callable[[_About], list[str]]] = {
    "hold": _hold, "block": _block, "unblock": _unblock, "reset": _reset, "resume": _resume, "start": _start,
    "done": _done, "unload": _unload, "load": _load, "note": _note, "refuse": _refuse,
}  # fmt: skip


def _several(prompt: Prompt, scene: Scene) -> list[str]:
    """Several circuits of one bath: their names, what flows in the first of each profile, who is blocked."""
    seen = scene.bath(prompt.bath)
    if seen is None or seen.picture is None:
        return [scene.say("orders.dead_gone", name=prompt.bath)]
    picture = seen.picture
    names = " ".join(prompt.targets[:MOST_NAMES]) + (" ..." if len(prompt.targets) > MOST_NAMES else "")
    key = "orders.title_start_many" if prompt.kind == "start" else "orders.title_resume_many"
    texts = [scene.say(key, bath=prompt.bath, n=len(prompt.targets), names=names), facts.under_hood(scene, seen)]
    circuits = [picture.circuit(name) for name in prompt.targets]
    texts += [facts.looks_open(scene, seen, each) for each in circuits if each is not None]
    texts += [_unproved(scene, each) for each in circuits if each is not None and prompt.kind == "resume"]
    told: set[str] = set()
    for each in circuits:
        plan_key = each.load.plan if each is not None and each.load is not None else ""
        if each is None or plan_key in told:
            continue
        told.add(plan_key)
        starts = prompt.kind == "start"
        flow = facts.start_flow(scene, picture.plan_of(each)) if starts else facts.resume_flow(scene, seen, each)
        texts.append(scene.say("orders.each_flows", name=each.name, what=flow))
        if starts:
            texts.append(facts.people_needed(scene, picture.plan_of(each)))
    return [text for text in (*texts, facts.who_is_blocked(scene, picture, prompt.targets)) if text]


def _unproved(scene: Scene, circuit: CircuitView) -> str:
    """Why one of several stands held, where no current means that nothing is proved."""
    code = circuit.run.held_by if circuit.run is not None else None
    if code not in facts.UNSHOWN:
        return ""
    why = scene.say("orders.cause_unproved", cause=(code or "").replace("_", " "))
    return scene.say("orders.each_flows", name=circuit.name, what=why)
