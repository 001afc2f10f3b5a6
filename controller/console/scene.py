"""Everything that a page may look at: the baths as last seen, and where in the console the person is. Frozen, pure.

Pages are functions `rows(scene, width, height) -> list[Row]` of exactly this; they know no clock and no terminal.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo

from controller.console.picture import AlarmView, CircuitView, Picture
from controller.console.then import of_then
from controller.words import Say

FROZEN_S = 3.0
"""A service silent for so long is not trusted (or for two and a half of its periods, where those are longer)."""


@dataclass(frozen=True, slots=True)
class BathSeen:
    """One attached service: its last picture, and for how long nothing came since (wall time of this console).

    `attached` False: the connection is gone. `who`, `roles`: the person as the service knows them. `runs`: folder of
    its records. `console`: by what name the service knows this console.
    """

    name: str
    picture: Picture | None
    silent_s: float = 0.0
    attached: bool = True
    who: str = ""
    roles: tuple[str, ...] = ()
    runs: str = ""
    console: str = ""

    trusted: bool = field(init=False)
    """Whether what is shown is now, or of a replay: whether it is the moment that the replay shows."""

    def __post_init__(self) -> None:
        """Work out once what every row asks for."""
        object.__setattr__(self, "trusted", self._is_trusted())

    @property
    def replayed(self) -> bool:
        """Whether it is a replay: nothing of it is now."""
        return self.picture is not None and self.picture.replay is not None

    def _is_trusted(self) -> bool:
        if self.picture is None or not self.attached:
            return False
        return self.silent_s < max(FROZEN_S, 2.5 * self.picture.period_s if self.picture.pace is None else FROZEN_S)


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One order followed to its end. `bath`: by the console's name for it; `accepted` None: no answer yet.

    `kept` False: it is in force, but not on the disk yet, as its text says.
    """

    time_utc: str
    verb: str
    target: str
    who: str
    text: str = ""
    accepted: bool | None = None
    read_back: str = ""
    bath: str = ""
    kept: bool = True


@dataclass(frozen=True, slots=True)
class Place:
    """Where the person is in the console. `circuit`, `bath`: what is selected, by identity, never by row.

    `page`: hall, bath, circuit, trend, alarms, events, orders, starts, recovery, help. `cursor`, `top`: in its list.
    """

    page: str = "hall"
    bath: str = ""
    circuit: str = ""
    cursor: int = 0
    top: int = 0
    only_abnormal: bool = False
    trend: str = "hot"
    window_s: float = 4 * 3600.0
    """Width of the trend; 0: the whole run."""
    trend_cursor: int | None = None
    """Column of the trend's cursor, None: off."""
    trend_utc: str = ""
    """A moment the trend shall show with its cursor, set when an event was opened; empty: the newest."""
    events_kind: str = ""
    events_circuit: str = ""
    find: str = ""


@dataclass(frozen=True, slots=True)
class EventLine:
    """One row of a record's events, texts cleaned."""

    time_utc: str
    kind: str
    code: str
    target: str
    who: str
    priority: str
    text: str


