"""The catalogue of sentences: a text for every code there is, cautions in their order, and nothing breaks on a gap."""

from __future__ import annotations

import ast
import math
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller import words
from controller.core.interlocks import BATH_LAWS, CIRCUIT_LAWS
from controller.core.types import Event, EventKind, Reaction, State
from controller.texts import holders

ROOT = Path(__file__).parents[1]
CORE = sorted((ROOT / "controller/core").rglob("*.py"))
SERVICE = sorted((ROOT / "controller/service").glob("*.py"))
CONSOLE = sorted(file for room in ("console", "replay") for file in (ROOT / "controller" / room).glob("*.py"))
PAGES = sorted(
    file.stem for file in (ROOT / "controller/texts").glob("*.py") if "\nTEXTS" in file.read_text(encoding="utf-8")
)
LAWS = (*CIRCUIT_LAWS, *BATH_LAWS)
CAUTION = ("zero read back", "block", "air on", "wait", "meter", "hands")

# Words of work at a string. A text with one of them sends hands there, unless it forbids just that.
HAND_WORDS = re.compile(
    r"\b(clamps?|remake|remade|replac\w*|probe in(?! air)|put|swap\w*|tighten\w*|unplug\w*|lift\w*|take out|pull\w*"
    r"|refill\w*|dump\w*|bridge|disconnect\w*|connect\w*)\b"
)
FORBIDS = re.compile(r"open and close no clamp|touch nothing|\(open clamp, cell\)|who alone lifts it")

# Warnings that only a held or tripped circuit has.
AT_ZERO = {"hold_harms", "service_gap", "service_away"}

# What every order's event carries beside its refusal's own data.
OF_AN_ORDER = {"order", "verb", "who", "role"}


def calls(files: list[Path], name: str) -> Iterator[ast.Call]:
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == name:
                yield node


def named(call: ast.Call) -> str | None:
    """The code of a call where it is written out."""
    first = call.args[0] if call.args else None
    return first.value if isinstance(first, ast.Constant) and isinstance(first.value, str) else None


def keys(node: ast.expr | None) -> set[str] | None:
    """The keys of a dict that is written out, None where it is made elsewhere."""
    if not isinstance(node, ast.Dict) or not all(isinstance(key, ast.Constant) for key in node.keys):
        return None
    return {key.value for key in node.keys}


def data_of(call: ast.Call) -> ast.expr | None:
    return next((keyword.value for keyword in call.keywords if keyword.arg == "data"), None)


def refusals() -> dict[str, set[str]]:
    """Every refusal's code in the core's checks and orders, and the data all its places give."""
    found: dict[str, set[str]] = {}
    for call in calls(CORE, "Refusal"):
        code, given = named(call), keys(call.args[1])
        assert code is not None, ast.unparse(call)
        assert given is not None, ast.unparse(call)
        found[code] = found.get(code, given) & given
    return found


def events() -> dict[str, set[str] | None]:
    """Every event's code in core and service that is written out, and the data all its places give (None: unknown)."""
    found: dict[str, set[str] | None] = {}
    for call in calls([*CORE, *SERVICE], "Event"):
        code = named(call)
        if code is None:
            continue
        given, before = keys(data_of(call)), found.get(code)
        found[code] = given & before if given is not None and before is not None else given or before
    return found


