"""Piercings per five infections: runs, exact negative binomial limits, and why one gap cannot show a rise."""

from collections.abc import Callable
from fractions import Fraction
from math import ceil, comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import binom

from pipeline.stats.rare import count_to_events_chart, count_to_events_limits, runs_to_events

from .conftest import Entry, untimed

TAIL = Fraction(135, 100_000)


def _exact_cdf(piercings: int, p: Fraction, events: int) -> Fraction:
    """P(N <= piercings): so many piercings hold `events` events or more."""
    fewer = (comb(piercings, k) * p**k * (1 - p) ** (piercings - k) for k in range(min(events, piercings + 1)))
    return 1 - sum(fewer, Fraction(0))


@pytest.mark.parametrize("events", [1, 2, 5])
@pytest.mark.parametrize("p", [0.009, 0.03, 0.1, 0.4, 0.9])
def test_limits_are_the_tightest_that_keep_either_tail(p: float, events: int) -> None:
    """In whole-number arithmetic."""
    limits = count_to_events_limits(p, events)
    lower, upper = int(limits.lower), int(limits.upper)
    exact = Fraction(p)
    assert _exact_cdf(lower - 1, exact, events) < TAIL <= _exact_cdf(lower, exact, events)
    assert _exact_cdf(upper - 1, exact, events) < 1 - TAIL <= _exact_cdf(upper, exact, events)


@untimed
@given(st.floats(1e-5, 1), st.integers(1, 8))
def test_limits_agree_with_the_binomial_of_the_same_piercings(p: float, events: int) -> None:
    """N <= m exactly when m piercings hold `events` events or more; SciPy's binomial knows nothing of ours."""
    limits = count_to_events_limits(p, events)
    for limit, quantile in ((limits.lower, 0.00135), (limits.upper, 0.99865)):
        assert binom.sf(events - 1, limit, p) >= quantile - 1e-9
        assert binom.sf(events - 1, limit - 1, p) < quantile + 1e-9
    assert limits.centre == events / p


def test_single_gaps_have_the_published_limits(check_value: Callable[[str], Entry]) -> None:
    """Xie, Goh & Kuralmani (2002), closed forms (from memory), rounded up to whole piercings.

    Their centre is the median, ours the mean, so it is not compared.
    """
    entry = check_value("RAR-02")
    limits = count_to_events_limits(entry["inputs"]["p"], 1)
    assert entry["inputs"]["alpha"] / 2 == 0.00135
    assert limits.lower == ceil(entry["expected"]["LCL"])
    assert limits.upper == ceil(entry["expected"]["UCL"])


@pytest.mark.parametrize("p", [0.00135, 0.002, 0.01, 0.05, 0.2])
def test_one_gap_cannot_show_a_rise_but_five_can(p: float) -> None:
    assert count_to_events_chart([1], p, 1).beyond == 0
    assert count_to_events_chart([5], p, 5).beyond == 1


def test_shorter_runs_are_a_rise_and_longer_ones_a_fall() -> None:
    limits = count_to_events_limits(0.02)
    lower, upper = int(limits.lower), int(limits.upper)
    chart = count_to_events_chart([lower - 1, lower, 250, upper, upper + 1], 0.02)
    assert_array_equal(chart.beyond, [1, 0, 0, 0, -1])
    assert_array_equal(chart.statistic, [lower - 1, lower, 250, upper, upper + 1])
    assert_array_equal(chart.centre, [250] * 5)
    assert_array_equal([chart.lower, chart.upper], [[lower] * 5, [upper] * 5])


def test_runs_of_two_events() -> None:
    runs = runs_to_events([0, 1, 1, 0, 0, 1, 0, 1, 0, 1], 2)
    assert_array_equal(runs.first, [0, 3])
    assert_array_equal(runs.last, [2, 7])
    assert_array_equal(runs.length, [3, 5])


@untimed
@given(st.lists(st.booleans(), max_size=80), st.integers(1, 6))
def test_runs_tile_the_piercings_and_hold_their_events(event_flags: list[bool], events: int) -> None:
    runs = runs_to_events(event_flags, events)
    ends = [0, *(runs.last + 1)]
    assert len(runs.length) == sum(event_flags) // events
    assert_array_equal(runs.first, ends[:-1])
    assert_array_equal(runs.length, np.diff(ends))
    for first, last in zip(runs.first, runs.last, strict=True):
        assert sum(event_flags[first : last + 1]) == events
        assert event_flags[last]


def test_simulated_runs_have_the_mean_and_the_tails_of_the_limits() -> None:
    """100,000 piercings at 5 %: mean run 100, and about 2.7 in 1,000 runs beyond (at most 10 of about 1,000)."""
    flags = np.random.default_rng(20_310).random(100_000) < 0.05
    lengths = runs_to_events(flags).length
    assert abs(lengths.mean() - 100) < 4 * np.sqrt(5 * 0.95) / 0.05 / np.sqrt(len(lengths))
    assert np.abs(count_to_events_chart(lengths, 0.05).beyond).sum() <= 10


@pytest.mark.parametrize("event_flags", [[], [False] * 9, [True] * 4])
def test_fewer_than_five_events_are_no_run(event_flags: list[bool]) -> None:
    runs = runs_to_events(event_flags)
    assert [len(runs.first), len(runs.last), len(runs.length)] == [0, 0, 0]


def test_no_runs_give_an_empty_chart() -> None:
    chart = count_to_events_chart([], 0.02)
    assert [field.shape for field in (chart.statistic, chart.centre, chart.lower, chart.upper, chart.beyond)] == [
        (0,)
    ] * 5


@pytest.mark.parametrize(
    ("lengths", "p", "events", "named"),
    [
        ([4], 0.1, 5, "lengths"),
        ([np.nan], 0.1, 5, "lengths"),
        ([7.5], 0.1, 5, "lengths"),
        (7, 0.1, 5, "lengths"),
        ([7], 0.0, 5, "p "),
        ([7], 1.1, 5, "p "),
        ([7], float("nan"), 5, "p "),
        ([7], 0.1, 0, "events"),
    ],
)
def test_the_chart_names_the_bad_argument(lengths: ArrayLike, p: float, events: int, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        count_to_events_chart(lengths, p, events)


@pytest.mark.parametrize(
    ("event_flags", "events", "named"),
    [([2], 5, "event_flags"), ([np.nan], 5, "event_flags"), ([[True]], 5, "event_flags"), ([True], -1, "events")],
)
def test_the_runs_name_the_bad_argument(event_flags: ArrayLike, events: int, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        runs_to_events(event_flags, events)
