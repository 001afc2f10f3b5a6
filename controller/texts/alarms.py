"""Sentences of the console: alarms. What an alarm itself says stands in the catalogue's own list."""

TEXTS: dict[str, str] = {
    "alarms.none": "no open alarm",
    "alarms.gone_did": "its cause is gone",
    "alarms.gone_do": "look what it was, then k acknowledges",
    "alarms.zero_did": "tripped, zero read back",
    "alarms.did_do": "did: {did}. Do: {do}",
    "alarms.blocked": "BLOCKED",
    "alarms.chatters": "{cause}; comes and goes, {n} times",
    "alarms.escalated": "{cause}; nobody acknowledged it in its time",
    "alarms.leads": "{cause}; FIRST of {n}",
    "alarms.shelved": "shelved {n}: {what}",
    "alarms.shelved_one": '{target} {cause}, until {at}, {who} "{why}"',
    "alarms.suppressed": "suppressed {n}, explained by another alarm or an empty place: {what}",
    "alarms.out_of_use": "out of use {n}: {what}",
    "alarms.flood": "FLOOD: more new alarms than one can take in; look at the first of each group, not at the newest",
    "alarms.silent_one": "{target} {cause}",
    "alarms.hidden": "{above} more above, {below} below; {new} of them new",
    "alarms.none_here": "no alarm of this circuit is open",
    "alarms.just_gone": "the alarm that was selected is gone; look at the one that is selected now",
    "alarms.seen_already": "alarm of {target}: acknowledged already",
    "alarms.look_first": "alarm of {target}: on the screen for less than a second, look at it first",
}
