"""Lines as answers: what the plain console's dialogues take, line by line, and what they never take."""

from __future__ import annotations

import pictures
import pytest

from controller.console import answers, plainwords
from controller.console.plainwords import Asked
from controller.console.prompt import open_prompt
from controller.console.prompttypes import Wanted
from controller.console.scene import Place


def hall(**over):
    """Bath A: idle, running, complete, free, held, and S03 whose name begins with the letter that holds."""
    task = pictures.plan()
    task["steps"][3] |= {"order": True, "task": "acid change"}
    clamp = pictures.alarm("A05", "open_string", latched=True, active=False, seen=True)
    circuits = [
        pictures.circuit("S03", "idle"), pictures.circuit("A02", load=pictures.load(plan="task")),
        pictures.circuit("A03", "complete"), pictures.idle("A04"), pictures.circuit("A05", "tripped", alarms=(clamp,)),
        pictures.circuit("A08", "held"), pictures.circuit("A12", "held", blocked="night1", may={}),
    ]  # fmt: skip
    plans = {pictures.PLAN: pictures.plan(), "task": task}
    return pictures.scene(pictures.picture(circuits, plans=plans, start_items=["polarity"]), **over)


def namesakes():
    """Baths A and B, both with an X01; B has an X02 as well."""
    return pictures.scene(
        pictures.picture([pictures.circuit("X01", "held")]),
        pictures.picture([pictures.circuit("X01", "held"), pictures.circuit("X02")], bath="B"),
    )


def opened(scene, kind, target):
    step = open_prompt(kind, scene, 0.0, target)
    assert step.prompt is not None, step.said
    return step.prompt


NO_ANSWERS = ("no", "no, about that", "A03", "cancel it", "enter", "unload A03", "hold", "y", "yes please", "s", "up")


@pytest.mark.parametrize(("kind", "name"), [("hold", "A02"), ("block", "A02"), ("unload", "A03")])
def test_only_a_plain_yes_takes_the_place_of_enter(kind, name):
    """An empty line or `yes` does it; whatever else is said does nothing and is told so."""
    scene = hall()
    given = opened(scene, kind, name)
    for line in (*NO_ANSWERS, *(("e", "b") if kind != "hold" else ())):
        step = answers.answered(given, line, scene, 1.0)
        assert (step.prompt, step.wanted) == (given, ()), line
        assert "nothing was sent" in step.said
    for line in ("", "  ", "yes", "YES"):
        assert [w.verb for w in answers.answered(given, line, scene, 1.0).wanted] == [kind]


def test_hold_goes_on_by_one_letter_to_its_end_or_the_bath():
    """`e` asks for the name, `b` for a yes; a word that has these letters in it does neither."""
    scene = hall()
    given = opened(scene, "hold", "A02")
    assert answers.answered(given, "e", scene, 1.0).prompt.stage == "end"
    bath = answers.answered(given, "b", scene, 1.0).prompt
    for line in ("no", "b", "e", "hold"):
        assert answers.answered(bath, line, scene, 1.0).wanted == ()
    assert answers.answered(bath, "yes", scene, 1.0).wanted == (Wanted("A", "hold", "A"),)
    assert answers.answered(given, "be", scene, 1.0).prompt == given


@pytest.mark.parametrize(("kind", "name"), [("resume", "A08"), ("done", "A02"), ("reset", "A05"), ("unblock", "A12")])
def test_name_is_one_whole_line(kind, name):
    """The circuit's name alone, in any case; no piece, no more, no yes, nothing typed before it."""
    scene = hall()
    given = opened(scene, kind, name)
    while given.stage == "told":
        assert answers.answered(given, "A12 and A08", scene, 1.0).wanted == ()
        given = answers.answered(given, "a12", scene, 1.0).prompt
    for line in ("", "yes", name[:-1], f"{name}3", f"{name} {name}", f"x{name}", f"{kind} {name}", "s", "e"):
        step = answers.answered(given, line, scene, 1.0)
        assert step.wanted == (), line
        assert (step.prompt.stage, step.prompt.typed) == ("name", "")
    assert [w.target for w in answers.answered(given, f" {name.lower()} ", scene, 1.0).wanted] == [name]


def test_end_of_a_run_takes_its_name_only():
    """An ended run cannot go on: no yes ends it."""
    scene = hall()
    end = answers.answered(opened(scene, "hold", "A02"), "e", scene, 1.0).prompt
    for line in ("", "yes", "A0", "e"):
        assert answers.answered(end, line, scene, 1.0).wanted == ()
    assert answers.answered(end, "A02", scene, 1.0).wanted == (Wanted("A", "stop", "A02"),)


@pytest.mark.parametrize("text", ["yes", "no", "pump hums", "e"])
def test_text_is_the_line_itself(text):
    """A note's words are its words, also those that mean something elsewhere; an empty line is no note."""
    scene = hall()
    given = opened(scene, "note", "A02")
    assert answers.answered(given, text, scene, 1.0).wanted == (Wanted("A", "note", "A02", {"text": text}),)
    assert answers.answered(given, "", scene, 1.0).wanted == ()


def test_form_line_by_line():
    """A line is a field; an empty one keeps it; the choice takes its two words; the summary a plain yes."""
    scene = hall()
    given = opened(scene, "load", "A04")
    assert "no such name" in answers.answered(given, "starter-61", scene, 1.0).said
    for line in ("starter-60", "K3107:1-18"):
        given = answers.answered(given, line, scene, 1.0).prompt
    assert "type f or c" in answers.answered(given, "for sure", scene, 1.0).said
    for line in ("", "70", "39"):
        given = answers.answered(given, line, scene, 1.0).prompt
    assert given.stage == "summary"
    assert answers.answered(given, "no", scene, 1.0).wanted == ()
    again = answers.answered(given, "up", scene, 1.0).prompt
    assert (again.stage, again.fields) == ("form", given.fields)
    (wanted,) = answers.answered(given, "", scene, 1.0).wanted
    assert (wanted.verb, wanted.args["batch"], wanted.args["continued"]) == ("load", "K3107:1-18", False)


