"""Fault lines: what reads, what is refused and with which words, and what each fault does to a plant."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.faults import CATALOGUE, FaultError, FaultLine, catalogue_text, parse_fault_line
from simulator.plant import CircuitSpec, PlantSpec, VirtualPlant


def plant(*faults, n=2, **changed):
    settings = {"spread": False, "noise": False, "soaked_s": 1800.0} | changed
    circuits = tuple(
        CircuitSpec(f"A{i:02d}", batteries=4, watchdog_s=25.0, voltage_max_V=80.0) for i in range(1, n + 1)
    )
    return VirtualPlant(PlantSpec(circuits=circuits, **settings), [parse_fault_line(text) for text in faults])


def drive(p, current_A, minutes, limit_V=80.0):
    for _ in range(round(minutes * 12)):
        for k in range(len(p.spec.circuits)):
            p.order(k, {"set_current_A": current_A, "set_voltage_V": limit_V, "output_on": float(current_A != 0.0)})
        p.advance(5.0)
    return [p.signals(k) for k in range(len(p.spec.circuits))]


def volts(p):
    return [p.signals(k)["voltage_V"] for k in range(len(p.spec.circuits))]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("A05 open_clamp", FaultLine("open_clamp", "A05")),
        ("6:12 A05/7 shorted_cell", FaultLine("shorted_cell", "A05", 7, None, 6.2)),
        ("6:12-6:45 A05/7 clamp_ohm 0.02", FaultLine("clamp_ohm", "A05", 7, 0.02, 6.2, 6.75)),
        ("  0:30   no_airflow ", FaultLine("no_airflow", begin_h=0.5)),
        ("low_water 0.5", FaultLine("low_water", value=0.5)),
        ("east link_off", FaultLine("link_off", "east")),
        ("1:00-1:01 link_off", FaultLine("link_off", begin_h=1.0, end_h=1.0 + 1 / 60)),
    ],
)
def test_lines_that_read(text, expected):
    """Time, place, name and value are found where they stand."""
    assert parse_fault_line(text) == expected
    assert parse_fault_line(str(expected)) == expected


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("A05 open_clmp", "did you mean open_clamp"),
        ("6:72 A05 open_clamp", "is no time"),
        ("6:12-5:00 A05 open_clamp", "must end after"),
        ("open_clamp", "needs a circuit"),
        ("A05/3 open_clamp", "whole circuit"),
        ("A05/0 reversed", "counted from 1"),
        ("A05 hood_open", "whole bath"),
        ("A05 open_clamp 3", "takes no value"),
        ("A05 warm_place 7", "0.02 to 1"),
        ("A05 warm_place nan", "is no number"),
        ("A05 warm_place 0.4 0.5", "one word too many"),
        ("6:12 A05/7", "name is missing"),
        ("6:12", "name is missing"),
        ("A\x1b[31m5/x open_clamp", "is no circuit"),
    ],
)
def test_lines_that_are_refused(text, words):
    """Each wrong line says what is wrong and what would be right, in one clean line."""
    with pytest.raises(FaultError, match=words) as refused:
        parse_fault_line(text)
    assert str(refused.value).isprintable()


@given(st.text(max_size=60))
def test_any_text_reads_or_is_refused(text):
    """No text does anything but read or be refused."""
    try:
        line = parse_fault_line(text)
    except FaultError:
        return
    assert line.name in CATALOGUE


def test_the_plant_knows_its_places():
    """A circuit or battery that is not there is refused with the names that are."""
    with pytest.raises(FaultError, match="there are A01, A02"):
        plant("A09 open_clamp")
    with pytest.raises(FaultError, match="batteries 1 to 4"):
        plant("A01/5 reversed")
    with pytest.raises(FaultError, match="no circuit is called 'west'"):
        plant("west link_off")
    assert all(name in catalogue_text() for name in CATALOGUE)
    assert plant().faults_catalogue == catalogue_text()


def test_open_clamp():
    """No current, the voltage stands at its limit at once; mended, the current comes back."""
    p = plant("0:05-0:06 A01 open_clamp")
    a, b = drive(p, 6.0, 5.0)
    assert a["current_A"] == b["current_A"] == 6.0
    a, b = drive(p, 6.0, 1 / 12)
    assert (a["current_A"], a["voltage_V"], b["current_A"]) == (0.0, 80.0, 6.0)
    assert drive(p, 6.0, 1.5)[0]["current_A"] == 6.0
    assert p.delivered_Ah(0) == pytest.approx(p.delivered_Ah(1) - 0.1, abs=0.01)


def test_reversed_battery_shows_at_rest_and_is_replaced():
    """A formed battery the wrong way round shows about -12.6 V; 0 V stand there once a fresh one is in its place."""
    p = plant("A02/3 reversed")
    drive(p, 0.0, 1.0)
    assert volts(p)[0] == 0.0
    assert volts(p)[1] == pytest.approx(-12.6, abs=0.3)
    p.replace_battery(1, 3)
    drive(p, 0.0, 1.0)
    assert volts(p) == [0.0, 0.0]
    assert p.active_faults == ()
    drive(p, 6.0, 30.0)
    assert volts(p)[1] == pytest.approx(volts(p)[0], abs=0.15)


def test_reversed_battery_under_current():
    """Under current two batteries' volts are missing (common practice: about 25 V)."""
    p = plant("A02/3 reversed")
    drive(p, 6.0, 20.0)
    assert volts(p)[1] - volts(p)[0] == pytest.approx(-25.6, abs=1.0)


