"""Whether a running circuit does as it is asked and nothing else is the matter: one question instead of fourteen.

In nearly every cycle of a charge nobody has given advice, the device answers and reads back what was written, nothing
waits and nothing reacts. Each family of laws that looks at such things alone is asleep then (a test compares), so that
only those that compare numbers are asked: `interlocks.NUMBER_FAMILIES`. What is not orderly is no fault; it is asked.
"""

from __future__ import annotations

from controller.core.laws import contactor
from controller.core.setpoint import limit_taken, taken
from controller.core.types import ON, RUNNING, UP, Fit
from controller.core.view import CircuitView

FITS = Fit.OK


def orderly(view: CircuitView) -> bool:
    """Return whether all but the laws of `NUMBER_FAMILIES` are asleep, as nothing they look at is the matter."""
    state, facts, bath, run = view.state, view.facts, view.bath, view.state.run
    if run is None or state.state is not RUNNING or state.output is not ON:
        return False
    if run.interruption is not None or run.rides_ms or state.timers or state.blocked_by or view.cin.advice:
        return False
    if not bath.hood_closed or bath.purge_left_ms != 0 or bath.flow_lost_ms is not None:
        return False
    trail, link = state.trail, state.link
    if facts.probe_lost or (trail and trail[-1].at_ms == facts.now_ms):
        return False
    if facts.stale or facts.link is not UP or link.wrong or link.late_ms or link.garbled_ms:
        return False
    if facts.fault_code or facts.local or facts.fit is not FITS:
        return False
    if facts.uptime_s is not None and link.uptime_s is not None and facts.uptime_s < link.uptime_s:
        return False
    return _reads_back(view) and (not view.own.has_contactor or contactor.asleep(view))


def _reads_back(view: CircuitView) -> bool:
    """Return whether output, set-point and voltage limit read back as the newest that were written."""
    facts, command = view.facts, view.state.command
    asked_A, limit_V = command.set_current_A, command.voltage_limit_V
    read_A, read_V = facts.set_current_A, facts.set_voltage_V
    if asked_A == 0.0 or not facts.output_on or read_A is None:
        return False
    if read_A != asked_A and not taken(read_A, asked_A):
        return False
    return read_V is None or read_V == limit_V or limit_taken(read_V, limit_V)
