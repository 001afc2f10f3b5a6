"""Sentences of the console: events, and what cannot be read of the records."""

TEXTS: dict[str, str] = {
    "events.no_file": "{name} is not there",
    "events.not_read": "{name} cannot be read: {why}",
    "events.foreign": "{name} has other columns than this version writes; nothing of it is shown",
    "events.damaged.one": "{name}: 1 row is no row and left out; formbath verify tells more",
    "events.damaged.many": "{name}: {n} rows are no rows and left out; formbath verify tells more",
    "events.every_kind": "all kinds",
    "events.every_circuit": "all circuits",
    "events.kind": "kind {kind}",
    "events.circuit": "only {circuit}",
    "events.find": "with '{words}'",
    "events.newer.one": "1 newer",
    "events.newer.many": "{n} newer",
    "events.following": "following",
    "events.reading": "the records are being read",
    "events.none": "no events here",
    "events.none_found": "no event fits; f changes kind and circuit, / the words",
}
