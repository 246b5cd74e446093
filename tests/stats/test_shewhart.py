"""The p, u and c charts: exact limits by enumeration, and textbook data.

The textbook's limits are three standard deviations, held against `p_sigma_limits` and `u_sigma_limits`. Those of our
charts are exact, so there only its mean and the points it calls out of control are compared, where both kinds agree.
"""

from collections.abc import Callable
from fractions import Fraction
from itertools import accumulate
from math import comb, exp, factorial, fsum

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import binom, poisson

from pipeline.stats.control_chart import Chart, above, chart_against
from pipeline.stats.shewhart import (
    c_chart,
    c_limits,
    c_sigma_limits,
    p_chart,
    p_limits,
    p_sigma_limits,
    u_chart,
    u_limits,
    u_sigma_limits,
)

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


def test_p_sigma_limits_of_the_textbook(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, ch. 7 (from memory): one sample size, then several; the points beyond are those it names."""
    entry = check_value("SHW-01")
    defectives, n = np.array(entry["inputs"]["defectives"]), entry["inputs"]["n"]
    limits = p_sigma_limits(n, defectives.mean() / n)
    assert_allclose([limits.lower, limits.upper], [entry["expected"]["LCL"], entry["expected"]["UCL"]], atol=5e-5)
    chart = chart_against(defectives / n, limits)
    assert_array_equal(np.flatnonzero(chart.beyond) + 1, entry["expected"]["out_of_control"])
    entry = check_value("SHW-03")
    sizes, defectives = np.array(entry["inputs"]["n"]), np.array(entry["inputs"]["defectives"])
    limits = p_sigma_limits(sizes, defectives.sum() / sizes.sum())
    printed = np.array([entry["expected"]["limits_by_n"][str(size)] for size in sizes])
    assert_allclose(np.transpose([limits.lower, limits.upper]), printed, atol=5.1e-5)
    chart = chart_against(defectives / sizes, limits)
    assert_array_equal(np.flatnonzero(chart.beyond) + 1, entry["expected"]["out_of_control"])


def test_dyed_cloth(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, ch. 7 (from memory), which rounds the mean to 1.42; exact limits call no point either."""
    entry = check_value("SHW-04")
    units, observed = np.array(entry["inputs"]["units"]), np.array(entry["inputs"]["count"])
    mean = observed.sum() / units.sum()
    assert_allclose(mean, entry["expected"]["ubar"], atol=0.005)
    limits = u_sigma_limits(units, 1.42)
    printed = np.array([entry["expected"]["limits_by_units"][f"{size:g}"] for size in units])
    assert_allclose(np.transpose([limits.lower, limits.upper]), printed, atol=0.0051)
    assert (
        np.flatnonzero(chart_against(observed / units, limits).beyond).tolist() == entry["expected"]["out_of_control"]
    )
    assert not u_chart(units, observed, mean).beyond.any()


def _poisson_cdf(count: int, mean: float) -> float:
    return fsum(exp(-mean) * mean**k / factorial(k) for k in range(count + 1))


@pytest.mark.parametrize("u", [0.01, 0.3, 1.42, 7.5])
def test_u_limits_are_the_tightest_that_keep_either_tail(u: float) -> None:
    """By summing the terms: at most 0.00135 beyond a limit, more than that beyond the next one inside."""
    for units in (0.5, 1, 3, 9.5):
        limits = u_limits(units, u)
        lower, upper = round(float(limits.lower) * units), round(float(limits.upper) * units)
        assert _poisson_cdf(lower - 1, units * u) < 0.00135 <= _poisson_cdf(lower, units * u)
        assert _poisson_cdf(upper - 1, units * u) < 0.99865 <= _poisson_cdf(upper, units * u)


def test_u_limits_step_with_the_units() -> None:
    limits = u_limits([1.0, 4.0, 100.0], 2.0)
    assert_array_equal(limits.centre, [2, 2, 2])
    assert (np.diff(limits.upper) < 0).all()
    assert (np.diff(limits.lower) >= 0).all()
    assert limits.lower[-1] > 0


@untimed
@given(st.lists(st.tuples(st.floats(0.01, 500), st.integers(0, 900)), min_size=1, max_size=5), st.floats(0, 20))
def test_a_u_point_is_beyond_where_its_tail_is_rarer_than_the_limit(points: list[tuple[float, int]], u: float) -> None:
    """Also where so little is expected that the upper limit, 0, lies below the centre."""
    units, observed = np.array(points).T
    as_many, as_few = poisson.sf(observed - 1, units * u), poisson.cdf(observed, units * u)
    expected = (as_many <= 0.00135).astype(int) - (as_few < 0.00135)
    clear = (np.abs(as_many - 0.00135) > 1e-9) & (np.abs(as_few - 0.00135) > 1e-9)
    assert_array_equal(u_chart(units, observed, u).beyond[clear], expected[clear])


@untimed
@given(st.lists(st.integers(0, 200), max_size=8), st.floats(0, 100))
def test_c_chart_is_the_u_chart_of_one_unit(observed: list[int], c: float) -> None:
    chart, same = c_chart(observed, c), u_chart(np.ones(len(observed)), observed, c)
    for name in ("statistic", "centre", "lower", "upper", "beyond"):
        assert_array_equal(getattr(chart, name), getattr(same, name))
    for limits, chart_limits in ((c_limits(c), u_limits([1.0], c)), (c_sigma_limits(c), u_sigma_limits([1.0], c))):
        assert [limits.lower, limits.upper] == [chart_limits.lower[0], chart_limits.upper[0]]


def test_exact_and_sigma_limits_come_together_in_large_subgroups() -> None:
    for exact, sigma in (
        (p_limits(10**6, 0.3), p_sigma_limits(10**6, 0.3)),
        (u_limits(10**6, 0.3), u_sigma_limits(10**6, 0.3)),
        (c_limits(1e7), c_sigma_limits(1e7)),
    ):
        assert_allclose((exact.upper - exact.centre) / (sigma.upper - sigma.centre), 1, atol=0.005)
        assert_allclose((exact.lower - exact.centre) / (sigma.lower - sigma.centre), 1, atol=0.005)


def test_sigma_limits_stay_within_the_possible() -> None:
    limits = p_sigma_limits([4, 4], 0.2)
    assert_array_equal(limits.lower, [0, 0])
    assert p_sigma_limits(4, 0.8).upper == 1
    assert p_sigma_limits(1, 0.2).upper == 1
    assert u_sigma_limits(1.0, 0.5).lower == 0


@pytest.mark.parametrize(
    ("n", "p", "on"), [(36, 0.5, 27), (100, 0.1, 19), (100, 0.2, 32), (225, 0.1, 36), (400, 0.2, 104), (900, 0.1, 117)]
)
def test_a_count_on_its_sigma_limit_is_not_beyond_it(n: int, p: float, on: int) -> None:
    """Counts three standard deviations up exactly; in binary some of them come out above their limit."""
    counts = np.array([2 * n * p - on - 1, 2 * n * p - on, on, on + 1])
    assert_array_equal(chart_against(counts / n, p_sigma_limits(n, p)).beyond, [-1, 0, 0, 1])


def test_what_rounding_explains_is_not_above() -> None:
    assert_array_equal(above(np.array([0, 1 + 1e-10, 1 + 1e-8, -1]), np.array([0, 1, 1, -1])), [0, 0, 1, 0])


def test_u_and_c_counts_on_their_limit_are_not_beyond_it() -> None:
    assert_array_equal(chart_against(np.array([3.0, 4, 10, 11]), c_sigma_limits(4)).beyond, [0, 0, 0, 1])
    limits = u_limits(0.7, 30.0)
    lower, upper = round(float(limits.lower) * 0.7), round(float(limits.upper) * 0.7)
    chart = u_chart([0.7] * 4, [lower - 1, lower, upper, upper + 1], 30.0)
    assert_array_equal(chart.beyond, [-1, 0, 0, 1])


def test_a_rate_of_none_is_left_with_the_first_event() -> None:
    assert_array_equal(u_chart([2, 2], [0, 1], 0.0).beyond, [0, 1])
    assert_array_equal(c_chart([0, 1], 0.0).beyond, [0, 1])


def _shapes(chart: Chart) -> list[tuple[int, ...]]:
    return [part.shape for part in (chart.statistic, chart.centre, chart.lower, chart.upper, chart.beyond)]


def test_no_subgroups_give_empty_u_and_c_charts() -> None:
    assert _shapes(u_chart([], [], 0.1)) == _shapes(c_chart([], 0.1)) == [(0,)] * 5


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: p_sigma_limits([0], 0.1), "n "),
        (lambda: p_sigma_limits([5], 1.1), "p "),
        (lambda: u_limits([0], 0.1), "units"),
        (lambda: u_limits([np.inf], 0.1), "units"),
        (lambda: u_limits([1], -0.1), "u "),
        (lambda: u_sigma_limits([-1], 0.1), "units"),
        (lambda: u_sigma_limits([1], np.nan), "u "),
        (lambda: u_chart([1], [0.5], 0.1), "observed"),
        (lambda: u_chart([1, 1], [1, 1, 1], 0.1), "observed"),
        (lambda: u_chart(1, 1, 0.1), "units"),
        (lambda: c_limits(-1), "c "),
        (lambda: c_sigma_limits(np.nan), "c "),
        (lambda: c_chart([-1], 1), "observed"),
        (lambda: c_chart(1, 1), "observed"),
        (lambda: c_chart([1], np.inf), "c "),
    ],
)
def test_u_c_and_sigma_limits_name_the_bad_argument(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
