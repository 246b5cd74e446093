"""Completion of recent weeks and the chain ladder: a printed triangle, definitions, and simulated weeks."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import binom, gamma, poisson

from pipeline.stats.chain_ladder import chain_ladder
from pipeline.stats.completion import complete, complete_at_rate, known_share
from pipeline.stats.delay import DelayDistribution, estimate_delay

from .conftest import Entry, untimed

STEPS = DelayDistribution(np.array([0.0, 5.0, 10.0]), np.array([0.2, 0.6, 1.0]), 10)


def test_known_share_is_the_mean_over_the_weeks_days() -> None:
    """By hand: of ages 0 to 6, five days know 0.2 and two 0.6; of -3 to 3, four know 0.2; then 4 to 10, and all."""
    shares = known_share(STEPS, [0, -3, -7, 4, 10])
    assert_allclose(shares, [(5 * 0.2 + 2 * 0.6) / 7, 4 * 0.2 / 7, 0, (0.2 + 5 * 0.6 + 1) / 7, 1])
    assert known_share(STEPS, 0).shape == ()


@settings(untimed, max_examples=40)
@given(st.integers(0, 40), st.floats(0.05, 0.99), st.integers(0, 30))
def test_the_unseen_are_a_mixture_of_poissons(seen: int, share: float, unseen: int) -> None:
    """The probability of so many unseen, integrated over the mean's gamma posterior; limits are quantiles of it."""
    posterior = gamma(seen + 0.5, scale=1 / share)
    ends = posterior.ppf([1e-10, 1 - 1e-10])
    density = quad(lambda mean: posterior.pdf(mean) * poisson.pmf(unseen, mean * (1 - share)), *ends, limit=200)[0]
    completion = complete(seen, share)
    below = _unseen_cdf(unseen, seen, share) - _unseen_cdf(unseen - 1, seen, share)
    assert_allclose(density, below, atol=1e-6)
    assert_allclose(completion.expected, seen / share, rtol=1e-12)
    assert completion.low - 1 < completion.expected < completion.high + 1
    low, high = (int(end) - seen for end in (completion.low, completion.high))
    assert _unseen_cdf(low, seen, share) >= 0.025 > _unseen_cdf(low - 1, seen, share)
    assert _unseen_cdf(high, seen, share) >= 0.975 > _unseen_cdf(high - 1, seen, share)


def _unseen_cdf(unseen: int, seen: int, share: float) -> float:
    """P(at most so many unseen) by the recursion of the negative binomial's terms."""
    term, total = share ** (seen + 0.5), 0.0
    for k in range(unseen + 1):
        total += term
        term *= (seen + 0.5 + k) / (k + 1) * (1 - share)
    return total


def test_limits_hold_the_final_count() -> None:
    """Exactly, by summing over all counts: more than 95 of 100 for means of 1 to 60 and shares of 0.2 to 0.95."""
    final = np.arange(160)
    for share in (0.2, 0.5, 0.8, 0.95):
        seen, total = np.meshgrid(final, final, indexing="ij")
        limits = complete(final, np.full(160, share))
        held = (limits.low[:, None] <= total) & (total <= limits.high[:, None])
        for mean in (1, 3, 10, 30, 60):
            joint = poisson.pmf(total, mean) * binom.pmf(seen, total, share)
            assert joint[held].sum() > 0.95


