"""Who is at the other end of the socket, and which roles that person holds.

The operating system says who (the peer's user id); the bath file says which users and groups hold which role. Whether a
role may do a thing is not decided here but in the core.
"""

from __future__ import annotations

import grp
import os
import pwd
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from controller.bathmodel import BathFile
from controller.service.errors import Refused
from controller.service.protocol import clean

ROLES = ("technician", "engineer", "maintenance", "quality")


@dataclass(frozen=True, slots=True)
class Person:
    """A person as the operating system knows them. No role is no obstacle to look, hold and stop: the core decides."""

    name: str
    roles: tuple[str, ...] = ()
    uid: int | None = None
    may_state_name: bool = False

    def stating(self, name: str | None) -> Person:
        """This person under the name they state (None: under their own). Raises `Refused` where the bath is real."""
        if name is None:
            return self
        if not self.may_state_name:
            raise Refused("stated_name", f"{self.name}: a stated name is taken by a virtual bath only, leave it out")
        return replace(self, name=clean(name, 64) or self.name)


@dataclass(frozen=True, slots=True)
class RoleEntry:
    """Who holds a role: names of users and of groups of the operating system."""

    users: frozenset[str] = frozenset()
    groups: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Account:
    """What the operating system says of a user id."""

    name: str
    groups: frozenset[str]


def account_of(uid: int) -> Account:
    """The account of `uid`; one that the system does not know is "uid N" in no group."""
    try:
        entry = pwd.getpwuid(uid)
    except KeyError:
        return Account(f"uid {uid}", frozenset())
    try:
        numbers = os.getgrouplist(entry.pw_name, entry.pw_gid)
    except OSError:
        numbers = [entry.pw_gid]
    return Account(clean(entry.pw_name, 64), frozenset(name for name in map(_group_name, numbers) if name))


def _group_name(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return ""


@dataclass(frozen=True, slots=True)
class People:
    """The bath file's people. `entries` None: the file names nobody, which only a virtual bath may do.

    Then the service's own user holds all four roles, and anybody else none.
    """

    entries: Mapping[str, RoleEntry] | None
    virtual: bool
    own_uid: int
    lookup: Callable[[int], Account] = account_of

    def identify(self, uid: int) -> Person:
        """The person behind a user id. May ask the system's user database: not for the control cycle's thread."""
        account = self.lookup(uid)
        return Person(account.name, self._roles(uid, account), uid, may_state_name=self.virtual)

    def _roles(self, uid: int, account: Account) -> tuple[str, ...]:
        if self.entries is None:
            return ROLES if self.virtual and uid == self.own_uid else ()
        return tuple(role for role in ROLES if role in self.entries and _holds(self.entries[role], account))


def people_of(file: BathFile, own_uid: int) -> People:
    """The people of a bath file, for a service that runs as `own_uid`."""
    if file.people is None:
        return People(None, file.virtual, own_uid)
    named = {role: getattr(file.people, role) for role in ROLES}
    entries = {role: RoleEntry(frozenset(e.users), frozenset(e.groups)) for role, e in named.items() if e is not None}
    return People(entries, file.virtual, own_uid)


def _holds(entry: RoleEntry, account: Account) -> bool:
    return account.name in entry.users or not entry.groups.isdisjoint(account.groups)
