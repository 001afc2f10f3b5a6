"""A reference run's decisions are those of the golden file, to the last bit: whoever changes one must raise CORE."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import pytest

from controller.core.version import CORE

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def golden():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(HERE))
        return importlib.import_module("goldenrecord")


@pytest.fixture(scope="module")
def drawn(golden, kit):
    """The reference run, played now."""
    return golden.play(kit)


def test_decisions_are_those_of_the_golden_record(golden, drawn):
    """Every command and every event of the reference run is the golden one, in order, floats to the bit."""
    wrong = golden.difference(golden.FILE.read_text(encoding="utf-8").splitlines(), drawn, CORE)
    assert wrong is None, wrong


@pytest.mark.parametrize(
    "happening",
    [
        "event zero_read",
        "'verb': 'load'",
        "'verb': 'start'",
        "refusal start_list_refused",
        "refusal alone",
        "alarm probe_derate {'life': 'new'",
        "alarm probe_derate {'life': 'returned'",
        "alarm probe_lost",
        "'verb': 'hold'",
        "event held {'cause': 'local_control'",
        "event resumed_by_rule",
        "event tripped {'cause': 'current_trip'",
        "'verb': 'acknowledge'",
        "refusal not_acknowledged",
        "'verb': 'block'",
        "refusal blocked",
        "'verb': 'unblock'",
        "order accepted {'order': 'reset",
        "order accepted {'order': 'resume",
        "alarm water_derate",
        "event held {'cause': 'gap'",
        "refusal late",
        "event tripped {'cause': 'emergency_stop'",
        "'verb': 'stop'",
        "'by': 'time'",
        "'by': 'order'",
        "'by': 'charge'",
        "'by': 'longest time'",
        "A01 event complete",
        "A02 event complete",
        "refusal cool_down",
        "order accepted {'order': 'unload",
    ],
)
def test_reference_run_has_everything_in_it(drawn, happening):
    """What the golden record is there to hold happens in it: a run that breaks off early proves little."""
    assert any(happening in line for line in drawn)


def test_commands_carry_whole_floats(drawn):
    """A derated current stands in the record with all its digits, so that a last bit would show."""
    commands = [line for line in drawn if " command " in line]
    digits = max(len(part.partition("=")[2]) for line in commands for part in line.split() if "set_current_A" in part)
    assert len(commands) > 100
    assert digits > 15


def test_difference_under_the_same_core_asks_to_raise_it(golden, drawn):
    """A decision that changed while CORE did not is told as that, with the line as it was and as it is now."""
    held = [golden.head_of(CORE), *drawn]
    changed = [line.replace("set_current_A=3.0 ", "set_current_A=3.0000000000000004 ") for line in drawn]
    said = golden.difference(held, changed, CORE)
    assert f"the core is still {CORE}: raise CORE" in said
    assert "set_current_A=3.0 " in said
    assert "set_current_A=3.0000000000000004 " in said
    assert golden.difference(held, drawn, CORE) is None


def test_difference_under_a_raised_core_asks_to_draw(golden, drawn):
    """With CORE raised, the golden file must be drawn anew, whether a decision changed or not."""
    held = [golden.head_of(CORE - 1), *drawn]
    assert "of another core" in golden.difference(held, drawn, CORE)
    said = golden.difference(held, drawn[:-1], CORE)
    assert f"decisions of core {CORE} are not drawn yet" in said
    assert "now: nothing more" in said


def test_drawing_writes_what_the_test_plays(golden, drawn, tmp_path):
    """The command that draws the golden file plays the same run: in a process of its own, the same bytes."""
    file = tmp_path / "drawn.txt"
    done = subprocess.run(
        [sys.executable, str(HERE / "goldenrecord.py"), "--draw", str(file)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert file.read_text(encoding="utf-8") == golden.written(CORE, drawn)
