"""Planning of requests: everything wanted is covered, no limit is passed, no gap is written."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from controller.field.blocks import Span, covers, plan_reads, plan_writes
from controller.field.transport import Read, Write

SPANS = st.lists(
    st.builds(
        Span, st.sampled_from(["HoldingRegister", "InputRegister"]), st.integers(0, 400), st.sampled_from([1, 2, 4])
    ),
    min_size=1,
    max_size=40,
)


@given(SPANS, st.integers(1, 125), st.integers(0, 8))
def test_every_span_is_read_in_one_piece(spans, limit, bridge):
    """Each span lies whole within one read, and no read is longer than allowed or than its one span."""
    reads = plan_reads(1, spans, limit, bridge)
    assert all(any(covers(read, span) for read in reads) for span in spans)
    longest = max(span.cells for span in spans)
    assert all(read.count <= max(limit, longest) for read in reads)


@given(SPANS, st.integers(1, 125))
def test_without_leave_no_gap_is_read(spans, limit):
    """Registers that no span lists are left alone unless the map allows to pass over them."""
    listed = {(span.entity, span.address + step) for span in spans for step in range(span.cells)}
    for read in plan_reads(1, spans, limit):
        assert {(read.entity, read.address + step) for step in range(read.count)} <= listed


@given(SPANS, st.integers(4, 125))
def test_writes_carry_each_cell_once(spans, limit):
    """All cells are written with their value, in runs without gaps and within the limit."""
    apart = [Span(span.entity, 4 * span.address, span.cells) for span in spans]
    cells = {(s.entity, s.address + step): (s.address + step) % 65536 for s in apart for step in range(s.cells)}
    written = {}
    for write in plan_writes(1, cells, apart, limit):
        assert len(write.values) <= limit
        for step, value in enumerate(write.values):
            assert (write.entity, write.address + step) not in written
            written[write.entity, write.address + step] = value
    assert written == cells


def test_gaps_are_bridged_where_allowed():
    """Two spans three registers apart make one read with a bridge of 3, two with 2."""
    spans = [Span("InputRegister", 0, 2), Span("InputRegister", 5, 1)]
    assert plan_reads(1, spans, 125, 3) == (Read(1, "InputRegister", 0, 6),)
    assert len(plan_reads(1, spans, 125, 2)) == 2


def test_one_at_a_time_takes_each_signal_by_itself():
    """A device that bears one signal a request gets neither reads nor writes joined, and no 32-bit value torn."""
    spans = [Span("HoldingRegister", 0, 2), Span("HoldingRegister", 2, 2)]
    assert len(plan_reads(1, spans, one_at_a_time=True)) == 2
    cells = {("HoldingRegister", address): address for address in range(4)}
    writes = plan_writes(1, cells, spans, one_at_a_time=True)
    assert writes == (Write(1, "HoldingRegister", 0, (0, 1)), Write(1, "HoldingRegister", 2, (2, 3)))


def test_order_of_writing_is_kept():
    """The write that holds the first cell goes first, whatever its address."""
    spans = [Span("HoldingRegister", 0, 1), Span("HoldingRegister", 9, 1)]
    cells = {("HoldingRegister", 9): 1, ("HoldingRegister", 0): 2}
    assert [write.address for write in plan_writes(1, cells, spans)] == [9, 0]
