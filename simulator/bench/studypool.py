"""Hands the batches of a study to an executor and takes them back as they are done: processes here, or a cluster's.

Whoever asks for the study keeps Ctrl-C to themselves: workers never see it, and they end with the process that made
them. What was done when it came is kept.
"""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import resource_tracker
from queue import Empty, SimpleQueue
from typing import Any

from controller.service.errors import Unreachable
from profiles.problems import InputError, Problem, clean
from simulator.bench.batches import Batch, Job, run_job

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
"""How numpy's libraries are told to use one thread: the workers themselves use the cores."""
LOOK_S = 0.25
"""So often whoever waits is told that time goes on."""
REACH_S = 10
"""A scheduler that does not answer within this many seconds counts as not there; own choice."""
MOST_WORKERS = 256


class WorkerLost(Exception):
    """A worker ended by itself. The text is one sentence for people."""


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0))


def _begin_worker() -> None:
    """First thing in a worker: leave Ctrl-C to the parent, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)


@contextlib.contextmanager
def _births() -> Iterator[None]:
    """While workers are born: what they inherit keeps them from Ctrl-C and to one thread each."""
    resource_tracker.ensure_running()  # it would unblock the signal where it is started later
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    held = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        signal.pthread_sigmask(signal.SIG_SETMASK, held)


@contextlib.contextmanager
def processes(workers: int) -> Iterator[Executor]:
    """An executor of so many worker processes, each started afresh; all are gone when it is left, however."""
    mine = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _begin_worker)
    try:
        yield pool
        pool.shutdown()
    finally:
        for child in set(multiprocessing.active_children()) - mine:
            child.terminate()
        pool.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """The workers of a Dask scheduler. InputError without the library, Unreachable where no scheduler answers."""
    shown = clean(address, 100)
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        what = "needs the library distributed, which is not installed: pip install formbath[cluster]"
        raise InputError([Problem("study", None, "--scheduler", what)]) from None
    try:
        client = distributed.Client(address, timeout=REACH_S, set_as_default=False)
    except ValueError as error:
        what = f"{shown!r} is no address ({clean(str(error), 80)}), write one such as tcp://10.0.0.5:8786"
        raise InputError([Problem("study", None, "--scheduler", what)]) from None
    except (OSError, TimeoutError) as error:
        reason = clean(str(error) or type(error).__name__, 120)
        raise Unreachable(f"no scheduler answers at {shown} within {REACH_S} s: {reason}") from None
    try:
        if not client.scheduler_info()["workers"]:
            raise Unreachable(f"the scheduler at {shown} has no workers: start some, then study again")
        # A function may give another result next time, for all that Dask knows; so nothing is taken from its cache.
        yield client.get_executor(pure=False)
    finally:
        client.close(timeout=REACH_S)


def done_batches(
    pool: Executor,
    jobs: Sequence[Job],
    waiting: Callable[[], None] = lambda: None,
    work: Callable[[Job], Batch] = run_job,
) -> Iterator[Batch]:
    """Batches as they are done, in any order. `waiting` is called now and then meanwhile.

    Raises WorkerLost where a worker died, KeyboardInterrupt between two batches. Whatever ends it early, batches not
    begun are called off, by the end of the executor where it has processes of its own.
    """
    done: SimpleQueue[Future[Batch]] = SimpleQueue()
    with _patient() as check:
        with _births():
            futures = [pool.submit(work, job) for job in jobs]
        try:
            for future in futures:
                future.add_done_callback(done.put)
            for _ in futures:
                yield _result(_next(done, waiting, check))
        finally:
            # Processes are ended as they stand (see `processes`), and their pool would stumble over what is called off.
            if not isinstance(pool, ProcessPoolExecutor):
                for future in futures:
                    future.cancel()


def _next(done: SimpleQueue[Future[Batch]], waiting: Callable[[], None], check: Callable[[], None]) -> Future[Batch]:
    while True:
        check()
        waiting()
        try:
            return done.get(timeout=LOOK_S)
        except Empty:
            continue


@contextlib.contextmanager
def _patient() -> Iterator[Callable[[], None]]:
    """Ctrl-C is only noted, and raised by the function that is yielded: between two batches no lock is held, while in
    the middle of an executor's work an exception would leave one locked for ever. Only the main thread is told of it.
    """
    if threading.current_thread() is not threading.main_thread():
        yield lambda: None
        return
    noted: list[int] = []

    def check() -> None:
        if noted:
            raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, lambda number, _: noted.append(number))
    try:
        yield check
    finally:
        signal.signal(signal.SIGINT, before)


def _result(future: Future[Batch]) -> Batch:
    try:
        return future.result()
    except (BrokenProcessPool, CancelledError):
        raise WorkerLost("a worker ended by itself (killed, or out of memory): try fewer --workers") from None
    except Exception as error:
        # A cluster's errors are of its library's own classes; what the batch itself raised is passed on.
        if type(error).__module__.startswith("distributed"):
            raise WorkerLost(f"the cluster lost a batch: {clean(str(error), 160)}") from None
        raise
