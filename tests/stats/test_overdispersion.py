"""Funnels of proportions and overdispersion: a published comparison, definitions, and known truths recovered."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import binom, norm

from pipeline.stats.funnel import FunnelLimits
from pipeline.stats.overdispersion import (
    Overdispersion,
    overdispersion,
    ratio_overdispersion,
    widened_limits,
    widened_ratio_limits,
)
from pipeline.stats.proportion_funnel import proportion_limits

from .conftest import Entry, untimed

UNITS = st.lists(
    st.integers(0, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=20
)


def _parts(limits: FunnelLimits) -> list[np.ndarray]:
    return [limits.low_95, limits.high_95, limits.low_998, limits.high_998]


def _heart_surgery(check_value: Callable[[str], Entry]) -> tuple[list[int], list[int]]:
    inputs = check_value("FUN-01")["inputs"]
    return inputs["deaths"], inputs["n"]


def test_scores_of_heart_surgery(check_value: Callable[[str], Entry]) -> None:
    """Spiegelhalter et al. (2002), JRSS A 165:191-231, counts and percents (from memory); z computed from them."""
    entry = check_value("FUN-01")
    deaths, n = _heart_surgery(check_value)
    assert_allclose(100 * np.divide(deaths, n), entry["expected"]["percent"], atol=0.05)
    assert_allclose(overdispersion(deaths, n).z, entry["expected"]["z_pooled_all"], atol=6e-3)
    others = overdispersion(deaths[1:], n[1:])
    assert_allclose(others.pooled, 0.1121, atol=5e-5)
    assert_allclose(binom.sf(deaths[0] - 1, n[0], others.pooled), entry["expected"]["P_X>=41"], rtol=0.02)


def test_spread_of_heart_surgery(check_value: Callable[[str], Entry]) -> None:
    """Spiegelhalter (2005), sect. 4, on the same data; values computed with other code."""
    expected = check_value("FUN-04")["expected"]
    spread = overdispersion(*_heart_surgery(check_value))
    assert_allclose(spread.phi, expected["phi"], atol=1e-4)
    assert_allclose(spread.phi_winsorised, expected["phi_winsorised_10pct_quantile_clip"], atol=1e-4)
    assert_allclose(spread.tau2, expected["tau2"], atol=1e-7)


def test_funnel_of_heart_surgery(check_value: Callable[[str], Entry]) -> None:
    """Bristol, the first, lies far above the others' 99.8 % limit, and above it as widened for all twelve too."""
    deaths, n = _heart_surgery(check_value)
    share = np.divide(deaths, n)
    limits = proportion_limits(n, 356 / 3176)
    assert_array_equal(np.flatnonzero(share > limits.high_998), [0])
    widened = widened_limits(n, overdispersion(deaths, n))
    for limits in (widened.multiplicative, widened.additive):
        assert_array_equal(np.flatnonzero(share > limits.high_998), [0])


@untimed
@given(st.integers(1, 3000), st.floats(0.001, 0.999))
def test_proportion_limits_are_the_exact_quantiles(n: int, p: float) -> None:
    """The q quantile k is the smallest count with P(X <= k) >= q."""
    for limit, quantile in zip(_parts(proportion_limits(n, p)), (0.025, 0.975, 0.001, 0.999), strict=True):
        count = round(float(limit) * n)
        assert_allclose(limit, count / n, rtol=1e-12)
        assert binom.cdf(count - 1, n, p) < quantile <= binom.cdf(count, n, p) + 1e-12


def test_proportion_limits_at_the_ends() -> None:
    assert_array_equal(np.isnan(_parts(proportion_limits([0, 10], 0.3))), [[True, False]] * 4)
    assert_array_equal(_parts(proportion_limits([1, 50], 0)), np.zeros((4, 2)))
    assert_array_equal(_parts(proportion_limits([1, 50], 1)), np.ones((4, 2)))
    assert proportion_limits([], 0.3).low_95.shape == (0,)


