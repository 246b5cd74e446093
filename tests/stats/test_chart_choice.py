"""Which chart a slice gets, and the sentence that says why."""

import numpy as np
import pytest
from numpy.typing import ArrayLike

from pipeline.stats.chart_choice import RUN_RULES, choose_chart, reason
from pipeline.stats.run_rules import FOUR_OF_FIVE, MOST_RULES, rules_run_length


@pytest.mark.parametrize(
    ("n", "p", "chart"),
    [
        ([100, 200, 300], 0.025, "p"),  # the median week expects exactly 5
        ([100, 199, 300], 0.025, "per_five"),
        ([1, 1, 200, 200, 200], 0.025, "p"),  # quiet weeks do not decide
        ([150, 250], 0.025, "p"),  # between two middle weeks
        ([10, 10, 11], 0.025, "per_five"),  # one in four weeks
        ([9, 9, 11], 0.025, "g"),
        ([60], 0.0, "g"),
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


def test_the_reason_for_single_events() -> None:
    assert reason([9], 0.025) == (
        "A typical week is expected to have 0.22 events: fewer than one in 4 weeks, so that five would take too long, "
        "and piercings from event to event are charted. One short gap is nothing unusual; several in a row show a rise."
    )


def test_just_under_one_in_four_weeks_does_not_read_as_one() -> None:
    assert "0.24 events: fewer than one in 4 weeks" in reason([83], 0.003)


def test_the_run_rules_are_at_most_four_and_make_the_run_they_are_said_to() -> None:
    # Champ & Woodall (1987), table 1: rules 1, 2 and 4 of the Western Electric rules together 122.05; all four 91.75
    # (from memory)
    assert len(RUN_RULES) <= MOST_RULES
    assert round(rules_run_length(list(RUN_RULES.values())), 2) == 122.05
    assert round(rules_run_length([*RUN_RULES.values(), FOUR_OF_FIVE]), 2) == 91.75


def test_just_under_five_does_not_read_as_five() -> None:
    assert "4.9 events: fewer than 5" in reason([199], 0.025)


@pytest.mark.parametrize(
    ("n", "p", "named"), [([], 0.1, "n "), ([-1], 0.1, "n "), ([np.nan], 0.1, "n "), ([5], 2, "p ")]
)
def test_the_bad_argument_is_named(n: ArrayLike, p: float, named: str) -> None:
    for function in (choose_chart, reason):
        with pytest.raises(ValueError, match=named):
            function(n, p)
