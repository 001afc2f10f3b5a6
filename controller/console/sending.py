"""From what a person wants to the messages of the socket. Pure."""

from __future__ import annotations

from controller.console.pacing import Pace, Seek
from controller.console.picture import PaceView
from controller.console.prompt import Wanted
from controller.service.protocol import OrderMessage, PaceMessage, PromptMessage

LEAST_RATIO, MOST_RATIO = 1.0, 3600.0


def order_of(wanted: Wanted, order_id: str) -> OrderMessage:
    """Return the message of an order. Raises ValueError where a field cannot be one."""
    return OrderMessage.model_validate(
        {
            "id": order_id,
            "verb": wanted.verb,
            "target": wanted.target,
            "args": dict(wanted.args),
            "seen_revision": wanted.seen_revision,
        }
    )


def pace_of(wish: Pace, pace: PaceView | None, message_id: str) -> PaceMessage:
    """Return the message of a wish about the plant's time, worked out from the pace that was last seen."""
    if pace is None or wish.pause:
        return PaceMessage(id=message_id, paused=not pace.paused if pace is not None else None)
    return PaceMessage(id=message_id, ratio=min(MOST_RATIO, max(LEAST_RATIO, pace.ratio * wish.factor)))


def seek_of(wish: Seek, message_id: str) -> PaceMessage:
    """Return the message that asks a replay for another moment. Raises ValueError where a field cannot be one."""
    return PaceMessage.model_validate(
        {
            "id": message_id,
            "elapsed_s": wish.elapsed_s,
            "time_utc": wish.moment,
            "event": wish.event or None,
        }
    )


def announcement(verb: str, target: str, open_: bool, message_id: str) -> PromptMessage:
    """Return the message that a dialogue opened or closed. Raises ValueError where a field cannot be one."""
    return PromptMessage.model_validate({"id": message_id, "verb": verb, "target": target, "open": open_})
