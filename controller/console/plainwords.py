"""The plain console's lines: what a typed line asks for, what changed, and what stands. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from controller.console import alarms, alarmwords, outlook, recovery, starts
from controller.console.answers import NAMED_STAGES
from controller.console.picture import AlarmView, CircuitView, Picture
from controller.console.prompt import Prompt, Step, Wanted, open_prompt
from controller.console.prompt import rows as prompt_rows
from controller.console.prompttypes import TEXT_STAGES
from controller.console.row import wrapped
from controller.console.scene import BathSeen, Place, Scene, mark_of
from controller.console.sentence import sentence

ORDERS = ("hold", "stop", "block", "unblock", "reset", "start", "resume", "done", "load", "unload", "note")
IN_REPLAY = ("next", "previous", "go")
"""What moves in a replay's time; its own help tells of them."""

OTHERS = (
    "status", "alarms", "acknowledge", "list", "tick", "recovery", "help", "faster", "slower", "pause", *IN_REPLAY,
)  # fmt: skip
WITH_CIRCUIT = frozenset({*ORDERS, "list", "tick", "acknowledge"})
WIDTH = 200
MOST_COLUMNS = 10_000
"""Room for any sentence whole, before it is set into lines."""


@dataclass(frozen=True, slots=True)
class Line:
    """One printed line: time, circuit or bath, then the text, which begins with its kind."""

    at: str
    who: str
    text: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What a typed line asks for; `said`: why it asks for nothing. `target`: a circuit, empty: the whole bath."""

    word: str = ""
    target: str = ""
    rest: str = ""
    said: str = ""
    bath: str = ""

    def place(self, old: Place) -> Place:
        """The place with what was named as selection."""
        return replace(old, bath=self.bath or old.bath, circuit=self.target if self.bath else old.circuit)


OF_BATH = {"hold": "hold", "note": "note bath", "reset": "reset bath", "start": "start all", "resume": "resume all"}
"""What an order about a whole bath opens; the others are for one circuit."""


def opened(scene: Scene, asked: Asked, now_s: float) -> Step:
    """Open the dialogue of an order about the circuit, or about the bath, that was named."""
    if asked.target:
        kind = "hold" if asked.word == "stop" else asked.word
        return open_prompt(kind, scene, now_s, asked.target, bath=asked.bath)
    if asked.word not in OF_BATH:
        return Step(None, said=scene.say("plain.not_a_bath", word=asked.word, bath=asked.bath))
    return open_prompt(OF_BATH[asked.word], scene, now_s, bath=asked.bath)


SWAPS = (
    ("orders.load_keys", "plain.load_keys"), ("orders.load_sends", "plain.load_sends"), ("plain.esc", "plain.cancel"),
)  # fmt: skip
"""Words about keys of the screen, and what is said instead where lines are typed."""


def question(given: Prompt, scene: Scene) -> list[Line]:
    """Return an open dialogue as lines, and how it is answered."""
    made: list[Line] = []
    for row in prompt_rows(given, scene, MOST_COLUMNS, 100):
        text = row.text
        for screen, plain in SWAPS:
            text = text.replace(scene.say(screen), scene.say(plain))
        made += [Line("", "", one.text) for one in wrapped(text, 100, "   ", 100)]
    by_text = given.stage in {*NAMED_STAGES, *TEXT_STAGES, "form"}
    return [*made, Line("", "", scene.say("plain.how_text" if by_text else "plain.how"))]


def parse(line: str, scene: Scene) -> Asked:
    """Return what a line asks for: a word, then the name of a circuit or bath, then what belongs to it.

    Where several baths have such a circuit its bath is named too: `hold A/X01` or `hold A X01`.
    """
    word, _, more = line.strip().partition(" ")
    word = word.lower()
    if not word:
        return Asked("status")
    if word not in {*ORDERS, *OTHERS}:
        return Asked(said=scene.say("plain.unknown", word=word[:40]))
    more = more.strip()
    if word == "go":
        return Asked(word, rest=more)
    name = more.partition(" ")[0]
    length, found = _named(scene, more)
    if len(found) > 1:
        choices = ", ".join(f"{word} {bath}/{circuit}" if circuit else f"{word} {bath}" for bath, circuit in found)
        return Asked(said=scene.say("plain.which", name=more[:length], choices=choices))
    if found:
        bath, circuit = found[0]
        return Asked(word, circuit, more[length:].strip(), bath=bath)
    if name or word in WITH_CIRCUIT:
        return Asked(said=scene.say("plain.no_name", word=word, name=name[:40] or "?"))
    return Asked(word)


def _named(scene: Scene, text: str) -> tuple[int, list[tuple[str, str]]]:
    """Return the circuits and baths, as (bath, circuit), by whose name the text begins, and that name's length.

    The longest name counts: a bath's may hold blanks, and be followed by a circuit's.
    """
    said = f"{text.lower()} "
    known: list[tuple[tuple[str, ...], tuple[str, str]]] = [
        ((each.name, f"{seen.name}/{each.name}", f"{seen.name} {each.name}"), (seen.name, each.name))
        for seen, each in scene.circuits()
    ]
    known += [((seen.name,), (seen.name, "")) for seen in scene.baths]
    fits = [(len(name), one) for names, one in known for name in names if name and said.startswith(f"{name.lower()} ")]
    longest = max((length for length, _ in fits), default=0)
    return longest, [found for length, found in fits if length == longest]


def who(scene: Scene, seen: BathSeen, target: str) -> str:
    """Of whom a line tells: a circuit with its bath where more than one is attached, or the bath."""
    if seen.picture is not None and target == seen.picture.bath:
        return seen.name
    return f"{seen.name}/{target}" if len(scene.baths) > 1 else target


def at_now(scene: Scene, seen: BathSeen | None) -> str:
    """The time of a bath's last cycle, as this terminal's clock shows it."""
    if seen is None or seen.picture is None:
        return "--:--:--"
    return f"{scene.local(seen.picture.utc):%H:%M:%S}"


def trust(scene: Scene, seen: BathSeen) -> Line:
    """A service that went silent or came back."""
    key = "plain.answers" if seen.trusted else "plain.silent"
    return Line(at_now(scene, seen), seen.name, scene.say(key, bath=seen.name, since=at_now(scene, seen)))


def changes(scene: Scene, seen: BathSeen, old: Picture | None) -> list[Line]:
    """What is new in a bath since the picture before; the first one tells what is not quiet."""
    picture = seen.picture
    if picture is None:
        return []
    at, say = at_now(scene, seen), scene.say
    lines: list[Line] = _replayed(scene, seen, old)
    purging, purged = (picture.purge_left_s or 0) > 0, old is not None and (old.purge_left_s or 0) > 0
    if old is not None and purging != purged:
        lines.append(Line(at, seen.name, say("plain.purging" if purging else "plain.purged")))
    if picture.record_trouble and (old is None or old.record_trouble != picture.record_trouble):
        lines.append(Line(at, seen.name, say("plain.record", why=picture.record_trouble)))
    before = {each.name: each for each in old.circuits} if old is not None else {}
    lines += _alarms(scene, seen, picture.alarms, old.alarms if old is not None else ())
    for each in picture.circuits:
        lines += _circuit(scene, seen, each, before.get(each.name))
    return lines


def _replayed(scene: Scene, seen: BathSeen, old: Picture | None) -> list[Line]:
    """What is new of a replay: what its record lacks, whose decisions they are, its end."""
    now = seen.picture.replay if seen.picture is not None else None
    if now is None:
        return []
    at, say = at_now(scene, seen), scene.say
    before = old.replay if old is not None else None
    known = before.problems if before is not None else ()
    date, was = (f"{scene.local(each.utc):%Y-%m-%d}" if each is not None else "" for each in (seen.picture, old))
    texts = [say("replay.of", name=now.name or None, date=date)] if before is None else []
    texts += [say("replay.date", date=date)] if was and was != date else []
    texts += [say("replay.problem", what=each) for each in now.problems if each not in known]
    if now.more_problems and (before is None or before.more_problems != now.more_problems):
        texts.append(say("replay.more_problems", n=now.more_problems))
    if now.core != now.shown_by and before is None:
        texts.append(say("replay.other_core", core=now.core, now=now.shown_by))
    if not now.decided and (before is None or before.decided):
        texts.append(say("replay.rows"))
    return [Line(at, seen.name, text) for text in texts]


def _circuit(scene: Scene, seen: BathSeen, now: CircuitView, old: CircuitView | None) -> list[Line]:
    at, named = at_now(scene, seen), who(scene, seen, now.name)
    lines = _alarms(scene, seen, now.alarms, old.alarms if old is not None else ())
    if old is None:
        return [Line(at, named, _state(scene, seen, now)), *lines]
    if (old.state, old.confirmed, old.blocked_by) != (now.state, now.confirmed, now.blocked_by):
        lines.append(Line(at, named, _state(scene, seen, now)))
    if now.run is not None and old.run is not None and now.run.step != old.run.step:
        step = outlook.step_of(seen.picture, now) if seen.picture is not None else None
        name = step.name if step is not None else ""
        lines.append(Line(at, named, scene.say("plain.step", step=now.run.step, name=name)))
    if int(now.allowed_percent) // 10 != int(old.allowed_percent) // 10:
        lines.append(Line(at, named, scene.say("plain.allowed", percent=int(now.allowed_percent))))
    return lines


def _state(scene: Scene, seen: BathSeen, each: CircuitView) -> str:
    by = f" {each.blocked_by}" if each.blocked_by else ""
    waits = outlook.runs_word(scene, seen, each) if not each.blocked_by else ""
    state = scene.say("plain.state", state=outlook.state_word(scene, seen, each) + by)
    return f"{state}, {scene.of(seen).say('plain.waits', what=waits)}" if waits else state


def _alarms(scene: Scene, seen: BathSeen, now: tuple[AlarmView, ...], old: tuple[AlarmView, ...]) -> list[Line]:
    """New, acknowledged and returned alarms, with what to do; one that left is said to be gone."""
    before = {alarm.code: alarm for alarm in old}
    lines: list[Line] = []
    for alarm in now:
        known = before.pop(alarm.code, None)
        if known is None or _life(known) != _life(alarm) or known.since_ms != alarm.since_ms:
            lines += alarm_lines(scene, seen, alarm)
    for gone in before.values():
        words = scene.say.alarm(gone.code, gone.value, gone.limit)
        named = who(scene, seen, gone.target)
        lines.append(Line(at_now(scene, seen), named, scene.say("plain.gone", cause=words.cause)))
    return lines


def alarm_lines(scene: Scene, seen: BathSeen, alarm: AlarmView) -> list[Line]:
    """An alarm in full: its life and priority, cause, what was done, what to do."""
    words, say = alarmwords.told(scene, seen, alarm), scene.say
    at = scene.clock(seen, alarm.since_ms, "%H:%M:%S")
    life = say(_life(alarm))
    named = who(scene, seen, alarm.target)
    lines = [Line(at, named, say("plain.alarm", priority=alarm.priority, life=life, cause=words.cause))]
    if words.did:
        key = "replay.plain_did" if scene.of(seen).replay else "plain.did"
        lines.append(Line(at, named, say(key, did=words.did, do=words.do)))
    return lines


def _life(alarm: AlarmView) -> str:
    """The key of the words for where an alarm stands."""
    if alarm.out_of_use:
        return "plain.out_of_use"
    if alarm.suppressed:
        return "plain.suppressed"
    if alarm.shelved_until_ms is not None:
        return "plain.shelved"
    return {"*": "plain.new", "~": "plain.gone_unseen", "!": "plain.seen", "#": "plain.latched"}[mark_of(alarm)]


def alarm_list(scene: Scene) -> list[Line]:
    """Every open alarm, first what is first to be done."""
    listed = [*scene.alarms(), *scene.silent()]
    if not listed:
        return [Line("", "", scene.say("plain.no_alarm"))]
    return [line for seen, alarm in listed for line in alarm_lines(scene, seen, alarm)]


def status(scene: Scene, asked: Asked) -> list[Line]:
    """One line a circuit, or the sentences of one circuit; baths with their inputs' state first."""
    if asked.target and scene.selected is not None:
        seen, circuit = scene.selected
        at, named = at_now(scene, seen), who(scene, seen, circuit.name)
        texts = (_values(scene, seen, circuit), *sentence(scene, seen, circuit))
        return [Line(at, named, text) for text in texts if text]
    found: list[Line] = []
    for seen in scene.baths:
        if asked.bath and asked.bath != seen.name:
            continue
        if seen.picture is None or not seen.trusted:
            found.append(trust(scene, seen))
        circuits = seen.picture.circuits if seen.picture is not None else ()
        at = at_now(scene, seen)
        found += [Line(at, who(scene, seen, each.name), _values(scene, seen, each)) for each in circuits]
    return found or [Line("", "", scene.say("plain.no_bath"))]


