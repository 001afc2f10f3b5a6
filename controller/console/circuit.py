"""The circuit page: why one circuit does what it does. Pure.

Headline, its own first alarm, the whole profile, values with their next limits, the output, a trend.

On 80 x 24 its body has 18 rows; what is more goes to the alarm's own words and to the chart.
"""

from __future__ import annotations

from controller.console import alarmwords, besides, outlook, trend
from controller.console.amounts import expected_ms
from controller.console.circuittable import table
from controller.console.frame import did_and_do
from controller.console.picture import CircuitView, Picture, PlanView
from controller.console.row import BLANK, Part, Row, fitted, row, wrapped
from controller.console.scene import BathSeen, Scene, worst
from controller.console.sentence import cause_of, profile_words, sentence
from controller.words import LOOK_ONLY, AlarmLines

COURSE_COLUMNS = 48
LEAST_CHART = 4
TALL = 26
"""From so many rows on there is room for the alarm's own words and for amounts."""


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the page of the selected circuit."""
    chosen = scene.selected
    if height <= 0:
        return []
    if chosen is None or chosen[0].picture is None:
        return [fitted(Row(scene.say("circuit.none")), width)]
    seen, circuit = chosen
    picture, scene = chosen[0].picture, scene.of(seen)
    first = _headline(scene, seen, picture, circuit, width)
    made = [
        *first,
        *_second(scene, seen, circuit, width, most=2 if len(first) == 1 or height >= TALL else 1, tall=height >= TALL),
        _course(scene, seen, picture, circuit, width),
        _step(scene, seen, picture, circuit),
        *table(scene, seen, picture, circuit, width),
        _output(scene, seen, circuit),
        *(_amounts(scene, seen, circuit) if height >= TALL else []),
    ]
    left = height - len(made)
    if circuit.run is None:
        made += _waits(scene, seen, picture, circuit, width)
    elif left >= LEAST_CHART:
        made += trend.chart(scene, width, left, scene.place.trend)
    return [fitted(each, width) for each in made[:height]]


# -- the first rows


def headline(scene: Scene, width: int) -> list[Row]:
    """Return the selected circuit's state and reason, for a page that shows only one thing of it."""
    chosen = scene.selected
    if chosen is None or chosen[0].picture is None:
        return []
    return _headline(scene, chosen[0], chosen[0].picture, chosen[1], width)[:1]


def _headline(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView, width: int) -> list[Row]:
    """Return state and reason, on two rows where one is too short."""
    state = outlook.state_word(scene, seen, circuit)
    if circuit.blocked_by:
        at = outlook.clock_at(scene, seen, circuit.blocked_ms) if circuit.blocked_ms is not None else "--"
        text = f"{scene.say('circuit.blocked', by=circuit.blocked_by, at=at)} {scene.say('bath.not_isolation')}"
        return _marked(wrapped(text, width, "  ", most=2), state, "waits")
    if not seen.trusted:
        at = outlook.clock_at(scene, seen, picture.now_ms, "%H:%M:%S")
        return wrapped(scene.say("circuit.old", state=state.upper(), at=at), width, "  ", most=2)
    reduced = _reduced(scene, seen, picture, circuit, state.upper())
    return wrapped(reduced or _stated(circuit, state, sentence(scene, seen, circuit)[0]), width, "  ", most=2)


def _stated(circuit: CircuitView, state: str, said: str) -> str:
    """Return the sentence with the state in capitals, ahead of it where the sentence does not name it itself."""
    named = f"{circuit.name} {state.rstrip('?')}"
    if said.startswith(named):
        return f"{circuit.name} {state.upper()}{said[len(named) :]}"
    return f"{state.upper()}  {said}"


def _marked(lines: list[Row], word: str, style: str) -> list[Row]:
    """Return the rows with the word in its style where they begin with it."""
    first = lines[0].text
    if not first.startswith(word):
        return lines
    return [row((style, word), first[len(word) :]), *lines[1:]]


def _reduced(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView, state: str) -> str:
    """Return the headline of a reduced current: percent, since when, value and limit; empty where it is not reduced."""
    allowed = outlook.finite(circuit.allowed_percent)
    if circuit.state != "running" or allowed is None or allowed >= 100.0:
        return ""
    alarm = next((each for each in circuit.alarms if each.code == circuit.allowed_code), None)
    share = int(max(0.0, allowed))  # rounded down: never shown as more than it is
    cause = cause_of(scene, circuit, circuit.allowed_code) or "--"
    if alarm is None:
        return scene.say("circuit.reduced_plain", state=state, percent=share, cause=cause)
    since = outlook.alarm_since(scene, seen, alarm)
    if alarm.code != "probe_derate" or alarm.value is None:
        return scene.say("circuit.reduced", state=state, percent=share, at=since, cause=cause)
    laws = picture.limits
    return scene.say(
        "circuit.reduced_hot", state=state, percent=share, at=since, value=alarm.value, limit=alarm.limit,
        hold=laws.probe_hold_C, trip=laws.probe_trip_C,
    )  # fmt: skip


