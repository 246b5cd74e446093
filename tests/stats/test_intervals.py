"""Intervals of a proportion, against printed tables and against what defines them."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike, NDArray
from scipy.stats import beta, binom, binomtest, norm

from pipeline.stats.intervals import (
    Interval,
    clopper_pearson,
    jeffreys,
    mid_p,
    wilson,
    wilson_corrected,
    wilson_effective,
)

from .conftest import Entry, untimed

COUNTS = st.integers(0, 10**6)
PARTS = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
MANY = st.lists(PARTS, min_size=1, max_size=40).map(lambda parts: np.array(parts).T)
"""Events of many, and their sizes."""
few = settings(untimed, max_examples=15)
OF_A_PROPORTION = pytest.mark.parametrize("interval_of", [wilson, wilson_corrected, clopper_pearson, jeffreys, mid_p])

IntervalOf = Callable[[ArrayLike, ArrayLike], Interval]


def _equals(entry: Entry, interval_of: IntervalOf) -> None:
    interval = interval_of(*np.array(entry["inputs"]["x_n"]).T)
    ends = np.transpose([interval.low, interval.high])
    assert_allclose(ends, entry["expected"]["lower_upper"], atol=entry["tolerance"], rtol=0)


def test_wilson_equals_newcombes_table(check_value: Callable[[str], Entry]) -> None:
    """Newcombe (1998), Stat Med 17:857-872, Table I, method 3 (from memory; 81/263 opened to three digits)."""
    _equals(check_value("BIN-01"), wilson)


def test_wilson_corrected_equals_newcombes_table() -> None:
    """Newcombe (1998), Stat Med 17:857-872, Table I, method 4 (from memory)."""
    interval = wilson_corrected([81, 15, 0, 1], [263, 148, 20, 29])
    printed = [[0.2535, 0.3682], [0.0598, 0.1644], [0, 0.2005], [0.0018, 0.1963]]
    assert_allclose(np.transpose([interval.low, interval.high]), printed, atol=5e-5, rtol=0)


def test_clopper_pearson_equals_newcombes_table(check_value: Callable[[str], Entry]) -> None:
    """Newcombe (1998), Stat Med 17:857-872, Table I, method 5 (from memory)."""
    _equals(check_value("BIN-03"), clopper_pearson)


def test_mid_p_equals_newcombes_table(check_value: Callable[[str], Entry]) -> None:
    """Newcombe (1998), Stat Med 17:857-872, Table I, method 6 (from memory)."""
    _equals(check_value("BIN-04"), mid_p)


def test_jeffreys_equals_r(check_value: Callable[[str], Entry]) -> None:
    """R package binom, printed in the statsmodels test suite (opened)."""
    _equals(check_value("BIN-05"), jeffreys)


def test_jeffreys_of_none_in_twenty_starts_at_0() -> None:
    """0 to 0.1166, as the note of BIN-05 gives it."""
    interval = jeffreys(0, 20)
    assert interval.low == 0
    assert_allclose(interval.high, 0.1166, atol=5e-5)


def test_intervals_equal_the_surgical_and_the_textbook_example(check_value: Callable[[str], Entry]) -> None:
    """12 of 150, a public calculator's help page; 5 of 25, Conover (1999) as quoted (both opened), to three digits."""
    entry = check_value("BIN-07")
    inputs, expected, tolerance = entry["inputs"], entry["expected"], entry["tolerance"]
    for interval, ends in (
        (wilson(*inputs["b"]), expected["Wilson_12_150"]),
        (clopper_pearson(*inputs["b"]), expected["CP_12_150"]),
        (clopper_pearson(*inputs["a"]), expected["CP_5_25"]),
    ):
        assert_allclose([interval.low, interval.high], ends, atol=tolerance, rtol=0)


