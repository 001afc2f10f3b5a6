"""A record changed by somebody who knows the recipe: rows chained anew, summary.json sealed again."""

from __future__ import annotations

import json
from collections.abc import Callable
from hashlib import sha256
from typing import Any

from memoryplace import MemoryPlace

from controller.records.chain import link, start
from controller.records.summary import summary_bytes

Rows = list[list[str]]


def rechained(place: MemoryPlace, name: str, edit: Callable[[Rows], Rows] = lambda rows: rows) -> MemoryPlace:
    """A table whose rows (cells without the chain value; no quotes) went through `edit`, with a chain that fits."""
    header, *lines = place.files[name].decode().splitlines()
    value = start(header, place.files["run.json"])
    out = [header]
    for cells in edit([line.split(",")[:-1] for line in lines]):
        text = ",".join(cells)
        value = link(value, text)
        out.append(f"{text},{value}")
    return place.with_file(name, ("\n".join(out) + "\n").encode())


def resealed(place: MemoryPlace, drop: tuple[str, ...] = (), **changes: Any) -> MemoryPlace:
    """summary.json written anew for the files as they are, with changes and without the keys of `drop`."""
    tables = {name: data.splitlines() for name, data in place.files.items() if name.endswith(".csv")}
    content = {
        **json.loads(place.files["summary.json"]),
        "run_json_sha256": sha256(place.files["run.json"]).hexdigest(),
        "cycles_sha256": sha256(place.files["cycles.bin"]).hexdigest(),
        "rows": {name: len(lines) - 1 for name, lines in tables.items()},
        "chain": {name: lines[-1][-16:].decode() for name, lines in tables.items()},
        **changes,
    }
    kept = {key: value for key, value in content.items() if key not in drop}
    return place.with_file("summary.json", summary_bytes(kept))


def reheaded(place: MemoryPlace, change: Callable[[dict[str, Any]], object]) -> MemoryPlace:
    """run.json changed, everything that hangs on it made anew."""
    plain = json.loads(place.files["run.json"])
    change(plain)
    place = place.with_file("run.json", (json.dumps(plain, indent=1) + "\n").encode())
    for name in [name for name in place.files if name.endswith(".csv")]:
        place = rechained(place, name)
    return resealed(place)


def unsealed(place: MemoryPlace, **changes: Any) -> MemoryPlace:
    """summary.json as one of the format that had no hash of its own, changed with an editor."""
    content = {**json.loads(place.files["summary.json"]), "format": "formbath/summary/1", **changes}
    del content["sha256"]
    return place.with_file("summary.json", (json.dumps(content, indent=1) + "\n").encode())
