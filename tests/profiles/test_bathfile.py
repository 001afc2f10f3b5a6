"""The bath file: defaults that protect, one fault a changed line, and the settings that the core gets."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import pytest

from controller.bathfile import Bath, load_bath, settings_of
from controller.core.lawsettings import LawSettings
from controller.core.settings import BathSettings
from profiles.problems import InputError

GOOD = """\
kind = "bath"
hall = "north"
name = "B"
period_s = 1
stale_after_s = 3
watchdog_s = 5
airflow_m3_h = 3000

[link.east]
tcp = "10.1.2.3:502"

[link.west]
rtu = "/dev/ttyS1"
baud = 9600
parity = "N"

[[circuit]]
name = "B01"
link = "east"
unit = 1
map = "small.toml"
channel = 1
places = 18
current_min_A = 0.2
current_max_A = 20
voltage_max_V = 340

[[circuit]]
name = "B02"
link = "east"
unit = 1
map = "small.toml"
channel = 2
places = 18
current_max_A = 20
voltage_max_V = 340
priority = 2

[inputs]
link = "west"
unit = 9
map = "box.toml"

[interlock.probe]
derate_C = 48
hold_C = 52
trip_C = 58

[people.technician]
users = ["ines"]

[people.engineer]
groups = ["process"]

[people.maintenance]
users = ["jon"]

