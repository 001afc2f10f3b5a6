"""Threads that do the writer's work on the disk, each one job at a time.

Several, as a disk syncs files together in less time than one after the other. They end with the process whatever they
wait for: a disk that never answers must not keep it.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

Job = Callable[[], None]


class Hands:
    """`count` threads; a job must not raise."""

    def __init__(self, count: int) -> None:
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._threads = [threading.Thread(target=self._work, name=f"records-{n}", daemon=True) for n in range(count)]
        for thread in self._threads:
            thread.start()

    @property
    def threads(self) -> tuple[threading.Thread, ...]:
        """The threads, for who measures them."""
        return tuple(self._threads)

    def give(self, job: Job) -> None:
        """Have a job done by the next hand that is free."""
        self._jobs.put(job)

    def end(self, timeout_s: float) -> bool:
        """Let them go once all jobs are done; False where one of them still waits for its disk."""
        for _ in self._threads:
            self._jobs.put(None)
        for thread in self._threads:
            thread.join(timeout_s)
        return not any(thread.is_alive() for thread in self._threads)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()
