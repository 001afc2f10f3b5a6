"""Where the comparison of the rectifier's own Ah counter with ours began.

It begins at the first good reading, and anew wherever one of the two may have missed something: after a gap or a
silence (ours counts nothing then), a restart (its counter begins anew), a counter that went back, or a discharge
(devices differ in how they count that).
"""

from __future__ import annotations

from controller.core.changed import changed
from controller.core.facts import Facts
from controller.core.state import LinkMemory, Run
from controller.core.values import ZERO_A


def based(run: Run, link: LinkMemory, facts: Facts) -> Run:
    """Return the run with the base of the comparison; `link` is the link's memory before this cycle."""
    counter, base = facts.counter_Ah, run.device_Ah
    if counter is None and base is None:
        return run
    if _broken(link, facts):
        return run if base is None else changed(run, device_Ah=None)
    if counter is None or not facts.fresh or (base is not None and counter >= base):
        return run
    return changed(run, device_Ah=counter, ours_Ah=run.counters.charge_Ah)


def _broken(link: LinkMemory, facts: Facts) -> bool:
    """Return whether one of the counters may have missed something."""
    if facts.gap or facts.stale or (facts.current_A is not None and facts.current_A <= -ZERO_A):
        return True
    return facts.uptime_s is not None and link.uptime_s is not None and facts.uptime_s < link.uptime_s
