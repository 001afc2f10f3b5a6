"""Slow comparisons beside the control cycle: what each run did, minute by minute, and the advice that follows. No I/O.

Every cycle takes a few numbers; once a minute all circuits are compared (`controller.coursestand`), and what stands is
handed to the core with each cycle until the next minute. Nothing here can change a current: the core only warns of an
advice. Whatever goes wrong here ends here: it is counted, told once, and there is no advice.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.core.bathstate import BathState
from controller.core.settings import BathSettings
from controller.core.types import Advice, BathIn, Event
from controller.core.values import number
from controller.course import Expected, expected_of
from controller.courseseen import seen_of
from controller.coursestand import Stand, advice_of, stands_of
from controller.coursetrace import look_of
from controller.records.head import Text
from controller.service.tracing import Tracer
from profiles.loader import load_model
from profiles.problems import clean
from profiles.release import Release, parse_release

MINUTE_MS = 60_000
LONGEST_SAID = 200


@dataclass(slots=True)
class Courses:
    """The courses of the releases that loads rest on, by the hash of the profile's text; None: it has none."""

    known: dict[str, Expected | None] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    _rests_on: dict[str, Text] = field(default_factory=dict)

    def wanted(self, used: Iterable[str], releases: Mapping[str, Text]) -> list[str]:
        """Return the hashes of loaded profiles whose release has not been worked through yet; forget the others.

        `releases` by the hash of the profile's text, which may have been released anew.
        """
        loaded = set(used)
        self.known = {sha256: found for sha256, found in self.known.items() if sha256 in loaded}
        there = {sha256: text for sha256, text in releases.items() if sha256 in loaded}
        found = [sha256 for sha256 in there if sha256 not in self.known or self._rests_on.get(sha256) != there[sha256]]
        self._rests_on = there
        return sorted(found)

    def take(self, sha256: str, text: str) -> None:
        """Work through a release's text. For a thread: it may take longer than a cycle. Never raises."""
        self.known[sha256] = None
        try:
            release = load_model(parse_release(text, "release"), Release)
            if release.sha256 == sha256 and release.course:
                self.known[sha256] = expected_of(release)
        except Exception as error:  # noqa: BLE001 - a course is never worth a cycle
            self.told.append(clean(f"the release gives no course: {error}", LONGEST_SAID))


class Advising:
    """What one bath's comparisons remember. `advice` goes into the next cycle, `shown` into the next snapshot.

    `failed`: how often it went wrong; from then on it begins anew, without what it remembered.
    """

    def __init__(self, settings: BathSettings, judge: Callable[..., dict[str, Stand]] = stands_of) -> None:
        """`judge`: the rules, for one circuit and minute."""
        self._settings = settings
        self._judge = judge
        self.courses = Courses()
        self.failed = 0
        self._failure = ""
        self._failure_told = False
        self._learning: asyncio.Task[None] | None = None
        self._begin()

    def _begin(self) -> None:
        self.advice: tuple[tuple[str, Advice], ...] = ()
        self.shown: dict[str, dict[str, Any]] = {}
        self._stands: dict[str, dict[str, Stand]] = {}
        self._tracer = Tracer(self._settings)
        self._minute: int | None = None
        self._loaded: dict[str, str] = {}

    def look(self, given: BathIn, state: BathState) -> None:
        """Take in one cycle: what was read, and the bath as decided on it. Never raises."""
        try:
            self._look(given, state)
        except Exception as error:  # noqa: BLE001 - whatever it is, the control cycle must not hear of it
            self.failed += 1
            self._failure = clean(f"comparisons with course and sisters failed: {error!r}", LONGEST_SAID)
            self._begin()

    async def learn(self, releases: Mapping[str, Text], *, wait: bool) -> None:
        """Work through a release that a load rests on, beside the loop; `wait`: until it is done, for stepped time.

        `releases` by the circuit. Of two releases of one text the course is that of the bath's later circuit.
        """
        if not self._loaded or (self._learning is not None and not self._learning.done()):
            return
        by_text = {sha256: releases[name] for name, sha256 in self._loaded.items() if name in releases}
        wanted = self.courses.wanted(self._loaded.values(), by_text)
        self._loaded = {}
        if wanted:
            texts = [(sha256, by_text[sha256].text) for sha256 in wanted]
            self._learning = asyncio.create_task(asyncio.to_thread(self._take, texts))
            if wait:
                await self._learning

    def _take(self, texts: list[tuple[str, str]]) -> None:
        for sha256, text in texts:
            self.courses.take(sha256, text)

    def notices(self) -> list[Event]:
        """Return what is to be told once: the first failure, and releases whose course cannot be used."""
        told, self.courses.told = self.courses.told, []
        if self._failure and not self._failure_told:
            self._failure_told = True
            told = [*told, self._failure]
        return [Event("notice", self._settings.name, data={"what": what}) for what in told]

    def _look(self, given: BathIn, state: BathState) -> None:
        self._tracer.take(given, state, water_of(given, self._settings.stale_ms))
        minute = given.now_ms // MINUTE_MS
        if minute == self._minute:
            return
        before, self._minute = self._minute, minute
        self._loaded = {each.name: each.load.plan.sha256 for each in state.circuits if each.load is not None}
        if before is not None:
            self._compare(given.now_ms, state)

    def _compare(self, now_ms: int, state: BathState) -> None:
        """Judge every open run; what is not open any more is forgotten."""
        self._tracer.close_minute(now_ms, state)
        traces = self._tracer.traces(state, self.courses.known)
        stands, shown = {}, {}
        for mine in traces:
            look = look_of(mine, traces, self.courses.known.get(mine.plan.sha256), now_ms)
            stands[mine.name] = self._judge(look, self._stands.get(mine.name, {}))
            shown[mine.name] = seen_of(look)
        told = {name: part for name, part in shown.items() if part}
        json.dumps(told, allow_nan=False)  # what no message can hold fails here, not in the cycle that shows it
        self._stands, self.shown = stands, told
        self.advice = tuple((name, said) for name, each in stands.items() for said in advice_of(each))


def water_of(given: BathIn, stale_ms: int) -> float | None:
    """Return the bath's water, its highest sensor; None: not read."""
    found = (number(each, stale_ms) for each in given.bath.water_C)
    return max((water_C for water_C in found if water_C is not None), default=None)