@dataclass(frozen=True, slots=True)
class TrendData:
    """Columns of a run's log for one quantity: seconds since its start and values, None where the record has none."""

    folder: str
    elapsed_s: tuple[float, ...] = ()
    hot_C: tuple[float | None, ...] = ()
    bath_C: tuple[float | None, ...] = ()
    voltage_V: tuple[float | None, ...] = ()
    current_A: tuple[float | None, ...] = ()
    charge_Ah: tuple[float | None, ...] = ()
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Scene:
    """One moment of the console. `zone`: of this terminal (None: the system's); `blink`: a new alarm's mark is lit.

    `said`: one line about what the person just did (a refused key, an ignored paste), empty when old.
    """

    baths: tuple[BathSeen, ...]
    place: Place = field(default_factory=Place)
    say: Say = field(default_factory=Say)
    zone: tzinfo | None = None
    blink: bool = True
    said: str = ""
    orders: tuple[OrderLine, ...] = ()
    events: tuple[EventLine, ...] = ()
    newer_events: int = 0
    events_read: bool = True
    """Whether the records have been read for events at all."""
    trend: TrendData | None = None
    muted: frozenset[tuple[str, str]] = frozenset()
    replay: bool = False
    """Whether all that is seen is a replay; then `say` tells every advice as one of then."""

    def __post_init__(self) -> None:
        """Let a replay speak of then, and nothing else."""
        object.__setattr__(self, "say", of_then(self.say, replay=self.replay))

    def of(self, seen: BathSeen) -> Scene:
        """The scene as what is told of that bath is told: of a replay beside a live bath, as a replay."""
        return replace(self, replay=True) if seen.replayed and not self.replay else self

    def bath(self, name: str) -> BathSeen | None:
        """The bath of that name."""
        return next((each for each in self.baths if each.name == name), None)

    @property
    def selected_bath(self) -> BathSeen | None:
        """The bath that is selected, else the first."""
        return self.bath(self.place.bath) or (self.baths[0] if self.baths else None)

    @property
    def selected(self) -> tuple[BathSeen, CircuitView] | None:
        """The selected circuit with its bath, else None."""
        seen = self.selected_bath
        if seen is None or seen.picture is None:
            return None
        found = seen.picture.circuit(self.place.circuit)
        return (seen, found) if found is not None else None

    def circuits(self) -> Iterator[tuple[BathSeen, CircuitView]]:
        """Every circuit with its bath, in the order of the baths and their files."""
        for seen in self.baths:
            for each in seen.picture.circuits if seen.picture is not None else ():
                yield seen, each

    def alarms(self) -> list[tuple[BathSeen, AlarmView]]:
        """Every open alarm that is told, first what is first to be done: new before seen, priority, then the oldest.

        What followed an alarm within seconds stands under it, unless it is more urgent itself.
        """
        found = [entry for entry in self._every_alarm() if not entry[1].quiet]
        firsts = {(seen.name, alarm.target, alarm.code): (seen, alarm) for seen, alarm in found if not alarm.first}

        def place(entry: tuple[BathSeen, AlarmView]) -> tuple[_Place, bool, _Place]:
            own, first = _first(entry), firsts.get((entry[0].name, entry[1].target, entry[1].first))
            led = first is not None and leads(first[1], entry[1])
            return (_first(first) if led and first is not None else own, led, own)

        return sorted(found, key=place)

    def silent(self) -> list[tuple[BathSeen, AlarmView]]:
        """Every alarm that is shelved, explained by another, or of a circuit out of use: counted, never lost."""
        return sorted((entry for entry in self._every_alarm() if entry[1].quiet), key=_first)

    def _every_alarm(self) -> Iterator[tuple[BathSeen, AlarmView]]:
        for seen in self.baths:
            if seen.picture is None:
                continue
            for alarm in (*seen.picture.alarms, *(a for each in seen.picture.circuits for a in each.alarms)):
                yield seen, alarm

    def local(self, utc: datetime) -> datetime:
        """A UTC time in this terminal's zone."""
        return utc.astimezone(self.zone)

    def clock(self, seen: BathSeen, core_ms: int, spec: str = "%H:%M") -> str:
        """A moment of a bath's core time, as this terminal's clock shows it."""
        return "--" if seen.picture is None else self.local(seen.picture.moment(core_ms)).strftime(spec)


_Place = tuple[bool, bool, int, datetime, str]


def leads(first: AlarmView, later: AlarmView) -> bool:
    """Whether a later alarm stands under the first of its group: never one more urgent than it."""
    if later.first != first.code or later.target != first.target or first.since_ms > later.since_ms:
        return False
    return _urgency(first) <= _urgency(later)


def _urgency(alarm: AlarmView) -> tuple[bool, bool, int]:
    return (alarm.acknowledged, not stands(alarm), alarm.priority)


def stands(alarm: AlarmView) -> bool:
    """Whether its cause stands, or comes and goes, or it waits for its reset."""
    return alarm.active or alarm.latched or alarm.came_and_went > 0


def _first(entry: tuple[BathSeen, AlarmView]) -> _Place:
    """What stands before what is gone, however high it was."""
    seen, alarm = entry
    since = seen.picture.moment(alarm.since_ms) if seen.picture is not None else datetime.fromtimestamp(0, UTC)
    return (*_urgency(alarm), since, alarm.target)


def mark_of(alarm: AlarmView) -> str:
    """The life of an alarm in one character, as IEC 62682 has it: new, acknowledged, gone unseen, latched."""
    if not alarm.acknowledged:
        return "*" if stands(alarm) else "~"
    return "!" if alarm.active or alarm.came_and_went else "#"


def worst(alarms: tuple[AlarmView, ...]) -> AlarmView | None:
    """The alarm that a circuit shows beside its name: unacknowledged first, then by priority, then the oldest.

    A silenced one is shown on the alarms page only.
    """
    told = (alarm for alarm in alarms if not alarm.quiet)
    return min(told, key=lambda alarm: (*_urgency(alarm), alarm.since_ms), default=None)


def style_of(priority: int) -> str:
    """The style of a priority."""
    return {1: "now", 2: "soon"}.get(priority, "shift")
