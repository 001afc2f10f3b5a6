"""Quantiles, shares and rank correlations against exact sums, published numbers and, where it is there, scipy."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import numpy as np
import pytest

from simulator.bench import quantiles
from simulator.bench.quantiles import by_chance, estimate, order_ranks, ranks, share_of, spearman, strongest


def at_most(k: int, n: int, p: Fraction) -> Fraction:
    return sum((comb(n, j) * p**j * (1 - p) ** (n - j) for j in range(k + 1)), Fraction(0))


@pytest.mark.parametrize("p", [Fraction(1, 20), Fraction(1, 2), Fraction(19, 20)])
def test_ranks_hold_the_quantile_by_exact_sums(p):
    """The chance of missing on a side is at most 2.5 %, one rank nearer it would be more; in whole fractions."""
    for n in (1, 5, 20, 59, 72, 73, 200):
        low, high = order_ranks(n, float(p))
        if low is not None:
            assert at_most(low - 1, n, p) <= Fraction(1, 40) < at_most(low, n, p)
        else:
            assert at_most(0, n, p) > Fraction(1, 40)
        if high is not None:
            assert at_most(high - 1, n, p) >= Fraction(39, 40) > at_most(high - 2, n, p)
        else:
            assert at_most(n - 1, n, p) < Fraction(39, 40)


def test_ranks_of_the_median_are_the_known_ones():
    """Tables of the distribution-free interval of a median give 2 and 9 of 10, 6 and 15 of 20, 40 and 61 of 100."""
    # Conover 1999, section 3.2, and any table of the sign test's interval.
    assert [order_ranks(n, 0.5) for n in (10, 20, 100)] == [(2, 9), (6, 15), (40, 61)]


def test_a_large_sample_keeps_its_ranks():
    """No term vanishes at 100,000 strings: the ranks are where the normal approximation has them, within one."""
    low, high = order_ranks(100_000, 0.05)
    half = quantiles.Z * (100_000 * 0.05 * 0.95) ** 0.5
    assert abs(low - (5_000 - half)) < 2
    assert abs(high - (5_000 + half)) < 3


def test_what_is_no_sample_has_no_ranks():
    """Nothing tried, and a share that is no quantile, give no interval."""
    assert order_ranks(0, 0.5) == order_ranks(10, 0.0) == order_ranks(10, 1.0) == (None, None)


def test_estimate_leaves_out_what_is_missing():
    """NaN counts for nothing; the ends are values of the sample; without any value there is no estimate."""
    values = np.array([np.nan, *range(1, 101), np.inf], dtype=float)
    found = estimate(values, 0.5)
    assert (found.value, found.low, found.high, found.beside) == (50.5, 40.0, 61.0, 10.5)
    assert estimate(np.array([np.nan]), 0.5) is None
    small = estimate(np.array([3.0, 1.0, 2.0]), 0.5)
    assert (small.value, small.low, small.high, small.beside) == (2.0, None, None, None)


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 25.53, 36.62), (15, 148, 6.24, 16.05), (0, 20, 0.0, 16.11), (1, 29, 0.61, 17.18)],
)
def test_shares_have_the_published_score_interval(count, of, low, high):
    """Newcombe 1998 (Statistics in Medicine 17, 857), table I, method 3."""
    found = share_of(count, of)
    assert found.percent == pytest.approx(100.0 * count / of)
    assert (round(found.low, 2), round(found.high, 2)) == (low, high)


def test_shares_at_their_ends():
    """All of all ends at 100 % exactly; none of none says nothing."""
    assert (share_of(20, 20).high, share_of(0, 20).low) == (100.0, 0.0)
    assert share_of(20, 20).low == pytest.approx(100.0 - share_of(0, 20).high)
    assert (share_of(0, 0).low, share_of(0, 0).high) == (0.0, 100.0)


def test_rank_correlation_of_a_published_example():
    """Ten pairs of the textbook example (hours of television against IQ): -29/165."""
    iq = np.array([106, 100, 86, 101, 99, 103, 97, 113, 112, 110], dtype=float)
    hours = np.array([7, 27, 2, 50, 28, 29, 20, 12, 6, 17], dtype=float)
    assert spearman(iq, hours) == pytest.approx(-29.0 / 165.0, abs=1e-12)


def test_rank_correlation_of_too_little():
    """Two pairs, and an output that never varies, have none; a missing pair is left out."""
    x = np.array([1.0, 2.0, 3.0, np.nan])
    assert spearman(x[:2], x[:2]) is None
    assert spearman(x, np.ones(4)) is None
    assert spearman(x, np.array([3.0, 2.0, 1.0, 9.0])) == pytest.approx(-1.0)


def test_equal_values_share_their_rank():
    """Ties take the mean of their ranks, so that their sum stays."""
    assert ranks(np.array([5.0, 1.0, 5.0, 9.0])).tolist() == [2.5, 1.0, 2.5, 4.0]


def test_strongest_names_what_moves_and_not_what_does_not():
    """An output made of two of forty inputs names those two, stronger first, and nothing that only looks alike."""
    inputs = np.random.default_rng(3).standard_normal((400, 40))
    output = 3.0 * inputs[:, 7] - 2.0 * inputs[:, 31] + np.random.default_rng(4).standard_normal(400)
    found = strongest(inputs, [f"i{k}" for k in range(40)], output)
    assert [each.input for each in found][:2] == ["i7", "i31"]
    assert found[0].correlation > 0.6
    assert found[1].correlation < -0.4
    assert all(abs(each.correlation) > by_chance(400) for each in found)
    assert by_chance(400) == pytest.approx(0.16473, abs=1e-5)
    assert strongest(inputs[:, :1], ["i0"], np.ones(400)) == ()


def test_against_scipy():
    """Intervals and rank correlation as scipy computes them, ties included."""
    stats = pytest.importorskip("scipy.stats", reason="scipy is not installed (extra `outside`)")
    random = np.random.default_rng(11)
    x = np.round(random.standard_normal(300), 1)
    y = np.round(x + 2.0 * random.standard_normal(300), 1)
    assert spearman(x, y) == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-12)
    assert ranks(x) == pytest.approx(stats.rankdata(x))
    for k, n in ((0, 7), (3, 7), (7, 7), (12, 900)):
        theirs = stats.binomtest(k, n).proportion_ci(0.95, method="wilson")
        ours = share_of(k, n)
        assert (ours.low / 100, ours.high / 100) == pytest.approx((theirs.low, theirs.high), abs=1e-12)
    for share in (0.05, 0.5, 0.95):
        for n in (100, 300):
            theirs = stats.quantile_test(x[:n], q=0.0, p=share).confidence_interval(0.95)
            ours = estimate(x[:n], share)
            assert (ours.low, ours.high) == (theirs.low, theirs.high)
            low, high = order_ranks(n, share)
            assert low == stats.binom.ppf(0.025, n, share)
            assert high == stats.binom.ppf(0.975, n, share) + 1