def _second(scene: Scene, seen: BathSeen, circuit: CircuitView, width: int, *, most: int, tall: bool) -> list[Row]:
    """Return the circuit's own first alarm, on `most` rows; without one what comes next."""
    alarm = worst(circuit.alarms)
    if alarm is None and not seen.trusted:
        at = outlook.clock_at(scene, seen, seen.picture.now_ms, "%H:%M:%S") if seen.picture is not None else "--"
        return [Row(scene.say("circuit.watchdog", at=at))]
    if alarm is None:
        # Without a run there is no chart: what may carry a caution takes the rows that it needs.
        return wrapped(sentence(scene, seen, circuit)[1], width, "  ", most=most if circuit.run is not None else 8)
    lines = alarmwords.told(scene, seen, alarm)
    more = sum(not each.quiet for each in circuit.alarms) - 1
    others = f" {scene.say.count('circuit.others', more)}" if more else ""
    ahead: list[Part] = [*outlook.mark_parts(scene, alarm), f" {outlook.alarm_since(scene, seen, alarm)} "]
    room = max(8, width - 9)
    if circuit.state in {"held", "tripped"} and not tall:
        # The headline has the cause already; here stands what to do, whole: the chart gives way to a caution.
        told = wrapped(f"{did_and_do(scene, lines)}{others}", room, most=6)
    else:
        told = [] if tall else wrapped(f"{lines.cause}{others}. {_told(scene, lines)}", room, most=most + 1)
        if not told or len(told) > most:
            told = wrapped(f"{lines.cause}{others}", room, most=most)
    made = [row(*ahead, told[0].text), *(Row(f"   {each.text}") for each in told[1:])]
    if tall:
        both = (scene.say("circuit.did", did=lines.did), _told(scene, lines, tall=True))
        made += [Row(f"   {each.text}") for part in both for each in wrapped(part, width - 3)]
    return made


def _told(scene: Scene, lines: AlarmLines, *, tall: bool = False) -> str:
    """Return what to do; beside the cause there is no room for the caution of what sends hands: then what was done."""
    if lines.hands and not tall:
        return scene.say("circuit.did", did=lines.did)
    # A live string's caution stands first in its sentence, nothing before it.
    if lines.do.startswith(LOOK_ONLY[:15]):
        return lines.do
    return scene.say("replay.do" if scene.replay else "circuit.do", do=lines.do)


# -- the profile


def _course(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView, width: int) -> Row:
    """Return the whole profile with its steps' numbers, how late it is, and when the run ends."""
    plan = picture.plan_of(circuit)
    if plan is None:
        return BLANK
    complete = circuit.state == "complete"
    should = besides.should_share(circuit) if seen.trusted else None
    line = list(outlook.course_line(plan, circuit.run, COURSE_COLUMNS, complete=complete, should=should))
    for at, number in _numbers(plan):
        for offset, digit in enumerate(number):
            if line[at + offset] not in ">|":
                line[at + offset] = digit
    drawn, ends = f"[{''.join(line)}]", _ends(scene, seen, picture, circuit)
    late = besides.late_text(circuit) if seen.trusted else ""
    said = scene.say("circuit.early" if late.startswith("-") else "circuit.late", late=late.lstrip("-")) if late else ""
    # Where both are too long for the row the end stays: it says at which share of the current.
    both = "; ".join(filter(None, (said, ends)))
    return Row(f"{drawn} {both if len(drawn) + 1 + len(both) <= width else ends or said}".rstrip())


def _numbers(plan: PlanView) -> list[tuple[int, str]]:
    """Return where each step's number stands: at its begin, unless another one does."""
    lengths = expected_ms(plan)
    total = sum(lengths)
    found: list[tuple[int, str]] = []
    begin, free = 0.0, 0
    for step, length in zip(plan.steps, lengths, strict=True):
        at = int(begin / total * COURSE_COLUMNS) if total > 0.0 else COURSE_COLUMNS
        text = str(step.number)
        if free <= at and at + len(text) <= COURSE_COLUMNS:
            found.append((at, text))
            free = at + len(text)
        begin += length
    return found


