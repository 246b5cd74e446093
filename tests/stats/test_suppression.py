"""Withheld counts: none small is told, and none can be worked out, held against trying every table there could be."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.suppression import Relations, suppress

ROW = Relations(sums=((0, (1, 2, 3)),))
"""A total and its three parts."""
GRID = Relations(
    sums=((0, (1, 2)), (3, (4, 5))),
    parts=((3, 0), (4, 1), (5, 2)),
)
"""Piercings of two sites and of both, and under each how many had an event."""


GROUP = Relations(parts=((1, 0), (2, 0)), covers=((0, (1, 2)),))
"""A group of complications and its two kinds, of which a piercing may have both."""


def row(*parts: int) -> list[int]:
    return [sum(parts), *parts]


def tables(relations: Relations, n: int, most: int) -> np.ndarray:
    """Every table of `n` counts from 0 to `most` in which the relations hold: its totals follow from the others."""
    totals = [total for total, _ in relations.sums]
    free = [place for place in range(n) if place not in totals]
    found = np.zeros(((most + 1) ** len(free), n), dtype=np.int64)
    found[:, free] = list(product(range(most + 1), repeat=len(free)))
    for total, others in relations.sums:
        found[:, total] = found[:, list(others)].sum(axis=1)
    holds = np.ones(len(found), dtype=bool)
    for part, whole in relations.parts:
        holds &= found[:, part] <= found[:, whole]
    for covered, others in relations.covers:
        holds &= found[:, covered] <= found[:, list(others)].sum(axis=1)
    return found[holds]


def agreeing(every: np.ndarray, values: np.ndarray, hidden: np.ndarray) -> np.ndarray:
    """The tables that are like one in all that is told."""
    return every[(every[:, ~hidden] == values[~hidden]).all(axis=1)]


EVERY_ROW = tables(ROW, 4, 14)
EVERY_GRID = tables(GRID, 6, 11)
EVERY_GROUP = tables(GROUP, 3, 24)


@pytest.mark.parametrize(
    ("parts", "hidden"),
    [
        ((20, 30, 40), "...."),
        ((0, 30, 40), "...."),
        ((2, 30, 40), ".xx."),  # the next smallest keeps it
        ((2, 3, 40), ".xx."),  # together they are 5: each may be 0 to 5
        ((1, 2, 40), ".xxx"),  # together 3: a third is needed
        ((2, 0, 40), ".x.x"),  # nought tells nothing of the 2
        ((3, 0, 0), "xx.."),  # the total is as small
        ((1, 1, 1), "xxxx"),
    ],
)
def test_a_row_by_hand(parts: tuple[int, ...], hidden: str) -> None:
    assert "".join("x" if one else "." for one in suppress(row(*parts), ROW, 5)) == hidden


def test_what_leaves_few_of_a_whole_is_withheld() -> None:
    one = Relations(parts=((0, 1),))
    assert suppress([97, 100], one, 5).tolist() == [True, False]
    assert suppress([95, 100], one, 5).tolist() == [False, False]
    assert suppress([100, 100], one, 5).tolist() == [False, False]


def test_a_group_no_larger_than_its_kinds_together_gives_none_away() -> None:
    # A group of 20 with kinds of 18 and 3 would tell that the second has 2 at least, as the two cover it.
    values = np.array([20, 18, 3])
    hidden = suppress(values, GROUP, 5)
    assert hidden[2]
    assert np.ptp(agreeing(EVERY_GROUP, values, hidden), axis=0)[hidden].min() >= 4
    alone = agreeing(EVERY_GROUP, values, values < 5)
    assert alone[:, 2].min() == 2


@settings(max_examples=60, deadline=None)
@given(st.tuples(*[st.integers(0, 12)] * 3), st.integers(2, 6))
def test_no_withheld_count_can_be_worked_out(parts: tuple[int, ...], smallest: int) -> None:
    values = np.array(row(*parts))
    hidden = suppress(values, ROW, smallest)
    assert not ((values > 0) & (values < smallest) & ~hidden).any()
    fitting = agreeing(EVERY_ROW, values, hidden)
    possible = fitting.max(axis=0) - fitting.min(axis=0) + 1
    assert (possible[hidden] >= smallest).all()


@settings(max_examples=40, deadline=None)
@given(st.tuples(*[st.integers(0, 9)] * 2), st.tuples(*[st.integers(0, 9)] * 2))
def test_nor_can_a_count_within_a_count_or_a_small_rest(wholes: tuple[int, ...], events: tuple[int, ...]) -> None:
    smallest = 3
    within = [min(pair) for pair in zip(wholes, events, strict=True)]
    values = np.array([*row(*wholes), *row(*within)])
    hidden = suppress(values, GRID, smallest)
    fitting = agreeing(EVERY_GRID, values, hidden)
    assert (np.ptp(fitting, axis=0)[hidden] >= smallest - 1).all()
    for part, whole in GRID.parts:
        if 0 < values[whole] - values[part] < smallest:
            assert np.ptp(fitting[:, whole] - fitting[:, part]) >= smallest - 1
    assert not ((values > 0) & (values < smallest) & ~hidden).any()


def test_withholding_the_small_ones_alone_would_not_do() -> None:
    # What the function adds is needed, and the measure of it can fail.
    values = np.array(row(2, 9, 11))
    fitting = agreeing(EVERY_ROW, values, (values > 0) & (values < 5))
    assert fitting.tolist() == [values.tolist()]


@pytest.mark.parametrize(
    ("values", "smallest", "says"),
    [
        ([1, 2, -1, 4], 5, "values must be whole numbers"),
        ([9, 2, 3, 1], 5, "values break a relation"),
        ([[6, 1, 2, 3]], 5, "values must be one row"),
        ([6, 1, 2, 3], 1, "smallest must be 2 or more"),
    ],
)
def test_what_is_no_table_is_refused(values: list[int], smallest: int, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        suppress(values, ROW, smallest)
