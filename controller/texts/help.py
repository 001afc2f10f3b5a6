"""Sentences of the console: help."""

TEXTS: dict[str, str] = {
    "help.not": "This is NOT the emergency stop: that is the red button at the bath.",
    "help.keys_do": "s, then Enter: STOP/HOLD the selected circuit, from every page. k acknowledges",
    "help.keys_go": "arrows and Enter go deeper, Esc back, h hall, g go to a name, ? help, q leave",
    "help.keys_pages": "a alarms  e events  t trend  o orders  l start list  n note  m mute the bell",
    "help.keys_list": "f filter (hall, events)  / find in events  virtual plant: Space pause  , .  pace",
    "help.keys_trend": "trend: Left Right other quantity, + - shorter or longer, Up Down cursor",
    "help.keys_digits": "or 1 alarms 2 events 3 orders 4 starts 5 k 6 go 7 note 8 help 9 hold 0 hall",
    "help.more": "Whatever can raise current asks for the typed name; to lower it never does.",
    "help.marks": "marks: * new  ! acknowledged  ~ gone, but new  # latched, waits for its reset",
    "help.priorities": "priority: 1 NOW, in 5 min  2 SOON, in 30 min  3 SHIFT, in this shift",
    "help.values": "?9s too old to be shown  -- no value  ? behind a state: not read back",
    "help.course": "course: . rest  = charge  - discharge  > here  : a rest to come",
    "help.charts": "charts: * read, extreme of its column  - limit  # reached  blank: nothing read",
    "help.block": "BLOCKED is NOT ISOLATION: padlock, prove dead, meter.",
    "help.acid": "ACID: goggles, gloves, apron; know where the shower is.",
    "help.hydrogen": "HYDROGEN: no spark; air first.",
    "help.volts": "VOLTS: 300 V DC stay on a string with the rectifier off.",
    "help.lead": "LEAD: wash hands.",
}
