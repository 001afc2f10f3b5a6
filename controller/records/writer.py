"""The one thread that writes: once a wall second everything that waits goes to its files, is synced, is acknowledged.

The control loop only adds to memory, so no slow or failing disk ever delays a cycle. What fails stays in memory (up to
a bound) and is tried again; `trouble` says what is wrong until a commit has gone through whole.
"""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from pathlib import Path

from controller.records.disk import Disk, Reserve
from controller.records.files import AppendFile, Pending, ReplaceFile

LIMIT_BYTES = 64_000_000
_FULL = (errno.ENOSPC, errno.EDQUOT)


class Group:
    """Files of one folder, committed in their order; a failing one holds back those behind it.

    `on_commit` runs in the writer's thread, under the lock, before the files' contents are taken.
    """

    def __init__(self, folder: Path, on_commit: Callable[[], None] | None = None) -> None:
        self.folder = folder
        self.on_commit = on_commit
        self.files: list[Pending] = []
        self.leaving = False
        self.made = False

    def append_file(self, name: str, size: int = 0) -> AppendFile:
        """A growing file of the folder; what stands behind `size` bytes of an old one is cut at the next commit."""
        file = AppendFile(self.folder / name, size, trim=size > 0)
        self.files.append(file)
        return file

    def replace_file(self, name: str) -> ReplaceFile:
        """A file of the folder that is replaced as a whole."""
        file = ReplaceFile(self.folder / name)
        self.files.append(file)
        return file


class Writer:
    """Commits groups of files. Without `start` nothing runs by itself: `commit` does one round where it is called."""

    def __init__(
        self,
        period_s: float = 1.0,
        limit_bytes: int = LIMIT_BYTES,
        disk: Disk | None = None,
        reserve: Reserve | None = None,
    ) -> None:
        self.lock = threading.RLock()
        self.has_room = True
        self.commits = 0
        self.waiting_bytes = 0
        self._period_s = period_s
        self._limit_bytes = limit_bytes
        self._disk = disk or Disk()
        self._reserve = reserve
        self._on_reserve = False
        self._groups: list[Group] = []
        self._trouble: str | None = None
        self._turn = threading.Lock()
        self._served = threading.Condition()
        self._asked = self._answered = 0
        self._wake = threading.Event()
        self._stop = False
        self._thread: threading.Thread | None = None

    @property
    def trouble(self) -> str | None:
        """What keeps rows from the disk, or that they live on reserved space; None: all well."""
        if self._trouble is None and self._on_reserve:
            return "disk full: rows go into the space kept back for this"
        return self._trouble

    @property
    def limit_bytes(self) -> int:
        """How much may wait in memory."""
        return self._limit_bytes

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name="records", daemon=True)
        self._thread.start()

    def enter(self, group: Group) -> None:
        """Take a group in; its files are written from the next commit on."""
        with self.lock:
            group.leaving = False
            if group not in self._groups:
                self._groups.append(group)

    def leave(self, group: Group) -> None:
        """Let a group go as soon as all of it is acknowledged."""
        with self.lock:
            group.leaving = True

    def flush(self, timeout_s: float = 30.0) -> bool:
        """Wait until everything added so far is acknowledged; False: it is not (see `trouble`), it still waits."""
        if self._thread is None:
            return self.commit()
        with self._served:
            self._asked += 1
            ticket = self._asked
            self._wake.set()
            answered = self._served.wait_for(lambda: self._answered >= ticket, timeout_s)
        return answered and self._trouble is None

    def close(self, timeout_s: float = 30.0) -> bool:
        """Flush, end the thread, give the files back; False when rows are left that no disk took."""
        clean = self.flush(timeout_s)
        if self._thread is not None:
            self._stop = True
            self._wake.set()
            self._thread.join(timeout_s)
            if self._thread.is_alive():
                return False
            self._thread = None
        with self._turn:
            for group in self._groups:
                _close_files(group, self._disk)
        return clean

    def _run(self) -> None:
        while not self._stop:
            self._wake.wait(self._period_s)
            self._wake.clear()
            with self._served:
                ticket = self._asked
            self.commit()
            with self._served:
                self._answered = ticket
                self._served.notify_all()

    def commit(self) -> bool:
        """One round over all groups, each by itself; True when everything taken was acknowledged."""
        with self._turn:
            with self.lock:
                groups = list(self._groups)
            troubles = [trouble for group in groups if (trouble := self._commit_group(group)) is not None]
            with self.lock:
                self._trouble = troubles[0] if troubles else None
                self.waiting_bytes = sum(file.waiting_bytes for group in self._groups for file in group.files)
                self.has_room = self.waiting_bytes < self._limit_bytes
                self.commits += 1
        return not troubles

    def _commit_group(self, group: Group) -> str | None:
        try:
            with self.lock:
                if group.on_commit is not None:
                    group.on_commit()
                files = [file for file in group.files if file.take()]
                leaving = group.leaving
            for file in files:
                file.prepare()
            return self._write_group(group, files, leaving)
        except Exception as error:  # noqa: BLE001 - the thread must outlive any fault of one record; its rows stay and it is told
            return f"{group.folder.name}: {type(error).__name__}: {error}"

    def _write_group(self, group: Group, files: list[Pending], leaving: bool) -> str | None:
        name = ""
        try:
            if files and not group.made:
                self._disk.make_folder(group.folder)
                group.made = True
            for file in files:
                name = file.path.name
                self._commit_file(file)
                with self.lock:
                    file.done()
        except OSError as error:
            return f"{group.folder.name}/{name}: {error.strerror or error}"
        if leaving:
            with self.lock:
                if group.leaving and not any(file.take() for file in group.files):
                    self._groups.remove(group)
                    _close_files(group, self._disk)
        return None

    def _commit_file(self, file: Pending) -> None:
        try:
            file.commit(self._disk)
        except OSError as error:
            if error.errno not in _FULL or self._reserve is None or not self._reserve.release():
                raise
            self._on_reserve = True
            file.commit(self._disk)


def _close_files(group: Group, disk: Disk) -> None:
    for file in group.files:
        file.close(disk)
