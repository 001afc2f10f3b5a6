"""Sentences of the console: about itself, its keys and its connections."""

TEXTS: dict[str, str] = {
    "link.pasted": "pasted {n} characters, ignored",
    "link.no_such": "no circuit or bath {name} here",
    "link.several": "several have that name: {names}",
    "link.no_bell": "no bell rings",
    "link.refused_other": "{who} ordered {verb} {target}: refused: {text}",
    "link.no_answer": "{verb} {target}: NO ANSWER, nobody knows whether it was taken; look at what the circuit does",
    "link.notice": "{text}",
    "link.left_silent": "console left; bath {bath}: its service does not answer, look at the rectifiers' own displays",
    "link.muted.one": "bell off for one alarm; it still waits",
    "link.muted.many": "bell off for {n} alarms; they still wait",
    "link.left": "console left; bath {bath} goes on: {running} of {circuits} circuits running",
    "link.record": "record not read: {why}",
    "link.not_sent": "NOT SENT, nothing was changed: {why}",
}
