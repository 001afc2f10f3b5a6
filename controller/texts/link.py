"""Sentences of the console: about itself, its keys and its connections."""

TEXTS: dict[str, str] = {
    "link.pasted": "pasted {n} characters, ignored",
    "link.no_such": "no circuit or bath {name} here",
    "link.muted.one": "bell off for one alarm; it still waits",
    "link.muted.many": "bell off for {n} alarms; they still wait",
    "link.left": "console left; bath {bath} goes on: {running} of {circuits} circuits running",
    "link.record": "record not read: {why}",
    "link.not_sent": "NOT SENT, nothing was changed: {why}",
}
