"""What comes from the keyboard in one read, told apart: single keys, and bursts (a paste, a scanner). Pure.

Letters that arrive together were not typed by a person: they are a burst, which only text fields take. Whatever follows
within `QUIET_S` still belongs to it, so that the end of a torn paste is no key.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

QUIET_S = 0.15
MOST = 20_000
"""Characters kept of one paste."""

Stroke = tuple[str, str]
"""("key", name) or ("burst", text)."""


@dataclass(slots=True)
class Strokes:
    """Remembers an open bracketed paste and when the last burst came."""

    pasting: bool = False
    text: str = ""
    burst_s: float = -1e9

    def read(self, keys: Sequence[object], now_s: float) -> list[Stroke]:
        """Return what the keys of one read mean; mouse reports and unknown sequences vanish."""
        found: list[Stroke] = []
        loose: list[str] = []
        for key in keys:
            if not isinstance(key, str):
                continue
            if key == "begin paste":
                found += self._loose(loose, now_s)
                loose, self.pasting, self.text = [], True, ""
            elif key == "end paste":
                if self.pasting:
                    found.append(("burst", self.text))
                    self.burst_s = now_s
                self.pasting = False
            elif self.pasting:
                self.text = (self.text + _character(key))[:MOST]
            else:
                loose.append(key)
        return found + self._loose(loose, now_s)

    def _loose(self, keys: list[str], now_s: float) -> list[Stroke]:
        letters = sum(1 for key in keys if _printable(key))
        torn = bool(keys) and now_s - self.burst_s < QUIET_S and (letters > 0 or "enter" in keys)
        if letters > 1 or (letters == 1 and "enter" in keys) or torn:
            self.burst_s = now_s
            return [("burst", "".join(_character(key) for key in keys)[:MOST])]
        found: list[Stroke] = []
        for key in keys:
            # A terminal sends Alt as Escape and the key: here it is Escape, then the key.
            parts = ("esc", key[5:]) if key.startswith("meta ") else (key,)
            found += [("key", part) for part in parts]
        return found


def _printable(key: str) -> bool:
    return len(key) == 1 and key.isprintable()


def _character(key: str) -> str:
    """The text a key stands for in a paste; keys that are none leave nothing."""
    if len(key) == 1:
        return key
    return {"enter": "\n", "tab": "\t"}.get(key, "")