[people.quality]
users = ["ada"]
"""

FLAG = '[signal.{name}]\nentity = "HoldingRegister"\naddress = {address}\ntype = "uint16"\n'
SIGNAL = FLAG.replace("uint16", "int16") + "scale = 0.1\nrange = [-400, 400]\n"


def map_text(device: str, numbers: tuple[str, ...], flags: tuple[str, ...], more: str = "") -> str:
    rows = f'kind = "map"\ndevice = "{device}"\nidentity = {{ signal = "model_code", equals = 22086 }}\n{more}\n'
    rows += "".join(SIGNAL.format(name=name, address=10 + index) for index, name in enumerate(numbers))
    return rows + "".join(FLAG.format(name=name, address=40 + index) for index, name in enumerate(flags))


SMALL = map_text(
    "rectifier",
    ("current_A", "voltage_V", "set_current_A", "set_voltage_V", "probe_C"),
    ("model_code", "output_on", "uptime_s"),
    'discharge = "sign"\nrating = { current_A = 30, voltage_V = 360 }\nchannels = { count = 2, stride = 100 }',
)
BOX = map_text("inputs", ("water_C",), ("model_code", "airflow", "emergency_stop_ok"))


@pytest.fixture
def write(tmp_path):
    """A function that writes a bath file beside its two maps and gives its path."""
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "box.toml").write_text(BOX, encoding="utf-8")

    def write(text: str = GOOD) -> Path:
        path = tmp_path / "bath.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def faults(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_bath(path)
    return [str(problem) for problem in caught.value.problems]


def said(bath: Bath, what: str) -> list[str]:
    return [str(problem) for problem in bath.problems if what in problem.what]


def changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new, 1)


def test_the_defaults_of_a_device_are_those_of_its_map(write, tmp_path):
    """Both, or none where the map says nothing."""
    path = write()
    own = settings_of(load_bath(path)).circuits[0]
    assert (own.default_A, own.default_V) == (None, None)
    default = "default = { current_A = 5, voltage_V = 100 }\nrating"
    (tmp_path / "small.toml").write_text(SMALL.replace("rating", default, 1), encoding="utf-8")
    own = settings_of(load_bath(path)).circuits[0]
    assert (own.default_A, own.default_V) == (5.0, 100.0)


def test_settings_hold_what_the_file_and_the_map_say(write):
    """Seconds become ms, the map says what a channel can do, and what is left out protects."""
    settings = settings_of(load_bath(write()))
    assert (settings.hall, settings.name, settings.virtual) == ("north", "B", False)
    assert (settings.period_ms, settings.stale_ms, settings.watchdog_ms) == (1000, 3000, 5000)
    assert (settings.purge_ms, settings.after_run_ms, settings.auto_resume_link_ms) == (600_000, 3_600_000, 120_000)
    assert (settings.laws.probe.derate_C, settings.laws.probe.hold_C, settings.laws.probe.trip_C) == (48, 52, 58)
    first, second = settings.circuits
    assert (first.name, first.places, first.current_min_A, first.current_max_A) == ("B01", 18, 0.2, 20)
    assert (first.can_discharge, first.has_uptime, first.has_contactor, first.probes) == (True, True, False, 1)
    assert (first.priority, second.priority, second.current_min_A) == (1, 2, 0)


def test_what_a_file_leaves_out_is_the_cores_own_default(write):
    """The file's defaults and those of the core's settings are the same numbers."""
    text = changed("[interlock.probe]\nderate_C = 48\nhold_C = 52\ntrip_C = 58\n", "")
    text = text.replace("period_s = 1\nstale_after_s = 3\nwatchdog_s = 5\n", "").replace(
        "airflow_m3_h = 3000\n", "meter_walk = []\n"
    )
    settings = settings_of(load_bath(write(text)))
    plain = BathSettings("north", "B", False, 1000, 3000, 5000, settings.circuits)
    assert asdict(settings.laws) == asdict(LawSettings())
    assert settings == plain


def test_maps_are_found_beside_the_bath_file(write, monkeypatch, tmp_path):
    """Paths are relative to the file that names them, not to where the program was started."""
    path = write()
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    bath = load_bath(path)
    assert set(bath.maps) == {"small.toml", "box.toml"}
    assert bath.runs_path == tmp_path / "runs"


ONE_LINE = [
    ('name = "B02"', 'name = "B01"', "circuit[2].name", "also the name of circuit 1"),
    ('name = "B02"', 'name = "b01"', "circuit[2].name", "also the name of circuit 1"),
    ('name = "B02"', 'name = "B"', "circuit[2].name", "is the bath's own name too"),
    ('name = "B02"', 'name = "b"', "circuit[2].name", "is the bath's own name too"),
    ('name = "B02"', 'name = "../B02"', "circuit[2].name", "write up to 16 letters"),
    ('name = "B02"', 'name = "B02\\n"', "circuit[2].name", "write up to 16 letters"),
    ('hall = "north"', 'hall = "north/south"', "hall", "write up to 16 letters"),
    ('hall = "north"', 'hall = "a hall whose name is long"', "hall", "write up to 16 letters"),
    ('link = "east"', 'link = "north"', "circuit[1].link", "there is no [link.north]"),
    ("channel = 2", "channel = 1", "circuit[2].channel", "is the rectifier channel of B01 too"),
    ("channel = 2", "channel = 3", "circuit[2].channel", "more than the map's channels, write 1 to 2"),
    ("stale_after_s = 3", "stale_after_s = 1.5", "stale_after_s", "below two cycles"),
    ("watchdog_s = 5", "watchdog_s = 3", "watchdog_s", "not above stale_after_s"),
    ("period_s = 1", "period_s = 2", "stale_after_s", "below two cycles"),
    ("period_s = 1", "period_ms = 1000", "period_ms", "unit ms is not used here, write period_s"),
    ('tcp = "10.1.2.3:502"', 'tcp = "127.0.0.1:0"', "link.east.tcp", "port 0 is for virtual baths only"),
    ('tcp = "10.1.2.3:502"', 'tcp = "10.1.2.3:70000"', "link.east.tcp", "does not exist"),
    ('tcp = "10.1.2.3:502"', 'tcp = "10.1.2.3"', "link.east.tcp", 'write "host:port"'),
    ('tcp = "10.1.2.3:502"', 'tcp = "10.1.2.3:502"\nrtu = "/dev/ttyS0"', "link.east.tcp", "both given"),
    ('tcp = "10.1.2.3:502"\n', "", "link.east.tcp", "missing"),
    ('tcp = "10.1.2.3:502"', 'tcp = "10.1.2.3:502"\nbaud = 9600', "link.east.baud", "belongs to a serial link"),
    ('parity = "N"', 'parity = "odd"', "link.west.parity", 'write "N", "E" or "O"'),
    ("unit = 9", "unit = 300", "inputs.unit", "above 247"),
    ("current_max_A = 20", "current_max_A = 50", "circuit[1].current_max_A", "above the rectifier's rating"),
    ("voltage_max_V = 340", "voltage_max_V = 400", "circuit[1].voltage_max_V", "above the rectifier's rating"),
    ("current_min_A = 0.2", "current_min_A = 20", "circuit[1].current_min_A", "not below current_max_A"),
    ("priority = 2", "priority = 2\nprobes = 2", "circuit[2].probes", "more than the map has"),
    ("trip_C = 58", "trip_C = 66", "interlock.probe.trip_C", "66 is above 65"),
    ("trip_C = 58", "trip_C = 52", "interlock.probe.trip_C", "hold_C 52 is not below trip_C 52"),
    ("hold_C = 52\ntrip_C = 58", "hold_C = 61", "interlock.probe.hold_C", "hold_C 61 is not below trip_C 60"),
    ("[interlock.probe]", "[interlock.probes]", "interlock.probes", "write probe"),
    ('users = ["ines"]', "users = []", "people.technician", "names nobody"),
    ('[people.technician]\nusers = ["ines"]\n', "", "people.technician", "missing"),
    ('map = "box.toml"', 'map = "small.toml"', "inputs.map", 'one of device "inputs" is wanted'),
    ('map = "box.toml"', 'map = "absent.toml"', "inputs.map", "cannot be used"),
    ("airflow_m3_h = 3000", "airflow_m3_h = -1", "airflow_m3_h", "not above 0"),
    ("airflow_m3_h = 3000", "meter_walk = [60, 15]", "meter_walk", "write [earliest, latest]"),
    ("airflow_m3_h = 3000", "power_limit_kW = 90\nhall_power_limit_kW = 50", "power_limit_kW", "write 50 or less"),
    ("airflow_m3_h = 3000", "virtual = 1", "virtual", "write true or false"),
    ("[people.quality]", "[runs]\nmemory_MB = 0.5\n[people.quality]", "runs.memory_MB", "0.5 is below 1"),
    ("[people.quality]", "[runs]\nreserve_MB = -1\n[people.quality]", "runs.reserve_MB", "-1 is below 0"),
    ("[interlock.probe]", "[interlock.record]\nslow_s = 1\n[interlock.probe]", "interlock.record.slow_s", "below 2"),
    (
        "[interlock.probe]",
        "[interlock.record]\nspace_refuse_h = 200\n[interlock.probe]",
        "interlock.record",
        "space_refuse_h 200 is not below space_warn_h 168",
    ),
    (
        "[interlock.probe]",
        "[interlock.record]\nspace_warn_h = 24\n[interlock.probe]",
        "interlock.record",
        "space_refuse_h 24 is not below space_warn_h 24",
    ),
    ("[people.quality]", '[rounds]\nwalking_order = ["B03"]\n[people.quality]', "rounds", 'no circuit is named "B03"'),
]


@pytest.mark.parametrize(("old", "new", "key", "words"), ONE_LINE, ids=[f"{row[2]} {row[3][:20]}" for row in ONE_LINE])
def test_one_wrong_line_is_told_at_its_key(write, old, new, key, words):
    """The fault that was planted is told with its key and a way out."""
    told = faults(write(changed(old, new)))
    assert any(f": {key}" in line and words in line for line in told), told


def test_faults_of_the_file_are_told_together(write):
    """A wrong number in one circuit hides neither another's link nor the times."""
    text = changed("current_max_A = 20", "current_max_A = -1").replace('link = "west"', 'link = "wet"')
    told = faults(write(text.replace("watchdog_s = 5", "watchdog_s = 2")))
    assert len(told) == 3


