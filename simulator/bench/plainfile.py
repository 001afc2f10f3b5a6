"""Which names stand for plain files: opening a pipe or a device may wait for ever, or reach something else."""

from __future__ import annotations

from pathlib import Path


def is_no_plain_file(path: Path) -> bool:
    """Whether something stands there that is neither a plain file nor a link to one; False where nothing does.

    Raises OSError where the name cannot be looked at.
    """
    return path.exists() and not path.is_file()