def _ends(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> str:
    """Return when the run ends, and at which share of the current; empty where that is not known."""
    if circuit.state != "running" or not seen.trusted:
        return ""
    at = outlook.ends_utc(picture, circuit)
    if at is None:
        return ""
    try:
        shown = scene.local(at).strftime("%a %H:%M")
    except (OverflowError, ValueError):
        return ""
    allowed = outlook.finite(circuit.allowed_percent)
    if allowed is None or allowed >= 100.0:
        return scene.say("circuit.ends", at=shown)
    key = "replay.ends_reduced" if scene.replay else "circuit.ends_reduced"
    return scene.say(key, at=shown, percent=int(max(0.0, allowed)))


def _step(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView) -> Row:
    """Return where in the profile the run stands and what ends this step; without a run what the profile is."""
    say, plan, run = scene.say, picture.plan_of(circuit), circuit.run
    if plan is None:
        return BLANK
    step = outlook.step_of(picture, circuit)
    if run is None or step is None:
        return Row(
            say(
                "circuit.profile",
                name=profile_words(scene, circuit, plan),
                revision=plan.revision,
                n=len(plan.steps),
                planned=plan.planned_Ah,
            )
        )
    head = say("circuit.step", n=step.number, steps=len(plan.steps), name=step.name)
    if circuit.load is not None and circuit.load.trial:
        head = say("circuit.trial", step=head)
    if run.end_ms is not None or not seen.trusted:
        return Row(head)
    ends = []
    end_Ah = run.step_end_Ah if run.step_end_Ah is not None else step.charge_Ah
    if end_Ah is not None and step.kind != "rest":
        ends.append(say("circuit.step.charge", done=run.step_Ah, end=end_Ah))
    if step.time_ms is not None:
        ends.append(say("circuit.step.time", done=outlook.hm(run.step_time_ms), end=outlook.hm(step.time_ms)))
    if step.order:
        ends.append(say("circuit.step.order"))
    if not ends:
        ends.append(say("circuit.step.readings", done=outlook.hm(run.step_time_ms), moved=run.step_Ah))
    if step.kind != "rest":
        ends.append(say("circuit.step.limit", volts=step.voltage_V_per_cell))
    return Row(f"{head}: {'; '.join(ends)}")


# -- below the table


def _output(scene: Scene, seen: BathSeen, circuit: CircuitView) -> Row:
    """Return what the rectifier says of its output, what it counted, and which batteries stand there."""
    say, read, load = scene.say, circuit.output_on, circuit.load
    parts = []
    if circuit.output == "stuck":
        parts.append(say("circuit.output.stuck"))
    if read is None or read.number is None or outlook.is_stale(seen, read):
        parts.append(say("circuit.output.unread"))
    else:
        word = "circuit.output.on" if read.number >= 0.5 else "circuit.output.off"
        parts.append(say(word, age=max(0, read.age_ms) // 1000))
    if circuit.link != "up":
        parts.append(say("circuit.link", link=circuit.link))
    if circuit.counter_Ah is not None and not outlook.is_stale(seen, circuit.counter_Ah):
        parts.append(say("circuit.counter", charge=outlook.shown(seen, circuit.counter_Ah, ".1f")))
    if load is not None:
        volts = 2.0 * circuit.cells / load.batteries if circuit.cells and load.batteries > 0 else None
        key = "circuit.load" if volts is not None and volts == int(volts) else "circuit.load_plain"
        parts.append(say(key, batch=load.batch, n=load.batteries, volts=volts))
    return Row(" ".join(parts))


def _amounts(scene: Scene, seen: BathSeen, circuit: CircuitView) -> list[Row]:
    """Return amounts of the run that only a tall screen has room for."""
    run = circuit.run
    if run is None:
        return []
    at = outlook.clock_at(scene, seen, run.start_ms, "%a %H:%M")
    first = scene.say("circuit.began", at=at, who=run.started_by or "--", energy=run.energy_Wh / 1000.0)
    most = scene.say("circuit.most", hot=run.hottest_C, volts=run.highest_V_per_cell, owed=run.owed_Ah)
    return [Row(first), Row(most), BLANK]


def _waits(scene: Scene, seen: BathSeen, picture: Picture, circuit: CircuitView, width: int) -> list[Row]:
    """Return what an idle circuit waits for: the checks of a start that do not hold."""
    say = scene.say
    if circuit.load is None:
        return [BLANK, Row(say("circuit.free"))] if circuit.state == "idle" else []
    filled = [
        outlook.hm(picture.now_ms - at) for at in (circuit.load.first_filled_ms, circuit.load.last_filled_ms)
    ]  # fmt: skip
    made = [BLANK, Row(say("circuit.filled", first=filled[0], last=filled[1]))]
    missing = [each.refusal for each in circuit.start_checks if each.refusal]
    if not seen.trusted or not circuit.start_checks:
        return made
    made.append(Row(say.count("circuit.missing", len(missing)) if missing else say("circuit.nothing_missing")))
    for each in missing:
        made += wrapped(say("circuit.no", why=each), width, "    ", most=8)
    return made
