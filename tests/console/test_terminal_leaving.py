"""The console is left in every way there is; the terminal is a usable one afterwards, and the service goes on."""

from __future__ import annotations

import os
import re
import signal
import sys
from pathlib import Path

import floor
import pytest
from terminal import Terminal

ROOT = Path(__file__).parents[2]

# The program with one page, or one part, that raises when a file appears: what a mistake in a page would do.
BROKEN = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv.pop(1))
where, mark = sys.argv.pop(1), Path(sys.argv.pop(1))
from controller.console import layout, running, app
def raises(*_, **__):
    raise LookupError("a mistake in a page")
def page(old):
    return lambda *given: raises() if mark.exists() else old(*given)
if where == "page":
    layout.PAGES["help"] = raises
elif where == "drawing":
    layout.PAGES["hall"] = page(layout.PAGES["hall"])
elif where == "message":
    app.App.message = page(app.App.message)
elif where == "sending":
    running.order_of = raises
elif where == "narrow":
    hall = layout.PAGES["hall"]
    layout.PAGES["hall"] = lambda scene, width, height: raises() if width < 70 else hall(scene, width, height)
import formbath
sys.exit(formbath.main(sys.argv[1:]))
"""


@pytest.fixture(scope="session")
def bath(request, tmp_path_factory) -> floor.Floor:
    return floor.shared(request.config, tmp_path_factory.mktemp("floor"))


def after(console: Terminal) -> str:
    """What stands on the terminal behind the console: all that was said since the alternate screen was left."""
    said = bytes(console.raw).rpartition(b"\x1b[?1049l")[2]
    return re.sub(rb"\x1b\[[?0-9;]*[a-zA-Z]", b"", said).decode()


def leave_by(console: Terminal, how: str) -> None:
    if how == "q":
        console.press("q")
    elif how == "ctrl c":
        console.send(b"\x03")
    else:
        console.child.send_signal(getattr(signal, how))


@pytest.mark.parametrize(("how", "code"), [("q", 0), ("ctrl c", 130), ("SIGTERM", 0), ("SIGHUP", 0)])
def test_terminal_is_sane_after_leaving(bath, how, code):
    """However it is left: flags, cursor, paste mode, alternate screen and mouse as before, one line that says what goes
    on running, the exit code as documented, and the service answers as before.
    """
    before = bath.circuit("A03")
    with bath.console() as console:
        console.wait("A03 held")
        # With a dialogue open it is the same.
        if how != "q":
            console.press("s")
            console.wait("A01 is idle, at zero, read back: nothing to hold")
        leave_by(console, how)
        assert console.end() == code
        console.quiet()
        assert console.sane() == []
        assert after(console).splitlines()[-1] == "console left; bath A goes on: 0 of 4 circuits running"
        assert "Traceback" not in after(console)
    assert (bath.circuit("A03")["state"], bath.circuit("A03")["revision"]) == (before["state"], before["revision"])


def test_terminal_that_goes_away_ends_the_console(bath):
    """The other end of the terminal is closed, as by a dropped connection: the console ends, quietly and with 0."""
    with bath.console() as console:
        console.wait("A03 held")
        console.hang_up()
        assert console.end(10.0) == 0
    assert bath.circuit("A03")["state"] == "held"


def test_terminal_that_goes_away_without_a_signal_ends_the_console(bath):
    """Where no signal tells of it the closed terminal itself does: the console ends, it does not spin on."""
    with bath.console(own=False) as console:
        console.wait("A03 held")
        console.hang_up()
        assert console.end(10.0) == 0


@pytest.mark.parametrize("where", ["page", "drawing", "message", "narrow", "sending"])
def test_mistake_inside_the_console(bath, tmp_path, where):
    """Raised in a page, a drawing without a key, a message, a resize, a sending: the terminal is put back, one sentence
    names the error and the file with its detail, no traceback, exit code 70.
    """
    mark = tmp_path / "mark"
    words = [sys.executable, "-c", BROKEN, str(ROOT), where, str(mark)]
    command = [*words, "console", "--socket", str(bath.socket)]
    console = Terminal(command, bath.folder, env=bath.env | {"TMPDIR": str(tmp_path)})
    try:
        console.wait("A03 held")
        mark.touch()
        if where == "page":
            console.press("?")
        elif where == "narrow":
            console.resize(60, 20)
        elif where == "sending":
            console.press("n", *"a note", "enter")
        elif where == "message":
            bath.order("note", "A01", text="said by another")
        assert console.end() == 70
        console.quiet()
        assert console.sane() == []
        (said,) = after(console).strip().splitlines()
        assert "formbath console: failed unexpectedly (LookupError: a mistake in a page)" in said
        detail = Path(said.rpartition("saved in ")[2])
        assert "a mistake in a page" in detail.read_text()
    finally:
        console.close()


def test_service_that_was_never_there(tmp_path):
    """No service at the socket: one sentence, exit code 3, and the terminal was not even touched."""
    command = [sys.executable, str(ROOT / "formbath.py"), "console", "--socket", str(tmp_path / "none.sock")]
    console = Terminal(command, tmp_path, env=os.environ | {"TERM": "xterm"})
    try:
        assert console.end() == 3
        console.quiet()
        assert b"\x1b" not in console.raw
        assert bytes(console.raw).count(b"\n") == 1
        assert b"no running service" in console.raw
    finally:
        console.close()


@pytest.mark.slow
def test_service_that_says_nothing(tmp_path):
    """A socket that answers who it is, but never shows its bath: after some seconds one sentence, exit code 3."""
    mute = floor.Mute(tmp_path)
    command = [sys.executable, str(ROOT / "formbath.py"), "console", "--socket", str(mute.path)]
    console = Terminal(command, tmp_path, env=os.environ | {"TERM": "xterm"})
    try:
        assert console.end() == 3
        console.quiet()
        assert b"\x1b" not in console.raw
        assert b"no running service" in console.raw
        assert bytes(console.raw).count(b"\n") == 1
    finally:
        console.close()
        mute.close()