def test_shorted_cell_is_one_cell_less():
    """One cell's volts are missing at any current, that cell stays unformed, and the others go on alike."""
    p = plant("A02/3 shorted_cell")
    drive(p, 6.0, 60.0)
    sound, short = volts(p)
    assert sound - short == pytest.approx(sound / 24, abs=0.15)
    formed = [row["formed_positive"] for row in p.batteries(1)]
    assert formed == pytest.approx([row["formed_positive"] for row in p.batteries(0)], abs=1e-4)


def test_short_in_mid_run_and_healed():
    """A short that comes and goes takes a cell's volts away and gives them back; nothing breaks in between."""
    p = plant("0:30-1:00 A01/1 shorted_cell", "0:40-0:50 A01/1 clamp_ohm 0.1")
    drive(p, 6.0, 29.0)
    assert volts(p)[0] == volts(p)[1]
    drive(p, 6.0, 6.0)
    assert volts(p)[0] < volts(p)[1] - 1.8
    drive(p, 6.0, 40.0)
    assert volts(p)[0] == pytest.approx(volts(p)[1], abs=0.3)


def test_missing_formed_and_clamp():
    """One battery too few: 1/4 of this string's volts; a formed one gasses from the start; a clamp adds I R."""
    p = plant("A01/2 missing", "A02/2 formed", "A03 clamp_ohm 0.05", n=4)
    drive(p, 6.0, 60.0)
    short, high, clamp, sound = volts(p)
    assert short == pytest.approx(0.75 * sound, rel=0.01)
    assert high - sound == pytest.approx(3.4, abs=1.2)
    assert clamp - sound == pytest.approx(0.3, abs=0.11)


def test_warm_place_gets_hot():
    """With 45 % of the cooling left the batteries are hotter by ten kelvins in the first half; a sister is not."""
    p = plant("A01 warm_place 0.45")
    drive(p, 15.0, 180.0)
    a, b = p.signals(0)["probe_C"], p.signals(1)["probe_C"]
    assert a - b == pytest.approx(12.0, abs=3.0)


