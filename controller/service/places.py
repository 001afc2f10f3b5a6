"""Where a service's socket and locks lie in the file system. Paths only; nothing is opened here."""

from __future__ import annotations

import os
import re
import stat
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

SHARED = Path("/run/formbath")
"""The folder of a real service, made by the service manager with the floor's group."""

MAX_PATH_BYTES = 107
"""What a unix socket's address holds on Linux, less its closing zero."""


@dataclass(frozen=True, slots=True)
class SocketPlace:
    """Where the socket lies; `group`: the folder is shared, so the folder's group may attach."""

    path: Path
    group: bool


def socket_place(
    hall: str, bath: str, *, demo_pid: int | None = None, shared: Path = SHARED, env: Mapping[str, str] | None = None
) -> SocketPlace:
    """The socket of a bath: in `shared` where that is writable, else in the user's own folder.

    A demo adds its process id, so that two demos do not meet. Raises `OSError` where no safe folder can be had.
    """
    parts = [safe_part(hall), safe_part(bath), *([] if demo_pid is None else [str(demo_pid)])]
    name = "-".join(parts) + ".sock"
    if _writable(shared):
        return SocketPlace(_short(shared / name), group=True)
    return SocketPlace(_short(own_folder(env) / name), group=False)


def socket_folders(shared: Path = SHARED, env: Mapping[str, str] | None = None) -> tuple[Path, ...]:
    """Where a client looks for sockets, in order; not all of these folders need to be there.

    Anybody may lay a folder into the temporary one: one that others own or may write to is not looked at.
    """
    temporary = _temporary_folder(env)
    candidates = (shared, _runtime_folder(env), temporary if _ours(temporary) else None)
    return tuple(folder for folder in candidates if folder is not None)


def own_folder(env: Mapping[str, str] | None = None) -> Path:
    """The user's runtime folder, else a folder of their own in the temporary one, which nobody else can enter."""
    runtime = _runtime_folder(env)
    if runtime is not None and _writable(runtime):
        return runtime
    folder = _temporary_folder(env)
    folder.mkdir(mode=0o700, exist_ok=True)
    if not _ours(folder, 0o077):
        raise PermissionError(
            f"{folder} is not a folder of this user alone (mode 0700): remove it, or set XDG_RUNTIME_DIR"
        )
    return folder


def safe_part(text: str) -> str:
    """`text` as one part of a file name: letters, digits, dot, dash and underline; never empty, hidden or a way up."""
    return re.sub(r"[^A-Za-z0-9._-]", "_", text)[:32].lstrip(".") or "_"


def _runtime_folder(env: Mapping[str, str] | None) -> Path | None:
    stated = (os.environ if env is None else env).get("XDG_RUNTIME_DIR", "")
    return Path(stated) if stated.startswith("/") else None


def _temporary_folder(env: Mapping[str, str] | None) -> Path:
    base = tempfile.gettempdir() if env is None else env.get("TMPDIR", tempfile.gettempdir())
    return Path(base) / f"formbath-{os.getuid()}"


def _ours(folder: Path, forbidden: int = 0o022) -> bool:
    """Whether this is a folder of this user that nobody else may write to; one that is not there harms nobody."""
    try:
        seen = folder.lstat()
    except OSError:
        return True
    return stat.S_ISDIR(seen.st_mode) and seen.st_uid == os.getuid() and not seen.st_mode & forbidden


def _writable(folder: Path) -> bool:
    return folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)


def _short(path: Path) -> Path:
    length = len(os.fsencode(path))
    if length > MAX_PATH_BYTES:
        raise OSError(
            f"{path}: {length} bytes, a socket's path holds {MAX_PATH_BYTES}: set XDG_RUNTIME_DIR to a shorter one"
        )
    return path
