"""What holds for all tests: no library under comparison calls home from one."""

from __future__ import annotations

import os

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
