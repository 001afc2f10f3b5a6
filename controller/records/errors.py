"""What is raised when a record cannot be used. Stands alone, so that light readers need nothing else. Pure."""

from __future__ import annotations


class RecordError(Exception):
    """A folder or archive that is no record, or one that cannot be used for what was asked; the text says why."""