@pytest.mark.parametrize("interval_of", [wilson, clopper_pearson])
def test_intervals_of_published_piercing_studies(check_value: Callable[[str], Entry], interval_of: IntervalOf) -> None:
    """Percents as printed in nine studies; the intervals were computed with another library."""
    entry = check_value("PRC-01")
    events, n = np.array(entry["inputs"]["x_n"]).T
    interval, ends = interval_of(events, n), entry["expected"][interval_of.__name__]
    assert_allclose(100 * events / n, entry["expected"]["published_percent"], atol=entry["tolerance"]["percent"])
    assert_allclose(np.transpose([interval.low, interval.high]), ends, atol=entry["tolerance"]["intervals"], rtol=0)


@pytest.mark.parametrize(("events", "n"), [(0, 1), (1, 1), (3, 40), (12, 600), (150, 151), (7, 10**6)])
def test_wilson_equals_scipy(events: int, n: int) -> None:
    other = binomtest(events, n).proportion_ci(method="wilson")
    interval = wilson(events, n)
    assert_allclose([interval.low, interval.high], [other.low, other.high], rtol=1e-12, atol=1e-15)


@untimed
@given(PARTS)
def test_wilson_corrected_equals_scipy(part: tuple[int, int]) -> None:
    other = binomtest(*part).proportion_ci(method="wilsoncc")
    interval = wilson_corrected(*part)
    assert_allclose([interval.low, interval.high], [other.low, other.high], rtol=1e-9, atol=1e-15)


@untimed
@given(PARTS)
def test_clopper_pearson_equals_scipy(part: tuple[int, int]) -> None:
    """SciPy finds the ends by solving for the binomial tails, to 2e-12 (brentq), not by beta quantiles."""
    other = binomtest(*part).proportion_ci(method="exact")
    interval = clopper_pearson(*part)
    assert_allclose([interval.low, interval.high], [other.low, other.high], rtol=1e-6, atol=2e-12)


@untimed
@given(st.integers(min_value=1, max_value=10**6))
def test_clopper_pearson_of_a_single_event_begins_where_its_tail_solves_in_closed_form(n: int) -> None:
    """P(X >= 1) = 1 - (1 - p)^n = 0.025."""
    assert_allclose(clopper_pearson(1, n).low, -np.expm1(np.log1p(-0.025) / n), rtol=1e-12)


@few
@given(MANY)
def test_half_a_tail_at_a_mid_p_end_is_a_fortieth(many: NDArray[np.int64]) -> None:
    """What defines it: P(X > x | low) + P(X = x | low) / 2 = 0.025, and from below at the upper end."""
    events, n = many
    interval = mid_p(events, n)
    above = (binom.sf(events - 1, n, interval.low) + binom.sf(events, n, interval.low)) / 2
    below = (binom.cdf(events - 1, n, interval.high) + binom.cdf(events, n, interval.high)) / 2
    assert_allclose(above[events > 0], 0.025, rtol=1e-6)
    assert_allclose(below[events < n], 0.025, rtol=1e-6)


@few
@given(MANY)
def test_jeffreys_leaves_a_fortieth_of_the_posterior_at_an_inner_end(many: NDArray[np.int64]) -> None:
    events, n = many
    interval, posterior = jeffreys(events, n), beta(events + 0.5, n - events + 0.5)
    assert_allclose(posterior.cdf(interval.low), np.where(events > 0, 0.025, 0), rtol=1e-6)
    assert_allclose(posterior.sf(interval.high), np.where(events < n, 0.025, 0), rtol=1e-6)


@few
@given(MANY)
def test_exact_holds_mid_p(many: NDArray[np.int64]) -> None:
    exact, mid = clopper_pearson(*many), mid_p(*many)
    assert (exact.low <= mid.low).all()
    assert (mid.high <= exact.high).all()


@untimed
@given(PARTS, st.floats(1, 20))
def test_wilson_of_effective_numbers_is_wilson_where_they_are_whole(part: tuple[int, int], effect: float) -> None:
    """And by its definition where they are not: (x/n - p)^2 = z^2 p (1 - p) d / n."""
    events, n = part
    whole, same = wilson(events, n), wilson_effective(events, n)
    assert (whole.low, whole.high) == (same.low, same.high)
    interval = wilson_effective(events / effect, n / effect)
    for end in (interval.low, interval.high):
        if 0 < end < 1:
            assert_allclose((events / n - end) ** 2, norm.isf(0.025) ** 2 * end * (1 - end) * effect / n, rtol=1e-6)


