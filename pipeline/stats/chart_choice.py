"""Which control chart suits a slice: weekly shares where events are common enough, else piercings per five of them."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import counts, probability
from pipeline.stats.method import Method

LEAST_EXPECTED = 5.0
"""Events a typical week must be expected to have for the p chart: below that most weeks have none or one, and the chart
cannot tell one such week from another."""


def _median_expected(n: ArrayLike, p: float) -> float:
    size = counts("n", n)
    if size.size == 0:
        raise ValueError("n must have at least one week")
    return float(np.median(size * probability("p", p)))


def choose_chart(n: ArrayLike, p: float) -> Literal["p", "per_five"]:
    """The chart for weeks of `n` piercings, each an event with the baseline's probability `p`.

    Raises ValueError where `n` is empty or not whole numbers of 0 or more, or `p` lies outside 0 to 1.
    """
    return "p" if _median_expected(n, p) >= LEAST_EXPECTED else "per_five"


def reason(n: ArrayLike, p: float) -> str:
    """A sentence that says why `choose_chart` chose as it did; arguments and errors are the same."""
    tenths = np.floor(10 * _median_expected(n, p)) / 10  # not rounded up, or 4.97 would read as 5
    if choose_chart(n, p) == "p":
        judged = f"at least {LEAST_EXPECTED:g}, enough to compare one week with another."
    else:
        judged = f"fewer than {LEAST_EXPECTED:g}, too few to compare weeks, so piercings per five events are charted."
    return f"A typical week is expected to have {tenths:.1f} events: {judged}"


METHODS = (
    Method(
        identifier="chart_choice",
        name="Choice of the control chart",
        functions=("choose_chart", "reason"),
        says="Weekly shares where a typical week is expected to have enough events, else piercings per five events: "
        "most weeks would have none or one, and no chart tells one such week from another.",
        formula="p chart where median(n) p >= 5, else count to five events",
        source="Our own rule; the bound of 5 expected events is that of common practice for p charts (from memory)",
        checks=(
            "test_chart_choice::test_the_median_week_decides",
            "test_chart_choice::test_the_reason_agrees_with_the_choice",
        ),
    ),
)