@untimed
@given(UNITS)
@example([(1, 1), (0, 3), (4, 9)])
def test_equals_the_formulas_unit_by_unit(units: list[tuple[int, int]]) -> None:
    spread = overdispersion(*zip(*units, strict=True))
    some = [(x, n) for x, n in units if n]
    events, total = sum(x for x, _ in some), sum(n for _, n in some)
    if events in (0, total):
        assert np.isnan([spread.phi, spread.phi_winsorised, spread.tau2, *spread.z]).all()
        return
    p = events / total
    z = [(x - n * p) / (n * p * (1 - p)) ** 0.5 for x, n in some]
    assert_allclose(spread.z[~np.isnan(spread.z)], z, atol=1e-9)
    assert_allclose(spread.phi, sum(score**2 for score in z) / len(z), rtol=1e-9, atol=1e-20)
    if len(z) == 1:
        assert np.isnan(spread.tau2)
        return
    w = [n / (p * (1 - p)) for _, n in some]
    excess = len(z) * spread.phi_winsorised - (len(z) - 1)
    assert_allclose(spread.tau2, max(0, excess / (sum(w) - sum(v * v for v in w) / sum(w))), rtol=1e-9, atol=1e-15)


def test_recovers_the_variance_between_units() -> None:
    """True shares spread by 0.02 about 0.10. Winsorised scores understate the spread of units that all spread alike."""
    random = np.random.default_rng(2005)
    n = random.integers(200, 2000, 3000)
    spread = overdispersion(random.binomial(n, random.normal(0.10, 0.02, 3000)), n)
    whole = (3000 * spread.phi - 2999) / (3000 * spread.phi_winsorised - 2999) * spread.tau2
    assert_allclose(np.sqrt(whole), 0.02, rtol=0.05)
    assert 0.75 < np.sqrt(spread.tau2) / 0.02 < 1


def test_only_chance_gives_no_spread() -> None:
    random = np.random.default_rng(1986)
    n = random.integers(200, 2000, 3000)
    spread = overdispersion(random.binomial(n, 0.1), n)
    assert_allclose(spread.phi, 1, atol=0.08)
    assert spread.phi_winsorised < 1
    assert spread.tau2 == 0


def test_widened_limits_hold_what_they_say() -> None:
    """By the formulas, at n 100 and p 0.5: twice as wide with phi 4 or tau^2 3 s^2, never narrower than chance."""
    spread = Overdispersion(np.zeros(2), 0.5, 9.0, 4.0, 3 * 0.0025)
    half = norm.isf(0.025) * 0.05
    widened = widened_limits(100, spread)
    for limits in (widened.multiplicative, widened.additive):
        assert_allclose([limits.low_95, limits.high_95], [0.5 - 2 * half, 0.5 + 2 * half], rtol=1e-12)
        far = 2 * norm.isf(0.001) * 0.05
        assert_allclose([limits.low_998, limits.high_998], [0.5 - far, 0.5 + far], rtol=1e-12)
    calm = widened_limits(100, Overdispersion(np.zeros(2), 0.5, 0.5, 0.5, 0.0))
    for limits in (calm.multiplicative, calm.additive):
        assert_allclose([limits.low_95, limits.high_95], [0.5 - half, 0.5 + half], rtol=1e-12)


def test_widened_limits_at_the_ends() -> None:
    widened = widened_limits([0, 1, 10**6], overdispersion([1, 60, 0], [10, 100, 40]))
    for limits in (widened.multiplicative, widened.additive):
        assert np.isnan(np.array(_parts(limits))[:, 0]).all()
        assert_array_equal([limits.low_998[1], limits.high_998[1]], [0, 1])
    # The additive variance does not vanish with size, the multiplicative does.
    assert widened.additive.high_95[2] - widened.additive.low_95[2] > 0.1
    assert widened.multiplicative.high_95[2] - widened.multiplicative.low_95[2] < 0.1


