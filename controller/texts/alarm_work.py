"""Alarms about people's work at the bath: what is overdue, what failed its test."""

from __future__ import annotations

from controller.texts.alarmtext import BEFORE_HANDS, LOOK_ONLY, AlarmText

ALARMS: dict[str, AlarmText] = {
    "walk_due": AlarmText(
        "meter walk due: {value:.0f} min since the first current, to be made by {limit:.0f}",
        "nothing, the run goes on",
        f"hold it; {BEFORE_HANDS}: every battery + to red, ends, links",
        "min",
        hands=True,
        consequence="a reversed battery is charged the wrong way round and lost",
    ),
    "walk_overdue": AlarmText(
        "meter walk overdue: {value:.0f} min since the first current, the latest is {limit:.0f}",
        "nothing, the run goes on",
        f"now: hold it; {BEFORE_HANDS}: every battery + to red, ends, links",
        "min",
        hands=True,
        consequence="a reversed battery or a whole swapped string is formed the wrong way round and lost",
    ),
    "reading_overdue": AlarmText(
        "readings by hand are missing 30 min after their step",
        "nothing",
        f"hold it if it runs; {BEFORE_HANDS}; type the readings",
        hands=True,
        consequence="the step's density or volts are never known for this batch",
    ),
    "reading_overdue_long": AlarmText(
        "readings by hand are missing an hour after their step",
        "nothing",
        f"now: hold it if it runs; {BEFORE_HANDS}; type the readings, or note why not",
        hands=True,
        consequence="the step's density or volts are lost, and the batch is judged without them",
    ),
    "round_overdue": AlarmText(
        "round overdue by {value:.0f} min",
        "nothing, the runs go on",
        LOOK_ONLY,
        "min",
        consequence="a leak, a dry vent or a warm clamp is found late",
    ),
    "round_overdue_long": AlarmText(
        "round overdue by {value:.0f} min: nobody has looked at this bath",
        "nothing, the runs go on",
        LOOK_ONLY,
        "min",
        consequence="a leak or a warm clamp becomes an overheated or open string",
    ),
    "horn_failed": AlarmText(
        "the horn was not heard in its test",
        "nothing, alarms show on screens alone",
        "stay by a screen; electrician to the horn; then test it again",
        consequence="the next alarm calls nobody who does not look at a screen",
    ),
}
