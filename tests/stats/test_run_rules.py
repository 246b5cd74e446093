"""Run rules and the run chart: published run lengths, a search by hand, and simulation."""

from collections.abc import Callable
from itertools import groupby
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import binom, norm

from pipeline.stats.run_chart import run_chart, run_limits
from pipeline.stats.run_rules import (
    BEYOND_LIMITS,
    EIGHT_ON_ONE_SIDE,
    FOUR_OF_FIVE,
    TWO_OF_THREE,
    Rule,
    false_alarm_probability,
    rule_signals,
    rules_run_length,
)

from .conftest import Entry, untimed

ALL = (BEYOND_LIMITS, TWO_OF_THREE, FOUR_OF_FIVE, EIGHT_ON_ONE_SIDE)
POINTS = st.lists(st.sampled_from([-3.5, -3.0, -2.5, -1.5, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.5]), max_size=40)
RULES = st.integers(1, 5).flatmap(
    lambda window: st.builds(
        Rule, st.integers(window // 2 + 1, window), st.just(window), st.sampled_from([0.0, 1.0, 2.0])
    )
)


def test_run_lengths_of_the_published_table(check_value: Callable[[str], Entry]) -> None:
    """Champ & Woodall (1987), Technometrics 29:393-399, Table 1 (opened)."""
    entry = check_value("SHW-06")
    for name, rules in (("C1", ALL[:1]), ("C12", ALL[:2]), ("C13", ALL[:3:2]), ("C14", ALL[::3])):
        computed = [rules_run_length(rules, shift) for shift in entry["inputs"]["shift"]]
        assert_allclose(computed, entry["expected"][name], atol=0.006)


def test_false_alarm_probabilities(check_value: Callable[[str], Entry]) -> None:
    """Nelson (1984), Journal of Quality Technology 16:237-239 (tests from memory): those of one kind with ours."""
    entry = check_value("SHW-08")
    published = dict(zip(entry["inputs"]["patterns"], entry["expected"]["prob"], strict=True))
    for pattern, rule in (
        ("1 beyond 3s", BEYOND_LIMITS),
        ("9 same side", Rule(9, 9, 0.0)),
        ("2 of 3 beyond 2s same side", TWO_OF_THREE),
        ("4 of 5 beyond 1s same side", FOUR_OF_FIVE),
    ):
        assert_allclose(false_alarm_probability(rule), published[pattern], atol=5e-5)
    assert false_alarm_probability(EIGHT_ON_ONE_SIDE) == 2 / 2**8


def test_all_four_rules_by_simulation() -> None:
    """2,000 unchanged processes: run length within two standard errors, and each rule as often as its probability."""
    z = np.random.default_rng(1987).normal(size=(2000, 1200))
    signals = np.array([rule_signals(row, ALL) for row in z])
    any_rule = (signals != 0).any(axis=1)
    firsts = np.argmax(any_rule, axis=1) + 1
    assert any_rule.any(axis=1).all()
    assert abs(firsts.mean() - rules_run_length(ALL)) < 2 * firsts.std() / np.sqrt(2000)
    shares = (signals[:, :, 8:] != 0).mean(axis=2)
    for rule, share in zip(ALL, shares.T, strict=True):
        assert abs(share.mean() - false_alarm_probability(rule)) < 3 * share.std() / np.sqrt(2000)


def _pattern(window: list[float], rule: Rule) -> int:
    above, below = (sum(side * value > rule.beyond for value in window) for side in (1, -1))
    return (above >= rule.least) - (below >= rule.least)


@untimed
@given(POINTS, st.lists(RULES, min_size=1, max_size=4))
def test_signals_equal_a_search_of_windows(points: list[float], rules: list[Rule]) -> None:
    expected = [
        [_pattern(points[max(0, i + 1 - rule.window) : i + 1], rule) for i in range(len(points))] for rule in rules
    ]
    assert_array_equal(rule_signals(points, rules), np.array(expected).reshape(len(rules), len(points)))


@untimed
@given(RULES, st.floats(-1, 1))
def test_a_run_length_by_closed_form_or_between_bounds(rule: Rule, shift: float) -> None:
    """A run of m on one side takes the sum of p^-i, i up to m; on either, the harmonic sum of both.

    Any rule lies between two bounds: windows that do not overlap are independent, so it takes at most `window` times
    their number to the first with the pattern; and it takes at least as many points as there are per such window.
    """
    up, down = norm.sf(rule.beyond - shift), norm.cdf(-rule.beyond - shift)
    length = rules_run_length([rule], shift)
    if rule.least == rule.window:
        waits = [sum(p**-i for i in range(1, rule.window + 1)) for p in (up, down)]
        assert_allclose(length, 1 / sum(1 / wait for wait in waits), rtol=1e-6)
    shown = sum(binom.sf(rule.least - 1, rule.window, p) for p in (up, down))
    assert rule.least <= length * (1 + 1e-9)
    assert 1 / shown <= length * (1 + 1e-9)
    assert length <= rule.window / shown * (1 + 1e-9)


def test_more_rules_alarm_sooner_and_shifts_mirror() -> None:
    lengths = [rules_run_length(rules, 0.5) for rules in (ALL[:1], ALL[:2], ALL[:3])]
    assert lengths == sorted(lengths, reverse=True)
    assert_allclose(rules_run_length(ALL[:2], -0.5), lengths[1])
    assert rules_run_length([Rule(1, 1, 9.0)]) == inf


def test_no_points_give_empty_rows() -> None:
    assert rule_signals([], ALL).shape == (4, 0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Rule(1, 2, 1.0), "least"),
        (lambda: Rule(4, 3, 1.0), "least"),
        (lambda: Rule(1, 0, 1.0), "window"),
        (lambda: Rule(1, 1, -1.0), "beyond"),
        (lambda: Rule(1, 1, np.nan), "beyond"),
        (lambda: Rule(1, 1, np.inf), "beyond"),
        (lambda: rule_signals([np.nan], ALL), "z "),
        (lambda: rule_signals([1], []), "rules"),
        (lambda: rule_signals([1], [*ALL, BEYOND_LIMITS]), "rules"),
        (lambda: rules_run_length([]), "rules"),
        (lambda: rules_run_length(ALL, np.inf), "shift"),
        (lambda: rules_run_length([Rule(12, 21, 1.0)]), "rules"),
        (lambda: run_limits([0]), "n "),
        (lambda: run_limits([2.5]), "n "),
        (lambda: run_chart([np.nan], 0), "values"),
        (lambda: run_chart([1], np.nan), "median"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def test_run_chart_limits(check_value: Callable[[str], Entry]) -> None:
    """Anhoej & Olesen (2014), PLoS ONE 9:e113825 (rules from memory)."""
    entry = check_value("SHW-09")
    limits = run_limits(entry["inputs"]["n"])
    assert_array_equal(limits.longest_run, entry["expected"]["longest_run_limit"])
    assert_array_equal(limits.fewest_crossings, entry["expected"]["min_crossings"])


@untimed
@given(st.lists(st.integers(-2, 2), max_size=60), st.integers(-1, 1))
def test_run_chart_counts_runs_and_crossings(values: list[int], median: int) -> None:
    runs = [len(list(run)) for _, run in groupby(value > median for value in values if value != median)]
    judged = run_chart(values, median)
    assert judged.n == sum(runs)
    assert judged.longest_run == max(runs, default=0)
    assert judged.crossings == max(len(runs) - 1, 0)


@pytest.mark.parametrize(
    ("values", "signals"),
    [
        ([1, -1] * 10, False),
        ([1, -1, 1, -1, 1, -1] + [1] * 7 + [-1, 1, -1, 1, -1, 1, -1], False),  # a run of 7 of 20 is allowed
        ([1, -1, 1, -1, 1, -1] + [1] * 8 + [-1, 1, -1, 1, -1, 1], True),  # 8 are not
        ([1, 1, 1, 1, -1, -1, -1, 1, 1, 1, -1, -1, -1, 1, 1, 1, -1, -1, 1, 1], False),  # 6 crossings are enough
        ([1, 1, 1, 1, -1, -1, -1, 1, 1, 1, -1, -1, -1, -1, 1, 1, 1, -1, -1, -1], True),  # 5 are not
        ([0, 0], False),
        ([], False),
    ],
)
def test_run_chart_signals(values: list[int], signals: bool) -> None:
    assert run_chart(values, 0.0).signals is signals
