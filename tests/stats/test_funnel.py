"""Poisson limits and tails by definition, and the stepwise search against another way to do it."""

from collections.abc import Callable
from math import exp, factorial
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.stats import chi2, poisson

from pipeline.stats.funnel import Excess, critical_count, funnel_limits, poisson_tail, stepwise_excess

from .conftest import Entry, untimed

MEANS = st.floats(1e-6, 5000)


@untimed
@given(MEANS)
def test_limits_are_the_exact_quantiles(expected: float) -> None:
    """The q quantile k is the smallest count with P(X <= k) >= q."""
    limits = funnel_limits(expected)
    for limit, quantile in (
        (limits.low_95, 0.025),
        (limits.high_95, 0.975),
        (limits.low_998, 0.001),
        (limits.high_998, 0.999),
    ):
        count = round(float(limit) * expected)
        assert_allclose(limit, count / expected, rtol=1e-12)
        assert poisson.cdf(count - 1, expected) < quantile <= poisson.cdf(count, expected) + 1e-12


def test_limits_where_nothing_is_expected_are_unknown() -> None:
    limits = funnel_limits([0, 10])
    for limit in (limits.low_95, limits.high_95, limits.low_998, limits.high_998):
        assert_array_equal(np.isnan(limit), [True, False])


def test_tails_of_a_published_table(check_value: Callable[[str], Entry]) -> None:
    """Int J Health Geographics (2020) 19, Table 7 (opened): P(X <= O), the complement of P(X >= O + 1)."""
    entry = check_value("POI-07")
    observed, expected = np.array(entry["inputs"]["O_E"]).T
    assert_allclose(1 - poisson_tail(observed + 1, expected), entry["expected"]["p"], rtol=6e-3)


def test_tail_of_close_pairs_in_a_published_example(check_value: Callable[[str], Entry]) -> None:
    """R surveillance, knox (opened): pairs of cases close in space and time, by the Poisson approximation.

    Only in part: the cases themselves are not here, so the expected count is taken as printed, to two decimals. The
    printed p counts more than the 204 observed; the usual tail, from 204 on, is larger.
    """
    entry = check_value("SCN-05")
    expected, half_a_digit = entry["expected"], 0.005
    low, high = (
        poisson_tail(expected["close_pairs"] + 1, expected["expected"] + d) for d in (-half_a_digit, half_a_digit)
    )
    assert low < expected["p"] < high
    assert_allclose(low, high, atol=1e-4)
    at_least = poisson_tail(expected["close_pairs"], expected["expected"])
    point = poisson.pmf(expected["close_pairs"], expected["expected"])
    assert_allclose(at_least - point, expected["p"], atol=(high - low))


def test_tail_by_summing_the_terms() -> None:
    for mean in (0.3, 2.0, 7.5):
        for observed in range(15):
            below = sum(exp(-mean) * mean**k / factorial(k) for k in range(observed))
            assert_allclose(poisson_tail(observed, mean), 1 - below, atol=1e-14)


@untimed
@given(st.integers(1, 2000), MEANS)
def test_tail_equals_the_chi_square_identity(observed: int, expected: float) -> None:
    """P(X >= O) = P(chi-square with 2 O degrees of freedom <= 2 E)."""
    assert_allclose(poisson_tail(observed, expected), chi2.cdf(2 * expected, 2 * observed), rtol=1e-8, atol=1e-300)


def test_tail_where_nothing_is_expected() -> None:
    assert_array_equal(poisson_tail([0, 1, 9], [0, 0, 0]), [1, 0, 0])
    assert poisson_tail([], []).shape == (0,)


