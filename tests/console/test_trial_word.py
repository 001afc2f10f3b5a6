"""An engineer's trial says TRIAL wherever its profile is named: before its start, in the start list, while it runs."""

from __future__ import annotations

import pytest
from pictures import circuit, picture, scene

from controller.console import circuit as circuit_page
from controller.console import starts
from controller.console.sentence import sentence

CHECKS = ({"check": "loaded", "refusal": ""},)


def trial(one, *, is_trial=True):
    """The circuit with its load as a trial."""
    return one.model_copy(update={"load": one.load.model_copy(update={"trial": is_trial})})


def text(rows):
    return "\n".join(each.text for each in rows)


@pytest.mark.parametrize("is_trial", [True, False])
def test_a_loaded_trial_says_so(is_trial):
    """In the two lines that tell a circuit, on its page, and on its start list."""
    one = trial(circuit("A01", "idle", run=None, start_checks=CHECKS), is_trial=is_trial)
    shown = scene(picture([one]), circuit="A01")
    told = sentence(shown, *shown.selected)
    page = text(circuit_page.rows(scene(picture([one]), page="circuit"), 80, 18))
    items = scene(picture([one], start_items=("polarity",)), page="starts", circuit="A01")
    listed = text(starts.rows(items, 80, 18))
    assert [("TRIAL" in said) for said in (str(told), page, listed)] == [is_trial] * 3


@pytest.mark.parametrize("is_trial", [True, False])
def test_a_running_trial_says_so(is_trial):
    """On the circuit's page, before its step."""
    shown = scene(picture([trial(circuit("A01"), is_trial=is_trial)]), page="circuit")
    assert ("TRIAL: step" in text(circuit_page.rows(shown, 80, 18))) is is_trial
