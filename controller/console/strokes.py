"""What comes from the keyboard in one read, told apart: single keys, and bursts (a paste, a scanner). Pure.

Letters that arrive together, or faster than fingers type, are a burst, which only text fields take. What follows within
`QUIET_S` still belongs to it, so that the end of a torn paste is no key. `s` with Enter alone is no burst: it only ever
takes current away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

QUIET_S = 0.15
FAST_S = 0.02
"""Two letters less apart come from a scanner or a torn paste: fingers need some 50 ms (our own choice)."""

OPEN_S = 1.0
"""A bracketed paste that says nothing for so long has lost its end, and must not swallow keys for ever."""

MOST = 20_000
"""Characters kept of one paste."""

Stroke = tuple[str, str]
"""("key", name) or ("burst", text)."""


@dataclass(slots=True)
class Strokes:
    """Remembers an open bracketed paste, when the last burst came, and when the last letter and the last read."""

    pasting: bool = False
    text: str = ""
    burst_s: float = -1e9
    letter_s: float = -1e9
    read_s: float = -1e9

    def read(self, keys: Sequence[object], now_s: float) -> list[Stroke]:
        """Return what the keys of one read mean; mouse reports and unknown sequences vanish."""
        found: list[Stroke] = []
        if self.pasting and now_s - self.read_s > OPEN_S:
            found.append(self._pasted(self.read_s))
        self.read_s = now_s
        loose: list[str] = []
        for key in keys:
            if not isinstance(key, str):
                continue
            if key == "begin paste":
                found += self._loose(loose, now_s)
                loose, self.pasting, self.text = [], True, ""
            elif key == "end paste":
                if self.pasting:
                    found.append(self._pasted(now_s))
            elif self.pasting:
                self.text = (self.text + _character(key))[:MOST]
            else:
                loose.append(key)
        return found + self._loose(loose, now_s)

    def _pasted(self, now_s: float) -> Stroke:
        self.pasting, self.burst_s = False, now_s
        return ("burst", self.text)

    def _loose(self, keys: list[str], now_s: float) -> list[Stroke]:
        letters = sum(1 for key in keys if _printable(key))
        fast = letters > 0 and now_s - self.letter_s < FAST_S
        if letters:
            self.letter_s = now_s
        torn = bool(keys) and now_s - self.burst_s < QUIET_S and (letters > 0 or "enter" in keys)
        hold = keys in (["s", "enter"], ["S", "enter"]) and not torn and not fast
        together = letters > 1 or (letters == 1 and "enter" in keys)
        if (together and not hold) or torn or fast:
            if together or fast:
                # A single key behind a burst belongs to it, but does not make it longer: a person may be hammering.
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
