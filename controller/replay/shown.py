"""A moment of a record as a console sees it: the service's own snapshot, made of one circuit. Pure.

What a record of one run does not hold (other circuits, warnings of the bath, course and sisters) is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from controller.core.bath import BathOut
from controller.core.bathstate import BathState
from controller.core.state import Alarm
from controller.core.types import BathCommand, BathReading, BathShare, LinkState, Quality, Value
from controller.replay.story import Moment
from controller.replay.tape import Tape
from controller.service.snapshot import Seen, snapshot


def bath_reading(share: BathShare) -> BathReading:
    """Return the bath's inputs as far as a circuit is told of them; lost where the bath itself did not know them."""
    quality = Quality.GOOD if share.inputs_ok else Quality.LOST
    stop, airflow, hood = (
        Value(float(holds) if share.inputs_ok else None, quality)
        for holds in (share.emergency_stop_ok, share.airflow_ok, share.hood_closed)
    )
    link = LinkState.UP if share.inputs_ok else LinkState.DOWN
    return BathReading((share.water_C,), airflow, stop, hood, link=link)


def picture(
    tape: Tape,
    moment: Moment,
    folder: str,
    pace: tuple[float, bool],
    replay: Mapping[str, Any],
    alarms: tuple[Alarm, ...] = (),
) -> dict[str, Any]:
    """Return the snapshot of a moment. `folder`: where its rows stand; `replay`: what is told of the replay itself.

    `alarms`: the bath's own that are known.
    """
    settings = replace(tape.head.settings, circuits=(tape.head.own,))
    state = BathState((moment.state,), now_ms=moment.now_ms, alarms=alarms)
    command = moment.state.command
    out = BathOut((command,), BathCommand(), (), (moment.cin,), (moment.standing,))
    made = snapshot(
        Seen(
            settings=settings,
            state=state,
            out=out,
            bath=bath_reading(moment.cin.bath),
            utc_ms=tape.utc_ms(moment.now_ms),
            folders={moment.state.name: folder},
            pace=pace,
            replay=replay,
        )
    )
    return {**made, "virtual": tape.virtual}