def test_link_off_by_circuit_link_and_all():
    """A circuit, a link or all of them do not answer; orders do not arrive, the watchdog acts."""
    circuits = (CircuitSpec("A01", link="east"), CircuitSpec("A02", link="west"))
    p = VirtualPlant(PlantSpec(circuits=circuits, links=("inputs",), spread=False))
    assert p.link_up(0)
    assert p.link_up("inputs")
    east = parse_fault_line("east link_off")
    p.order(0, {"set_current_A": 5.0, "set_voltage_V": 300.0, "output_on": 1})
    p.advance(4.0)
    p.inject(east)
    assert (p.link_up("east"), p.link_up(0), p.link_up("A02"), p.link_up("west")) == (False, False, True, True)
    p.order(0, {"set_current_A": 50.0})
    p.advance(3.0)
    assert p.signals(0)["set_current_A"] == 0.0
    assert p.signals(0)["current_A"] < 0.1
    assert p.clear(east)
    assert p.link_up(0)
    assert not p.clear(east)
    p.inject(parse_fault_line("link_off"))
    assert not p.link_up("inputs")


def test_bath_inputs():
    """Each input of the bath shows its fault, and recovers."""
    p = plant("no_airflow", "hood_open", "cooling_lost", "low_water 0.5", "water_probe_lost")
    seen = p.bath_signals()
    expected = {"airflow": 0.0, "hood_closed": 0.0, "flow_L_min": 0.0, "level": -1.0, "water_C": None}
    assert {key: seen[key] for key in expected} == expected
    for line in p.active_faults:
        p.clear(line)
    p.advance(5.0)
    seen = p.bath_signals()
    assert (seen["airflow"], seen["hood_closed"], seen["level"]) == (1.0, 1.0, 0.0)
    assert seen["water_C"] is not None
    assert seen["flow_L_min"] > 0


def test_emergency_stop_takes_all_current():
    """All current is gone at once and does not come back by itself."""
    p = plant("0:01-0:02 emergency_stop")
    drive(p, 6.0, 1.0)
    a, b = drive(p, 6.0, 1 / 12)
    assert (a["current_A"], b["current_A"], a["output_on"], p.bath_signals()["emergency_stop_ok"]) == (0, 0, 0, 0)
    for _ in range(24):
        p.advance(5.0)
    assert p.bath_signals()["emergency_stop_ok"] == 1.0
    assert p.signals(0)["current_A"] == 0.0


def test_rectifier_faults():
    """Stuck on, own trip, local, restart, gain and offset show as a controller would see them."""
    p = plant(
        "0:05 A01 stuck_on", "0:05 A02 rectifier_fault 7", "0:05 A03 local_control", "0:05 A04 rectifier_restart", n=4
    )
    drive(p, 6.0, 5.0)
    drive(p, 6.0, 1 / 12)
    assert p.signals(3)["uptime_s"] <= 5.0
    seen = drive(p, 0.0, 1.0)
    assert [s["current_A"] for s in seen] == [6.0, 0.0, 6.0, 0.0]
    assert [s["output_on"] for s in seen] == [1.0, 0.0, 1.0, 0.0]
    assert [s["fault_code"] for s in seen] == [0.0, 7.0, 0.0, 0.0]
    assert [s["local"] for s in seen] == [0.0, 0.0, 1.0, 0.0]
    q = plant("A01 current_gain 1.2", "A02 current_offset 0.5")
    drive(q, 10.0, 1.0)
    assert [q.true_current_A(k) for k in range(2)] == pytest.approx([12.0, 10.5])
    assert [q.signals(k)["current_A"] for k in range(2)] == [10.0, 10.0]


def test_probe_faults():
    """Lost: no value; frozen: the last; drifting: by the hour; in air: it does not follow the battery."""
    p = plant("A01 probe_lost", "0:10 A02 probe_frozen", "A03 probe_drift 2", "A04 probe_in_air", n=5)
    drive(p, 15.0, 10.0)
    held = p.signals(1)["probe_C"]
    drive(p, 15.0, 110.0)
    lost, frozen, drift, air, sound = (p.signals(k)["probe_C"] for k in range(5))
    assert lost is None
    assert frozen == held
    assert drift - sound == pytest.approx(4.0, abs=0.3)
    assert air < 25.0 < sound
