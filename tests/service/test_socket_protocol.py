"""What passes for a message on the socket, and what does not."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.service.protocol import (
    MAX_LINE_BYTES,
    VERBS,
    Answer,
    BadMessage,
    OrderMessage,
    WhoMessage,
    clean,
    decode,
    encode,
)


def order(**changes):
    return {"type": "order", "id": "a1", "verb": "hold", "target": "A07", **changes}


def refused(**changes) -> BadMessage:
    with pytest.raises(BadMessage) as caught:
        decode(json.dumps(order(**changes)).encode())
    return caught.value


def test_order_passes_both_ways():
    """An order encoded by the client is the same order at the service."""
    message = OrderMessage(
        id="a1", verb="load", target="A07", args={"batteries": 18, "continued": False}, seen_revision=4
    )
    assert decode(encode(message)) == message
    assert decode(encode(WhoMessage(id="w"))) == WhoMessage(id="w")


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_passes(verb):
    """Each verb of the list is taken."""
    assert decode(json.dumps(order(verb=verb)).encode()).verb == verb


@pytest.mark.parametrize(
    "changes",
    [
        {"verb": "energise"},
        {"target": ""},
        {"target": "\x1b[2J"[:1]},
        {"target": "A" * 65},
        {"id": "../x"},
        {"id": ""},
        {"extra": 1},
        {"args": {"Key With Space": 1}},
        {"args": {"k": [1]}},
        {"args": {"k": 10**30}},
        {"args": {f"k{n}": n for n in range(33)}},
        {"args": {"k": "x" * 8001}},
        {"seen_revision": -1},
        {"seen_revision": True},
        {"type": "snapshot"},
    ],
)
def test_wrong_order_is_refused_with_a_short_sentence(changes):
    """Whatever is wrong with an order ends in one clean line, never in a trace, and never in an order."""
    text = str(refused(**changes))
    assert text == clean(text)
    assert 0 < len(text) <= 200


def test_refusal_keeps_the_id():
    """A client can tell which of its orders was no order."""
    assert refused(verb="energise").id == "a1"


@pytest.mark.parametrize(
    "line", [b"", b"[]", b"7", b"{", b"\xff", b"[" * 5000, b'{"type":"order","args":{"k":NaN}}', b"x" * 70000]
)
def test_rubbish_is_refused(line):
    """Lines that are no JSON object, or endless, are no message."""
    with pytest.raises(BadMessage):
        decode(line)


@given(st.binary(max_size=300))
def test_no_bytes_break_the_decoder(line):
    """Arbitrary bytes give a message or `BadMessage`, nothing else."""
    try:
        message = decode(line)
    except BadMessage:
        return
    assert isinstance(message, OrderMessage | WhoMessage)


@given(st.text(max_size=200))
def test_cleaned_text_holds_nothing_a_terminal_obeys(text):
    """No control, escape, line end or direction character is left; cleaning twice changes nothing."""
    done = clean(text)
    assert done.isprintable()
    assert clean(done) == done


def test_escapes_vanish_from_reason_and_name():
    """A terminal escape and a line end in an order's texts do not reach record or screen."""
    raw = order(as_stated="Eva\x1b[31m\u202e", args={"reason": "hot\nwater"})
    message = decode(json.dumps(raw).encode())
    assert message.as_stated == "Eva [31m"
    assert message.args["reason"] == "hot water"


def test_numbers_that_are_none_become_null():
    """A snapshot with NaN or infinity is still JSON."""
    assert json.loads(encode({"a": float("nan"), "b": [float("inf"), 1.5]})) == {"a": None, "b": [None, 1.5]}


def test_too_long_a_message_is_not_encoded():
    """No line leaves that a client need not take; the longest that fits does."""
    frame = len(encode({"a": ""}))
    assert len(encode({"a": "x" * (MAX_LINE_BYTES - frame)})) == MAX_LINE_BYTES
    with pytest.raises(ValueError, match="at most"):
        encode({"a": "x" * (MAX_LINE_BYTES - frame + 1)})


def test_answer_is_one_line():
    """A line end inside an answer's text stays inside its line."""
    assert encode(Answer(id="a", accepted=True, text="one\ntwo")).count(b"\n") == 1