def test_a_wrong_map_is_told_in_its_own_lines(write, tmp_path):
    """The bath file says which map; the map's own file and line say what."""
    path = write()
    (tmp_path / "box.toml").write_text(BOX.replace("airflow", "draught"), encoding="utf-8")
    told = faults(path)
    assert any("bath.toml" in line and "inputs.map" in line for line in told)
    assert any("box.toml" in line and "airflow" in line for line in told)


def test_people_may_be_left_out_of_a_virtual_bath_only(write):
    """Nobody named on a real bath is a fault; a virtual one belongs to whoever runs it."""
    text = GOOD[: GOOD.index("[people.technician]")]
    assert any("people: missing" in line for line in faults(write(text)))
    virtual = text.replace('name = "B"', 'name = "B"\nvirtual = true').replace("10.1.2.3:502", "127.0.0.1:0")
    assert load_bath(write(virtual)).file.people is None


def test_signals_that_a_map_lacks_are_told_with_what_is_lost(write):
    """Every optional signal not in the map is a warning, once a map; those in it are not."""
    bath = load_bath(write())
    assert len(said(bath, 'map "small.toml" has no counter_Ah')) == 1
    assert said(bath, 'map "box.toml" has no hydrogen_percent_LEL')
    assert not said(bath, "uptime_s")
    assert all(problem.warning or problem.note for problem in bath.problems)


