"""The p chart: exact limits by enumeration, and textbook data.

The textbook's limits are three standard deviations; ours are exact, so its limits cannot be compared, but its mean and
the points it calls out of control can, where the two kinds of limits agree.
"""

from collections.abc import Callable
from fractions import Fraction
from itertools import accumulate
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import binom

from pipeline.stats.shewhart import p_chart, p_limits

from .conftest import Entry, untimed

TAIL = Fraction(135, 100_000)


def _exact_cdf(n: int, p: Fraction) -> list[Fraction]:
    return list(accumulate(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1)))


@pytest.mark.parametrize("p", [0.0005, 0.013, 0.05, 0.231, 0.5, 0.93])
def test_limits_are_the_tightest_that_keep_either_tail(p: float) -> None:
    """In whole-number arithmetic: at most 0.00135 beyond a limit, more than that beyond the next one inside."""
    for n in (*range(1, 25), 60, 97):
        limits = p_limits(n, p)
        lower, upper = round(float(limits.lower) * n), round(float(limits.upper) * n)
        cdf = [Fraction(0), *_exact_cdf(n, Fraction(p))]  # cdf[k] = P(X < k)
        assert cdf[lower] < TAIL <= cdf[lower + 1]
        assert cdf[upper] < 1 - TAIL <= cdf[upper + 1]


@untimed
@given(st.lists(st.integers(1, 5000), min_size=1, max_size=5), st.floats(0, 1))
def test_points_beyond_are_rarer_than_the_tail_and_limits_enclose_the_centre(n: list[int], p: float) -> None:
    limits = p_limits(n, p)
    lower, upper = np.rint(limits.lower * n), np.rint(limits.upper * n)
    assert_array_equal(limits.centre, p)
    assert (lower <= np.ceil(np.array(n) * p)).all()
    assert (upper >= np.floor(np.array(n) * p)).all()
    assert np.all(binom.sf(upper, n, p) <= 0.00135 + 1e-12)
    assert np.all(binom.cdf(lower - 1, n, p) < 0.00135 + 1e-12)


def test_a_point_on_a_limit_is_not_beyond_it() -> None:
    n = np.array([50] * 4)
    limits = p_limits(n, 0.2)
    lower, upper = round(limits.lower[0] * 50), round(limits.upper[0] * 50)
    assert_array_equal(p_chart(n, [lower - 1, lower, upper, upper + 1], 0.2).beyond, [-1, 0, 0, 1])


def test_every_count_on_its_limit_is_not_beyond_it() -> None:
    """Division must not move a count across its own limit."""
    n = np.arange(1, 3000)
    limits = p_limits(n, 0.037)
    for limit in (limits.lower, limits.upper):
        assert not p_chart(n, np.rint(limit * n), 0.037).beyond.any()


def test_orange_juice_cans(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, Introduction to Statistical Quality Control, ch. 7 (data from memory): the same two points signal."""
    entry = check_value("SHW-01")
    defectives, n = np.array(entry["inputs"]["defectives"]), entry["inputs"]["n"]
    p = defectives.sum() / (n * len(defectives))
    chart = p_chart(np.full(len(defectives), n), defectives, p)
    assert_allclose(p, entry["expected"]["pbar"], atol=5e-5)
    assert_array_equal(np.flatnonzero(chart.beyond == 1) + 1, entry["expected"]["out_of_control"])
    assert not (chart.beyond == -1).any()


def test_purchase_orders(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, ch. 7 (data from memory): where sample sizes vary, and three deviations are not exact.

    The textbook calls sample 11, 20 of 110, out of control. Exactly, 20 or more have probability 0.0037, more than the
    0.00135 the limits allow (SciPy's binomial), so no point signals here.
    """
    entry = check_value("SHW-03")
    n, defectives = np.array(entry["inputs"]["n"]), np.array(entry["inputs"]["defectives"])
    p = defectives.sum() / n.sum()
    chart = p_chart(n, defectives, p)
    assert_allclose(p, entry["expected"]["pbar"], atol=5e-5)
    assert entry["expected"]["out_of_control"] == [np.argmax(chart.statistic) + 1]
    assert_allclose(binom.sf(defectives[10] - 1, n[10], p), 0.0037, atol=5e-5)
    assert not chart.beyond.any()


def test_heart_surgery_centres(check_value: Callable[[str], Entry]) -> None:
    """Spiegelhalter et al. (2002), JRSS A 165:191-231 (counts from memory): against the rest, only the first."""
    entry = check_value("FUN-01")
    n, deaths = np.array(entry["inputs"]["n"]), np.array(entry["inputs"]["deaths"])
    chart = p_chart(n, deaths, 356 / 3176)
    assert_allclose(100 * chart.statistic, entry["expected"]["percent"], atol=0.05)
    assert_array_equal(chart.beyond, [1] + [0] * 11)


def test_certain_baselines() -> None:
    assert_array_equal(p_chart([4, 4], [0, 1], 0.0).beyond, [0, 1])
    assert_array_equal(p_chart([4, 4], [4, 3], 1.0).beyond, [0, -1])


def test_no_subgroups_give_an_empty_chart() -> None:
    chart = p_chart([], [], 0.1)
    assert [field.shape for field in (chart.statistic, chart.centre, chart.lower, chart.upper, chart.beyond)] == [
        (0,)
    ] * 5


@pytest.mark.parametrize(
    ("n", "observed", "p", "named"),
    [
        ([0], [0], 0.1, "n "),
        ([np.nan], [0], 0.1, "n "),
        ([2.5], [0], 0.1, "n "),
        ([5], [6], 0.1, "observed"),
        ([5], [-1], 0.1, "observed"),
        ([5], [np.nan], 0.1, "observed"),
        ([5], [1], -0.1, "p "),
        ([5], [1], 1.1, "p "),
        ([5], [1], float("nan"), "p "),
        ([5, 5], [1, 1, 1], 0.1, "observed"),
        (5, 1, 0.1, "n "),
    ],
)
def test_the_bad_argument_is_named(n: ArrayLike, observed: ArrayLike, p: float, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        p_chart(n, observed, p)
