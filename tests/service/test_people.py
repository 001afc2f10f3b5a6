"""Who holds which role, and whose name is recorded."""

from __future__ import annotations

import os
import pwd

import pytest

from controller.bathmodel import BathFile
from controller.service.errors import Refused
from controller.service.people import ROLES, Account, People, Person, RoleEntry, account_of, people_of

ACCOUNTS = {
    1: Account("ada", frozenset({"floor"})),
    2: Account("ben", frozenset({"workshop", "floor"})),
    9: Account("zoe", frozenset()),
}


def people(entries, *, virtual=False, own_uid=1):
    return People(entries, virtual, own_uid, ACCOUNTS.__getitem__)


def test_users_and_groups_give_roles():
    """A role comes by name or by group; roles stand in their fixed order."""
    entries = {
        "maintenance": RoleEntry(groups=frozenset({"workshop"})),
        "technician": RoleEntry(users=frozenset({"ada", "ben"})),
    }
    assert people(entries).identify(1).roles == ("technician",)
    assert people(entries).identify(2).roles == ("technician", "maintenance")


def test_unknown_person_has_no_role():
    """Who is not in the bath file may look, and holds no role."""
    assert people({"technician": RoleEntry(users=frozenset({"ada"}))}).identify(9).roles == ()


def test_virtual_bath_without_people_trusts_its_own_user_only():
    """Only the service's own user has the four roles of a virtual bath that names nobody."""
    nobody_named = people(None, virtual=True)
    assert nobody_named.identify(1).roles == ROLES
    assert nobody_named.identify(2).roles == ()


def test_real_bath_without_people_trusts_nobody():
    """A real bath never hands out roles by default, not even to the user it runs as."""
    assert people(None).identify(1).roles == ()


def test_stated_name_is_recorded_in_a_virtual_bath():
    """In a demo one user plays several people; the roles stay those of the user."""
    person = people(None, virtual=True).identify(1).stating("Eva, night shift\n")
    assert (person.name, person.roles) == ("Eva, night shift", ROLES)


def test_stated_name_is_refused_in_a_real_bath():
    """Nobody can sign as somebody else where it counts."""
    with pytest.raises(Refused, match="virtual bath only") as caught:
        people({}).identify(1).stating("Eva")
    assert caught.value.code == "stated_name"
    assert Person("ada").stating(None) == Person("ada")


def test_account_of_this_process_is_what_the_system_says():
    """The real look-up gives the name and the groups that the system has for this user."""
    account = account_of(os.getuid())
    assert account.name == pwd.getpwuid(os.getuid()).pw_name
    assert account.groups


def test_uid_without_an_account_is_a_person_without_groups():
    """A user id that the system does not know is shown as such and holds nothing."""
    used = {entry.pw_uid for entry in pwd.getpwall()}
    unknown = next(uid for uid in range(54321, 65000) if uid not in used)
    assert account_of(unknown) == Account(f"uid {unknown}", frozenset())


def bath_file(**more) -> BathFile:
    circuit = {"name": "A01", "link": "east", "unit": 1, "map": "cabinet", "current_max_A": 20, "voltage_max_V": 340}
    inputs = {"link": "east", "unit": 9, "map": "inputs"}
    link = {"east": {"tcp": "127.0.0.1:502"}}
    return BathFile.model_validate(
        {"kind": "bath", "hall": "north", "name": "A", "link": link, "circuit": [circuit], "inputs": inputs, **more}
    )


def test_people_of_a_bath_file():
    """The file's own tables give the roles; a role that it leaves out is nobody's."""
    me = pwd.getpwuid(os.getuid()).pw_name
    file = bath_file(people={"technician": {"users": [me]}, "quality": {"users": ["somebody-else"]}})
    assert people_of(file, os.getuid()).identify(os.getuid()) == Person(me, ("technician",), os.getuid())


def test_people_of_a_virtual_file_without_any():
    """Only such a file gives the service's own user all roles."""
    person = people_of(bath_file(virtual=True), os.getuid()).identify(os.getuid())
    assert (person.roles, person.may_state_name) == (ROLES, True)
