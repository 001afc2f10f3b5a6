"""The other end of the service's socket: for a command that gives one order, and for whatever stays attached.

Every wait is bounded. What comes from a service is parsed as data and shown only cleaned.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import time
import uuid
from collections.abc import AsyncIterator, Iterable, Mapping
from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import ValidationError

from controller.service.errors import Unreachable
from controller.service.places import socket_folders
from controller.service.protocol import (
    MAX_SHOWN_BYTES,
    Answer,
    Incoming,
    OrderMessage,
    ReadBack,
    Serves,
    WhoMessage,
    clean,
    encode,
)

M = TypeVar("M", Serves, Answer, ReadBack)

ANSWER_S = 30.0
"""Longest wait for the core's answer: several cycles of the slowest bath."""

WHO_S = 2.0
"""Longest wait for a service to say what it serves."""


def new_id() -> str:
    """An id for an order, never used before."""
    return uuid.uuid4().hex


class Connection:
    """A blocking connection to one service. Raises `Unreachable` wherever the service does not do its part in time."""

    def __init__(self, path: Path, timeout_s: float = WHO_S) -> None:
        self.path = path
        self._rest = b""
        self._passed: dict[str, dict[str, Any]] = {}
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        try:
            self._socket.connect(os.fspath(path))
        except OSError as error:
            self._socket.close()
            raise Unreachable(f"{path}: {error.strerror or error}") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Hangs up; an order that was taken goes its way all the same."""
        self._socket.close()

    def who(self, timeout_s: float = WHO_S) -> Serves:
        """What this service serves."""
        message_id = new_id()
        self._send(encode(WhoMessage(id=message_id)))
        return _fit(Serves, self._reply("serves", message_id, timeout_s), self.path)

    def order(self, message: OrderMessage, timeout_s: float = ANSWER_S) -> Answer:
        """Sends an order and waits for the core's answer."""
        self._send(encode(message))
        return _fit(Answer, self._reply("answer", message.id, timeout_s), self.path)

    def read_back(self, order_id: str, timeout_s: float = ANSWER_S) -> ReadBack:
        """Waits for what the device read back after an accepted order; it may have come before the answer."""
        if (passed := self._passed.pop(order_id, None)) is not None:
            return _fit(ReadBack, passed, self.path)
        return _fit(ReadBack, self._reply("readback", order_id, timeout_s), self.path)

    def snapshot(self, timeout_s: float = ANSWER_S) -> dict[str, Any]:
        """Waits for the next snapshot."""
        return self._reply("snapshot", None, timeout_s)

    def _send(self, line: bytes) -> None:
        try:
            self._socket.sendall(line)
        except OSError as error:
            # It may have said why before it hung up.
            why = _full(self._message(WHO_S) or {}) or f"the service hung up ({error.strerror or error})"
            raise Unreachable(f"{self.path}: {why}") from None

    def _reply(self, kind: str, message_id: str | None, timeout_s: float) -> dict[str, Any]:
        until_s = time.monotonic() + timeout_s
        while True:
            left_s = until_s - time.monotonic()
            message = self._message(left_s) if left_s > 0 else None
            if message is None:
                raise Unreachable(f"{self.path}: no {kind} within {timeout_s:g} s")
            if _full(message):
                raise Unreachable(f"{self.path}: {_full(message)}")
            if message.get("type") == kind and message_id in {None, message.get("id")}:
                return message
            if message.get("type") == "readback" and message_id is not None and message.get("id") == message_id:
                self._passed[message_id] = message

    def _message(self, timeout_s: float) -> dict[str, Any] | None:
        """The next message, or None where none came in time."""
        self._socket.settimeout(timeout_s)
        while b"\n" not in self._rest:
            try:
                piece = self._socket.recv(65536)
            except TimeoutError:
                return None
            except OSError as error:
                raise Unreachable(f"{self.path}: the service hung up ({error.strerror or error})") from None
            self._rest += piece
            if not piece:
                raise Unreachable(f"{self.path}: the service hung up")
            if len(self._rest) > MAX_SHOWN_BYTES and b"\n" not in self._rest:
                raise Unreachable(
                    f"{self.path}: a line longer than {MAX_SHOWN_BYTES} bytes, this is no formbath service"
                )
        line, _, self._rest = self._rest.partition(b"\n")
        return _parse(line, self.path)


class AsyncConnection:
    """An attached client in an event loop: `messages` as they come, `send` for what it says itself. See `attach`."""

    def __init__(self, path: Path, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.path = path
        self._reader = reader
        self._writer = writer

    async def messages(self) -> AsyncIterator[dict[str, Any]]:
        """Every message until the service closes. Raises `Unreachable` where it breaks off or talks otherwise."""
        while True:
            try:
                line = await self._reader.readline()
            except (OSError, ValueError) as error:
                raise Unreachable(f"{self.path}: {error}") from None
            if not line:
                return
            yield _parse(line, self.path)

    async def send(self, message: Incoming) -> None:
        """Sends one message; the answer comes among `messages`."""
        self._writer.write(encode(message))
        try:
            await asyncio.wait_for(self._writer.drain(), WHO_S)
        except (OSError, TimeoutError) as error:
            raise Unreachable(f"{self.path}: the service does not take it ({error or 'no answer'})") from None

    async def close(self) -> None:
        """Hangs up."""
        self._writer.transport.abort()


async def attach(path: Path) -> AsyncConnection:
    """Attaches to the service at `path`. Raises `Unreachable`."""
    try:
        opening = asyncio.open_unix_connection(path, limit=MAX_SHOWN_BYTES)
        reader, writer = await asyncio.wait_for(opening, WHO_S)
    except (OSError, TimeoutError) as error:
        raise Unreachable(f"{path}: {error or 'no answer'}") from None
    return AsyncConnection(path, reader, writer)


def find_sockets(folders: Iterable[Path] | None = None) -> tuple[Path, ...]:
    """Every socket of a service that lies where this user may look, in order of folder and name."""
    places = socket_folders() if folders is None else folders
    return tuple(path for folder in places for path in sorted(_listed(folder)) if path.is_socket())


def _listed(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.iterdir() if path.suffix == ".sock"]
    except OSError:
        return []


def serving(target: str, paths: Iterable[Path]) -> tuple[Path, ...]:
    """Those of `paths` whose service serves `target`. Raises `Unreachable`, naming each, where none answered at all."""
    asked: dict[Path, str] = {}
    found = []
    for path in paths:
        try:
            with Connection(path) as connection:
                served = connection.who()
        except Unreachable as error:
            asked[path] = str(error)
            continue
        asked[path] = ""
        if target in served.targets:
            found.append(path)
    if not any(reason == "" for reason in asked.values()):
        detail = "; ".join(asked.values()) or "no socket in " + ", ".join(map(str, socket_folders()))
        raise Unreachable(f"no running service: {detail}")
    return tuple(found)


def _full(message: Mapping[str, Any]) -> str:
    """What a service says that has no room for this client, else an empty text."""
    full = message.get("type") == "error" and message.get("code") == "full"
    return clean(str(message.get("text")), 200) if full else ""


def _parse(line: bytes, path: Path) -> dict[str, Any]:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        message = None
    if not isinstance(message, dict):
        raise Unreachable(f"{path}: answers something that is no message, this is no formbath service")
    return message


def _fit(model: type[M], message: Mapping[str, Any], path: Path) -> M:
    try:
        return model.model_validate(message)
    except ValidationError:
        raise Unreachable(f"{path}: an answer of another form, is the service of another version?") from None