def test_wilson_of_effective_numbers_of_nothing_is_nan() -> None:
    interval = wilson_effective([0, 0], [0, 0.5])
    assert_array_equal(np.isnan([interval.low, interval.high]), [[True, False]] * 2)


@pytest.mark.parametrize(
    ("events", "n", "named"), [(-0.5, 3, "events"), (0.5, np.nan, "n "), (1.5, 1.25, "events"), ([1], [2, 3], "events")]
)
def test_wilson_of_effective_numbers_names_the_bad_argument(events: ArrayLike, n: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        wilson_effective(events, n)


@untimed
@given(PARTS)
def test_the_score_test_rejects_just_outside_the_wilson_interval(part: tuple[int, int]) -> None:
    """What defines it: at an inner end p, (x/n - p)^2 = z^2 p (1 - p) / n."""
    events, n = part
    interval = wilson(events, n)
    for end in (interval.low, interval.high):
        if 0 < end < 1:
            assert_allclose((events / n - end) ** 2, norm.isf(0.025) ** 2 * end * (1 - end) / n, rtol=1e-6)


@OF_A_PROPORTION
@few
@given(many=MANY)
def test_intervals_hold_the_share_and_mirror(interval_of: IntervalOf, many: NDArray[np.int64]) -> None:
    events, n = many
    interval, mirrored = interval_of(events, n), interval_of(n - events, n)
    assert (interval.low >= 0).all()
    assert (interval.low <= events / n).all()
    assert (events / n <= interval.high).all()
    assert (interval.high <= 1).all()
    assert_allclose([mirrored.low, mirrored.high], [1 - interval.high, 1 - interval.low], atol=1e-12)


@OF_A_PROPORTION
@few
@given(n=st.lists(st.integers(1, 10**9), min_size=1, max_size=40).map(np.array))
def test_ends_are_exact_at_none_and_all(interval_of: IntervalOf, n: NDArray[np.int64]) -> None:
    none, every = interval_of(0, n), interval_of(n, n)
    assert_array_equal([none.low, every.high], [np.zeros(n.size), np.ones(n.size)])
    assert ((none.high > 0) & (none.high < 1)).all()
    assert ((every.low > 0) & (every.low < 1)).all()


@OF_A_PROPORTION
def test_of_nothing_is_nan_among_others(interval_of: IntervalOf) -> None:
    interval, alone = interval_of([0, 5], [0, 10]), interval_of(5, 10)
    assert_array_equal(np.isnan([interval.low, interval.high]), [[True, False], [True, False]])
    assert_allclose([interval.low[1], interval.high[1]], [alone.low, alone.high])
    assert np.isnan([interval_of(0, 0).low, interval_of(0, 0).high]).all()
    assert interval_of([], []).low.shape == interval_of([], []).high.shape == (0,)


@OF_A_PROPORTION
def test_a_single_number_is_repeated(interval_of: IntervalOf) -> None:
    assert_array_equal(interval_of([1, 2], 40).high, interval_of([1, 2], [40, 40]).high)
    assert_array_equal(interval_of(1, [40]).high, interval_of([1], 40).high)


@OF_A_PROPORTION
@pytest.mark.parametrize(
    ("events", "n", "named"),
    [
        ([np.nan], [5], "events"),
        ([1], [np.nan], "n "),
        ([-1], [5], "events"),
        ([0], [-5], "n "),
        ([1], [np.inf], "n "),
        ([1.5], [5], "events"),
        ([6], [5], "events"),
        ([1], [0], "events"),
        ([1, 2], [5, 5, 5], "events"),
    ],
)
def test_the_bad_argument_is_named(interval_of: IntervalOf, events: ArrayLike, n: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        interval_of(events, n)