@untimed
@given(MEANS, st.sampled_from([1.0, 0.5, 0.01, 1e-4, 1e-7]))
def test_critical_count_is_the_smallest_beyond(expected: float, tail: float) -> None:
    count = critical_count(expected, tail)
    assert poisson_tail(count, expected) <= tail
    if count > 0:
        assert poisson_tail(count - 1, expected) > tail


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: funnel_limits([-1]), "expected"),
        (lambda: funnel_limits([np.nan]), "expected"),
        (lambda: poisson_tail([-1], [1]), "observed"),
        (lambda: poisson_tail([1.5], [1]), "observed"),
        (lambda: poisson_tail([1], [-1]), "expected"),
        (lambda: poisson_tail([1, 1], [1, 1, 1]), "expected"),
        (lambda: critical_count([np.inf], 0.01), "expected"),
        (lambda: critical_count([1], 0), "tail"),
        (lambda: critical_count([1], 1.5), "tail"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def _membership(slices: list[list[int]], n_piercings: int) -> csr_array:
    dense = np.zeros((len(slices), n_piercings))
    for row, members in enumerate(slices):
        dense[row, members] = 1
    return csr_array(dense)


def _by_sets(
    slices: list[set[int]], events: list[int], expected: list[float]
) -> tuple[list[int], list[tuple[int, float, float]]]:
    """The search in plain Python sets: what is chosen, and with which figures."""

    def figures(members: set[int]) -> tuple[int, float, float]:
        observed, mean = sum(events[i] for i in members), round(sum(expected[i] for i in members), 12)
        return observed, mean, float(poisson.sf(observed - 1, mean))

    judged = sum(figures(members)[1] >= 1 for members in slices)
    left, chosen, taken = [set(members) for members in slices], [], []
    while judged:
        now = [figures(members) for members in left]
        beyond = [(p, row) for row, (o, e, p) in enumerate(now) if e >= 1 and o >= 3 and p <= 0.01 / judged]
        if not beyond:
            break
        _, best = min(beyond)
        chosen.append(best)
        taken.append(now[best])
        gone = set(left[best])
        left = [members - gone for members in left]
    return chosen, taken


WORLDS = st.integers(1, 25).flatmap(
    lambda n: st.tuples(
        st.lists(st.sets(st.integers(0, n - 1)), min_size=1, max_size=8),
        st.lists(st.integers(0, 6), min_size=n, max_size=n),
        st.lists(st.sampled_from([0.1, 0.2, 0.5, 1.0]), min_size=n, max_size=n),
    )
)
"""Slices of up to 25 piercings, with events and expected ones (here often many, so that steps are taken)."""


@untimed
@given(WORLDS)
def test_stepwise_equals_the_search_by_sets(world: tuple[list[set[int]], list[int], list[float]]) -> None:
    slices, events, expected = world
    result = stepwise_excess(_membership([sorted(s) for s in slices], len(events)), events, expected)
    chosen, taken = _by_sets(slices, events, expected)
    assert result.chosen.tolist() == chosen
    figures = np.transpose([result.figures.observed, result.figures.expected, result.figures.p_value])
    assert_allclose(figures, np.array(taken).reshape(-1, 3), rtol=1e-9)


@untimed
@given(WORLDS, st.randoms(use_true_random=False))
def test_the_order_of_piercings_does_not_matter(
    world: tuple[list[set[int]], list[int], list[float]], random: Random
) -> None:
    slices, events, expected = world
    order = list(range(len(events)))
    random.shuffle(order)
    membership = _membership([sorted(s) for s in slices], len(events))
    result = stepwise_excess(membership, events, expected)
    shuffled = stepwise_excess(membership[:, order], np.array(events)[order], np.array(expected)[order])
    assert_array_equal(result.chosen, shuffled.chosen)
    assert_array_equal(result.figures.p_value, shuffled.figures.p_value)
    assert result.tail == shuffled.tail or np.isnan([result.tail, shuffled.tail]).all()


def _bad_lot() -> Excess:
    """Branch 0 (rows 0 to 199) used a bad lot for 40 of its piercings; branch 1 (200 to 399) did not.

    Each piercing expects 0.05. The lot has 14 events against 2, the rest of branch 0 has 8 against 8, branch 1 has 10.
    """
    events = np.zeros(400)
    events[:14] = events[40:48] = events[200:210] = 1
    slices = [list(range(200)), list(range(200, 400)), list(range(40))]
    return stepwise_excess(_membership(slices, 400), events, np.full(400, 0.05))


def test_a_bad_lot_does_not_accuse_its_branch() -> None:
    result = _bad_lot()
    assert_allclose(result.tail, 0.01 / 3)
    assert_array_equal(result.start.observed, [22, 10, 14])
    assert_allclose(result.start.expected, [10, 10, 2])
    assert_allclose(result.start.p_value, poisson.sf([21, 9, 13], [10, 10, 2]))
    assert result.start.p_value[0] < result.tail  # the branch would stand accused if judged as it was at the start
    assert_array_equal(result.chosen, [2])
    assert_allclose([result.figures.observed, result.figures.expected], [[14], [2]])
    assert_allclose(result.figures.p_value, result.start.p_value[[2]])


def test_what_is_left_is_judged_again_with_the_figures_left() -> None:
    """The second slice is beyond even without what the first took; its figures are those left to it."""
    events = np.zeros(100)
    events[:30] = events[50:62] = 1
    result = stepwise_excess(_membership([list(range(20, 100)), list(range(40))], 100), events, np.full(100, 0.04))
    assert_array_equal(result.chosen, [1, 0])
    assert_array_equal(result.figures.observed, [30, 12])
    assert_allclose(result.figures.expected, [1.6, 2.4])
    assert_array_equal(result.start.observed, [22, 30])


def test_a_slice_may_come_forward_once_another_is_taken() -> None:
    """Slice 0 shares with slice 1 only piercings without events; without them it stands out."""
    events, expected = np.zeros(51), np.full(51, 0.1)
    events[:12], events[40:] = 3, 1
    expected[12:40] = 0.25
    result = stepwise_excess(_membership([[*range(12, 51)], [*range(40)]], 51), events, expected)
    assert_allclose(result.start.expected, [8.1, 8.2])
    assert result.start.p_value[0] > 0.1
    assert_array_equal(result.chosen, [1, 0])
    assert_allclose([result.figures.observed[1], result.figures.expected[1]], [11, 1.1])


def test_of_equals_the_first_row_is_chosen() -> None:
    events, expected = np.array([9, 0, 0, 9]), np.array([0.1, 0.9, 0.9, 0.1])
    result = stepwise_excess(_membership([[2, 3], [0, 1], [0, 1]], 4), events, expected)
    assert_array_equal(result.chosen, [0, 1])


@pytest.mark.parametrize(
    ("observed", "mean", "chosen"),
    [(2, 1e-4 + 1, []), (3, 0.999, []), (40, 0.999, []), (8, 1.0, [0]), (4, 1.0, [])],
)
def test_single_cases_and_slices_that_expect_too_little_are_not_judged(
    observed: int, mean: float, chosen: list[int]
) -> None:
    result = stepwise_excess(_membership([[0]], 1), [observed], [mean])
    assert result.chosen.tolist() == chosen
    assert np.isnan(result.tail) == (mean < 1)


def test_two_events_are_never_an_excess_however_strict_the_level() -> None:
    assert stepwise_excess(_membership([[0]], 1), [2], [1.0], level=1.0).chosen.size == 0
    assert stepwise_excess(_membership([[0]], 1), [3], [1.0], level=1.0).chosen.size == 1


def test_a_slice_at_its_level_is_beyond_it() -> None:
    assert stepwise_excess(_membership([[0]], 1), [8], [2.0], level=float(poisson_tail(8, 2.0))).chosen.size == 1


def test_ten_tenths_expect_one() -> None:
    """Ten times 0.1 adds to just under 1 in floating point; the slice is judged all the same."""
    result = stepwise_excess(_membership([list(range(10))], 10), [1] * 10, [0.1] * 10)
    assert_array_equal(result.chosen, [0])


def test_expected_events_are_kept_to_twelve_decimals() -> None:
    assert stepwise_excess(_membership([[0, 1]], 2), [1, 0], [1 / 3, 1 / 3]).start.expected == 0.666666666667


def test_no_slices_and_no_piercings_are_empty_results() -> None:
    for shape in ((0, 0), (0, 3), (2, 0)):
        result = stepwise_excess(csr_array(shape), np.zeros(shape[1]), np.zeros(shape[1]))
        assert result.start.observed.shape == result.start.p_value.shape == (shape[0],)
        assert result.chosen.size == result.figures.p_value.size == 0
        assert np.isnan(result.tail)


@pytest.mark.parametrize("kind", [bool, np.float64])
def test_inputs_are_left_as_they_were(kind: type) -> None:
    membership = csr_array((np.ones(3, kind), [2, 0, 1], [0, 2, 3]), shape=(2, 3))
    events, expected = np.array([9, 0, 1]), np.array([1.0, 1.0, 1.0])
    assert stepwise_excess(membership, events, expected).chosen.tolist() == [0]
    assert_array_equal(membership.indices, [2, 0, 1])
    assert membership.dtype == kind
    assert_array_equal(events, [9, 0, 1])


def _null_world(random: np.random.Generator) -> tuple[csr_array, NDArray[np.bool_], NDArray[np.float64]]:
    """1,500 piercings in 5 branches, 12 articles and 20 lots, none worse than another."""
    risk = np.where(random.random(1500) < 0.3, 0.06, 0.02)
    labels = np.concatenate([random.integers(0, size, 1500) + start for size, start in ((5, 0), (12, 5), (20, 17))])
    columns = np.tile(np.arange(1500), 3)
    return csr_array((np.ones(4500), (labels, columns)), shape=(37, 1500)), random.random(1500) < risk, risk


def test_false_alarms_keep_to_the_level() -> None:
    """Of 400 worlds in which nothing is wrong, at most 1 in 100 should alarm: 4, and 12 is beyond chance."""
    random = np.random.default_rng(2005)
    assert sum(stepwise_excess(*_null_world(random)).chosen.size > 0 for _ in range(400)) < 12


def test_a_planted_lot_is_found_alone() -> None:
    """Lot 3 (row 20) at ten times its risk, in 20 worlds: it is nearly always the first chosen, and little else is."""
    random = np.random.default_rng(2006)
    first, others = 0, 0
    for _ in range(20):
        membership, events, risk = _null_world(random)
        lot = membership[[20]].indices
        events[lot] = random.random(lot.size) < 10 * risk[lot]
        chosen = stepwise_excess(membership, events, risk).chosen.tolist()
        first += chosen[:1] == [20]
        others += len(set(chosen) - {20})
    assert first >= 18
    assert others <= 2


@pytest.mark.parametrize(
    ("entries", "events", "expected", "level", "named"),
    [
        ([[1, 1]], [-1, 0], [1, 1], 0.01, "events"),
        ([[1, 1]], [np.nan, 0], [1, 1], 0.01, "events"),
        ([[1, 1]], [1, 0], [-1, 1], 0.01, "expected"),
        ([[1, 1]], [1, 0], [np.nan, 1], 0.01, "expected"),
        ([[1, 1]], [1, 0], [1, 1, 1], 0.01, "expected"),
        ([[1, 1]], 1, 1, 0.01, "events"),
        ([[1, 1, 1]], [1, 0], [1, 1], 0.01, "membership"),
        ([[1, 2]], [1, 0], [1, 1], 0.01, "membership"),
        ([[1, 1]], [1, 0], [1, 1], 0.0, "level"),
    ],
)
def test_stepwise_names_the_bad_argument(
    entries: ArrayLike, events: ArrayLike, expected: ArrayLike, level: float, named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        stepwise_excess(csr_array(np.asarray(entries)), events, expected, level)


def test_a_piercing_twice_in_a_slice_is_refused() -> None:
    with pytest.raises(ValueError, match="membership"):
        stepwise_excess(csr_array((np.ones(2), [0, 0], [0, 2]), shape=(1, 1)), [3], [1])