def test_completes_simulated_weeks() -> None:
    """Events of 12 each week on end, with delays of 8 days in the mean: the last weeks are completed to 12 again."""
    random = np.random.default_rng(1994)
    weeks = 4000
    day = random.integers(0, 7 * weeks, random.poisson(12 * weeks))
    delay = np.floor(random.gamma(2, 4, len(day)))
    final = np.bincount(day // 7, minlength=weeks)
    for last_age in (2, 9, 23):
        age = last_age + 6 - day % 7  # each week as it stood when its last day was so old
        seen = np.bincount(day[delay <= age] // 7, minlength=weeks)
        days = np.arange(200.0)
        share = known_share(DelayDistribution(days, gamma.cdf(days + 1, 2, scale=4), 1), last_age)
        assert_allclose(share, seen.sum() / final.sum(), atol=0.01)
        completion = complete(seen, np.full(weeks, share))
        at_rate = complete_at_rate(seen, np.full(weeks, share), np.full(weeks, 12.0))
        assert_allclose(completion.expected.mean(), 12, atol=0.3)
        assert_allclose(at_rate.expected.mean(), 12, atol=0.2)
        for limits in (completion, at_rate):
            held = ((limits.low <= final) & (final <= limits.high)).mean()
            assert 0.935 < held < 1
        assert (at_rate.high - at_rate.low).mean() <= (completion.high - completion.low).mean()


def test_a_week_at_a_known_rate_by_hand() -> None:
    completion = complete_at_rate([3, 3], [0.75, 0], [8, 8])
    assert_allclose(completion.expected, [5, 11])
    assert_array_equal(completion.low, 3 + poisson.ppf(0.025, [2, 8]))
    assert_array_equal(completion.high, 3 + poisson.ppf(0.975, [2, 8]))


def test_all_known_and_nothing_known() -> None:
    completion = complete([4, 0, 0], [1, 1, 0])
    for part in (completion.expected, completion.low, completion.high):
        assert_array_equal(part, [4, 0, np.nan])
    assert complete(0, 0.5).high > 0
    assert complete([], []).expected.shape == (0,)


def test_with_an_estimated_delay() -> None:
    share = known_share(estimate_delay([], []), [0, 30])
    assert 0 < share[0] < share[1] <= 1


def test_taylor_and_ashe_by_the_chain_ladder(check_value: Callable[[str], Entry]) -> None:
    """Taylor & Ashe (1983), J Econometrics 23:37-61; Mack (1993), ASTIN Bulletin 23:213-225 (from memory)."""
    entry = check_value("DEL-01")
    rows = entry["inputs"]["cumulative_triangle"]
    triangle = np.array([row + [np.nan] * (10 - len(row)) for row in rows])
    result = chain_ladder(triangle)
    assert_allclose(result.factors, entry["expected"]["factors"], atol=5e-5)
    assert_allclose(result.unseen, entry["expected"]["reserves"], atol=1)
    assert_allclose(result.unseen.sum(), entry["expected"]["total"], atol=1)
    assert_allclose(result.errors, [0, *entry["expected"]["mack_se"]], atol=1)
    assert_allclose(result.total_error, entry["expected"]["total_se"], atol=1)
    assert_allclose(result.final - result.unseen, [row[-1] for row in rows])


def test_mack_errors_are_those_of_simulated_triangles() -> None:
    """400 triangles of Poisson counts: the error stated (root mean square) is the error made, within a tenth."""
    random = np.random.default_rng(1993)
    made, stated = [], []
    for _ in range(400):
        full = np.cumsum(random.poisson(300 * np.array([0.4, 0.3, 0.15, 0.1, 0.05]), (5, 5)), axis=1)
        result = chain_ladder(_triangle(full))
        made.append([*(result.final - full[:, -1])[2:], result.final.sum() - full[:, -1].sum()])
        stated.append([*result.errors[2:], result.total_error])
    ratio = np.sqrt(np.mean(np.square(stated), axis=0) / np.mean(np.square(made), axis=0))
    assert_allclose(ratio, 1, atol=0.1)


def _triangle(full: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.where(np.tri(len(full), dtype=bool)[::-1], full, np.nan)


def test_small_triangles() -> None:
    """Two periods: by hand, errors unknown. One: nothing to complete."""
    two = chain_ladder([[10, 15], [20, np.nan]])
    assert_allclose([*two.factors, *two.final, *two.unseen], [1.5, 15, 30, 0, 10])
    assert_array_equal(np.isnan([*two.errors, two.total_error]), [False, True, True])
    one = chain_ladder([[7]])
    assert_array_equal([*one.final, *one.unseen, *one.errors, one.total_error], [7, 0, 0, 0])


def test_rows_at_zero_stay_there() -> None:
    full = np.array([[8, 9, 10, 10], [0, 4, 5, 5], [4, 5, 6, 6], [0, 0, 0, 0]])
    result = chain_ladder(_triangle(full))
    assert_array_equal([result.final[3], result.errors[3]], [0, 0])
    assert np.isfinite(result.errors).all()


def test_a_first_count_of_zero_does_not_take_later_errors_away() -> None:
    """The second period lacks the last delay alone, on which its first count has no bearing."""
    rest = [[8, 9, 10, 12, 13], [4, 5, 6, 6, 7], [5, 7, 8, 9, 9], [3, 4, 4, 5, 5]]
    zero, three = (
        chain_ladder(_triangle(np.array([rest[0], [first, 4, 5, 7, 8], *rest[1:]]))).errors[1] for first in (0, 3)
    )
    assert zero > 0
    assert_allclose(zero, three)


def test_errors_are_in_the_unit_of_the_counts() -> None:
    """As are the totals; in hundreds all counts lie below 1."""
    triangle = _triangle(np.array([[8, 9, 10, 12], [3, 4, 6, 7], [4, 5, 6, 6], [2, 3, 4, 5]]))
    ones, hundreds = chain_ladder(triangle), chain_ladder(triangle / 100)
    assert_allclose(hundreds.final, ones.final / 100)
    assert_allclose([*hundreds.errors, hundreds.total_error], np.array([*ones.errors, ones.total_error]) / 100)
    assert (ones.errors[1:] > 0).all()


def test_development_that_does_not_vary_has_no_error() -> None:
    result = chain_ladder(_triangle(np.array([[10, 20, 30, 30]] * 4)))
    assert_array_equal(result.errors, [0, 0, 0, 0])
    assert_allclose(result.final, 30)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: complete([-1], [0.5]), "seen"),
        (lambda: complete([1.5], [0.5]), "seen"),
        (lambda: complete([1], [1.1]), "share"),
        (lambda: complete([1], [np.nan]), "share"),
        (lambda: complete([1, 2], [0.1, 0.2, 0.3]), "seen"),
        (lambda: complete_at_rate([1], [0.5], [-1]), "mean"),
        (lambda: complete_at_rate([1, 2], [0.5, 0.5], [1, 2, 3]), "mean"),
        (lambda: known_share(STEPS, [np.nan]), "last_age"),
        (lambda: known_share(STEPS, [0, np.inf]), "last_age"),
        (lambda: chain_ladder([1, 2]), "triangle must be square"),
        (lambda: chain_ladder([[1, 2]]), "triangle must be square"),
        (lambda: chain_ladder([[1, 2], [3, 4]]), "triangle must be known"),
        (lambda: chain_ladder([[1, np.nan], [3, np.nan]]), "triangle must be known"),
        (lambda: chain_ladder([[-1, 2], [3, np.nan]]), "triangle must be finite"),
        (lambda: chain_ladder([[2, 1], [3, np.nan]]), "triangle must be cumulative"),
        (lambda: chain_ladder([[0, 1], [3, np.nan]]), "triangle must have a count"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
