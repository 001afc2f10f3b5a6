"""Sentences of the console and of the command: a record that is shown again."""

THEN = "then: "
"""Before whatever was to be done, or to come, in the moment that a replay shows."""

TEXTS: dict[str, str] = {
    # On the screen.
    "replay.at": "{at} of {length}",
    "replay.other_core": "decided by core {core}, shown by {now}",
    "replay.rows": "from rows",
    "replay.not_whole": "NOT WHOLE ({n})",
    "replay.ended": "END",
    "replay.end": "end of the record; g goes to another time, [ to the event before",
    "replay.event": "+{at} {target}: {text}",
    "replay.no_next": "no later event that matters in this record",
    "replay.no_previous": "no earlier event that matters in this record",
    "replay.outside": "{time} is not in this record: it goes from {first} to {last}",
    "replay.beyond": "{time} is beyond the end: the record is {length} long",
    "replay.no_time": "no such time: {time}; right are +3:20 (since the start), 14:05 and 2026-03-16 14:05",
    "replay.type_time": "time or name:",
    "replay.title_go": "GO TO: +3:20 is since the start, 14:05 by the clock, or a circuit or bath by its name",
    # The help page.
    "replay.help_what": "REPLAY of a record: nothing here is live, and it takes no order",
    "replay.help_keys": "Space plays and pauses, , . slower, faster   [ ] event before, next",
    "replay.help_go": "g and a time: +3:20 since the start, 14:05 by the clock; or a name",
    "replay.help_pages": "a alarms  e events  t trend  f filter (hall, events)  / find in events",
    # What was to be done: a sentence that says so of then begins with `replay.then`, behind these as well.
    "replay.then": THEN + "{text}",
    "replay.did_do": "did: {did}. To do {do}",
    "replay.did_more": "did: {did}. What to do then: a, alarms",
    "replay.do": "to do {do}",
    "replay.ends_reduced": THEN + "ends {at} at {percent} %",
    "replay.silent": "the replay does not answer; nothing here is live",
    # The plain console.
    "replay.gone_do": THEN + "look what it was",
    "replay.plain_did": "alarm did: {did}. To do {do}",
    "replay.line": "REPLAY {text}",
    "replay.line_demo": "REPLAY DEMO {text}",
    "replay.of": "shows {name} of {date}",
    "replay.date": "it is {date} now in this record",
    "replay.problem": "NOT WHOLE: {what}",
    "replay.more_problems": "NOT WHOLE: {n} more; formbath verify tells all",
    "replay.how_go": "write go +3:20 (since the start) or go 14:05 (by the clock)",
    "replay.only": "only a replay goes to another time",
    "replay.help_plain": "in a replay: pause, faster, slower; next, previous: event; go +3:20 or go 14:05; no order",
    # Lines of the command.
    "replay.begins": ("{date}, bath {bath}, circuit {circuit}, batch {batch}: {name}, {length} h, {events} events"),
    "replay.ends": "ends {state}: {charge_Ah} Ah in, {discharge_Ah} Ah out, {energy_Wh} Wh",
    "replay.ends_signed": (
        "ends {state}, signed off by {who} on {date}: {outcomes}; "
        "{charge_Ah} Ah in, {discharge_Ah} Ah out, {energy_Wh} Wh"
    ),
    "replay.after_end": "after the end",
    "replay.after_row": "after the end: {text}",
    "replay.after_row_on": "after the end, {date}: {text}",
    "replay.ends_unknown": "ends: nothing is on record",
}
