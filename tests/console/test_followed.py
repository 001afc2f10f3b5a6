"""Orders followed to their end: asked, read back or refused, of this console and of others."""

from __future__ import annotations

import pytest

from controller.console.followed import ANSWER_S, MOST, Followed
from controller.console.scene import OrderLine
from controller.words import Say

SAY = Say()


def order(order_id: str = "a", target: str = "A07", **over):
    told = {"type": "order", "id": order_id, "time_utc": "2026-03-16T06:00:00Z", "verb": "hold", "target": target}
    return told | {"who": "night2", "accepted": True, "text": "hold by night2"} | over


def test_an_own_order_goes_from_asked_to_read_back():
    """The line says asked, then the answer, then what the device read back."""
    followed = Followed()
    followed.asked("a", OrderLine("2026-03-16T06:00:00Z", "resume", "A08", "night1", bath="A"), 1.0)
    assert followed.lines()[0].accepted is None
    said = followed.take({"type": "answer", "id": "a", "accepted": True, "text": "by night1", "reads_back": True}, SAY)
    assert "asked" in said
    said = followed.take({"type": "readback", "id": "a", "target": "A08", "text": "read back 3.0 A"}, SAY)
    assert "read back 3.0 A" in said
    (line,) = followed.lines()
    assert (line.accepted, line.read_back) == (True, "read back 3.0 A")


def test_a_refusal_is_said_with_its_reason():
    """A refused order says so and why."""
    followed = Followed()
    followed.asked("a", OrderLine("", "resume", "A08", "night1"), 1.0)
    assert "hood open" in followed.take({"type": "answer", "id": "a", "accepted": False, "text": "hood open"}, SAY)


def test_the_order_of_another_console_is_seen():
    """Whoever gives an order, every console shows it."""
    followed = Followed()
    assert "night2" in followed.take(order(), SAY)
    assert [line.target for line in followed.lines()] == ["A07"]


def test_an_order_to_a_bath_is_one_line_and_only_a_refused_part_gets_its_own():
    """Forty circuits held by one order do not push everything else out of the list."""
    followed = Followed()
    followed.take(order(target="A"), SAY)
    for number in range(40):
        followed.take(order(target=f"A{number:02d}"), SAY)
    followed.take(order(target="A41", accepted=False, text="not while it is idle"), SAY)
    assert [line.target for line in followed.lines()] == ["A", "A41"]


def test_an_order_that_could_not_be_sent_is_no_order():
    """It stands there as refused, with what went wrong."""
    followed = Followed()
    followed.asked("a", OrderLine("", "start", "A01", "night1"), 1.0)
    followed.lost("a", "no service is attached")
    assert followed.lines()[0].accepted is False


def test_what_comes_is_cleaned_and_bounded():
    """Hostile texts lose their escapes, and only the newest orders are kept."""
    followed = Followed()
    for number in range(MOST + 30):
        followed.take(order(str(number), who="\x1b[31mx\r\n"), SAY)
    lines = followed.lines()
    assert len(lines) == MOST
    assert lines[-1].who == "[31mx"


def test_an_order_without_an_answer_is_not_left_as_asked():
    """A service that does not answer leaves a person in doubt: that is said, once."""
    followed = Followed()
    followed.asked("a", OrderLine("", "start", "A01", "night1"), 1.0)
    assert followed.unanswered(2.0, SAY) == ""
    assert "NO ANSWER" in followed.unanswered(2.0 + ANSWER_S, SAY)
    assert followed.unanswered(9e9, SAY) == ""


def test_the_refused_order_of_another_is_said_as_refused():
    """Nobody reads that a start was ordered when it was refused."""
    followed = Followed()
    said = followed.take(order(verb="start", accepted=False, text="start refused: bath not purged"), SAY)
    assert said.endswith("refused: bath not purged")


def test_a_notice_of_the_service_is_said():
    """What a service tells everybody stands there as it is, cleaned."""
    assert (
        Followed().take({"type": "notice", "text": "the bath is yours\x1b[31m now"}, SAY)
        == "the bath is yours [31m now"
    )


LOUD = "taken, but NOT on the disk yet: disk full; after a crash nobody would know of it; blocked by night1"


@pytest.mark.parametrize("first", ["answer", "readback"])
def test_an_order_that_is_not_on_the_disk_keeps_saying_so(first):
    """At once, beside what is read back, and when its own order comes round again; whichever comes first."""
    followed = Followed()
    followed.asked("a", OrderLine("2026-03-16T06:00:00Z", "block", "A08", "night1", bath="A"), 1.0)
    told = {
        "answer": {"type": "answer", "id": "a", "accepted": True, "text": LOUD, "reads_back": True, "kept": False},
        "readback": {"type": "readback", "id": "a", "target": "A08", "text": "read back 0.0 A"},
    }
    said = [followed.take(told[kind], SAY) for kind in (first, *(kind for kind in told if kind != first))]
    assert LOUD in said[1]
    assert "asked" not in said[1]
    assert followed.take(order(target="A08", verb="block", who="night1", text="blocked by night1"), SAY) == ""
    (line,) = followed.lines()
    assert (line.accepted, line.kept, line.text, line.read_back) == (True, False, LOUD, "read back 0.0 A")
    if first == "answer":
        assert said[0].startswith("block A08: taken, but NOT on the disk yet")
        assert "read back 0.0 A" in said[1]


def test_an_order_that_is_kept_says_nothing_of_the_disk():
    """An answer of any service that does not speak of it counts as kept."""
    followed = Followed()
    followed.asked("a", OrderLine("", "block", "A08", "night1"), 1.0)
    followed.take({"type": "answer", "id": "a", "accepted": True, "text": "blocked", "reads_back": True}, SAY)
    assert followed.lines()[0].kept
    followed.take(order("b", target="A09"), SAY)
    assert [line.kept for line in followed.lines()] == [True, True]
