"""The one thread that writes: once a wall second everything that waits goes to its files, is synced, is acknowledged.

The control loop only adds to memory, so no slow or failing disk ever delays a cycle. What fails stays in memory (up to
a bound) and is tried again; `trouble` says what is wrong until a commit has gone through whole.

The thread itself never touches the disk: it hands each folder to one of a few hands. One that hangs there keeps its
hand busy, not the thread, which goes on making bytes of what waits, so that memory is used sparingly, and counts it.
"""

from __future__ import annotations

import errno
import threading
from collections import deque
from collections.abc import Callable
from functools import partial
from pathlib import Path

from controller.records.disk import Disk
from controller.records.files import MOVED, Pending
from controller.records.group import Group
from controller.records.hands import Hands
from controller.records.names import Names
from controller.records.reserve import Reserve
from controller.records.served import Served
from controller.records.space import Space

LIMIT_BYTES = 64_000_000
"""What may wait in memory: some 11 h of 40 circuits at 136 kB a circuit-hour (`space`: rows and cycles as they are
packed, and what a row's object takes beside its text). Beside it each open run holds the cycles of its open block as
they came, 360 of 1.3 kB."""

HANDS = 4
"""Folders that are written at the same time (measured on ext4 on a busy disk: 40 files in a tenth of the time of one
hand, as their syncs share the journal's; eight gain no more)."""

LOOK_ROUNDS = 60
SHORT_ROUNDS = 5
"""Rounds between two looks at a disk whose room is short: who makes room is told soon."""

BEHIND = "the disk is slow or does not answer: rows wait for it"
BEHIND_ROUNDS = 3
"""A disk whose writes did not end in so many rounds is known to be behind (own choice: a slow one takes one or two)."""

OTHERS = "other files stand there already: nothing is written among them"

MOST_DROPPED = 1_000
"""Orders of which is known that a row was dropped; who gave an older one was answered long ago (own choice)."""

_FULL = (errno.ENOSPC, errno.EDQUOT)


