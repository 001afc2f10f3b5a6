"""The rules of edges: joints that add ohms, by the cell and beside sisters, and volts that follow another's current."""

from __future__ import annotations

from dataclasses import replace

import pytest
from coursekit import small_release
from tracekit import edge, look, minutes_of, small_plan, still, trace

from controller.course import expected_of
from controller.courseedges import excess_ohm, joint_hot, joint_resistance, leads_crossed, other_of
from controller.courserules import acid_differs

SMALL = expected_of(small_release())


def joints(mine, *others, current_A=15.0):
    names = iter(("A02", "A03", "A04", "A05"))
    minutes = minutes_of(30, current_A=still(current_A))
    return look(trace("A01", minutes, mine), *(trace(next(names), minutes_of(30), each) for each in others))


def pair(first, second):
    return [edge(first), edge(second, 0.0, 12.0, step=3)]


@pytest.mark.parametrize("odd", ["A01", "A02"])
def test_a_trial_is_no_sister_of_a_joint_nor_of_an_acid(odd):
    """Neither is it judged beside the bath's runs nor do they lean on it: of three strings two are left, too few."""
    each = [trace(name, minutes_of(30), pair(0.7, 0.5), apart=name == odd) for name in ("A01", "A02", "A03")]
    assert joints_of(*each) is None
    short = [replace(one, plan=small_plan()) for one in each[:2]]
    assert acid_differs(look(*short, expected=SMALL)) is None


def test_joint_is_the_smaller_excess_of_two_edges():
    """Both edges must show it: what only one shows is the plates' own difference."""
    others = [pair(0.60, 0.40), pair(0.61, 0.41)]
    assert excess_ohm(joints(pair(0.635, 0.440), *others)) == pytest.approx(0.025)
    assert joint_resistance(joints(pair(0.635, 0.440), *others)).over
    assert not joint_resistance(joints(pair(0.70, 0.42), *others)).over
    assert excess_ohm(joints(pair(0.7, 0.5)[:1], *others)) is None
    assert excess_ohm(joints(pair(0.7, 0.5), others[0])) is None


@pytest.mark.parametrize(
    "odd", [{"step": 4}, {"to_A": 3.0}, {"from_A": 12.0}, {"charge_Ah": 80.0}]
)  # fmt: skip
def test_only_the_same_edge_is_compared(odd):
    """Another step, current or charge is another edge; small edges and those of fresh plates tell nothing."""
    others = [[edge(0.6, **odd), pair(0.6, 0.4)[1]] for _ in range(2)]
    assert excess_ohm(joints(pair(0.7, 0.5), *others)) is None
    fresh = [[edge(22.0), edge(22.0, 0.0, 12.0, step=3)] for _ in range(3)]
    assert excess_ohm(joints(*fresh)) is None
    small = [[edge(0.6, 3.0), edge(0.6, 0.0, 3.5, step=3)] for _ in range(3)]
    assert excess_ohm(joints(*small)) is None


@pytest.mark.parametrize(("cells", "at_edges"), [(114, 0), (102, 0), (108, 102)])
def test_sisters_with_other_numbers_of_batteries_are_compared_by_the_cell(cells, at_edges):
    """One battery more or less, or once less: clean strings show no joint, and one of 50 mohm more shows just those."""

    def sister(name):
        share = (at_edges or cells) / 108
        edges = [replace(each, ohm=each.ohm * share, cells=at_edges) for each in pair(0.60, 0.40)]
        return trace(name, minutes_of(30), edges, cells=cells)

    def found(first, second):
        return joints_of(trace("A01", minutes_of(30), pair(first, second)), sister("A02"), sister("A03"))

    assert found(0.60, 0.40) == pytest.approx(0.0)
    assert found(0.65, 0.45) == pytest.approx(0.050)


def joints_of(mine, *others):
    return excess_ohm(look(mine, *others))


def test_an_edge_is_that_of_the_cells_the_string_had_then():
    """A battery was taken out after both edges: they stay those of 18 batteries, beside sisters that keep 18."""
    others = [trace(name, minutes_of(30), pair(0.60, 0.40)) for name in ("A02", "A03")]
    edges = [replace(each, cells=108) for each in pair(0.60, 0.40)]
    mine = trace("A01", minutes_of(30), edges, cells=102)
    assert joints_of(mine, *others) == pytest.approx(0.0)
    assert joints_of(replace(mine, edges=[replace(each, cells=102) for each in edges]), *others) > 0.02