def test_answer_that_was_there_before_its_question_is_too_soon():
    """Half a second after the question was printed, for each typed name that can let current flow; for no other."""
    scene = hall()
    resume = opened(scene, "resume", "A08")
    assert answers.too_soon(resume, 10.0, 9.0)
    assert answers.too_soon(resume, 10.0, 10.49)
    assert not answers.too_soon(resume, 10.0, 10.5)
    for kind, name in (("hold", "A02"), ("block", "A02"), ("note", "A02"), ("unload", "A03")):
        assert not answers.too_soon(opened(scene, kind, name), 10.0, 9.0)


@pytest.mark.parametrize("kind", ["hold", "block", "unload", "load", "resume", "note", "reset", "unblock"])
def test_question_names_no_key_of_the_screen(kind):
    """Where lines are typed nothing tells of Esc or arrows; how it is left is said."""
    scene = hall()
    name = {"unload": "A03", "load": "A04", "reset": "A05", "unblock": "A12"}.get(kind, "A08")
    text = " ".join(line.text for line in plainwords.question(opened(scene, kind, name), scene))
    assert "cancel leaves it" in text
    for word in ("Esc", "arrows", "Up goes"):
        assert word not in text


# -- what a line asks for


def test_namesake_needs_its_bath():
    """`hold X01` where two baths have one: refused with the choices; with its bath, in either way, it is taken."""
    scene = namesakes()
    said = plainwords.parse("hold X01", scene)
    assert said.word == ""
    assert "hold A/X01, hold B/X01" in said.said
    for line in ("hold B/X01", "hold b x01", "HOLD B X01"):
        assert plainwords.parse(line, scene) == Asked("hold", "X01", "", bath="B")
    assert plainwords.parse("note B X01 pump hums", scene) == Asked("note", "X01", "pump hums", bath="B")
    assert plainwords.parse("note X02 pump hums", scene) == Asked("note", "X02", "pump hums", bath="B")
    assert plainwords.parse("hold B", scene) == Asked("hold", "", "", bath="B")
    assert plainwords.parse("note B pump", scene) == Asked("note", "", "pump", bath="B")
    assert "no circuit or bath X0" in plainwords.parse("hold X0", scene).said


def test_bath_with_blanks_in_its_name_is_named_whole():
    """The longest name that fits is meant: `Hall 1/A 2` is not `Hall 1/A`."""
    one, two = pictures.picture([pictures.circuit("X01")]), pictures.picture([pictures.circuit("X01")])
    scene = pictures.scene(pictures.seen(one, name="Hall 1/A"), pictures.seen(two, name="Hall 1/A 2"))
    assert plainwords.parse("hold Hall 1/A/X01", scene).bath == "Hall 1/A"
    assert plainwords.parse("hold hall 1/a x01", scene).bath == "Hall 1/A"
    assert plainwords.parse("hold Hall 1/A 2/X01", scene).bath == "Hall 1/A 2"
    assert plainwords.parse("hold Hall 1/A 2 X01", scene) == Asked("hold", "X01", "", bath="Hall 1/A 2")


def test_order_opens_on_what_was_named():
    """The named bath's circuit whatever was selected before; a bath's own hold; one that is for a circuit only, not."""
    scene = namesakes()
    asked = plainwords.parse("hold B/X01", scene)
    assert (asked.place(Place(bath="A", circuit="X01")).bath, asked.place(Place()).circuit) == ("B", "X01")
    prompt = plainwords.opened(scene, asked, 0.0).prompt
    assert (prompt.bath, prompt.targets) == ("B", ("X01",))
    for word, stage in (("hold", "bath"), ("note", "text")):
        asked = plainwords.parse(f"{word} B", scene)
        selected = pictures.scene(*scene.baths, bath="B", circuit="")
        prompt = plainwords.opened(selected, asked, 0.0).prompt
        assert (prompt.bath, prompt.stage) == ("B", stage)
    assert "for one circuit" in plainwords.opened(scene, plainwords.parse("block B", scene), 0.0).said


def test_lines_name_their_bath_where_there_are_more():
    """Time, BATH/CIRCUIT, kind; with one bath the circuit alone."""
    scene = namesakes()
    asked = plainwords.parse("status", scene)
    assert [line.who for line in plainwords.status(scene, asked)] == ["A/X01", "B/X01", "B/X02"]
    assert [line.who for line in plainwords.status(scene, plainwords.parse("status B", scene))] == ["B/X01", "B/X02"]
    assert {line.who for line in plainwords.changes(scene, scene.baths[1], None)} == {"B/X01", "B/X02"}
    alone = hall()
    assert {line.who for line in plainwords.changes(alone, alone.baths[0], None)} == {
        "S03", "A02", "A03", "A04", "A05", "A08", "A12",
    }  # fmt: skip
    alarm = pictures.alarm("X01", "water_warm")
    bath_alarm = pictures.alarm("B", "emergency_stop")
    assert plainwords.alarm_lines(scene, scene.baths[1], alarm)[0].who == "B/X01"
    assert plainwords.alarm_lines(scene, scene.baths[1], bath_alarm)[0].who == "B"
