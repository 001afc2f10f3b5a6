"""What each order does, in a few words, and which arguments it takes: for README.md and the command's help."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class VerbText:
    """An order in words. `takes`: its own arguments; `reason` may stand beside any."""

    does: str
    takes: tuple[str, ...] = ()


VERBS: dict[str, VerbText] = {
    "load": VerbText(
        "puts batteries and profile on its list",
        ("type", "continues", "from_step", "credited_Ah", "trial"),
    ),
    "unload": VerbText("takes batteries and run off its list, read back as off; before the cool-down with a reason"),
    "start": VerbText("gives the first current, after every check", ("told",)),
    "hold": VerbText("zero current, the count is kept"),
    "resume": VerbText("runs on at restart current; past its limit the engineer with a reason", ("told",)),
    "stop": VerbText("ends the run"),
    "done": VerbText("says that a step's task is done", ("step", "told")),
    "skip": VerbText("goes to the next step, with a reason", ("step", "told")),
    "extend": VerbText("lengthens the step's longest time by up to 240 min", ("minutes", "step")),
    "change-count": VerbText(
        "goes on with another number of batteries, held and blocked; a formed string's volts must fit",
        ("batteries", "links"),
    ),
    "acknowledge": VerbText("says that alarms were seen, all or one", ("alarm",)),
    "reset": VerbText("lets a trip go whose cause is gone; after grave ones maintenance alone"),
    "shelve": VerbText("silences a warning or derate for 15, 60 or 240 min, with a reason", ("alarm", "minutes")),
    "unshelve": VerbText("takes a shelved alarm back", ("alarm",)),
    "block": VerbText("keeps all current away while a person works on the string", ("leads_off",)),
    "unblock": VerbText("lifts one's own block; maintenance another's, with a reason"),
    "reading": VerbText(
        "keeps what was read by hand at a battery",
        ("what", "position", "value", "unit", "temperature_C", "taken_minutes_ago", "instrument"),
    ),
    "added": VerbText("keeps what was added to a battery", ("position", "mL", "what")),
    "round": VerbText("says that the round was made", ("skipped", "text")),
    "take-over": VerbText("takes the shift over; every shelf ends"),
    "horn-test": VerbText("sounds the horn, then says whether it was heard", ("ok",)),
    "permit": VerbText("lets the hood stand open for readings, where the bath file allows it"),
    "out-of-use": VerbText("takes an empty circuit out of use, with a reason"),
    "in-use": VerbText("brings it back"),
    "bench": VerbText("allows the bench's pulses on a circuit out of use whose leads are off"),
    "inspected": VerbText(
        "says that the contactor was inspected; of the bath, with a reason: its extraction, so that others resume"
    ),
    "proof": VerbText("keeps a proof test and its result", ("item", "result", "serial", "due")),
    "sign-off": VerbText("gives each battery its outcome", ("result",)),
    "note": VerbText("keeps a note in the record", ("text",)),
}

TICK = VerbText("ticks an item of the start list", ("item", "ok"))
WALK = VerbText("ticks an item of the meter walk, held and blocked", ("walk", "ok"))
TRIAL = VerbText("loads an engineer's trial run, with a reason", ("trial",))
