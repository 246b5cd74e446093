"""Which chart a slice gets, and the sentence that says why."""

import numpy as np
import pytest
from numpy.typing import ArrayLike

from pipeline.stats.chart_choice import choose_chart, reason


@pytest.mark.parametrize(
    ("n", "p", "chart"),
    [
        ([100, 200, 300], 0.025, "p"),  # the median week expects exactly 5
        ([100, 199, 300], 0.025, "per_five"),
        ([1, 1, 200, 200, 200], 0.025, "p"),  # quiet weeks do not decide
        ([150, 250], 0.025, "p"),  # between two middle weeks
        ([60], 0.0, "per_five"),
    ],
)
def test_the_median_week_decides(n: list[int], p: float, chart: str) -> None:
    assert choose_chart(n, p) == chart


def test_the_reason_agrees_with_the_choice() -> None:
    assert reason([400], 0.025) == (
        "A typical week is expected to have 10.0 events: at least 5, enough to compare one week with another."
    )
    assert reason([60], 0.025) == (
        "A typical week is expected to have 1.5 events: fewer than 5, too few to compare weeks, so piercings per five "
        "events are charted."
    )


def test_just_under_five_does_not_read_as_five() -> None:
    assert "4.9 events: fewer than 5" in reason([199], 0.025)


@pytest.mark.parametrize(
    ("n", "p", "named"), [([], 0.1, "n "), ([-1], 0.1, "n "), ([np.nan], 0.1, "n "), ([5], 2, "p ")]
)
def test_the_bad_argument_is_named(n: ArrayLike, p: float, named: str) -> None:
    for function in (choose_chart, reason):
        with pytest.raises(ValueError, match=named):
            function(n, p)
