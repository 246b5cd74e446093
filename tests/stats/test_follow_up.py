"""Follow-up bounds and the table of reached and self-reported clients, against counting all cases."""

from collections.abc import Callable
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.stats.follow_up import follow_up_bounds, reached_table

from .conftest import untimed


@pytest.mark.parametrize(("events", "reached", "n"), [(0, 0, 4), (0, 3, 5), (2, 3, 8), (4, 4, 4)])
def test_bounds_are_the_extremes_of_all_that_could_have_happened(events: int, reached: int, n: int) -> None:
    rates = [(events + sum(unseen)) / n for unseen in product((0, 1), repeat=n - reached)]
    bounds = follow_up_bounds(events, reached, n)
    assert_allclose([bounds.best, bounds.worst], [min(rates), max(rates)], rtol=1e-12)


def test_bounds_by_hand() -> None:
    """6 of 40 reached of 50 had an event; 0 of 20 of 20; nobody reached of 10; nobody at all."""
    bounds = follow_up_bounds([6, 0, 0, 0], [40, 20, 0, 0], [50, 20, 10, 0])
    assert_allclose(bounds.reached, [0.15, 0, np.nan, np.nan])
    assert_allclose(bounds.best, [0.12, 0, 0, np.nan])
    assert_allclose(bounds.worst, [0.32, 0, 1, np.nan])


@untimed
@given(st.integers(1, 1000).flatmap(lambda n: st.tuples(st.just(n), st.integers(1, n), st.floats(0, 1))))
def test_the_rate_among_the_reached_lies_between(case: tuple[int, int, float]) -> None:
    n, reached, share = case
    bounds = follow_up_bounds(int(share * reached), reached, n)
    assert bounds.best <= bounds.reached * (1 + 1e-12)
    assert bounds.reached <= bounds.worst * (1 + 1e-12)
    assert_allclose(bounds.worst - bounds.best, 1 - reached / n, atol=1e-12)


@untimed
@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans()), max_size=30))
def test_table_equals_counting_one_by_one(clients: list[tuple[bool, bool, bool]]) -> None:
    table = reached_table(*np.array(clients, dtype=bool).reshape(-1, 3).T)
    assert table.reached_n == sum(asked for _, asked, _ in clients)
    assert table.reached_events == sum(event and asked for event, asked, _ in clients)
    assert table.self_reported_n == sum(came and not asked for _, asked, came in clients)
    assert table.self_reported_events == sum(event and came and not asked for event, asked, came in clients)


def test_table_of_nobody() -> None:
    table = reached_table([], [], [])
    assert_array_equal(
        [table.reached_events, table.reached_n, table.self_reported_events, table.self_reported_n], [0, 0, 0, 0]
    )


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: follow_up_bounds([-1], [1], [1]), "events"),
        (lambda: follow_up_bounds([2], [1], [5]), "events must be at most reached"),
        (lambda: follow_up_bounds([1], [6], [5]), "reached must be at most n"),
        (lambda: follow_up_bounds([1], [1.5], [5]), "reached"),
        (lambda: follow_up_bounds([1], [1], [np.nan]), "n "),
        (lambda: follow_up_bounds([1, 2], [3, 4, 5], [5, 6]), "events"),
        (lambda: reached_table([2], [1], [0]), "event "),
        (lambda: reached_table([1], [np.nan], [0]), "reached"),
        (lambda: reached_table([1], [1], [[0]]), "self_reported"),
        (lambda: reached_table([1, 0], [1], [0]), "event"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
