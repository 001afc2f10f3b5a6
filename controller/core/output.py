"""The output machine: a rectifier's output goes off only after zero was read back, or after its settling time.

An arc in a place with hydrogen is what this order avoids: set-point to zero, zero read back, output off. It is stuck
where current, or an output that reads on, outlasts the settling time after off was written; only zero current and an
output that reads off end that.
"""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.types import ALL_OFF, OFF, ON, TO_ZERO, Command, Output


def found(output: Output, unknown: bool, facts: Facts) -> Output:
    """Return the output of a circuit as a new service finds it: on, where it was read as on under current.

    Then it goes to zero before it goes off, as ever; only where nothing is known yet, so that no reading ever
    switches on an output that was off.
    """
    if not unknown or output is not OFF:
        return output
    return ON if facts.output_on and facts.current_A is not None and not facts.zero else output


def moved(output: Output, since_ms: int, wanted: bool, facts: Facts, settle_ms: int, now_ms: int) -> tuple[Output, int]:
    """Return the output's state and since when, for a circuit that wants current or not."""
    new = output
    if wanted:
        new = ON
    elif output is ON:
        new = Output.TO_ZERO
    elif output is Output.TO_ZERO:
        if facts.zero or now_ms - since_ms >= settle_ms:
            new = Output.OFF_SENT
    elif output is Output.OFF_SENT:
        if facts.zero and facts.output_on is False:
            new = Output.OFF
        elif now_ms - since_ms > settle_ms and _goes_on(facts):
            new = Output.STUCK
    elif output is Output.STUCK and facts.zero and facts.output_on is False:
        new = Output.OFF
    return new, (since_ms if new is output else now_ms)


def _goes_on(facts: Facts) -> bool:
    """Return whether current or the output is read as on; what is not read says nothing."""
    return (facts.current_A is not None and not facts.zero) or facts.output_on is True


def command(
    output: Output,
    set_current_A: float,
    voltage_limit_V: float,
    is_closed: bool,
    silent: bool = False,
    before: Command = ALL_OFF,
) -> Command:
    """Return the whole command for this cycle, the very same as `before` where they are equal.

    Current is asked for in `ON` alone. `is_closed`: the contactor.
    """
    set_A, output_on = (set_current_A, True) if output is ON else (0.0, output is TO_ZERO)
    same = set_A == before.set_current_A and voltage_limit_V == before.voltage_limit_V
    if same and output_on is before.output_on and is_closed is before.contactor_closed and silent is before.silent:
        return before
    return Command(set_A, voltage_limit_V, output_on, is_closed, silent)


def confirmed(output: Output, facts: Facts) -> bool:
    """Return whether what the circuit is shown as was read back."""
    if facts.stale:
        return False
    if output is ON:
        return facts.output_on is True
    return output is Output.OFF and facts.zero and facts.output_on is False
