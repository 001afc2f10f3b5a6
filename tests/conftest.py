"""What holds for all tests: no library under comparison calls home, and examples repeat from run to run.

`FORMBATH_EXAMPLES=new pytest` lets the property tests look for examples they have not tried yet.
"""

from __future__ import annotations

import os

from hypothesis import settings

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("new", deadline=None)
settings.load_profile("new" if os.environ.get("FORMBATH_EXAMPLES") == "new" else "same")
