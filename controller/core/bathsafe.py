"""Whether current may go on flowing in a bath: shut, aired, its inputs known, no emergency stop."""

from __future__ import annotations

from controller.core.types import BathShare


def safe(bath: BathShare) -> bool:
    """Return whether current may go on flowing: an open hood counts as shut while a permit for readings stands.

    The purge is no part of it: it comes before a first current and before a resume, and begins anew under a permit.
    """
    return bath.inputs_ok and bath.emergency_stop_ok and bath.airflow_ok and (bath.hood_closed or bath.permit)
