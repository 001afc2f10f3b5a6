"""The number of the core's decisions: raised by one whenever any decision changes (a golden test asks for it).

A record carries it, so that a later core knows whether deciding the record again can prove anything.
"""

from __future__ import annotations

CORE = 5