@pytest.mark.parametrize(("events", "n"), [([], []), ([0], [0]), ([0, 0], [5, 9]), ([5, 9], [5, 9])])
def test_no_pooled_share_leaves_all_unknown(events: list[int], n: list[int]) -> None:
    spread = overdispersion(events, n)
    assert spread.z.shape == (len(n),)
    assert np.isnan([*spread.z, spread.phi, spread.phi_winsorised, spread.tau2]).all()
    assert np.isnan(_parts(widened_limits(10, spread).additive)).all()


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: overdispersion([-1], [1]), "events"),
        (lambda: overdispersion([2], [1]), "events"),
        (lambda: overdispersion([1], [np.nan]), "n "),
        (lambda: overdispersion([1, 2], [3, 4, 5]), "events"),
        (lambda: overdispersion(1, 2), "events"),
        (lambda: widened_limits([-1], overdispersion([1], [2])), "n "),
        (lambda: proportion_limits([1.5], 0.1), "n "),
        (lambda: proportion_limits([5], 1.1), "p "),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def test_rare_events_spread_as_ratios_as_they_do_as_shares() -> None:
    """Where events are rare a share's variance p (1 - p) / n is that of a Poisson count, but for 1 - p."""
    n, events = np.array([40_000, 55_000, 70_000, 90_000]), np.array([60, 40, 95, 70])
    pooled = events.sum() / n.sum()
    shares, ratios = overdispersion(events, n), ratio_overdispersion(events, n * pooled)
    assert_allclose(ratios.z, shares.z, rtol=2e-3)
    assert_allclose(ratios.phi_winsorised, shares.phi_winsorised, rtol=4e-3)
    assert_allclose(ratios.tau2, shares.tau2 / pooled**2, rtol=1e-2)
    wide, narrow = widened_ratio_limits(n * pooled, ratios), widened_limits(n, shares)
    for kind in ("multiplicative", "additive"):
        for mine, theirs in zip(_parts(getattr(wide, kind)), _parts(getattr(narrow, kind)), strict=True):
            assert_allclose(mine - 1, theirs / pooled - 1, rtol=1e-2)


def test_the_spread_of_ratios_is_recovered() -> None:
    rng = np.random.default_rng(7)
    expected = rng.uniform(20, 200, 4000)
    ratios = rng.normal(1, 0.2, expected.size).clip(0)
    spread = ratio_overdispersion(rng.poisson(expected * ratios), expected)
    # Winsorising draws in the outer tenths, and so takes a third off the spread of a normal and of its chance.
    assert 0.4 < spread.tau2 / 0.2**2 < 1.0
    assert spread.phi > spread.phi_winsorised > 1


def test_ratio_limits_of_a_calm_spread_are_those_of_chance() -> None:
    widened = widened_ratio_limits(100.0, Overdispersion(np.zeros(2), 1.0, 0.5, 0.5, 0.0))
    half = norm.isf(0.025) / 10
    for limits in (widened.multiplicative, widened.additive):
        assert_allclose([limits.low_95, limits.high_95], [1 - half, 1 + half], rtol=1e-12)


def test_ratios_of_nobody_and_of_one_unit() -> None:
    for observed, expected in (([], []), ([0], [0.0])):
        spread = ratio_overdispersion(observed, expected)
        assert spread.pooled == 1
        assert np.isnan([spread.phi, spread.phi_winsorised, spread.tau2]).all()
        assert np.isnan(_parts(widened_ratio_limits(expected, spread).additive)).all()
    one = ratio_overdispersion([3, 0], [2.0, 0.0])
    assert one.pooled == 1
    assert one.phi == one.phi_winsorised == pytest.approx(0.5)
    assert np.isnan([one.tau2, one.z[1]]).all()


@pytest.mark.parametrize(
    ("observed", "expected", "named"),
    [([1.5], [1.0], "observed"), ([1], [-1.0], "expected"), ([1], [np.nan], "expected"), ([1, 2], [1.0], "shape")],
)
def test_a_bad_ratio_is_refused(observed: list[float], expected: list[float], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        ratio_overdispersion(observed, expected)


@untimed
@given(st.lists(st.tuples(st.integers(0, 50), st.floats(0.5, 50)), min_size=2, max_size=20))
def test_ratio_limits_are_never_narrower_than_chance_gives(units: list[tuple[int, float]]) -> None:
    observed, expected = np.array(units).T
    widened = widened_ratio_limits(expected, ratio_overdispersion(observed, expected))
    for limits in (widened.multiplicative, widened.additive):
        assert (limits.high_95 >= 1 + norm.ppf(0.975) / np.sqrt(expected) - 1e-9).all()
        assert (limits.low_998 >= 0).all()
        assert (limits.low_998 <= limits.low_95).all()
