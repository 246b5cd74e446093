"""CUSUM paths against a textbook and against their recursion."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.stats.cusum import tabular_cusum

from .conftest import Entry, untimed

VALUES = st.lists(st.floats(-5, 5), max_size=60)


def test_textbook_example(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, Introduction to Statistical Quality Control, ch. 9, Tables 9.1-9.2 (sums from memory)."""
    entry = check_value("CUS-02")
    inputs, expected = entry["inputs"], entry["expected"]
    paths = tabular_cusum(inputs["x"], inputs["target"], inputs["k"], inputs["h"])
    assert_allclose(paths.rise.statistic[22:30], expected["C_plus_23_30"], atol=1e-9)
    assert_allclose(paths.fall.statistic[:3], expected["C_minus_1_3"], atol=1e-9)
    assert paths.rise.first_signal == expected["first_signal"] - 1
    assert paths.rise.onset == expected["last_zero_before_signal"]
    assert paths.fall.first_signal is None
    assert paths.fall.onset is None


@untimed
@given(VALUES, st.floats(0, 2), st.floats(0, 8), st.floats(0, 1))
def test_paths_equal_their_recursion(values: list[float], k: float, h: float, part: float) -> None:
    """Rounding differs by where the terms are added, so to nine decimals."""
    paths = tabular_cusum(values, 0.5, k, h, part * h)
    for path, side in ((paths.rise, 1), (paths.fall, -1)):
        sums, now = [], part * h
        for value in values:
            now = max(0.0, now + side * (value - 0.5) - k)
            sums.append(now)
        assert_allclose(path.statistic, sums, atol=1e-9)
        assert (path.statistic >= 0).all()


def test_a_sum_on_the_threshold_is_not_above_it() -> None:
    """Tenths are not exact in binary: 0.1 three times is more than 0.3 by rounding alone."""
    path = tabular_cusum([0.1] * 4, 0.0, 0.0, 0.3).rise
    assert_array_equal(path.beyond, [False, False, False, True])
    assert path.threshold == 0.3
    assert path.onset == 0


def test_the_path_is_not_set_back_after_a_signal() -> None:
    path = tabular_cusum([3.0, 0.0, 0.0, -3.0], 0.0, 0.5, 2.0).rise
    assert_allclose(path.statistic, [2.5, 2.0, 1.5, 0.0])
    assert_array_equal(path.beyond, [True, False, False, False])
    assert path.onset == 0  # the zero after the signal tells nothing of its onset


def test_a_shift_is_found_and_dated() -> None:
    """From point 100 on the mean is one and a half higher: found within 15 points, dated within 10."""
    values = np.random.default_rng(1954).normal(size=150)
    values[100:] += 1.5
    path = tabular_cusum(values, 0.0, 0.75, 5.0).rise
    assert path.first_signal is not None
    assert path.onset is not None
    assert 100 <= path.first_signal < 115
    assert abs(path.onset - 100) < 10


def test_the_onset_follows_the_last_zero_in_any_unit() -> None:
    for unit in (1.0, 1e-6):
        assert tabular_cusum(np.array([2.0, -9.0, 2.0, 4.0]) * unit, 0.0, 0.0, 5.0 * unit).rise.onset == 2
    assert tabular_cusum([-1.0, -1.0, 2.0], 0.0, 0.0, 0.0).rise.onset == 2


def test_no_points_give_an_empty_path() -> None:
    path = tabular_cusum([], 0, 1, 5).rise
    assert path.statistic.shape == path.beyond.shape == (0,)
    assert path.first_signal is None


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: tabular_cusum([np.nan], 0, 1, 5), "values"),
        (lambda: tabular_cusum([[1.0]], 0, 1, 5), "values"),
        (lambda: tabular_cusum([1], np.inf, 1, 5), "target"),
        (lambda: tabular_cusum([1], 0, -1, 5), "k "),
        (lambda: tabular_cusum([1], 0, 1, -5), "h "),
        (lambda: tabular_cusum([1], 0, 1, np.nan), "h "),
        (lambda: tabular_cusum([1], 0, 1, 5, -1), "headstart"),
        (lambda: tabular_cusum([1], 0, 1, 5, 6), "headstart"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
