"""Where sockets lie, and that nobody else's folder is taken for one's own."""

from __future__ import annotations

import os
import stat

import pytest

from controller.service.client import find_sockets
from controller.service.listening import bind
from controller.service.places import safe_part, socket_folders, socket_place


@pytest.fixture
def env(tmp_path):
    (tmp_path / "t").mkdir()
    return {"TMPDIR": str(tmp_path / "t")}


def test_shared_folder_comes_first(tmp_path, env):
    """A real service's folder is used where it can be written, and then the group may attach."""
    place = socket_place("north", "A", shared=tmp_path, env=env)
    assert (place.path, place.group) == (tmp_path / "north-A.sock", True)


def test_runtime_folder_comes_next(tmp_path, env):
    """Without the shared folder the user's runtime folder is used, for the owner alone."""
    place = socket_place("north", "A", shared=tmp_path / "none", env={**env, "XDG_RUNTIME_DIR": str(tmp_path)})
    assert (place.path, place.group) == (tmp_path / "north-A.sock", False)


def test_own_temporary_folder_is_closed_to_others(tmp_path, env):
    """Last comes a folder in the temporary one that only this user can enter."""
    folder = socket_place("north", "A", shared=tmp_path / "none", env=env).path.parent
    assert folder == tmp_path / "t" / f"formbath-{os.getuid()}"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@pytest.mark.parametrize("kind", ["open", "link", "file"])
def test_prepared_temporary_folder_is_refused(tmp_path, env, kind):
    """A folder that others may enter, a link or a file laid in its place beforehand is not used."""
    trap = tmp_path / "t" / f"formbath-{os.getuid()}"
    if kind == "open":
        trap.mkdir()
        trap.chmod(0o777)
    elif kind == "link":
        trap.symlink_to(tmp_path)
    else:
        trap.write_text("")
    with pytest.raises(OSError, match="formbath-"):
        socket_place("north", "A", shared=tmp_path / "none", env=env)


def test_demos_do_not_meet(tmp_path, env):
    """A demo's socket carries its process id."""
    assert socket_place("demo", "A", demo_pid=77, shared=tmp_path, env=env).path.name == "demo-A-77.sock"


@pytest.mark.parametrize("name", ["../../X", "a/b", ".hidden", "", "hall 1\n", "ä" * 99])
def test_names_from_files_never_lead_elsewhere(name):
    """A hall's or bath's name is one harmless part of a file name, whatever it is."""
    part = safe_part(name)
    assert part
    assert not part.startswith(".")
    assert set(part) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")
    assert len(part) <= 32


def test_path_too_long_for_a_socket_says_so(tmp_path, env):
    """The system's limit on a socket's path is met with a sentence, before binding."""
    deep = tmp_path / ("d" * 100)
    deep.mkdir()
    with pytest.raises(OSError, match="107"):
        socket_place("north", "A", shared=deep, env=env)


def test_client_finds_sockets_where_services_lay_them(tmp_path, env):
    """Only sockets are found, in every folder that services use; a folder that is not there is no error."""
    place = socket_place("north", "A", shared=tmp_path / "none", env=env)
    bind(place.path, 0o600).close()
    (place.path.parent / "note.sock").write_text("no socket")
    assert find_sockets(socket_folders(tmp_path / "none", env)) == (place.path,)


@pytest.mark.parametrize("how", ["written by all", "written by the group", "a link", "another user's"])
def test_a_folder_in_the_temporary_one_that_others_made_is_not_looked_at(tmp_path, monkeypatch, how):
    """Somebody could lay a socket of their own there, and would be told every order; the shared folder is trusted."""
    env, own = {"TMPDIR": str(tmp_path)}, tmp_path / f"formbath-{os.getuid()}"
    shared = tmp_path / "shared"
    assert socket_folders(shared, env) == (shared, own)
    own.mkdir(mode=0o700)
    assert socket_folders(shared, env) == (shared, own)
    if how == "a link":
        own.rename(tmp_path / "elsewhere")
        own.symlink_to(tmp_path / "elsewhere")
    elif how == "another user's":
        other = os.getuid() + 1
        monkeypatch.setattr(os, "getuid", lambda: other)
        own.rename(tmp_path / f"formbath-{other}")
    else:
        own.chmod(0o702 if how == "written by all" else 0o720)
    assert socket_folders(shared, env) == (shared,)