def _values(scene: Scene, seen: BathSeen, each: CircuitView) -> str:
    picture = seen.picture
    done = outlook.percent(picture, each) if picture is not None else None
    return scene.say(
        "plain.values",
        state=_state(scene, seen, each),
        done="--" if done is None else f"{done} %",
        current=outlook.shown(seen, each.current_A, ".1f"),
        volts=outlook.shown(seen, outlook.volts_per_cell(each), ".2f"),
        hot=outlook.shown(seen, outlook.hot_reading(picture, each) if picture is not None else None, ".1f"),
        left=outlook.left_text(seen, each) or "--",
    )


def acknowledged(scene: Scene, asked: Asked, printed: Mapping[alarms.Key, float], now_s: float) -> Step:
    """Acknowledge the first alarm of the circuit (or bath) named, if it has been printed for its second."""
    for index, (seen, alarm) in enumerate(scene.alarms()):
        own = seen.picture.bath if seen.picture is not None else ""
        if seen.name == asked.bath and alarm.target == (asked.target or own) and not alarm.acknowledged:
            at = replace(scene, place=replace(scene.place, page="alarms", cursor=index))
            return alarms.acknowledgement(at, printed, now_s)
    return Step(None, said=scene.say("plain.none_new", target=asked.target or asked.bath))


