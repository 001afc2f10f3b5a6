"""Studies: strings a second on one core, and how much of the cores present the worker processes use.

    python tests/benchmarks/study.py            256 strings of a whole profile, a few minutes
    python tests/benchmarks/study.py --short    64 strings of half a minute each

The cores that are really there are counted by spinning, before and after, in the same run: a shared machine has fewer
than it says. Exit code 1 where the study uses less than 90 % of them (only the whole form judges: workers take a
second to start).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from controller.core.plan import compile_plan
from profiles.loader import found_profile, load_model, read_document
from profiles.profile import Profile
from simulator.bench import batches
from simulator.bench.batches import Batch, Job, run_job
from simulator.bench.setting import Setting
from simulator.bench.studypool import cores, done_batches, processes

LEAST = 0.9
SPIN, ROUNDS = 4_000_000, 8


def spin(count: int) -> float:
    """The processor's seconds of one core for a fixed amount of work."""
    begin = time.process_time()
    total = 0
    for number in range(count):
        total += number & 3
    return time.process_time() - begin if total else 0.0


def cores_present(pool: Executor, workers: int) -> float:
    """How many cores the workers get when all of them do nothing but spin: the processor's seconds in a wall second."""
    begin = time.perf_counter()
    futures = [pool.submit(spin, SPIN) for _ in range(ROUNDS * workers)]
    spent_s = sum(future.result() for future in futures)
    return spent_s / (time.perf_counter() - begin)


def timed(job: Job) -> tuple[float, Batch]:
    """A batch with the processor's seconds it took."""
    begin = time.process_time()
    batch = run_job(job)
    return time.process_time() - begin, batch


def measured(jobs: Sequence[Job], workers: int) -> tuple[float, float, float, float]:
    """Wall seconds of a study on warm workers, the processor's seconds in them, cores present, seconds to the first."""
    with processes(workers) as pool:
        cores_present(pool, workers)  # the workers are born
        before = cores_present(pool, workers)
        begin, first_s, processor_s = time.perf_counter(), 0.0, 0.0
        for seconds, _ in done_batches(pool, jobs, work=timed):  # type: ignore[arg-type]
            first_s = first_s or time.perf_counter() - begin
            processor_s += seconds
        wall_s = time.perf_counter() - begin
        after = cores_present(pool, workers)
    return wall_s, processor_s, (before + after) / 2.0, first_s


def main(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--strings", type=int)
    asked = parser.parse_args(given)
    path = found_profile("bench-36s" if asked.short else "starter-60")
    assert path is not None
    document = read_document(path)
    plan = compile_plan(load_model(document, Profile), document.sha256)
    strings = asked.strings or (64 if asked.short else 256)
    workers = cores()
    jobs = batches.jobs(Setting(plan), strings, 1)
    wall_s, processor_s, present, first_s = measured(jobs, workers)
    used = processor_s / wall_s / present
    print(f"{strings} strings of {plan.name}, {workers} workers, {present:.2f} cores present (by spinning)")
    print(f"{wall_s:.1f} s, first figures after {first_s:.1f} s; {strings / processor_s:.2f} strings a core second")
    print(f"speed-up {processor_s / wall_s:.2f}, {100 * used:.0f} % of the cores present (least {100 * LEAST:.0f} %)")
    thousand_s = 1000.0 * processor_s / strings / (LEAST * 2.0)
    print(f"1,000 strings on two whole cores: {thousand_s:.0f} s")
    return 0 if asked.short or used >= LEAST else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
