"""Sentences of the console: the plain one, line by line."""

TEXTS: dict[str, str] = {
    "plain.hello": "formbath, plain console. Only what changes is printed; type status, alarms or help, quit leaves.",
    "plain.left": "left as it is",
    "plain.how": "(an empty line or yes is Enter, cancel leaves it)",
    "plain.how_text": "(type the answer and Enter; cancel leaves it)",
    "plain.esc": "Esc leaves it",
    "plain.cancel": "cancel leaves it",
    "plain.load_keys": "each line is the present field's text; an empty line keeps what stands there; cancel leaves it",
    "plain.load_sends": "an empty line or yes sends it, up goes back into the form, cancel leaves it",
    "plain.yes_or_cancel": "nothing was sent: an empty line or yes does it, cancel leaves it",
    "plain.too_soon": "too fast, look first: nothing was sent; read the question, then answer",
    "plain.not_used": "not used: {text}. The answer comes after the question",
    "plain.which": "{name} is in more than one bath, nothing was done; write {choices}",
    "plain.not_a_bath": "{word} is for one circuit, {bath} is a bath",
    "plain.unknown": "no such word: {word}; help lists them",
    "plain.no_name": "{word}: no circuit or bath {name} here; write such as {word} A07, or {word} A/A07",
    "plain.answers": "link bath {bath} answers",
    "plain.silent": "link bath {bath}: SERVICE SILENT since {since}, nothing known of it is current",
    "plain.purging": "purge began: no first current and no resume until it is over",
    "plain.purged": "purge is over",
    "plain.record": "record: {why}",
    "plain.step": "step {step} begins: {name}",
    "plain.allowed": "allowed {percent} % of the step's current",
    "plain.state": "state {state}",
    "plain.new": "NEW",
    "plain.seen": "acknowledged",
    "plain.gone_unseen": "gone, not acknowledged",
    "plain.latched": "latched, waits for its reset",
    "plain.shelved": "shelved",
    "plain.suppressed": "suppressed, explained by another",
    "plain.out_of_use": "silent, circuit out of use",
    "plain.alarm": "alarm priority {priority}, {life}: {cause}",
    "plain.did": "alarm did: {did}. Do: {do}",
    "plain.gone": "alarm gone: {cause}",
    "plain.no_alarm": "no alarm is open",
    "plain.no_bath": "no bath answers",
    "plain.none_new": "{target}: no alarm waits to be acknowledged",
    "plain.values": "{state}; charge {done}; {current} A; {volts} V/cell; {hot} C; left {left}",
    "plain.how_tick": "write tick A07 1, or tick A07 1 no REASON",
    "plain.no_item": "no item {n} on the start list, it has {items}",
    "plain.no_recovery": "nothing to recover",
    "plain.no_pace": "only a stepped plant has a pace",
    "plain.help.1": "status [NAME]: values of every circuit, or all about one. alarms: every open alarm in full",
    "plain.help.2": "acknowledge NAME: the first new alarm of a circuit or bath",
    "plain.help.3": (
        "hold NAME, stop NAME: zero now, can resume; or end the run for good. These work for everybody. hold BATH: all "
        "of it. Where two baths have a circuit of one name: hold BATH/NAME"
    ),
    "plain.help.4": "block NAME, unblock NAME: nobody can energise it while a person works on the string",
    "plain.help.5": "reset, resume, start, done NAME: each asks for the name once more",
    "plain.help.6": "list NAME: the start list; tick NAME 1, or tick NAME 1 no REASON. load, unload NAME",
    "plain.help.7": "note NAME TEXT: kept in the record. recovery: after the controller was away",
    "plain.help.8": "in a demo: pause, faster, slower. quit: leaves, the baths go on",
    "plain.help.9": (
        "This is NOT the emergency stop and no safety system: hard-wired trips, air and isolation come first."
    ),
    "plain.help.10": "Acid: goggles, gloves, apron, shower known. Hydrogen: no spark, air first. Lead: wash hands.",
    "plain.help.11": (
        "300 V DC stay on a string with the rectifier off: held or off, zero read back, block, lock, air on, "
        "wait 10 min, meter, and only then hands"
    ),
}
