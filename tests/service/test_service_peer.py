"""The whole service against a rectifier of another make: other registers, another Modbus library, its own Ah book."""

from __future__ import annotations

import json
import logging
import os
import pwd
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from pyModbusTCP.constants import EXP_GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND
from pyModbusTCP.server import DataBank, DataHandler, ModbusServer
from pyModbusTCP.utils import decode_ieee, encode_ieee, long_list_to_word, word_list_to_long

from controller.service.client import Connection

LOG = logging.getLogger(__name__)
BENCH = Path(__file__).parents[2] / "profiles/library/bench-36s.toml"
RECTIFIER, BOX = 3, 7
LOAD_OHM = 2.0
RISE_A_S, FALL_A_S = 1.5, 3.5
"""Slow, so that a straight line between two readings is near what flowed, even where a reading comes late."""
WATCHDOG_S = 8.0
PLANNED_Ah = (20 * 3 + 10 * 5) / 3600  # the profile: 20 s of 3 A, 10 s of 5 A

RECTIFIER_MAP = """\
kind = "map"
name = "bench rectifier of a test: floats, low word first"
device = "rectifier"
identity = { signal = "model_code", equals = 4711 }
rating = { current_A = 25, voltage_V = 40 }

[quirk]
mostSignificantWord = false
max_registers = 20

[signal]
set_voltage_V = { entity = "HoldingRegister", address = 40, type = "float32", range = [0, 40] }
set_current_A = { entity = "HoldingRegister", address = 42, type = "float32", range = [0, 25] }
heartbeat = { entity = "HoldingRegister", address = 44, type = "uint16", range = [0, 99] }
output_on = { entity = "Coil", address = 5 }
current_A = { entity = "InputRegister", address = 500, type = "float32", range = [-1, 30] }
voltage_V = { entity = "InputRegister", address = 502, type = "float32", range = [-50, 50] }
probe_C = { entity = "InputRegister", address = 504, type = "float32", range = [-20, 120] }
counter_Ah = { entity = "InputRegister", address = 506, type = "float32" }
uptime_s = { entity = "InputRegister", address = 508, type = "float32", scale = 60 }
watchdog_s = { entity = "InputRegister", address = 510, type = "float32" }
rating_current_A = { entity = "InputRegister", address = 512, type = "float32" }
rating_voltage_V = { entity = "InputRegister", address = 514, type = "float32" }
model_code = { entity = "InputRegister", address = 560, type = "uint16" }
"""

BOX_MAP = """\
kind = "map"
name = "bench input box of a test"
device = "inputs"
identity = { signal = "model_code", equals = 815 }

[signal]
water_C = { entity = "InputRegister", address = 20, type = "float32", mostSignificantWord = false, range = [-10, 100] }
model_code = { entity = "HoldingRegister", address = 9, type = "uint16" }
airflow = { entity = "DiscreteInput", address = 2 }
emergency_stop_ok = { entity = "DiscreteInput", address = 3 }
hood_closed = { entity = "DiscreteInput", address = 4 }
"""

BATH = """\
kind = "bath"
hall = "test"
name = "P"
virtual = false
require_release = false
period_s = 0.5
stale_after_s = 5
watchdog_s = {watchdog_s}
purge_minutes = 0
meter_walk = []
first_current_alone_s = 0
resume_apart_s = 0

[link.wire]
tcp = "127.0.0.1:{port}"
timeout_s = 0.4

[inputs]
link = "wire"
unit = 7
map = "box.toml"

[runs]
path = "runs"
log_s = 1

[[circuit]]
name = "P01"
link = "wire"
unit = 3
map = "rectifier.toml"
places = 1
current_max_A = 20
voltage_max_V = 36
probes = 1

[people]
technician = {{ users = ["{user}"] }}
engineer = {{ users = ["{user}"] }}
maintenance = {{ users = ["{user}"] }}
quality = {{ users = ["{user}"] }}
"""


def float_words(number: float) -> list[int]:
    return long_list_to_word([encode_ieee(number)], big_endian=False)


def word_float(words: list[int]) -> float:
    return decode_ieee(word_list_to_long(words, big_endian=False)[0])


