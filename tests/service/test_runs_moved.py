"""The folder of runs is renamed under running circuits, and nobody gives an order: the service tells of it."""

from __future__ import annotations

from leftkit import Hall, in_memory

from controller.verify.runfolder import verify_run


async def test_runs_that_are_moved_away_are_told_and_ease_when_they_are_back():
    """Like a failing disk, within a cycle of the commit that found it; what came meanwhile is on record later."""
    with in_memory() as folder:
        hall = await Hall(folder / "runs").running(["A01"])
        (folder / "runs").rename(folder / "gone")
        await hall.cycles(2)
        assert not hall.writer.commit()
        await hall.cycles(2)
        assert hall.service._trouble.startswith("A: was moved, or another one stands")
        (folder / "gone").rename(folder / "runs")
        assert hall.writer.commit(), hall.writer.trouble
        await hall.cycles(2)
        assert hall.service._trouble is None
        hall.end()
        first, last = [row["text"] for row in hall.bath_events("record_trouble")]
        assert "was moved" in first
        assert "well again" in last
        (run,) = hall.folders()
        assert verify_run(run).wrong == []
