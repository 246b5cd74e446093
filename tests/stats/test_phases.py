"""Phases: each point has its baseline, and none begins without a reason."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from pipeline.stats.phases import Phase, baselines, phase_of

from .conftest import untimed

FIRST = Phase(0, 0.02, "first year")
SECOND = Phase(5, 0.03, "new needles")


def test_points_of_two_phases() -> None:
    phases = (FIRST, SECOND)
    assert_array_equal(phase_of(phases, 7), [0, 0, 0, 0, 0, 1, 1])
    assert_array_equal(baselines(phases, 7), [0.02] * 5 + [0.03] * 2)


@untimed
@given(st.sets(st.integers(1, 60)), st.integers(0, 50))
def test_each_point_has_the_last_phase_begun(later: set[int], n_points: int) -> None:
    starts = [0, *sorted(later)]
    phases = [Phase(start, start / 2, "because") for start in starts]
    expected = [max(i for i, start in enumerate(starts) if start <= point) for point in range(n_points)]
    assert_array_equal(phase_of(phases, n_points), expected)
    assert_array_equal(baselines(phases, n_points), [starts[i] / 2 for i in expected])


def test_points_to_come_change_no_earlier_phase() -> None:
    assert_array_equal(phase_of([FIRST, SECOND], 5), phase_of([FIRST], 5))
    assert phase_of([FIRST], 0).shape == baselines([FIRST], 0).shape == (0,)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Phase(0, 0.1, ""), "reason"),
        (lambda: Phase(0, 0.1, " \n"), "reason"),
        (lambda: Phase(-1, 0.1, "because"), "start"),
        (lambda: Phase(0, np.nan, "because"), "baseline"),
        (lambda: phase_of([], 3), "phases"),
        (lambda: phase_of([SECOND], 3), "phases"),
        (lambda: phase_of([FIRST, FIRST], 3), "phases"),
        (lambda: phase_of([FIRST, SECOND, Phase(4, 0.1, "because")], 3), "phases"),
        (lambda: baselines([FIRST], -1), "n_points"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