@dataclass
class Rectifier:
    """The peer itself: current ramps towards its set-point, the load is a resistor, charge is integrated exactly."""

    began_s: float = field(default_factory=time.monotonic)
    seen_s: float = field(default_factory=time.monotonic)
    fed_s: float = field(default_factory=time.monotonic)
    set_current_A: float = 0.0
    set_voltage_V: float = 0.0
    output_on: bool = False
    current_A: float = 0.0
    highest_A: float = 0.0
    delivered_As: float = 0.0
    watchdog_trips: int = 0

    def go_on(self) -> None:
        """Live through the time since the last call, the watchdog's moment included."""
        now_s, ends_s = time.monotonic(), self.fed_s + WATCHDOG_S
        if self.output_on and now_s > ends_s:
            self._pass(max(ends_s - self.seen_s, 0.0))
            self.output_on, self.set_current_A = False, 0.0
            self.watchdog_trips += 1
            self.seen_s = max(ends_s, self.seen_s)
        self._pass(now_s - self.seen_s)
        self.seen_s = now_s

    def _pass(self, seconds: float) -> None:
        goal_A = min(self.set_current_A, self.set_voltage_V / LOAD_OHM) if self.output_on else 0.0
        slope_A_s = RISE_A_S if goal_A > self.current_A else -FALL_A_S
        ramp_s = min((goal_A - self.current_A) / slope_A_s, seconds)
        end_A = goal_A if ramp_s < seconds else self.current_A + slope_A_s * ramp_s
        self.delivered_As += (self.current_A + end_A) / 2 * ramp_s + end_A * (seconds - ramp_s)
        self.current_A = end_A
        self.highest_A = max(self.highest_A, end_A)


class RectifierBank(DataBank):
    """The rectifier's registers: measured values as of the moment of the read, set-points as soon as written."""

    def __init__(self, rectifier: Rectifier) -> None:
        super().__init__(coils_size=8, d_inputs_size=0, h_regs_size=48, i_regs_size=600)
        self.rectifier = rectifier
        self.turn = threading.Lock()
        self.set_input_registers(560, [4711])

    def get_input_registers(self, address, number=1, srv_info=None):
        device = self.rectifier
        with self.turn:
            device.go_on()
            shown = (
                device.current_A, device.current_A * LOAD_OHM, 27.5, device.delivered_As / 3600,
                (device.seen_s - device.began_s) / 60, WATCHDOG_S, 25.0, 40.0,
            )  # fmt: skip
            self.set_input_registers(500, [word for number in shown for word in float_words(number)])
        return super().get_input_registers(address, number, srv_info)

    def set_holding_registers(self, address, word_list, srv_info=None):
        done = super().set_holding_registers(address, word_list, srv_info)
        device = self.rectifier
        with self.turn:
            device.go_on()
            words = super().get_holding_registers(40, 4)
            device.set_voltage_V, device.set_current_A = word_float(words[:2]), word_float(words[2:])
        return done

    def on_holding_registers_change(self, address, from_value, to_value, srv_info):
        """A heartbeat that moves, and nothing else, keeps the watchdog quiet."""
        if address == 44:
            with self.turn:
                self.rectifier.go_on()
                self.rectifier.fed_s = time.monotonic()

    def set_coils(self, address, bit_list, srv_info=None):
        done = super().set_coils(address, bit_list, srv_info)
        with self.turn:
            self.rectifier.go_on()
            self.rectifier.output_on = super().get_coils(5)[0]
        return done


def box_bank() -> DataBank:
    bank = DataBank(coils_size=0, d_inputs_size=8, h_regs_size=16, i_regs_size=32)
    bank.set_input_registers(20, float_words(24.25))
    bank.set_holding_registers(9, [815])
    bank.set_discrete_inputs(2, [True, True, True])
    return bank


