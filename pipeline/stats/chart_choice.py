"""What is chosen for a slice's control chart before its points are seen: the kind of chart, and the run rules.

The kind follows from how many events a typical week of the baseline is expected to have: weekly shares where they are
common enough, else piercings per five events, else piercings between single ones.
"""

from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import counts, probability
from pipeline.stats.method import Method
from pipeline.stats.run_rules import BEYOND_LIMITS, EIGHT_ON_ONE_SIDE, TWO_OF_THREE, Rule

Kind: TypeAlias = Literal["p", "per_five", "g"]

LEAST_EXPECTED = 5.0
"""Events a typical week must be expected to have for the p chart: below that most weeks have none or one, and the chart
cannot tell one such week from another."""
LEAST_FOR_FIVE = 0.25
"""Events a typical week must be expected to have for piercings per five events: below one in four weeks a point would
take more than 20 weeks, and stand when the quarter it tells of is over."""
RUN_RULES: dict[str, Rule] = {
    "beyond a limit": BEYOND_LIMITS,
    "two of three near a limit": TWO_OF_THREE,
    "eight on one side": EIGHT_ON_ONE_SIDE,
}
"""The run rules by what they are called. Four of five beyond one standard deviation is not among them: it would shorten
the set's average run without a change from 122 points to 92."""


def _median_expected(n: ArrayLike, p: float) -> float:
    size = counts("n", n)
    if size.size == 0:
        raise ValueError("n must have at least one week")
    return float(np.median(size * probability("p", p)))


def choose_chart(n: ArrayLike, p: float) -> Kind:
    """The chart for weeks of `n` piercings, each an event with the baseline's probability `p`.

    Raises ValueError where `n` is empty or not whole numbers of 0 or more, or `p` lies outside 0 to 1.
    """
    expected = _median_expected(n, p)
    return "p" if expected >= LEAST_EXPECTED else "per_five" if expected >= LEAST_FOR_FIVE else "g"


def reason(n: ArrayLike, p: float) -> str:
    """A sentence that says why `choose_chart` chose as it did; arguments and errors are the same."""
    expected = _median_expected(n, p)
    tenths = np.floor(10 * expected) / 10  # not rounded up, or 4.97 would read as 5
    begins = f"A typical week is expected to have {tenths:.1f} events:"
    match choose_chart(n, p):
        case "p":
            return f"{begins} at least {LEAST_EXPECTED:g}, enough to compare one week with another."
        case "per_five":
            return (
                f"{begins} fewer than {LEAST_EXPECTED:g}, too few to compare weeks, so piercings per five events are "
                "charted."
            )
    return (
        f"A typical week is expected to have {np.floor(100 * expected) / 100:.2f} events: fewer than one in "
        f"{1 / LEAST_FOR_FIVE:g} weeks, so that five would take too long, and piercings from event to event are "
        "charted. One short gap is nothing unusual; several in a row show a rise."
    )


METHODS = (
    Method(
        identifier="chart_choice",
        name="Choice of the control chart",
        functions=("choose_chart", "reason"),
        says="Weekly shares where a typical week is expected to have enough events, else piercings per five events: "
        "most weeks would have none or one, and no chart tells one such week from another. Where even five take too "
        "long, piercings between single events.",
        formula="with m = median(n) p of the baseline's weeks: p chart where m >= 5, count to five events where m >= "
        "0.25, else g chart",
        source="Our own rule; the bound of 5 expected events is that of common practice for p charts (from memory)",
        checks=(
            "test_chart_choice::test_the_median_week_decides",
            "test_chart_choice::test_the_reason_agrees_with_the_choice",
        ),
    ),
)
