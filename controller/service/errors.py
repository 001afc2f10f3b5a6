"""What can go wrong at the service's edges, split by who can mend it. Nothing else may enter."""

from __future__ import annotations


class Unreachable(Exception):
    """The plant, a link or a service could not be reached (exit code 3). The text names what was tried."""


class Refused(Exception):
    """An order that must not even reach the core. `code` is for machines, the text is one sentence for people."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text