class Units(DataHandler):
    """Two devices behind one address, told apart by their unit number; any other number gets a gateway's answer."""

    def __init__(self, banks: dict[int, DataBank]) -> None:
        super().__init__(DataBank(virtual_mode=True))
        self.units = {unit: DataHandler(bank) for unit, bank in banks.items()}

    def _ask(self, what: str, address, rest, srv_info):
        unit = self.units.get(srv_info.recv_frame.mbap.unit_id)
        if unit is None:
            return DataHandler.Return(exp_code=EXP_GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND)
        return getattr(unit, what)(address, rest, srv_info)

    def read_coils(self, address, count, srv_info):
        return self._ask("read_coils", address, count, srv_info)

    def write_coils(self, address, bits_l, srv_info):
        return self._ask("write_coils", address, bits_l, srv_info)

    def read_d_inputs(self, address, count, srv_info):
        return self._ask("read_d_inputs", address, count, srv_info)

    def read_h_regs(self, address, count, srv_info):
        return self._ask("read_h_regs", address, count, srv_info)

    def write_h_regs(self, address, words_l, srv_info):
        return self._ask("write_h_regs", address, words_l, srv_info)

    def read_i_regs(self, address, count, srv_info):
        return self._ask("read_i_regs", address, count, srv_info)


@pytest.fixture
def bank() -> RectifierBank:
    return RectifierBank(Rectifier())


@pytest.fixture
def port(bank) -> Iterator[int]:
    server = ModbusServer("127.0.0.1", 0, no_block=True, data_hdl=Units({RECTIFIER: bank, BOX: box_bank()}))
    server.start()
    yield server._service.server_address[1]
    server.stop()


@pytest.fixture
def bath(tmp_path, port) -> Path:
    (tmp_path / "rectifier.toml").write_text(RECTIFIER_MAP)
    (tmp_path / "box.toml").write_text(BOX_MAP)
    path = tmp_path / "bath.toml"
    user = pwd.getpwuid(os.getuid()).pw_name
    path.write_text(BATH.format(port=port, user=user, watchdog_s=WATCHDOG_S))
    return path


def circuit(socket_path: Path) -> dict:
    with Connection(socket_path) as connection:
        return connection.snapshot()["circuits"][0]


@pytest.mark.slow
def test_rectifier_of_another_make_is_driven_through_a_profile(program, bank, bath, tmp_path):
    """In real time over a foreign Modbus server: the charge counted is the peer's own within 0.5 %, and verifies."""
    service, socket_path = program.service(bath)
    program.until(lambda: circuit(socket_path)["state"] == "idle", 30)
    program.order(
        socket_path, "load", "P01", "--profile", str(BENCH), "--batch", "T1:1-1", "--first-filled", "60",
        "--last-filled", "60",
    )  # fmt: skip
    assert "read back: " in program.order(socket_path, "start", "P01", "--confirm", "P01")
    program.until(lambda: list((tmp_path / "runs").glob("*/summary.json")), 180)

    (path,) = (tmp_path / "runs").glob("*/summary.json")
    summary = json.loads(path.read_text())
    assert (summary["state"], summary["verdict"], summary["trips"]) == ("complete", "complete", 0)
    shown = circuit(socket_path)
    assert shown["state"] == "complete"
    counted_Ah, peer = shown["run"]["charge_Ah"], bank.rectifier
    with bank.turn:
        peer.go_on()
    delivered_Ah = peer.delivered_As / 3600
    LOG.info("counted %.6f Ah, delivered %.6f Ah", counted_Ah, delivered_Ah)
    assert (peer.current_A, peer.output_on, peer.watchdog_trips) == (0.0, False, 0)
    assert peer.highest_A == pytest.approx(5.0, abs=0.01)
    # The slow rise costs 6 %; a cycle that comes late makes a step longer, never shorter.
    assert 0.92 * PLANNED_Ah < delivered_Ah < 1.5 * PLANNED_Ah
    assert counted_Ah == pytest.approx(delivered_Ah, rel=0.005)
    assert summary["charge_Ah"] == pytest.approx(counted_Ah, abs=0.0001)

    verified = program.command("verify", str(path.parent))
    assert verified.returncode == 0, verified.stdout
    assert "whole, and untouched" in verified.stdout
    assert service.end() == 0, service.said
    assert not peer.output_on