def test_no_uptime_means_no_resume_by_rule(write, tmp_path):
    """A map without uptime is right, warned of, and told to the core."""
    path = write()
    (tmp_path / "small.toml").write_text(SMALL.replace("signal.uptime_s", "signal.fault_code"), encoding="utf-8")
    bath = load_bath(path)
    assert said(bath, "has no uptime_s")
    assert not any(circuit.has_uptime for circuit in settings_of(bath).circuits)


@pytest.mark.parametrize(
    ("virtual", "said", "asks"),
    [("", "", True), ("", "require_release = true", True), ("", "require_release = false", False),
     ("virtual = true", "", False), ("virtual = true", "require_release = true", True),
     ("virtual = true", "require_release = false", False), ("virtual = false", "", True)],
)  # fmt: skip
def test_a_real_bath_asks_for_releases_unless_it_says_otherwise(write, virtual, said, asks):
    """A virtual one only where it says so; a real one without is warned of at that line."""
    bath = load_bath(write(changed("period_s = 1", f"{virtual}\n{said}\nperiod_s = 1")))
    assert settings_of(bath).asks_release is asks
    warned = [problem for problem in bath.problems if "profiles that nobody studied and released" in problem.what]
    assert len(warned) == (said == "require_release = false" and "true" not in virtual)
    assert all((problem.warning, problem.line) == (True, 5) for problem in warned)


@pytest.mark.parametrize(
    ("air_m3_h", "warned"),
    [(215, True), (217, False), (3000, False)],
)
def test_extraction_is_compared_with_what_gassing_cells_ask(write, air_m3_h, warned):
    """2 circuits x 108 cells x 20 A x 0.05 m3/h are 216 m3/h: less is a warning, more a note with its %LEL."""
    bath = load_bath(write(changed("airflow_m3_h = 3000", f"airflow_m3_h = {air_m3_h}")))
    (found,) = [problem for problem in bath.problems if "%LEL" in problem.what]
    assert found.warning is warned
    assert found.note is not warned


def test_no_purge_is_at_least_told(write):
    """Zero minutes are allowed, with a warning on a real bath."""
    bath = load_bath(write(changed("period_s = 1", "period_s = 1\npurge_minutes = 0")))
    assert said(bath, "current may flow before extraction")[0].count("warning") == 1
    assert settings_of(bath).purge_ms == 0


def test_keys_that_nothing_uses_are_named(write):
    """A key that is accepted and has no effect says so at its line."""
    bath = load_bath(write(GOOD + '\n[start_list]\ntwo_people = true\n[mqtt]\nbroker = "plant:8883"\n'))
    assert len(said(bath, "is not used yet")) == 1
    assert said(bath, "key mqtt is not used yet")[0].startswith(str(bath.document.name))


def test_the_worked_example_is_right_and_virtual():
    """The file that people copy is right with the maps that come with the program, and drives no real device."""
    bath = load_bath(Path(__file__).parents[2] / "controller" / "examples" / "bath-a.toml")
    assert bath.file.virtual
    assert all(map_.virtual for map_ in bath.maps.values())
    assert len(settings_of(bath).circuits) == 3
