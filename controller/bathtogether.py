"""What the keys of a bath file must hold together. Works on plain data, so that one wrong key hides no other fault."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from profiles.locator import KeyPath
from profiles.plainwords import Finding, number, tables

MOST_CIRCUITS = 64


def bath_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """Every fault among the keys of a bath file's data."""
    virtual = data.get("virtual") is True
    yield from _times(data)
    yield from _links(data, virtual)
    yield from _circuits(data)
    yield from _interlocks(data)
    yield from _people(data, virtual)
    walk = data.get("meter_walk")
    if isinstance(walk, list | tuple) and walk and not (len(walk) == 2 and _rises(walk)):
        yield Finding(("meter_walk",), "is no span, write [earliest, latest] in minutes, or [] for none")
    bath_kW, hall_kW = number(data, "power_limit_kW"), number(data, "hall_power_limit_kW")
    if bath_kW is not None and hall_kW is not None and bath_kW > hall_kW:
        yield Finding(("power_limit_kW",), f"{bath_kW:g} is above hall_power_limit_kW, write {hall_kW:g} or less")


def _rises(values: list[Any] | tuple[Any, ...]) -> bool:
    ends = [number({"x": value}, "x") for value in values]
    return None not in ends and ends == sorted(ends, key=lambda end: end or 0.0) and ends[0] != ends[-1]


def _times(data: Mapping[str, Any]) -> Iterator[Finding]:
    def given(key: str, default: float) -> float | None:
        return number(data, key) if key in data else default

    period_s, stale_s, watchdog_s = given("period_s", 1.0), given("stale_after_s", 3.0), given("watchdog_s", 5.0)
    if period_s is not None and stale_s is not None and stale_s < 2 * period_s:
        what = f"{stale_s:g} is below two cycles of period_s, write {2 * period_s:g} or more"
        yield Finding(("stale_after_s",), what)
    if stale_s is not None and watchdog_s is not None and watchdog_s <= stale_s:
        yield Finding(("watchdog_s",), f"{watchdog_s:g} is not above stale_after_s, write more than {stale_s:g}")


def _links(data: Mapping[str, Any], virtual: bool) -> Iterator[Finding]:
    links = data.get("link")
    if not isinstance(links, Mapping):
        return
    if not links:
        yield Finding(("link",), "names no link, write at least one [link.NAME]")
    places: dict[str, str] = {}
    for name, link in links.items():
        if not isinstance(link, Mapping):
            continue
        path: KeyPath = ("link", name)
        if ("tcp" in link) == ("rtu" in link):
            what = "tcp and rtu are both given, write one of them" if "tcp" in link else "missing"
            yield Finding(
                (*path, "tcp"), what if "tcp" in link else 'missing, write tcp = "host:port" or rtu = "device"'
            )
        if "rtu" not in link:
            for key in ("baud", "parity"):
                if key in link:
                    yield Finding((*path, key), "belongs to a serial link, leave it out or write rtu")
        yield from _port((*path, "tcp"), link.get("tcp"), virtual)
        wire = str(link.get("tcp") or link.get("rtu") or "")
        if wire in places and not wire.endswith(":0"):
            yield Finding(path, f"is the same wire as link {places[wire]}, name that one in both places")
        if wire:
            places[wire] = str(name)


def _port(path: KeyPath, tcp: object, virtual: bool) -> Iterator[Finding]:
    port = tcp.rpartition(":")[2] if isinstance(tcp, str) else ""
    if not (port.isascii() and port.isdigit() and len(port) <= 5):
        return
    if int(port) > 65535:
        yield Finding(path, f"port {port} does not exist, write 1 to 65535")
    if int(port) == 0 and not virtual:
        yield Finding(path, "port 0 is for virtual baths only, write the device's port (Modbus: 502)")


