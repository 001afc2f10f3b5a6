"""The tariff: what its file must say, and what a course costs that crosses changes of price and midnight."""

from __future__ import annotations

import os

import numpy as np
import pytest

from profiles.problems import InputError
from simulator.bench.tariff import Tariff, read_tariff, tariff_of

DAY_AND_NIGHT = Tariff((360, 1320), (0.24, 0.18))


def test_a_price_holds_until_the_next_and_past_midnight():
    """Before the first moment of the day the last price of the day before holds; each begins at its own minute."""
    assert [DAY_AND_NIGHT.price(minute) for minute in (0, 359, 360, 1319, 1320, 1440 + 359, 1440 + 360)] == [
        0.18, 0.18, 0.24, 0.24, 0.18, 0.18, 0.24,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("start", "hours", "cost"),
    [
        (7 * 60, 2.0, 20 * 0.24),
        (23 * 60, 2.0, 20 * 0.18),
        (21 * 60, 2.0, 10 * 0.24 + 10 * 0.18),
        (21 * 60 + 30, 9.0, 5 * 0.24 + 80 * 0.18 + 5 * 0.24),
        (5 * 60, 26.0, 10 * 0.18 + 160 * 0.24 + 80 * 0.18 + 10 * 0.24),
    ],
)
def test_energy_costs_what_its_hours_cost(start, hours, cost):
    """10 kW, by hand: within one price, over a change, over a night, over more than a day; two samples are enough."""
    assert DAY_AND_NIGHT.cost(float(start), np.array([0.0, hours]), np.array([0.0, 10.0 * hours])) == pytest.approx(
        cost
    )


def test_energy_that_is_there_at_the_start_is_paid_for():
    """What was counted before the first row costs the price of that moment; no rows cost nothing."""
    assert DAY_AND_NIGHT.cost(420.0, np.array([0.0, 1.0]), np.array([1.0, 1.0])) == pytest.approx(0.24)
    assert DAY_AND_NIGHT.cost(420.0, np.array([]), np.array([])) == 0.0


def test_the_file_is_read_as_it_is_written_down():
    """Header, two prices, spaces and an empty line; one price the whole day round is known as such."""
    found = tariff_of("from,price_per_kWh\n06:00, 0.24\n\n22:00,0.18\n", "t.csv")
    assert found == DAY_AND_NIGHT
    assert not found.one_price
    assert tariff_of("from,price_per_kWh\n0:00,0.2\n12:00,0.2\n", "t.csv").one_price


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "t.csv: is empty, the first line is from,price_per_kWh"),
        ("when,price\n", "t.csv:1: 'when,price' is no header"),
        ("from,price_per_kWh\n", "t.csv:1: has no price"),
        ("from,price_per_kWh\n24:00,1\n", "t.csv:2: '24:00' is no time of the day"),
        ("from,price_per_kWh\n\n6:00,1\n06:00,2\n", "t.csv:4: 06:00 is not after the line before"),
        ("from,price_per_kWh\n6:00,nan\n", "t.csv:2: 'nan' is no price"),
        ("from,price_per_kWh\n6:00,1e9\n", "t.csv:2: '1e9' is no price"),
        ("from,price_per_kWh\n6:00,0,18\n", "t.csv:2: '6:00,0,18' is not two fields"),
        ('from,price_per_kWh\n"6:00,1\n', "is not two fields"),
        ("from,price_per_kWh\n\x1b[31m,1\n", "t.csv:2: '?[31m' is no time"),
    ],
)
def test_what_is_wrong_is_named_by_its_line(text, said):
    """Each fault by file and line, with what would be right, and nothing that a terminal would obey."""
    with pytest.raises(InputError) as caught:
        tariff_of(text, "t.csv")
    assert said in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_all_wrong_lines_are_told_at_once():
    """Two faults, two lines."""
    with pytest.raises(InputError) as caught:
        tariff_of("from,price_per_kWh\n25:00,1\n6:00,x\n", "t.csv")
    assert [problem.line for problem in caught.value.problems] == [2, 3]


def test_files_that_are_none(tmp_path):
    """Missing, a folder, a pipe that nobody writes to, not text, endless: one sentence each, none waits."""
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "b.csv").write_bytes(b"from,price_per_kWh\n\xff\n")
    (tmp_path / "c.csv").write_bytes(b"x" * 200_000)
    for path, said in (
        (tmp_path / "a.csv", "No such file"),
        (tmp_path, "Is a directory"),
        (tmp_path / "pipe.csv", "is no plain file, name a CSV file"),
        (tmp_path / ("x" * 5000), "xxx...: cannot be read: File name too long"),
        (tmp_path / "b.csv", "b.csv:2: is not UTF-8"),
        (tmp_path / "c.csv", "larger than 100 kB"),
    ):
        with pytest.raises(InputError) as caught:
            read_tariff(path)
        assert said in str(caught.value)
    (tmp_path / "d.csv").write_bytes(b"\xef\xbb\xbffrom,price_per_kWh\r\n06:00,0.24\r\n22:00,0.18\r\n")
    assert read_tariff(tmp_path / "d.csv") == DAY_AND_NIGHT  # as a spreadsheet saves it
