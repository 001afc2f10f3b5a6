"""What an accepted order is told that the device read back."""

from __future__ import annotations


def codes(events):
    """The codes of what was said to orders."""
    return [event.code for event in events if event.kind.value in ("order", "refusal")]


def test_nothing_is_read_back_in_the_order_s_own_cycle(kit):
    """The read-back comes after the answer, though the circuit stands at zero already; and it comes once."""
    bench = kit.bench(circuits=1).cycles(5)
    assert codes(bench.cycle(kit.order("block", "A01"))) == ["accepted"]
    assert codes(bench.cycle()) == ["read_back"]
    assert codes(bench.cycle()) == []