def _circuits(data: Mapping[str, Any]) -> Iterator[Finding]:
    circuits = tables(data, "circuit")
    if isinstance(data.get("circuit"), list | tuple) and not 1 <= len(circuits) <= MOST_CIRCUITS:
        yield Finding(("circuit",), f"{len(circuits)} circuits, write 1 to {MOST_CIRCUITS} [[circuit]] tables")
    names: dict[str, int] = {}
    bath = data.get("name")
    channels: dict[tuple[object, object, object], object] = {}
    for index, circuit in enumerate(circuits):
        path: KeyPath = ("circuit", index)
        name = circuit.get("name")
        # Names become folders; some file systems do not tell cases apart.
        if isinstance(name, str) and name.lower() in names:
            first = names[name.lower()] + 1
            yield Finding((*path, "name"), f'"{name}" is also the name of circuit {first}, give each its own')
        elif isinstance(name, str) and isinstance(bath, str) and name.lower() == bath.lower():
            yield Finding((*path, "name"), f'"{name}" is the bath\'s own name too, orders could not tell them apart')
        elif isinstance(name, str):
            names[name.lower()] = index
        yield from _link_named((*path, "link"), circuit, data)
        channel = (str(circuit.get("link")), repr(circuit.get("unit")), repr(circuit.get("channel", 1)))
        if "link" in circuit and "unit" in circuit:
            if channel in channels:
                yield Finding((*path, "channel"), f"is the rectifier channel of {channels[channel]} too, write another")
            channels.setdefault(channel, name)
        least_A, most_A = number(circuit, "current_min_A"), number(circuit, "current_max_A")
        if least_A is not None and most_A is not None and least_A >= most_A > 0:
            yield Finding(
                (*path, "current_min_A"), f"{least_A:g} is not below current_max_A, write less than {most_A:g}"
            )
    yield from _boxes(data, channels)
    yield from _walking_order(data, {str(circuit.get("name")) for circuit in circuits})


def _link_named(path: KeyPath, table: Mapping[str, Any], data: Mapping[str, Any]) -> Iterator[Finding]:
    links, link = data.get("link"), table.get("link")
    if isinstance(links, Mapping) and isinstance(link, str) and link not in links:
        known = ", ".join(f'"{name}"' for name in links)
        yield Finding(path, f"there is no [link.{link}], write {known or 'a link that is there'}")


def _boxes(data: Mapping[str, Any], channels: Mapping[tuple[object, object, object], object]) -> Iterator[Finding]:
    units = {key[:2] for key in channels}
    for key in ("inputs", "outputs"):
        box = data.get(key)
        if not isinstance(box, Mapping):
            continue
        yield from _link_named((key, "link"), box, data)
        if (str(box.get("link")), repr(box.get("unit"))) in units and "unit" in box:
            yield Finding((key, "unit"), "is a rectifier's unit too, write the box's own")


def _walking_order(data: Mapping[str, Any], names: set[str]) -> Iterator[Finding]:
    rounds = data.get("rounds")
    order = rounds.get("walking_order") if isinstance(rounds, Mapping) else None
    for index, name in enumerate(order if isinstance(order, list | tuple) else ()):
        if isinstance(name, str) and name not in names:
            yield Finding(("rounds", "walking_order", index), f'no circuit is named "{name}"')


_ORDERS = {
    "probe": (("derate_C", 50.0), ("hold_C", 55.0), ("trip_C", 60.0)),
    "water": (("cold_C", 15.0), ("warn_C", 40.0), ("derate_C", 45.0), ("hold_C", 50.0)),
    "current": (("warn_percent", 2.0), ("above_percent", 10.0)),
    "voltage": (("warn_mV_per_cell", 20.0), ("above_mV_per_cell", 50.0)),
    "hydrogen": (("return_percent_LEL", 2.0), ("warn_percent_LEL", 10.0), ("trip_percent_LEL", 25.0)),
    "alarm": (("flood_ends", 5.0), ("flood_begins", 10.0)),
    "record": (("space_refuse_h", 24.0), ("space_warn_h", 168.0)),
}


def _interlocks(data: Mapping[str, Any]) -> Iterator[Finding]:
    interlocks = data.get("interlock")
    for law, order in _ORDERS.items():
        table = interlocks.get(law) if isinstance(interlocks, Mapping) else None
        if not isinstance(table, Mapping):
            continue
        values = [(key, number(table, key) if key in table else default) for key, default in order]
        for (low, below), (high, above) in pairwise(values):
            if below is not None and above is not None and below >= above:
                key = high if high in table else low
                yield Finding(
                    ("interlock", law, key), f"{low} {below:g} is not below {high} {above:g}, write them rising"
                )


def _people(data: Mapping[str, Any], virtual: bool) -> Iterator[Finding]:
    people = data.get("people")
    if people is None and not virtual:
        yield Finding(
            ("people",), "missing, write [people.technician] with users or groups: only a virtual bath needs none"
        )
    if not isinstance(people, Mapping):
        return
    for role, entry in people.items():
        if isinstance(entry, Mapping) and not entry.get("users") and not entry.get("groups"):
            yield Finding(("people", role), 'names nobody, write users = ["..."] or groups = ["..."]')
    if not virtual and "technician" not in people:
        yield Finding(("people", "technician"), "missing, nobody could start or acknowledge: write its users or groups")
