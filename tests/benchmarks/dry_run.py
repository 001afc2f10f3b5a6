"""How long a dry run takes, beside what an independent cell model needs for the string's cells one by one.

    python tests/benchmarks/dry_run.py [--short]

Ours: a 20 h profile of the library on 18 batteries, the core included, as `formbath dryrun` does it. The peer, in the
same run: PyBaMM's LOQS model of a lead-acid cell (with gassing, CasADi solver in its fast mode), 10 h of discharge and
20 h of charge, once for each of the 108 cells; it knows no formation, and no controller. Exit 1 where ours takes more
than 2.5 s on this machine's processor; without PyBaMM (extra `outside`) only ours is printed.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from controller.core.plan import compile_plan
from controller.core.planned import Plan
from profiles.loader import found_profile, load_model, read_document
from profiles.profile import Profile
from simulator.bench.setting import Setting
from simulator.bench.tryout import try_out

MOST_s, CELLS, BATTERIES = 2.5, 108, 18


def plan_of(name: str) -> Plan:
    """A plan of the library."""
    path = found_profile(name)
    if path is None:
        raise SystemExit(f"there is no profile {name}")
    document = read_document(path)
    return compile_plan(load_model(document, Profile), document.sha256)


def seconds(work: Callable[[], Any]) -> float:
    """Processor time of one call."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def peer() -> Callable[[], Any] | None:
    """One cell through 10 h of discharge and 20 h of charge; None where PyBaMM is not installed."""
    try:
        import pybamm
    except ImportError:
        return None
    model = pybamm.lead_acid.LOQS({"hydrolysis": "true", "surface form": "differential"})
    values = pybamm.ParameterValues("Sulzer2019")
    values["Current function [A]"] = lambda t: 0.85 * (t < 36_000.0) - 0.5 * (t >= 36_000.0)
    solver = pybamm.CasadiSolver(mode="fast")
    simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)

    moments = np.linspace(0.0, 108_000.0, 61)

    def one() -> float:
        return float(simulation.solve(moments).t[-1])

    if one() < moments[-1]:  # built and warm by that
        raise SystemExit("the peer's cell did not reach the end of its charge")
    return one


def main() -> int:
    """Print both, and where ours spends its time; return 1 where it takes too long."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="fewer rounds")
    rounds = 3 if parser.parse_args().short else 7
    setting = Setting(plan_of("starter-45-relief"), BATTERIES)
    tried = try_out(setting)
    one = peer()
    ours: list[float] = []
    theirs: list[float] = []
    for _ in range(rounds):
        ours.append(seconds(lambda: try_out(setting)))
        if one is not None:
            theirs.append(seconds(one) * CELLS)
    took = statistics.median(ours)
    cycles = tried.course.data.shape[1]
    print(f"dry run of {tried.hours:.1f} h, {BATTERIES} batteries, core included: {took:.2f} s, {cycles} cycles")
    print(f"a cycle: {1e6 * took / cycles:.0f} us, the core and the virtual string in it")
    if theirs:
        peer_s = statistics.median(theirs)
        print(f"LOQS, {CELLS} cells one by one: {peer_s:.2f} s; ours is {took / peer_s:.1f} times that")
    return int(took > MOST_s)


if __name__ == "__main__":
    sys.exit(main())