class Writer:
    """Commits groups of files. Without `start` nothing runs by itself: `commit` does one round where it is called.

    `reserve`: space kept back for a full disk; `space`: watches how long the disk will last, once a minute.
    """

    def __init__(
        self,
        period_s: float = 1.0,
        limit_bytes: int = LIMIT_BYTES,
        disk: Disk | None = None,
        reserve: Reserve | None = None,
        space: Space | None = None,
    ) -> None:
        self.lock = threading.RLock()
        self.has_room = True
        self.commits = 0
        self.space = space
        self._period_s = period_s
        self._limit_bytes = limit_bytes
        self._disk = disk or Disk()
        self._reserve = reserve
        self._groups: list[Group] = []
        self._mark = 0
        self._dropped: deque[str] = deque(maxlen=MOST_DROPPED)
        self.names = Names()
        self._failing: str | None = None
        self._behind = 0
        self._turn = threading.Lock()
        self._making = threading.Lock()
        self._served = Served()
        self._wake = threading.Event()
        self._stop = False
        self._thread: threading.Thread | None = None
        self._hands: Hands | None = None
        self._free_hand = threading.Condition(self.lock)

    @property
    def failing(self) -> str | None:
        """What keeps rows from the disk; None: nothing failed in the last round."""
        return self._failing

    @property
    def known_trouble(self) -> str | None:
        """What is known, without waiting, to keep rows from the disk now; None: nothing is, which proves nothing."""
        return self._failing or (BEHIND if self._behind >= BEHIND_ROUNDS else None)

    @property
    def trouble(self) -> str | None:
        """What keeps rows from the disk, or that they live on reserved space; None: all well."""
        if self._failing is None and self.on_reserve:
            return "disk full: rows go into the space kept back for this"
        return self._failing

    @property
    def on_reserve(self) -> bool:
        """Whether the disk is full and rows live on the space that was kept back."""
        return self._reserve is not None and self._reserve.given

    @property
    def limit_bytes(self) -> int:
        """How much may wait in memory."""
        return self._limit_bytes

    @property
    def waiting_bytes(self) -> int:
        """How much waits in memory now, whether or not a commit has seen it."""
        with self.lock:
            return sum([file.waiting_bytes for group in self._groups for file in group.files])

    @property
    def waiting_rows(self) -> int:
        """How many rows of tables wait in memory."""
        with self.lock:
            return sum([file.waiting_rows for group in self._groups for file in group.files])

    @property
    def threads(self) -> tuple[threading.Thread, ...]:
        """The threads that work, for who measures them."""
        hands = self._hands.threads if self._hands is not None else ()
        return hands if self._thread is None else (self._thread, *hands)

    def mark(self) -> tuple[int, int]:
        """Look at what waits. Return a number that stands for all added before, and the newest one that is settled.

        Settled: all that was added before that number was given is acknowledged.
        """
        with self.lock:
            self._mark += 1
            settled = min([group.settled_mark for group in self._groups], default=self._mark)
            self._measure()
            return self._mark, settled

    def safe_mark(self, folder: Path, name: str) -> int:
        """Return the newest number of `mark` of which is sure: what was put into a file by then is on the disk."""
        with self.lock:
            # A group that was let go had all of it acknowledged.
            marks = [group.safe_marks.get(name, 0) for group in self._groups if group.folder == folder]
            return min(marks, default=self._mark)

    def dropped(self, order: str) -> None:
        """A row had no room in memory; `order` is the id of the one that it tells of ("": of none)."""
        if order:
            self._dropped.append(order)

    def has_dropped(self, order: str) -> bool:
        """Whether a row that tells of this order is lost."""
        return order in self._dropped

    def start(self) -> None:
        """Start the threads."""
        self._hands = Hands(HANDS)
        self._thread = threading.Thread(target=self._run, name="records", daemon=True)
        self._thread.start()

    def enter(self, group: Group) -> None:
        """Take a group in; its files are written from the next commit on."""
        with self.lock:
            group.leaving = False
            if group not in self._groups:
                group.settled_mark = self._mark
                self._groups.append(group)

    def leave(self, group: Group) -> None:
        """Let a group go as soon as all of it is acknowledged."""
        with self.lock:
            group.leaving = True

    def flush(self, timeout_s: float = 30.0) -> bool:
        """Wait until everything added so far is acknowledged; False: it is not (see `trouble`), it still waits."""
        if self._thread is None:
            return self.commit()
        number = self._served.ask()
        self._wake.set()
        return self._served.wait(number, timeout_s) and self._failing is None

    def close(self, timeout_s: float = 30.0, given_up: Callable[[], bool] = lambda: False) -> bool:
        """Have all of it written, end the threads, give the files back; False when rows are left that no disk took.

        What fails is tried again until then, or until it is given up: a disk may come back.
        """
        clean = self._written_by(timeout_s, given_up)
        ended = True
        if self._thread is not None and self._hands is not None:
            self._stop = True
            self._wake.set()
            self._thread.join(timeout_s)
            # Hands that hang with rows were waited for above already; one that only looks keeps nobody.
            ended = self._hands.end(min(self._period_s, timeout_s)) and not self._thread.is_alive()
            if not ended and not clean:
                return False
            self._thread = self._hands = None
            # A write that was slow, and given up, may have come to its end meanwhile.
            clean = clean or (self._failing is None and not self.waiting_bytes)
        with self._turn:
            for group in self._groups:
                group.close(self._disk)
        return clean

    def _written_by(self, timeout_s: float, given_up: Callable[[], bool]) -> bool:
        """Wait until all that was added is acknowledged, through rounds that fail."""
        if self._thread is None:
            return self.commit()
        number = self._served.ask()
        self._wake.set()
        looks = 1 + int(4 * timeout_s)  # so often is asked whether it was given up
        waits = (self._served.wait(number, timeout_s / looks, whole=True) for _ in range(looks))
        return next((whole for whole in waits if whole or given_up()), False)

    def _run(self) -> None:
        while not self._stop:
            self._wake.wait(self._period_s)
            self._wake.clear()
            number = self._served.asked
            ended = self._round()
            self._served.tell(number, ended=ended, whole=self._failing is None)
            if self.space is not None and self.commits % LOOK_ROUNDS == 0:
                self._look_at(self.space)
            elif self.space is not None and self.commits % SHORT_ROUNDS == 0:
                self._look_again(self.space)

    def commit(self) -> bool:
        """One round over all groups, each by itself; True when everything taken was acknowledged."""
        return self._round() and self._failing is None

    def _round(self) -> bool:
        """Have every group written that is not still busy, and wait a while; return whether all of them came back."""
        with self._turn:
            with self.lock:
                groups = list(self._groups)
            given = [group for group in groups if self._took(group)]
            # What a bath keeps comes before its runs: a service that is killed between them knows that of a run's end.
            self._hand_out([group for group in given if group.on_commit is None])
            self._hand_out([group for group in given if group.on_commit is not None])
            with self.lock:
                ended = len(given) == len(groups) and not any(group.busy for group in groups)
                self._behind = 0 if ended else self._behind + 1
                self._failing = next((group.trouble for group in groups if group.trouble is not None), None)
                self._measure()
                self.commits += 1
                if not ended and not any(group.busy for group in groups):
                    self._wake.set()
        return ended

    def _hand_out(self, groups: list[Group]) -> None:
        """Have groups written, and wait for them; not for long."""
        for group in groups:
            if self._hands is None:
                self._write(group)
            else:
                self._hands.give(partial(self._write, group))
        with self.lock:
            self._free_hand.wait_for(lambda: not any(group.busy for group in groups), self._period_s)

    def _measure(self) -> None:
        self.has_room = self.waiting_bytes < self._limit_bytes

    def _took(self, group: Group) -> bool:
        """Make the bytes of all that waits; take it for this round, unless the last one is still at it."""
        free = False
        try:
            with self.lock:
                free = not group.busy
                if free:
                    group.busy, group.fault, group.taken = True, None, []
                if group.on_commit is not None:
                    group.on_commit()
                if free:
                    group.taken_mark = self._mark
                    group.taken = [file for file in group.files if file.take()]
                unmade = [(file, parts) for file in group.files if (parts := file.unmade())]
            for _, parts in unmade:
                for part in parts:
                    part.bytes()
            if unmade:
                with self.lock:
                    for file, _ in unmade:
                        file.weigh()
        except Exception as error:  # noqa: BLE001 - the thread must outlive any fault of one record; its rows stay and it is told
            group.fault = f"{group.folder.name}: {type(error).__name__}: {error}"
        return free

    def _write(self, group: Group) -> None:
        """Do a group's turn, whatever comes of it, and give it back. Runs in a hand."""
        try:
            trouble = group.fault or self._written(group)
        except Exception as error:  # noqa: BLE001 - a hand must outlive any fault of one record; its rows stay and it is told
            trouble = f"{group.folder.name}: {type(error).__name__}: {error}"
        with self.lock:
            group.trouble = trouble
            if trouble is None:
                group.settled_mark = group.taken_mark
            group.busy = False
            self._free_hand.notify_all()

    def _written(self, group: Group) -> str | None:
        name = ""
        try:
            if group.taken and not group.made:
                with self._making:
                    if group.is_new and self._disk.holds_files(group.folder):
                        raise OSError(errno.EEXIST, OTHERS)
                    self._disk.make_folder(group.folder)
                group.made = True
            self._find(group)
            for file in group.taken:
                name = file.path.name
                self._commit_file(file)
                with self.lock:
                    file.done()
                    group.safe_marks[name] = group.taken_mark
            if not group.taken and self._failing is not None:
                group.close(self._disk)
        except OSError as error:
            # No descriptor stays open on a disk that fails: it may have to be unmounted, mended, mounted again.
            group.close(self._disk)
            return f"{group.folder.name}{name and f'/{name}'}: {error.strerror or error}"
        self._let_go(group)
        return None

    def _find(self, group: Group) -> None:
        """Raise OSError where a bath's own folder is not the one any more that its service began with, and has locked.

        Also when nothing is written. Files of a run, of which some are always written, look for themselves.
        """
        if group.on_commit is not None or not group.made:
            return
        try:
            found = self._disk.identity(group.folder)
        except FileNotFoundError:
            found = None
        group.identity = group.identity or found
        if found is None or found != group.identity:
            raise OSError(errno.ESTALE, MOVED)

    def _commit_file(self, file: Pending) -> None:
        try:
            file.commit(self._disk)
        except OSError as error:
            if error.errno not in _FULL or self._reserve is None:
                raise
            # Another hand may have made the room just now.
            self._reserve.release()
            file.commit(self._disk)

    def _let_go(self, group: Group) -> None:
        with self.lock:
            if not group.leaving or any(file.take() for file in group.files):
                return
            self._groups.remove(group)
        # Closing may take long, and cycles take the lock. Who enters it again waits: it is busy until this is done.
        group.close(self._disk)

    def _look_at(self, space: Space) -> None:
        """Have a hand ask the disk how much room it has, and what the runs' files hold by now."""
        with self.lock:
            runs = [group for group in self._groups if group.on_commit is not None]
            held = {str(group.folder): group.lasting_bytes for group in runs}
        if self._hands is not None and space.ask():
            self._hands.give(partial(space.look, held))

    def _look_again(self, space: Space) -> None:
        """Have a hand look at a disk whose room is short before the minute is over; one look at a time."""
        if self._hands is not None and space.short and space.ask():
            self._hands.give(space.look_again)
