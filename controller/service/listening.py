"""Binding a unix socket, and asking the kernel who is at its other end. Nothing of the messages may enter."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import struct
from pathlib import Path


def peer_uid(writer: asyncio.StreamWriter) -> int:
    """The user id at the other end, as the kernel vouches for it."""
    peer = writer.get_extra_info("socket").getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", peer)
    return int(uid)


def bind(path: Path, mode: int) -> socket.socket:
    """A bound socket at `path`; one left behind by a service that died is replaced.

    Raises `OSError` (EADDRINUSE) where a service answers there. Nobody can connect before the mode is set: a bound
    socket that does not listen yet refuses.
    """
    bound = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        _bind_or_replace(bound, path)
        path.chmod(mode)
    except OSError:
        bound.close()
        raise
    return bound


def _bind_or_replace(bound: socket.socket, path: Path) -> None:
    try:
        bound.bind(os.fspath(path))
    except OSError as error:
        if error.errno != errno.EADDRINUSE or answers(path):
            raise
        path.unlink()
        bound.bind(os.fspath(path))


def answers(path: Path) -> bool:
    """Whether something listens at `path`. What is there and is no socket counts as in use: not ours to remove."""
    if not path.is_socket():
        return True
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(os.fspath(path))
        except ConnectionRefusedError:
            return False
        except OSError:
            return True
    return True
