"""Sentences of the console: the start list."""

TEXTS: dict[str, str] = {
    "lists.title": "START LIST {name}, batch {batch}   Enter: item > is right   x: it is not",
    "lists.none": "{name} is {state}: a start list is for a loaded circuit before its start",
    "lists.no_items": "this bath's file lists nothing for persons to look at",
    "lists.no_checks": "  --  the machine's own checks are not shown now; it makes them all the same at the start",
    "lists.ok": "ok",
    "lists.no": "NO",
    "lists.above": "  ({n} more above)",
    "lists.short_not_blocked": "nobody works on it",
    "lists.short_no_latch": "no trip waits for its reset",
    "lists.short_read": "values fresh",
    "lists.short_right_device": "rectifier is the one of its map",
    "lists.short_not_stuck": "it obeys its off",
    "lists.short_cause_gone": "nothing stands that holds",
    "lists.loaded": "{batteries} batteries on {places} places, batch {batch}, {profile}",
    "lists.no_neighbour": "nobody works on another circuit under this hood",
    "lists.continued": "continued: no soak to wait for",
    "lists.soaked": "filled last {last} h ago, first {first} h ago",
    "lists.start_by": "start by {at}",
    "lists.cool": "hottest {hot} C",
    "lists.volts": (
        "string {volts} V at {amps} A; fresh strings here {expected:.1f} +- {scatter:.1f} V, "
        "a formed battery {formed:.1f}"
    ),
    "lists.volts_continued": "string {volts} V at {amps} A",
    "lists.box_empty": "[ ]",
    "lists.box_ticked": "[x]",
    "lists.box_refused": "[-]",
    "lists.box_stale": "[?]",
    "lists.ticked": "{who} {at}",
    "lists.refused": "NOT RIGHT: {who} {at}: {reason}",
    "lists.stale": "{who} {at}, {age} h ago: too old, look and tick again",
    "lists.ready": "{name} may start: o, then start",
    "lists.missing": "still missing: {what}",
    "lists.missing_items": "items {items}",
}
