"""Wilson and Garwood intervals, against printed tables and against what defines them."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import binomtest, norm, poisson

from pipeline.stats.intervals import poisson_exact, wilson

from .conftest import Entry, untimed

COUNTS = st.integers(0, 10**6)
PARTS = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def test_wilson_equals_newcombes_table(check_value: Callable[[str], Entry]) -> None:
    """Newcombe (1998), Stat Med 17:857-872, Table I, method 3 (from memory; 81/263 opened to three digits)."""
    entry = check_value("BIN-01")
    interval = wilson(*np.array(entry["inputs"]["x_n"]).T)
    assert_allclose(np.transpose([interval.low, interval.high]), entry["expected"]["lower_upper"], atol=5e-5, rtol=0)


def test_wilson_equals_the_surgical_example(check_value: Callable[[str], Entry]) -> None:
    """12 of 150, a public calculator's help page (opened), to three digits."""
    entry = check_value("BIN-07")
    interval = wilson(*entry["inputs"]["b"])
    assert_allclose([interval.low, interval.high], entry["expected"]["Wilson_12_150"], atol=6e-4, rtol=0)


def test_wilson_of_published_piercing_studies(check_value: Callable[[str], Entry]) -> None:
    """Percents as printed in nine studies; the intervals were computed with another library's Wilson."""
    entry = check_value("PRC-01")
    events, n = np.array(entry["inputs"]["x_n"]).T
    interval = wilson(events, n)
    assert_allclose(100 * events / n, entry["expected"]["published_percent"], atol=0.5)
    assert_allclose(np.transpose([interval.low, interval.high]), entry["expected"]["wilson"], atol=5e-5, rtol=0)


@pytest.mark.parametrize(("events", "n"), [(0, 1), (1, 1), (3, 40), (12, 600), (150, 151), (7, 10**6)])
def test_wilson_equals_scipy(events: int, n: int) -> None:
    other = binomtest(events, n).proportion_ci(method="wilson")
    interval = wilson(events, n)
    assert_allclose([interval.low, interval.high], [other.low, other.high], rtol=1e-12, atol=1e-15)


@untimed
@given(PARTS)
def test_the_score_test_rejects_just_outside_the_wilson_interval(part: tuple[int, int]) -> None:
    """What defines it: at an inner end p, (x/n - p)^2 = z^2 p (1 - p) / n."""
    events, n = part
    interval = wilson(events, n)
    for end in (interval.low, interval.high):
        if 0 < end < 1:
            assert_allclose((events / n - end) ** 2, norm.isf(0.025) ** 2 * end * (1 - end) / n, rtol=1e-6)


@untimed
@given(PARTS)
def test_wilson_holds_the_share_and_mirrors(part: tuple[int, int]) -> None:
    events, n = part
    interval, mirrored = wilson(events, n), wilson(n - events, n)
    assert 0 <= interval.low <= events / n <= interval.high <= 1
    assert_allclose([mirrored.low, mirrored.high], [1 - interval.high, 1 - interval.low], atol=1e-12)


@untimed
@given(st.integers(1, 10**9))
def test_wilson_ends_are_exact_at_none_and_all(n: int) -> None:
    none, every = wilson(0, n), wilson(n, n)
    assert none.low == 0
    assert 0 < none.high < 1
    assert every.high == 1
    assert 0 < every.low < 1


def test_wilson_of_nothing_is_nan_among_others() -> None:
    interval = wilson([0, 5], [0, 10])
    assert_array_equal(np.isnan([interval.low, interval.high]), [[True, False], [True, False]])
    assert np.isnan(wilson(0, 0).low)
    assert wilson([], []).low.shape == (0,)


def test_wilson_repeats_a_single_number() -> None:
    assert_array_equal(wilson([1, 2], 40).high, wilson([1, 2], [40, 40]).high)


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
def test_wilson_names_the_bad_argument(events: ArrayLike, n: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        wilson(events, n)


def test_poisson_exact_equals_the_standard_table(check_value: Callable[[str], Entry]) -> None:
    """Garwood (1936), Biometrika 28:437-442, as in standard tables (from memory)."""
    entry = check_value("POI-01")
    interval = poisson_exact(entry["inputs"]["count"])
    assert_allclose(np.transpose([interval.low, interval.high]), entry["expected"]["lower_upper"], atol=5e-5, rtol=0)


def test_poisson_exact_equals_r(check_value: Callable[[str], Entry]) -> None:
    """Exact interval of a rate of 15 in 400, printed by two R packages (opened)."""
    entry = check_value("POI-03")
    interval = poisson_exact(entry["inputs"]["x"])
    rate = np.array([interval.low, interval.high]) / entry["inputs"]["t"]
    assert_allclose(rate, entry["expected"]["exact"], rtol=1e-12)


def test_poisson_exact_is_near_byars_approximation(check_value: Callable[[str], Entry]) -> None:
    """Breslow & Day (1987), eq. 2.13 (formula from memory): within 0.013 of the exact limits from one event on."""
    entry = check_value("POI-04")
    interval = poisson_exact(entry["inputs"]["O"])
    assert_allclose(np.transpose([interval.low, interval.high]), entry["expected"]["lower_upper"], atol=0.013, rtol=0)


@untimed
@given(COUNTS)
def test_each_tail_at_a_garwood_end_is_a_fortieth(observed: int) -> None:
    """What defines it: P(X >= O | low) = P(X <= O | high) = 0.025."""
    interval = poisson_exact(observed)
    assert_allclose(poisson.cdf(observed, interval.high), 0.025, rtol=1e-6)
    if observed:
        assert_allclose(poisson.sf(observed - 1, interval.low), 0.025, rtol=1e-6)
    else:
        assert interval.low == 0


@pytest.mark.parametrize("observed", [[np.nan], [-1], [0.5], [np.inf]])
def test_poisson_exact_names_the_bad_argument(observed: ArrayLike) -> None:
    with pytest.raises(ValueError, match="observed"):
        poisson_exact(observed)


def test_poisson_exact_of_nothing_is_empty() -> None:
    assert poisson_exact([]).low.shape == (0,)
