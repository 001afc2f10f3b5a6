"""A real service that is told to end while consoles are attached: it ends, whatever they do."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.service.client import Connection

ROOT = Path(__file__).parents[2]
BOUND_S = 60.0
END_S = 30.0
"""Some fifteen cycles and more: the service waits for zero read back, and for no client."""

BATH = """\
kind = "bath"
hall = "test"
name = "A"
virtual = true
period_s = 1
stale_after_s = 3

[link.wire]
tcp = "127.0.0.1:{port}"

[inputs]
link = "wire"
unit = 9
map = "inputs"

[runs]
path = "runs"

[[circuit]]
name = "A01"
link = "wire"
unit = 1
map = "single"
places = 2
current_max_A = 20
voltage_max_V = 60
"""

ATTACHED = """
import asyncio, sys
from pathlib import Path
from controller.service.client import attach
from controller.service.protocol import WhoMessage
async def main():
    connection = await attach(Path(sys.argv[1]))
    await connection.send(WhoMessage(id="w"))
    async for message in connection.messages():
        print(message["type"], flush=True)
asyncio.run(main())
"""


@pytest.fixture
def bath(tmp_path, free_port) -> Path:
    path = tmp_path / "bath.toml"
    path.write_text(BATH.format(port=free_port))
    return path


@pytest.fixture
def attached():
    """Starts a client in a process of its own; returns it once it has seen a snapshot."""
    clients = []

    def start(path: Path) -> subprocess.Popen[str]:
        client = subprocess.Popen(
            [sys.executable, "-c", ATTACHED, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        clients.append(client)
        while (said := client.stdout.readline()) != "snapshot\n":
            assert said, "the client ended"
        return client

    yield start
    for client in clients:
        client.kill()
        client.wait(BOUND_S)
        client.stdout.close()


@pytest.mark.slow
def test_sigterm_ends_a_service_with_clients_attached(program, bath, attached, tmp_path):
    """One reads, one is frozen, one never reads: exit 0, last words written, socket gone, locks free for the next."""
    plant = program.start("simulate", str(bath))
    program.until(lambda: plant.line_with("virtual plant runs"), BOUND_S)
    service, path = program.service(bath)
    reading, frozen = attached(path), attached(path)
    frozen.send_signal(signal.SIGSTOP)
    with Connection(path) as silent:
        assert silent.who().bath == "A"
        service.child.send_signal(signal.SIGTERM)
        assert service.child.wait(END_S) == 0, service.said
    assert reading.wait(END_S) == 0
    assert not path.exists()
    events = "".join(each.read_text() for each in (tmp_path / "runs" / "A").glob("events-*.csv"))
    assert events.count("service_ended") == 1
    assert "service ended: told to end" in events
    again, _ = program.service(bath)
    assert again.end() == 0, again.said
