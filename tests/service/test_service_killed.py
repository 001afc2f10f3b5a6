"""The service is killed in mid-run: the rectifier ends the current by itself, every row stays, a person goes on."""

from __future__ import annotations

import logging
import re
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pyModbusTCP.client import ModbusClient
from pyModbusTCP.utils import get_2comp, word_list_to_long

from controller.service.client import Connection

LOG = logging.getLogger(__name__)
WATCHDOG_S = 5.0
ZERO_A = 0.1
CHARGE_A = 4.0
GRACE_S = 1.0
"""What the plant's own tenth of a second and a busy machine may add to what is seen of it."""

SMALL = Path(__file__).parent / "small"
BATH, PROFILE = ((SMALL / name).read_text(encoding="utf-8") for name in ("bath.toml", "profile.toml"))


@dataclass(frozen=True)
class Observer:
    """Looks at the rectifier past the service, by another library and with the registers' addresses written here."""

    client: ModbusClient

    def current_A(self) -> float:
        words = self.client.read_input_registers(1002, 2)
        assert words is not None, self.client.last_error_as_txt
        return get_2comp(word_list_to_long(words, big_endian=False)[0], 32) / 1000

    def output_on(self) -> bool:
        return self.client.read_coils(16, 1)[0]


@pytest.fixture
def bath(tmp_path, free_port) -> Path:
    (tmp_path / "profile.toml").write_text(PROFILE)
    path = tmp_path / "bath.toml"
    path.write_text(BATH.format(port=free_port))
    return path


@pytest.fixture
def plant(program, bath):
    process = program.start("simulate", str(bath))
    program.until(lambda: process.line_with("virtual plant runs"), 60)
    return process


@pytest.fixture
def observer(plant, free_port):
    client = ModbusClient("127.0.0.1", free_port, unit_id=1, timeout=10)
    yield Observer(client)
    client.close()


def whole_lines(path: Path) -> bytes:
    data = path.read_bytes()
    return data[: data.rfind(b"\n") + 1]


def last_time(log: bytes) -> datetime:
    """The time in the last row."""
    return datetime.fromisoformat(log.splitlines()[-1].split(b",")[0].decode())


def circuit(socket_path: Path) -> dict:
    with Connection(socket_path) as connection:
        return connection.snapshot()["circuits"][0]


def recovery(socket_path: Path) -> dict | None:
    with Connection(socket_path) as connection:
        return connection.snapshot().get("recovery")


def started(program, bath: Path, observer: Observer) -> tuple:
    """A service with a run under full current, and the run's folder with some rows on disk."""
    service, socket_path = program.service(bath)
    program.until(lambda: circuit(socket_path)["state"] == "idle", 30)
    program.order(
        socket_path, "load", "A01", "--profile", str(bath.parent / "profile.toml"), "--batch", "T1:1-2",
        "--first-filled", "60", "--last-filled", "60",
    )  # fmt: skip
    program.order(socket_path, "start", "A01", "--confirm", "A01")
    program.until(lambda: observer.current_A() > 0.95 * CHARGE_A, 30)
    (run,) = (path for path in (bath.parent / "runs").iterdir() if (path / "run.json").is_file())
    program.until(lambda: whole_lines(run / "log.csv").count(b"\n") >= 5, 30)
    return service, run


def watch_fall(program, observer: Observer, killed_s: float) -> tuple[float, float]:
    """Seconds from the kill until the current begins to fall, and until it is zero."""
    full_A = observer.current_A()
    assert full_A > 0.95 * CHARGE_A  # it is the watchdog that ends the current, not the end of the service
    program.until(lambda: observer.current_A() < 0.95 * full_A, WATCHDOG_S + 30)
    falls_s = time.monotonic() - killed_s
    program.until(lambda: abs(observer.current_A()) < ZERO_A, 30)
    return falls_s, time.monotonic() - killed_s


def stays_at_zero(program, observer: Observer, socket_path: Path, cycles_ms: int) -> dict:
    """The circuit's last snapshot, after so long held; fails if anything flowed meanwhile."""
    with Connection(socket_path) as connection:
        first = connection.snapshot()
        last = first
        while last["now_ms"] - first["now_ms"] < cycles_ms:
            last = connection.snapshot()
            shown = last["circuits"][0]
            assert (shown["state"], shown["set_current_A"], shown["output"]) == ("held", 0.0, "off")
            assert abs(observer.current_A()) < ZERO_A
            assert not observer.output_on()
    return last["circuits"][0]


@pytest.mark.slow
def test_killed_service_leaves_zero_current_and_all_rows(program, bath, plant, observer):
    """Current falls within the watchdog's time, rows stay, the restart holds and states its gap, an order resumes."""
    service, run = started(program, bath, observer)
    before = whole_lines(run / "log.csv")
    killed_s = time.monotonic()
    service.kill()
    left = whole_lines(run / "log.csv")
    falls_s, zero_s = watch_fall(program, observer, killed_s)
    LOG.info("after the kill current begins to fall at %.2f s and is zero at %.2f s", falls_s, zero_s)
    assert falls_s <= WATCHDOG_S + GRACE_S
    assert zero_s <= WATCHDOG_S + 2.0 + GRACE_S
    assert left.startswith(before)

    away_s = time.monotonic() - killed_s
    service, socket_path = program.service(bath)
    program.until(lambda: circuit(socket_path)["state"] == "held", 30)
    silent_s = (datetime.now(UTC) - last_time(left)).total_seconds()
    shown = stays_at_zero(program, observer, socket_path, 4_000)
    assert shown["run"]["held_by"] == "service_away"
    away = recovery(socket_path)
    assert list(away["circuits"]) == ["A01"]
    assert away["from_utc"] < away["to_utc"]
    assert 0.0 < away["away_s"] < silent_s + 1.0
    assert away["circuits"]["A01"]["zero_utc"] >= away["to_utc"]
    assert 0.0 < away["circuits"]["A01"]["unsure_Ah"] < 1.1 * CHARGE_A * (WATCHDOG_S + 3.0) / 3600
    assert away["circuits"]["A01"]["answered"] is False
    program.until(lambda: b",gap," in whole_lines(run / "events.csv"), 30)
    (said,) = re.findall(r"nothing was read for (\d+) s", (run / "events.csv").read_text())
    LOG.info("gap of %s s stated, %.1f to %.1f s seen", said, away_s, silent_s)
    assert away_s - 0.5 <= float(said) <= silent_s + 0.5
    assert whole_lines(run / "log.csv").startswith(left)

    assert "read back: " in program.order(socket_path, "resume", "A01", "--confirm", "A01")
    program.until(lambda: observer.current_A() > 0.6 * CHARGE_A, 30)
    assert circuit(socket_path)["state"] == "running"
    assert recovery(socket_path) is None
    assert service.end() == 0, service.said
    assert abs(observer.current_A()) < ZERO_A
    assert not observer.output_on()
    assert whole_lines(run / "log.csv").startswith(left)

    verified = program.command("verify", str(run))
    assert verified.returncode == 0, verified.stdout
    assert re.search(r"1 stated gap\b", verified.stdout)
    assert plant.end() == 0, plant.said
