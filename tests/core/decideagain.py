"""Run folders decided again, each as one digest of every command, every event and the last state.

    python tests/core/decideagain.py FOLDER...          one line of JSON, an entry a folder

Run under other processor features, by other versions of Python or on another machine, the digests must be the same.
"""

# ruff: noqa: E402 - run by itself: its path comes first

from __future__ import annotations

import hashlib
import json
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

import numpy as np

from controller.core.circuit import step as core_step
from controller.records.reader import read_run
from controller.records.redecide import redecide


def decided(folder: Path) -> dict[str, Any]:
    """A run folder decided again: what agrees, a digest of all commands, events and the last state, numpy's features.

    Nothing of the core may hang on numpy; it is loaded here, so that switching its vector features off does something.
    """
    found = read_run(folder)
    said = hashlib.sha256()

    def deciding(settings: Any, own: Any, state: Any, cin: Any) -> Any:
        new, command, events = core_step(settings, own, state, cin)
        said.update(f"{cin.now_ms} {command!r} {events!r}\n".encode())
        return new, command, events

    again = redecide(found.head, found.cycles.blocks(found.head.codec), deciding)
    said.update(repr(again.state).encode())
    features = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])
    return {
        "compared": again.compared, "same": again.same, "not_compared": again.not_compared,
        "problems": again.problems, "digest": said.hexdigest(), "features": features,
    }  # fmt: skip


if __name__ == "__main__":
    sys.stdout.write(json.dumps([decided(Path(folder)) for folder in sys.argv[1:]]) + "\n")