def start_list(scene: Scene) -> list[Line]:
    """The start list of the selected circuit, numbered."""
    return [Line("", "", row.text) for row in starts.rows(scene, WIDTH, 60) if row.text.strip()]


def ticked(scene: Scene, asked: Asked) -> Step:
    """Tick one item: `tick A07 1`, or `tick A07 1 no REASON`."""
    if scene.replay:
        return Step(None, said=scene.say("orders.replay"))
    number, _, rest = asked.rest.partition(" ")
    if scene.selected is None or not number.isdecimal() or len(number) > 3:
        return Step(None, said=scene.say("plain.how_tick"))
    seen, circuit = scene.selected
    items = seen.picture.start_items if seen.picture is not None else ()
    if not 1 <= int(number) <= len(items):
        return Step(None, said=scene.say("plain.no_item", n=int(number), items=len(items)))
    args: dict[str, bool | int | str] = {"item": int(number), "ok": True}
    word, _, reason = rest.strip().partition(" ")
    if word:
        if word.lower() != "no" or not reason.strip():
            return Step(None, said=scene.say("plain.how_tick"))
        args |= {"ok": False, "reason": reason.strip()}
    return Step(None, (Wanted(seen.name, "done", circuit.name, args, circuit.revision),))


def recovery_list(scene: Scene) -> list[Line]:
    """The recovery list, as far as there is one."""
    if not recovery.wanted(scene):
        return [Line("", "", scene.say("plain.no_recovery"))]
    return [Line("", "", row.text) for row in recovery.rows(scene, WIDTH, 80) if row.text.strip()]


def help_lines(scene: Scene) -> list[Line]:
    """The words, and the cautions; a replay's words where nothing else is seen."""
    say = scene.say
    made = [Line("", "", say(f"plain.help.{number}")) for number in range(1, 12)]
    return [made[0], Line("", "", say("replay.help_plain")), *made[8:]] if scene.replay else made


def local_moment(scene: Scene, text: str) -> str:
    """A UTC text as this terminal's clock shows it."""
    try:
        return f"{scene.local(datetime.fromisoformat(text)):%H:%M:%S}"
    except ValueError:
        return "--:--:--"