def fields(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def everything() -> dict[str, str]:
    """All texts by a name that says where they stand."""
    found = {f"refusal {code}": text for code, text in words.REFUSALS.items()}
    found |= {f"event {code}": text for code, text in words.EVENTS.items()}
    found |= {f"screen {key}": text for key, text in words.SCREEN.items()}
    for code, alarm in words.ALARMS.items():
        found |= {f"alarm {code} {part}": getattr(alarm, part) for part in ("cause", "did", "do")}
    return found


def carries_caution(text: str) -> bool:
    """Whether the steps before hands stand in the text, each after the one before."""
    at = 0
    for step in CAUTION:
        at = text.find(step, at)
        if at < 0:
            return False
        at += len(step)
    return True


def sends_hands(text: str) -> bool:
    return HAND_WORDS.search(FORBIDS.sub("", text).lower()) is not None


def test_every_law_has_a_text_and_every_text_a_law():
    """No alarm shows as a bare code, and the catalogue holds no words for what never comes."""
    assert {law.code for law in LAWS} == set(words.ALARMS)


def test_every_refusal_has_a_text():
    """What checks, orders and the bath itself may refuse with is in the catalogue."""
    assert len(refusals()) > 30
    assert {"unknown_target", "not_for_a_bath", "cause_stands", "nothing_new"} <= set(refusals())
    assert set(refusals()) - set(words.REFUSALS) == set()


def test_every_event_has_a_text():
    """So is every event written out in core and service, and every state that is told as an event."""
    found = set(events())
    assert {"gap", "step_ended", "complete", "clock_step", "service_started"} <= found
    assert found - set(words.EVENTS) == set()
    assert {State.HELD.value, State.TRIPPED.value} <= set(words.EVENTS)


def test_refusals_of_the_service_itself_are_known():
    """The desk's own refusals use the catalogue's codes, but where no core was there to ask."""
    codes = {named(call) for call in calls([ROOT / "controller/service/desk.py"], "Refused")}
    assert {"bad_list", "bad_profile", "no_cycle"} <= codes
    assert codes - {"no_cycle"} <= set(words.REFUSALS)


def test_refusals_get_the_data_their_words_ask_for():
    """Each named place of a refusal is filled by every place in the code that refuses with it."""
    missing = {
        code: fields(words.REFUSALS[code]) - given - OF_AN_ORDER
        for code, given in refusals().items()
        if not fields(words.REFUSALS[code]) <= given | OF_AN_ORDER
    }
    assert missing == {}


def test_events_get_the_data_their_words_ask_for():
    """The same for events whose data is written out."""
    known = {code: given for code, given in events().items() if given is not None}
    assert len(known) >= 8
    assert {code: fields(words.EVENTS[code]) - given for code, given in known.items()} == {
        code: set() for code in known
    }


def test_alarms_ask_for_value_and_limit_only():
    """An alarm carries those two numbers, and one that shows a number has a unit (a code number has none)."""
    for code, alarm in words.ALARMS.items():
        assert fields(alarm.cause) <= {"value", "limit"}, code
        assert fields(alarm.did) == fields(alarm.do) == set(), code
        assert alarm.cause, code
        assert alarm.did, code
        assert alarm.do, code
        if fields(alarm.cause) and code != "rectifier_fault":
            assert alarm.unit, code


@pytest.mark.parametrize("code", sorted(code for code, alarm in words.ALARMS.items() if alarm.hands))
def test_alarm_that_sends_hands_carries_the_caution(code):
    """Zero read back, block, air on, wait, meter, hands: all of them, in this order, and the work after them."""
    do = words.ALARMS[code].do
    assert carries_caution(do), do
    work = HAND_WORDS.search(do.lower())
    assert work is None or work.start() > do.index("only then hands")


def test_some_alarm_sends_hands():
    """The check above looks at something; the shared caution itself is whole."""
    assert sum(alarm.hands for alarm in words.ALARMS.values()) >= 3
    assert carries_caution(words.BEFORE_HANDS)
    assert not carries_caution("block; zero read back; air on; wait 10 min; meter; only then hands")


@pytest.mark.parametrize("place", sorted(everything()))
def test_no_text_sends_hands_without_caution(place):
    """Words of work at a string stand only behind the caution, whichever list a text is in."""
    text = everything()[place]
    assert not sends_hands(text) or carries_caution(text), text
    alarm = place.split()
    if alarm[0] == "alarm" and alarm[2] == "do" and sends_hands(text):
        assert words.ALARMS[alarm[1]].hands


@pytest.mark.parametrize(
    "text",
    [
        "off. Remake the clamp, then resume",
        "held; put the spare probe in",
        "replace the battery",
        "tighten what is loose",
        "open and close no clamp, then replace it",
    ],
)
def test_word_list_finds_texts_that_send_hands(text):
    """The list of words does find such a text, also one that forbids a thing and asks for another."""
    assert sends_hands(text)
    assert not carries_caution(text)


def test_string_under_current_is_look_only():
    """A circuit's alarm that leaves current flowing says so; one that sends hands says first to hold the circuit."""
    flowing = [law.code for law in CIRCUIT_LAWS if law.reaction <= Reaction.DERATE and law.code not in AT_ZERO]
    assert len(flowing) >= 4
    for code in flowing:
        do = words.ALARMS[code].do
        held_first = ("hold it; ", "hold it if it runs; ") if words.ALARMS[code].hands else (words.LOOK_ONLY,)
        assert do.removeprefix("now: ").startswith(held_first), code
    assert words.LOOK_ONLY.startswith("LIVE, LOOK ONLY")


def test_did_says_what_the_reaction_is():
    """What an alarm claims was done is what its law does."""
    said = {Reaction.HOLD: ("held", "shut for orders"), Reaction.TRIP: ("tripped",), Reaction.DERATE: ("reduced",)}
    for law in LAWS:
        did = words.ALARMS[law.code].did
        if law.reaction in said:
            assert any(word in did for word in said[law.reaction]), (law.code, did)
        else:
            assert "held" not in did, law.code
            assert "tripped" not in did, law.code


def test_nothing_claims_safety():
    """No text says that something is safe or harmless; that this is no safety system must be said."""
    claims = re.compile(r"\bsafe(ly|ty)?\b|harmless|no danger")
    assert [text for text in everything().values() if claims.search(text.replace("no safety system", ""))] == []


GAPS = ({}, {"value": None, "limit": None, "seconds": None}, {"value": "none", "limit": True, "minutes": "soon"})
GAPS += ({"value": math.nan, "limit": math.inf, "minutes": -math.inf}, {"value": "{0}{limit.x}", "cause": "{a[b]}"})


@pytest.mark.parametrize("data", GAPS, ids=["nothing", "none", "other types", "no numbers", "hostile"])
@pytest.mark.parametrize("kind", list(EventKind))
def test_missing_data_never_breaks_a_text(kind, data):
    """Whatever lacks or is of another sort: a sentence in one line comes out, with -- for what is missing."""
    codes = [*words.EVENTS, *words.ALARMS, *words.REFUSALS, "a_code_nobody_knows"]
    for code in codes:
        for life in ("new", "returned"):
            said = words.text(Event(code, "A01", kind, {**data, "life": life}))
            assert said, code
            assert "\n" not in said
            if not any("{" in str(value) for value in data.values()) and "{" not in code and "}" not in code:
                assert "{" not in said, said
                assert "}" not in said, said


def test_missing_shows_as_dashes():
    """A gap is shown as one, never as zero or as a place's name."""
    assert words.text(Event("gap", "A01")) == "nothing was read for -- s; nothing is counted for it"
    said = words.text(Event("probe_hold", "A01", EventKind.ALARM, {"life": "new", "value": None, "limit": 55.0}))
    assert said.startswith("probe -- C, hold level 55.0; held. ")
    assert words.text(Event("state", "A01", EventKind.REFUSAL, {"verb": "start", "state": "held"})) == (
        "start refused: not while it is held"
    )


def test_braces_from_outside_stay_text():
    """Data is shown as it is and never read as a template of its own."""
    said = words.filled("{what}", {"what": "{value} {0.__class__}"})
    assert said == "{value} {0.__class__}"


def test_returned_alarm_says_only_that_it_is_gone():
    """What has passed tells nobody to do anything."""
    for code in words.ALARMS:
        for value in (None, 1.0):
            said = words.alarm_text(code, {"life": "returned", "value": value, "limit": 2.0})
            assert said.startswith("gone: ")
            assert words.ALARMS[code].do not in said
            assert not sends_hands(said) or carries_caution(said)


def test_units_are_known_for_alarms_alone():
    """The record's unit column comes from here; what is no alarm has none."""
    assert words.unit_of("probe_trip") == "C"
    assert words.unit_of("open_string") == "A"
    assert words.unit_of("complete") == words.unit_of("nobody knows") == ""


# A key is a page's name, a dot, and words joined by dots; names of files look alike.
KEY = re.compile(rf"({'|'.join(PAGES)})\.[A-Za-z0-9_]+(\.[A-Za-z0-9_]+)*")
FILES = (".csv", ".json", ".toml", ".py")


def constants(tree: ast.AST) -> set[str]:
    """Every text in a program that could be a key of the console's catalogue."""
    found = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    return {text for text in found if KEY.fullmatch(text) and not text.endswith(FILES)}


def beginnings(tree: ast.AST) -> set[str]:
    """The fixed beginnings of keys that are put together: `f"plain.help.{number}"` begins with `plain.help.`."""
    found = set()
    for node in ast.walk(tree):
        first = node.values[0] if isinstance(node, ast.JoinedStr) and node.values else None
        if isinstance(first, ast.Constant) and re.fullmatch(rf"({'|'.join(PAGES)})\.[A-Za-z0-9_.]*", str(first.value)):
            found.add(str(first.value))
    return found


def used_in(tree: ast.AST) -> tuple[set[str], set[str]]:
    """The catalogue's keys that a program asks for, and what it asks for and the catalogue lacks."""
    used, missing = set(), set()
    for text in constants(tree):
        counted = {f"{text}.one", f"{text}.many"}
        found = ({text} | counted) & set(words.SCREEN)
        used |= found
        if text not in found and not counted <= found:
            missing.add(text)
    for beginning in beginnings(tree):
        found = {key for key in words.SCREEN if key.startswith(beginning)}
        used |= found
        missing |= set() if found else {f"{beginning}..."}
    return used, missing


def said(tree: ast.AST) -> Iterator[tuple[str, set[str]]]:
    """Each text asked for by a key that is written out, with the names of what is filled in."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or any(keyword.arg is None for keyword in node.keywords):
            continue
        called, key = ast.unparse(node.func), named(node)
        given = {str(keyword.arg) for keyword in node.keywords}
        if key is None or not re.search(r"(^|\.)say(\.count)?$", called):
            continue
        if called.endswith(".count"):
            yield f"{key}.one", given | {"n"}
            yield f"{key}.many", given | {"n"}
        else:
            yield key, given


def console() -> dict[str, ast.AST]:
    return {f"{file.parent.name}/{file.name}": ast.parse(file.read_text(encoding="utf-8")) for file in CONSOLE}


def test_every_sentence_the_console_asks_for_is_there():
    """No page can fail on a key that the catalogue lacks."""
    lacking = {name: found for name, tree in console().items() if (found := used_in(tree)[1])}
    assert lacking == {}


def test_every_sentence_of_the_screens_is_asked_for():
    """The catalogue holds no words that nobody ever sees."""
    used = set().union(*(used_in(tree)[0] for tree in console().values()))
    assert sorted(set(words.SCREEN) - used - {f"{key}{holders.OTHERWISE}" for key in used}) == []


def test_a_text_for_a_block_by_a_restart_stands_beside_the_one_for_a_person_s():
    """It is asked for by that one's key, so it may hold no other places."""
    for catalogue in (words.SCREEN, words.REFUSALS, words.EVENTS):
        others = {key for key in catalogue if key.endswith(holders.OTHERWISE)}
        assert others
        for key in others:
            assert fields(catalogue[key]) <= fields(catalogue[key.removesuffix(holders.OTHERWISE)]), key


def test_keys_say_their_page():
    """A page's file holds that page's keys, and no key stands in two files."""
    for page in PAGES:
        tree = ast.parse((ROOT / f"controller/texts/{page}.py").read_text(encoding="utf-8"))
        dicts = [node for node in ast.walk(tree) if isinstance(node, ast.Dict)]
        written = [key.value for node in dicts for key in node.keys if isinstance(key, ast.Constant)]
        assert [key for key in written if not KEY.fullmatch(str(key)) or not key.startswith(f"{page}.")] == []
        assert len(written) == len(set(written))
        assert set(written) <= set(words.SCREEN)


def test_sentences_get_the_data_their_words_ask_for():
    """Each named place is filled wherever the key stands beside it; a missing one would show as `--`."""
    lacking = {
        f"{name} {key}": fields(words.SCREEN[key]) - given
        for name, tree in console().items()
        for key, given in said(tree)
        if key in words.SCREEN and fields(words.SCREEN[key]) - given
    }
    assert lacking == {}


def test_screens_are_plain_ascii():
    """Any terminal shows them, one column a character."""
    assert [key for key, text in everything().items() if not (text.isascii() and "\n" not in text)] == []


def test_the_search_for_keys_finds_them():
    """In a made-up page: a key, a counted one, one put together, one that is missing, and a file's name."""
    page = 'say("frame.no_such_key"); name = "events.csv"; say.count("frame.none_such", 2); say(f"help.{n}")'
    used, missing = used_in(ast.parse(page))
    assert missing >= {"frame.no_such_key", "frame.none_such"}
    assert "events.csv" not in missing | used
    assert used == {key for key in words.SCREEN if key.startswith("help.")}
    assert list(said(ast.parse('scene.say("a.b", x=1); say.count("c.d", n, y=2); other("e.f")'))) == [
        ("a.b", {"x"}),
        ("c.d.one", {"y", "n"}),
        ("c.d.many", {"y", "n"}),
    ]


def test_say_fills_counts_and_translates():
    """One and many, named places, a function from text to text before they are filled, and codes that nobody knows."""
    say = words.Say()
    assert say.alarm("probe_hold", 55.5, 55.0) == words.AlarmLines(
        "probe 55.5 C, hold level 55.0", "held", words.ALARMS["probe_hold"].do, hands=False
    )
    assert say.alarm("open_string", 0.1, 0.3).hands
    assert say.alarm("a_code_nobody_knows", None, None) == words.AlarmLines("a code nobody knows", "", "", hands=False)
    loud = words.Say(str.upper)
    assert loud.alarm("local_control", None, None).did == "HELD"
    with pytest.raises(KeyError):
        say("frame.no_such_key")


def test_say_counts(monkeypatch):
    """The singular for exactly one; the number has its place."""
    monkeypatch.setitem(words.SCREEN, "made.up.one", "{n} row of {what}")
    monkeypatch.setitem(words.SCREEN, "made.up.many", "{n} rows of {what}")
    say = words.Say()
    assert [say.count("made.up", n, what="x") for n in (0, 1, 2)] == ["0 rows of x", "1 row of x", "2 rows of x"]


def test_an_item_of_the_start_list_has_words_of_its_own():
    """The record says which item was found right or wrong; an order that only carries such words says them not."""
    data = {"verb": "done", "who": "eva", "item": 2, "item_text": "vents in", "ok": True}
    event = Event("accepted", "A01", EventKind.ORDER, data)
    assert words.text(event) == "start list, item 2 found right by eva: vents in"
    wrong = Event("accepted", "A01", EventKind.ORDER, {**data, "ok": False, "reason": "one is out"})
    assert words.text(wrong) == "start list, item 2 found WRONG by eva: vents in; one is out"
    assert words.text(Event("accepted", "A01", EventKind.ORDER, {**data, "verb": "hold"})) == "hold by eva"


@pytest.mark.parametrize(
    ("code", "verb", "data", "told"),
    [
        ("accepted", "stop", {}, "stop by root: recalled"),
        ("accepted", "load", {}, "load by root: recalled"),
        ("accepted", "load", {"trial": True}, "load by root, an engineer's trial run: recalled"),
        ("accepted", "unblock", {"by": "root"}, "unblock by root: recalled"),
        ("accepted", "unblock", {"by": "otto"}, "unblock by root, the block was otto's: recalled"),
        ("accepted", "done", {"item": 1, "item_text": "lid", "ok": True},
         "start list, item 1 found right by root: lid; recalled"),
        ("accepted", "done", {"item": 1, "item_text": "lid", "ok": False},
         "start list, item 1 found WRONG by root: lid; recalled"),
        ("recounted", "change-count", {"before": 18, "batteries": 17},
         "change-count by root: 18 batteries before, 17 now; recalled"),
        ("extended", "extend", {"minutes": 60}, "step lengthened by 60 min by root: recalled"),
        ("note", "note", {"text": "hums"}, "note by root: hums; recalled"),
        ("put_out", "out-of-use", {}, "out-of-use by root: recalled"),
        ("shelved", "shelve", {"alarm": "x", "minutes": 60}, "x shelved for 60 min by root: recalled"),
        ("took_over", "take-over", {"before": "eva"},
         "shift taken over by root from eva; nothing is shelved any more: recalled"),
        ("signed_off", "sign-off", {"result": "pass"}, "signed off by root: pass"),
        ("added", "added", {"mL": 9, "what": "water", "position": 2}, "9 mL water into battery 2 by root: recalled"),
        ("reason", "sign-off", {}, "reason of sign-off by root: recalled"),
    ],
)  # fmt: skip
def test_a_reason_stands_once_in_an_accepted_order_s_words(code, verb, data, told):
    """In the readable record too, not only in the order; never twice, and never in what is taken apart again."""
    said = {"verb": verb, "who": "root", "reason": "recalled", **data}
    assert words.text(Event(code, "A01", EventKind.ORDER, said)) == told
    assert "recalled" not in words.text(Event("state", "A01", EventKind.REFUSAL, said))
    for nothing in ("", None, 7):
        left = words.text(Event("accepted", "A01", EventKind.ORDER, {**said, "verb": "stop", "reason": nothing}))
        assert left == "stop by root"


def test_a_reason_stays_what_was_typed():
    """What looks like a place to fill in is filled by nothing."""
    said = {"verb": "hold", "who": "root", "reason": "{who} {0.__class__} 100 %s"}
    assert words.text(Event("accepted", "A01", EventKind.ORDER, said)) == "hold by root: {who} {0.__class__} 100 %s"
    assert (
        words.text(Event("reading", "A01", EventKind.ORDER, {"verb": "reading", "reason": "x"}))[-13:]
        == "instrument --"
    )
