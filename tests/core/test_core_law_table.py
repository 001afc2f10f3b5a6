"""Every law in one table: how hard it reacts, how soon a person must act, how long and in how many readings."""

from __future__ import annotations

import pytest

from controller.core.interlocks import BATH_FAMILIES, BATH_LAWS, CIRCUIT_FAMILIES, CIRCUIT_LAWS
from controller.core.types import Reaction

# code: reaction, priority, ms that it must hold, in how many fresh readings, ms that it must be gone, ms until it is
# told anew; None: at once, never
LAWS = {
    "hands_off": (Reaction.TRIP, 1, None, 2, None, None),
    "link_lost": (Reaction.HOLD, 2, None, 0, None, None),
    "wrong_answer": (Reaction.HOLD, 2, None, 0, None, None),
    "link_garbled": (Reaction.WARN, 3, None, 0, None, None),
    "link_slow": (Reaction.WARN, 3, None, 0, None, None),
    "link_rides": (Reaction.WARN, 3, None, 0, None, None),
    "another_device": (Reaction.HOLD, 2, None, 0, None, None),
    "local_control": (Reaction.HOLD, 2, None, 2, None, None),
    "rectifier_fault": (Reaction.TRIP, 2, None, 2, None, None),
    "rectifier_restarted": (Reaction.HOLD, 2, None, 1, None, None),
    "set_not_taken": (Reaction.HOLD, 2, 2_000.0, 2, None, None),
    "foreign_master": (Reaction.TRIP, 1, None, 2, None, None),
    "limit_not_taken": (Reaction.HOLD, 2, 2_000.0, 2, None, None),
    "foreign_limit": (Reaction.TRIP, 1, None, 2, None, None),
    "output_off": (Reaction.HOLD, 2, 2_000.0, 2, None, None),
    "not_obeyed": (Reaction.TRIP, 1, 3_000.0, 2, None, None),
    "zero_unconfirmed": (Reaction.WARN, 2, 4_000.0, 0, None, None),
    "zero_unconfirmed_long": (Reaction.WARN, 1, None, 0, None, None),
    "output_stuck": (Reaction.TRIP, 1, None, 0, None, None),
    "current_though_off": (Reaction.TRIP, 1, None, 2, None, None),
    "output_came_on": (Reaction.TRIP, 1, 2_000.0, 2, None, None),
    "contactor_welded": (Reaction.TRIP, 1, 3_000.0, 0, None, None),
    "contactor_not_closed": (Reaction.HOLD, 2, 3_000.0, 0, None, None),
    "contactor_inspection": (Reaction.WARN, 3, None, 0, None, None),
    "current_trip": (Reaction.TRIP, 2, None, 2, None, None),
    "current_warn": (Reaction.WARN, 3, 10_000.0, 2, None, None),
    "current_low": (Reaction.WARN, 3, 30_000.0, 2, None, None),
    "below_least": (Reaction.HOLD, 2, 60_000.0, 2, None, None),
    "ripple": (Reaction.WARN, 3, 15_000.0, 1, None, None),
    "ripple_hold": (Reaction.HOLD, 2, 60_000.0, 1, None, None),
    "counter_differs": (Reaction.WARN, 3, 600_000.0, 1, None, None),
    "voltage_trip": (Reaction.TRIP, 2, 10_000.0, 2, None, None),
    "voltage_trip_profile": (Reaction.TRIP, 2, None, 2, None, None),
    "voltage_warn": (Reaction.WARN, 3, 10_000.0, 2, None, None),
    "open_string": (Reaction.TRIP, 2, 5_000.0, 2, None, None),
    "arcing": (Reaction.TRIP, 2, None, 1, None, None),
    "dry_string": (Reaction.TRIP, 2, 60_000.0, 2, None, None),
    "string_count": (Reaction.HOLD, 2, 60_000.0, 2, None, None),
    "probe_derate": (Reaction.DERATE, 2, None, 1, None, None),
    "probe_hold": (Reaction.HOLD, 2, None, 1, None, None),
    "probe_trip": (Reaction.TRIP, 2, None, 1, None, None),
    "probe_lost": (Reaction.DERATE, 2, None, 2, 60_000, None),
    "probe_lost_long": (Reaction.HOLD, 2, 3_600_000.0, 1, 60_000, None),
    "probe_lost_warm": (Reaction.HOLD, 2, None, 2, None, None),
    "probes_differ": (Reaction.WARN, 3, 600_000.0, 1, None, None),
    "probe_frozen": (Reaction.WARN, 2, None, 1, None, None),
    "probe_part_lost": (Reaction.WARN, 3, None, 2, None, None),
    "probe_rise": (Reaction.WARN, 3, None, 1, None, None),
    "runaway": (Reaction.DERATE, 2, None, 1, None, None),
    "runaway_hold": (Reaction.HOLD, 2, 1_800_000.0, 1, None, None),
    "charge_cap": (Reaction.HOLD, 2, None, 0, None, None),
    "step_cap": (Reaction.HOLD, 2, None, 0, None, None),
    "cap_not_obeyed": (Reaction.TRIP, 1, 10_000, 2, None, None),
    "step_slow": (Reaction.WARN, 3, None, 0, None, None),
    "step_overrun": (Reaction.HOLD, 2, None, 0, None, None),
    "step_late": (Reaction.WARN, 3, None, 0, None, None),
    "flow_no_step_up": (Reaction.DERATE, 3, None, 1, None, None),
    "service_gap": (Reaction.WARN, 2, None, 0, None, None),
    "service_away": (Reaction.WARN, 2, None, 0, None, None),
    "hold_harms": (Reaction.WARN, 2, None, 0, None, 1_800_000.0),
    "walk_due": (Reaction.WARN, 3, None, 0, None, None),
    "walk_overdue": (Reaction.WARN, 2, None, 0, None, None),
    "reading_overdue": (Reaction.WARN, 3, 1_800_000.0, 0, None, None),
    "reading_overdue_long": (Reaction.WARN, 2, 3_600_000.0, 0, None, None),
    "joint_resistance": (Reaction.WARN, 3, None, 1, None, None),
    "joint_hot": (Reaction.WARN, 2, None, 1, None, None),
    "cells_missing": (Reaction.WARN, 3, None, 1, None, None),
    "probe_reads_low": (Reaction.WARN, 3, None, 1, None, None),
    "probe_in_air": (Reaction.WARN, 3, None, 1, None, None),
    "probe_elsewhere": (Reaction.WARN, 3, None, 1, None, None),
    "knee_early": (Reaction.WARN, 3, None, 1, None, None),
    "knee_late": (Reaction.WARN, 3, None, 1, None, None),
    "acid_differs": (Reaction.WARN, 3, None, 1, None, None),
    "leads_crossed": (Reaction.WARN, 2, None, 1, None, None),
    "course_late": (Reaction.WARN, 3, None, 1, None, None),
    "advice_unknown": (Reaction.WARN, 3, None, 1, None, None),
    "emergency_stop": (Reaction.TRIP, 1, None, 0, 10_000.0, None),
    "hood_open": (Reaction.HOLD, 2, None, 0, 10_000.0, None),
    "inputs_stale": (Reaction.HOLD, 1, None, 0, 10_000.0, None),
    "inputs_chatter": (Reaction.WARN, 3, None, 0, None, None),
    "extraction_lost": (Reaction.HOLD, 1, None, 0, 10_000.0, None),
    "extraction_lost_after_run": (Reaction.HOLD, 1, None, 0, 10_000.0, None),
    "hydrogen_warn": (Reaction.WARN, 2, None, 2, None, None),
    "hydrogen_trip": (Reaction.TRIP, 1, None, 2, None, None),
    "hydrogen_unknown": (Reaction.WARN, 2, 60_000.0, 0, None, None),
    "water_warm": (Reaction.WARN, 2, None, 1, None, None),
    "water_derate": (Reaction.DERATE, 2, None, 1, None, None),
    "water_hold": (Reaction.HOLD, 1, None, 1, None, None),
    "water_cold": (Reaction.WARN, 3, None, 1, None, None),
    "water_lost": (Reaction.DERATE, 2, None, 2, None, None),
    "water_lost_long": (Reaction.HOLD, 1, 3_600_000.0, 1, 60_000, None),
    "water_differ": (Reaction.WARN, 3, 600_000.0, 1, None, None),
    "water_part_lost": (Reaction.WARN, 3, None, 2, None, None),
    "several_hot": (Reaction.WARN, 1, None, 1, None, None),
    "flow_lost": (Reaction.WARN, 2, 60_000.0, 2, None, None),
    "flow_hold": (Reaction.HOLD, 2, None, 2, None, None),
    "level_low": (Reaction.WARN, 3, 10_000.0, 2, 10_000.0, None),
    "level_high": (Reaction.HOLD, 1, 10_000.0, 2, 10_000.0, None),
    "level_hold": (Reaction.HOLD, 2, 10_000.0, 2, None, None),
    "level_falls": (Reaction.HOLD, 2, None, 2, None, None),
    "leak": (Reaction.WARN, 2, None, 2, None, None),
    "level_unknown": (Reaction.WARN, 2, 60_000.0, 0, None, None),
    "earth_low": (Reaction.WARN, 3, 600_000.0, 2, None, None),
    "earth_trip": (Reaction.TRIP, 1, None, 2, None, None),
    "earth_unknown": (Reaction.WARN, 2, 60_000.0, 0, None, None),
    "block_ignored": (Reaction.HOLD, 1, None, 0, None, None),
    "record_slow": (Reaction.WARN, 3, None, 0, 10_000.0, None),
    "record_waits": (Reaction.WARN, 2, None, 0, 10_000.0, None),
    "record_ends": (Reaction.WARN, 1, None, 0, 10_000.0, None),
    "record_full": (Reaction.HOLD, 1, None, 0, None, None),
    "record_space_low": (Reaction.WARN, 3, None, 0, 10_000.0, None),
    "record_space_ends": (Reaction.WARN, 2, None, 0, 10_000.0, None),
    "record_space_unknown": (Reaction.WARN, 3, None, 0, 10_000.0, None),
    "round_overdue": (Reaction.WARN, 3, None, 0, None, None),
    "round_overdue_long": (Reaction.WARN, 2, None, 0, None, None),
    "horn_failed": (Reaction.WARN, 2, None, 0, None, None),
    "power_limited": (Reaction.WARN, 3, 5_000.0, 0, None, None),
}
"""At default settings and a period of one second."""

ALL_LAWS = (*CIRCUIT_LAWS, *BATH_LAWS)


def times(law, settings):
    return tuple(None if ms is None else ms(settings) for ms in (law.wait_ms, law.quiet_ms, law.repeat_ms))


@pytest.mark.parametrize("law", ALL_LAWS, ids=lambda law: law.code)
def test_a_law_stands_in_the_table_as_it_is(law, kit):
    """What an operator sees and what the plant feels of a law is changed here too, or not at all."""
    wait_ms, quiet_ms, repeat_ms = times(law, kit.settings())
    told = (law.reaction, law.priority, wait_ms, law.readings, quiet_ms, repeat_ms)
    assert told == LAWS[law.code]


def test_the_table_has_no_law_that_is_gone():
    """A law that fell out of its list would be missed by nobody else."""
    assert [law.code for law in ALL_LAWS] == list(LAWS)


def test_every_family_is_asked_once():
    """No family stands twice, none of the bath's among the circuits'."""
    assert len(set(map(id, (*CIRCUIT_FAMILIES, *BATH_FAMILIES)))) == len(CIRCUIT_FAMILIES) + len(BATH_FAMILIES)