def test_strings_of_far_fewer_batteries_are_no_measure_of_a_joint():
    """12 beside 18 batteries: leads do not grow with cells, so nothing is told, not even of a bad one."""
    others = [trace(name, minutes_of(30), pair(0.40, 0.27), cells=72) for name in ("A02", "A03")]
    assert joints_of(trace("A01", minutes_of(30), pair(0.70, 0.50)), *others) is None
    equal = [trace(name, minutes_of(30), pair(0.40, 0.27), cells=72) for name in ("A02", "A03")]
    mine = trace("A01", minutes_of(30), pair(0.43, 0.30), cells=72)
    assert joint_resistance(look(mine, *equal)).over


@pytest.mark.parametrize(("cells", "limit_mohm", "limit_W"), [(72, 20.0, 5.0), (216, 40.0, 10.0)])
def test_joint_limits_grow_with_strings_longer_than_usual(cells, limit_mohm, limit_W):
    """Clean strings of 36 batteries differ by twice as much as those of 18; shorter ones keep the limits."""

    def long(name, more=0.0):
        return trace(name, minutes_of(30, current_A=still(15.0)), pair(0.6 + more, 0.4 + more), cells=cells)

    seen = look(long("A01", 0.023), long("A02"), long("A03"))
    assert joint_resistance(seen).limit == pytest.approx(limit_mohm)
    assert joint_resistance(seen).over is (cells < 108)
    assert joint_hot(seen).limit == pytest.approx(limit_W)
    assert joint_hot(seen).over is (cells < 108)
    apart = [long("A02", 0.030), long("A03", 0.035), long("A04", -0.030)]
    assert (excess_ohm(look(long("A01"), *apart)) is None) is (cells < 108)


def test_joint_hot_counts_watts_at_the_current_that_flows():
    """5 W, or 50 mohm told as the watts that they make; nothing while no current flows."""
    others = [pair(0.60, 0.40), pair(0.60, 0.40)]
    warm = joint_hot(joints(pair(0.63, 0.43), *others))
    assert (warm.value, warm.limit, warm.over) == (pytest.approx(6.75), 5.0, True)
    assert not joint_hot(joints(pair(0.62, 0.42), *others)).over
    slow = joint_hot(joints(pair(0.66, 0.46), *others, current_A=3.0))
    assert (slow.value, slow.limit, slow.over) == (pytest.approx(0.54), pytest.approx(0.45), True)
    assert joint_hot(joints(pair(0.66, 0.46), *others, current_A=0.5)) is None


def test_leads_crossed_needs_two_edges_with_the_same_other():
    """One edge may be chance; two with the same circuit's volts are told, a normal one ends it."""

    def found(*others):
        return leads_crossed(look(trace("A01", minutes_of(5), [edge(0.0, other=each) for each in others])))

    assert found("A02", "A02").over
    assert not found("A03", "A02").over
    assert found("A02", "").back
    assert found("A02") is None


@pytest.mark.parametrize(("cells", "ohm", "crossed"), [(6, 0.02, False), (6, 0.005, True), (108, 0.02, True)])
def test_the_volts_of_a_short_string_move_little_and_are_its_own(cells, ohm, crossed):
    """20 mohm are what one battery shows at an edge, and nothing of 18: the other's volts moved by chance."""
    edges = [edge(ohm, other="A02", cells=cells), edge(ohm, other="A02")]
    found = leads_crossed(look(trace("A01", minutes_of(5), edges, cells=cells)))
    assert (found.over, found.back) == (crossed, not crossed)


def test_the_other_circuit_of_an_edge():
    """Its current stood, its volts moved the right way, by half a volt and four times as far as the own ones."""
    assert other_of(-15.0, -0.1, [("A02", 0.0, -2.0), ("A03", 0.1, -1.0)]) == "A02"
    assert other_of(-15.0, -0.6, [("A02", 0.0, -2.0)]) == ""
    assert other_of(-15.0, -0.1, [("A02", 0.0, -0.4)]) == ""
    assert other_of(-15.0, -0.1, [("A02", 0.0, 2.0)]) == ""
    assert other_of(-15.0, -0.1, [("A02", -12.0, -2.0)]) == ""


def test_edges_at_which_the_sisters_disagree_tell_no_joint():
    """Around the knee plates differ by more than any joint adds: such an edge is passed over, not judged."""
    others = [pair(0.60, 0.40), pair(0.70, 0.41)]
    assert excess_ohm(joints(pair(0.75, 0.44), *others)) is None
    agreeing = [[*pair(0.60 + 0.1 * at, 0.40), edge(0.50, 12.0, step=4)] for at in range(2)]
    assert excess_ohm(joints([*pair(0.9, 0.44), edge(0.53, 12.0, step=4)], *agreeing)) == pytest.approx(0.03)
