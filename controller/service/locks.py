"""One service for one bath, and one for one rectifier: locks that the system lets go when their holder dies.

Files are only locked (flock), never written; a lock that cannot be had ends the start, before any register is touched.
"""

from __future__ import annotations

import hashlib
import os
import socket
import tempfile
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from controller.bathfile import Bath
from controller.bathmodel import LinkEntry
from controller.records.claims import bath_folder, locked, opened
from controller.records.disk import Disk
from profiles.loader import path_text
from profiles.problems import InputError, Problem


@dataclass(frozen=True, slots=True)
class Lock:
    """Something only one service may use. `path`: a folder or file that is there; `name`: a name for a lock file.

    `key` says where the bath file names it, `what` how a person would.
    """

    key: str
    what: str
    path: Path | None = None
    name: str = ""
    line: int | None = None


def locks_of(bath: Bath) -> list[Lock]:
    """Every lock that a service of this bath needs: its runs, and each unit it drives or reads.

    A link whose port is 0 has no place yet (a virtual plant in the same process will say) and needs none.
    """
    places: list[tuple[tuple[str | int, ...], str, int]] = []
    for index, entry in enumerate(bath.file.circuit):
        places.append((("circuit", index, "unit"), entry.link, entry.unit))
    places.append((("inputs", "unit"), bath.file.inputs.link, bath.file.inputs.unit))
    names = {name: _link_name(entry) for name, entry in bath.file.link.items()}
    # As the bath's log names it: two names that differ only in what a folder's name leaves out are one place.
    locks = [runs_lock(bath_folder(bath.runs_path, bath.file.name))]
    for key, link, unit in places:
        if names[link]:
            locks.append(unit_lock(names[link], unit, path_text(key), bath.document.line_of(key)))
    return locks


def _link_name(entry: LinkEntry) -> str:
    if entry.tcp is None:
        return rtu_name(entry.rtu or "")
    return "" if entry.tcp.endswith(":0") else tcp_name(entry.tcp)


def runs_lock(folder: Path) -> Lock:
    """The lock on a bath's folder of runs, which is made where it is missing, for good. Raises `OSError`."""
    Disk().make_folder(folder)
    return Lock("runs.path", f"the runs in {folder}", path=folder)


def unit_lock(link: str, unit: int, key: str, line: int | None = None) -> Lock:
    """The lock on one unit of one link; `link` as `tcp_name` or `rtu_name` gives it."""
    return Lock(key, f"unit {unit} at {link}", name=f"{link} unit {unit}", line=line)


def tcp_name(address: str) -> str:
    """One name for one endpoint, however it is written: `localhost:502` and `127.0.0.1:502` are the same device."""
    host, _, port = address.rpartition(":")
    try:
        found = socket.getaddrinfo(host.strip("[]"), int(port), type=socket.SOCK_STREAM)
    except (OSError, ValueError):
        return f"tcp {address.lower()}"
    numbers = sorted({str(entry[4][0]) for entry in found}, key=lambda text: (":" in text, text))
    return f"tcp {numbers[0]}:{int(port)}"


def rtu_name(device: str) -> str:
    """One name for one serial device, however many links lead to it."""
    return f"rtu {os.path.realpath(device)}"


def lock_folder() -> Path:
    """Where lock files lie: the same for every user of this machine, or two users would not see each other."""
    shared = Path("/run/lock")
    return shared if shared.is_dir() and os.access(shared, os.W_OK | os.X_OK) else Path(tempfile.gettempdir())


def hold(locks: Iterable[Lock], bath_file: str, folder: Path | None = None) -> ExitStack:
    """Takes every lock; they are let go when the result is closed, or with the process.

    Raises `InputError` with a problem for each lock that another service holds, and then holds none.
    """
    place = lock_folder() if folder is None else folder
    taken: dict[str, None] = {}
    problems: list[Problem] = []
    with ExitStack() as stack:
        for lock in locks:
            same = lock.name or str(lock.path)
            if same in taken:
                continue
            taken[same] = None
            if not _take(lock, place, stack):
                what = f"{lock.what}: another running service has it; stop that one first, or name another"
                problems.append(Problem(bath_file, lock.line, lock.key, what))
        if problems:
            raise InputError(problems)
        return stack.pop_all()


def _take(lock: Lock, place: Path, stack: ExitStack) -> bool:
    handle = opened(lock.path) if lock.path is not None else _open_file(place, lock.name)
    stack.callback(os.close, handle)
    return locked(handle)


def _open_file(place: Path, name: str) -> int:
    """The lock file of a name; one that another user made can be locked without being written."""
    path = place / f"formbath-{hashlib.sha256(name.encode()).hexdigest()[:24]}.lock"
    try:
        return os.open(path, os.O_RDONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    except FileExistsError:
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
