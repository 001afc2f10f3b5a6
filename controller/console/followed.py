"""Orders followed to their end: asked, then read back or refused, whoever gave them. Pure."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from controller.console.scene import OrderLine
from controller.service.protocol import clean
from controller.words import Say

MOST = 60
ANSWER_S = 12.0
"""After so long without an answer nobody knows what became of an order: a service answers in its next cycle."""
Key = tuple[str, str]


class Followed:
    """The newest orders by id and target, oldest first.

    An order to a bath is one line: its circuits' parts share its id, and only a refused one gets a line of its own.
    """

    def __init__(self) -> None:
        self._lines: OrderedDict[Key, OrderLine] = OrderedDict()
        self._own: dict[str, str] = {}
        self._waiting: dict[str, float] = {}

    def lines(self) -> tuple[OrderLine, ...]:
        """Every order still remembered, oldest first."""
        return tuple(self._lines.values())

    def asked(self, order_id: str, line: OrderLine, now_s: float) -> None:
        """An order of this console has been sent, at this console's time."""
        self._own[order_id] = line.target
        self._waiting[order_id] = now_s
        self._put((order_id, line.target), line)

    def unanswered(self, now_s: float, say: Say) -> str:
        """Return a word about an order that has waited too long for its answer: nobody knows whether it was taken."""
        late = [order_id for order_id, asked_s in self._waiting.items() if now_s - asked_s > ANSWER_S]
        told = ""
        for order_id in late:
            del self._waiting[order_id]
            known = self._lines.get((order_id, self._own.get(order_id, "")))
            if known is not None and known.accepted is None:
                told = say("link.no_answer", verb=known.verb, target=known.target)
        return told

    def lost(self, order_id: str, why: str) -> None:
        """An order could not be sent."""
        self._waiting.pop(order_id, None)
        key = (order_id, self._own.get(order_id, ""))
        if key in self._lines:
            self._put(key, replace(self._lines[key], accepted=False, text=why))

    def take(self, message: Mapping[str, Any], say: Say, bath: str = "") -> str:
        """Take an answer, an order of anybody, a read-back or a notice of the service called `bath`.

        Return the line that is worth saying now, or nothing.
        """
        kind, order_id = message.get("type"), str(message.get("id") or "")
        if kind == "notice":
            return say("link.notice", text=_text(message, "text", 300))
        if kind == "order":
            return self._order(order_id, message, say, bath)
        if kind == "answer":
            return self._answer(order_id, message, say)
        return self._read_back(order_id, message, say) if kind == "readback" else ""

    def _answer(self, order_id: str, message: Mapping[str, Any], say: Say) -> str:
        self._waiting.pop(order_id, None)
        key = (order_id, self._own.get(order_id, ""))
        known = self._lines.get(key)
        if known is None:
            return ""
        accepted, text = bool(message.get("accepted")), _text(message, "text", 300)
        kept = message.get("kept") is not False
        self._put(key, replace(known, accepted=accepted, text=text, kept=kept))
        waits = message.get("reads_back") and kept and not known.read_back
        told = "orders.refused" if not accepted else "orders.asked" if waits else "orders.answered"
        return say(told, verb=known.verb, target=known.target, text=_bare(text, known.verb))

    def _read_back(self, order_id: str, message: Mapping[str, Any], say: Say) -> str:
        target = _text(message, "target", 64)
        key = (order_id, target)
        if key not in self._lines:
            key = next((each for each in self._lines if each[0] == order_id), key)
        known = self._lines.get(key)
        if known is None:
            return ""
        text = _text(message, "text", 300)
        self._put(key, replace(known, read_back=text))
        if order_id not in self._own:
            return ""
        shown = _bare(text, known.verb)
        if not known.kept:
            # What was read back must not wipe out the word that a crash would forget the order.
            shown = f"{known.text}; {shown}"
        return say("orders.read_back", verb=known.verb, target=target or known.target, text=shown)

    def _order(self, order_id: str, message: Mapping[str, Any], say: Say, bath: str) -> str:
        """Take an order that the service tells everybody of; another person's is worth a line."""
        target, accepted = _text(message, "target", 64), bool(message.get("accepted"))
        known = self._lines.get((order_id, target))
        part = known is None and any(each[0] == order_id for each in self._lines)
        if part and accepted:
            return ""
        kept = known is None or known.kept
        line = OrderLine(
            _text(message, "time_utc", 40),
            _text(message, "verb", 40),
            target,
            _text(message, "who", 64),
            _text(message, "text", 300) if known is None or kept else known.text,
            accepted,
            known.read_back if known is not None else "",
            bath,
            kept,
        )
        self._put((order_id, target), line)
        if order_id in self._own:
            return ""
        told = "orders.by_other" if accepted else "link.refused_other"
        return say(told, who=line.who, verb=line.verb, target=line.target, text=_bare(line.text, line.verb))

    def _put(self, key: Key, line: OrderLine) -> None:
        self._lines[key] = line
        while len(self._lines) > MOST:
            (gone, _), _ = self._lines.popitem(last=False)
            self._own.pop(gone, None)


def _bare(text: str, verb: str) -> str:
    """The service's sentence without the order's word, which stands before it already."""
    for ahead in (f"{verb} refused: ", f"{verb}: ", f"{verb} "):
        if text.startswith(ahead):
            return text[len(ahead) :]
    return text


def _text(message: Mapping[str, Any], key: str, longest: int) -> str:
    return clean(str(message.get(key) or ""), longest)
