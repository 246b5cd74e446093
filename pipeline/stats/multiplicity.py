"""Many p values read together: adjusted so that each may be held against one level, whatever their number.

Holm's keep the chance of any false alarm at all to the level; Benjamini and Hochberg's keep the share of false alarms
among those called to it on average, which finds more.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import false_discovery_control

from pipeline.stats.arguments import FloatArray, non_negative, not_above, row
from pipeline.stats.method import Method


def holm(p_values: ArrayLike) -> FloatArray:
    """Adjusted p values by Holm's step-down procedure, in the order given; none give none.

    Holds however the tests depend on each other. Source: Holm S (1979), A simple sequentially rejective multiple test
    procedure, Scand J Statist 6:65-70 (from memory).

    Raises ValueError where `p_values` are not a row of numbers from 0 to 1.
    """
    p = _checked(p_values)
    order = np.argsort(p)
    # In NumPy, for statsmodels collects garbage at each call.
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1)
    return adjusted


def benjamini_hochberg(p_values: ArrayLike) -> FloatArray:
    """Adjusted p values that control the false discovery rate, in the order given; none give none.

    Holds where the tests are independent, or depend positively. Source: Benjamini Y, Hochberg Y (1995), Controlling the
    false discovery rate, J R Stat Soc B 57:289-300.

    Raises ValueError where `p_values` are not a row of numbers from 0 to 1.
    """
    p = _checked(p_values)
    return np.asarray(false_discovery_control(p, method="bh")) if p.size else p


def _checked(p_values: ArrayLike) -> FloatArray:
    p = row("p_values", non_negative("p_values", p_values))
    not_above("p_values", p, "1", np.ones_like(p))
    return p


METHODS = (
    Method(
        identifier="holm",
        name="Holm's adjusted p values",
        functions=("holm",),
        says="For when a single false alarm is costly: at most 1 in 20 times does any adjusted p value fall to 0.05 "
        "while nothing is wrong.",
        formula="for the i-th smallest of m: the largest (m - j + 1) p(j) over j up to i, at most 1",
        source="Holm S (1979), A simple sequentially rejective multiple test procedure, Scandinavian Journal of "
        "Statistics 6:65-70 (from memory)",
        checks=(
            "test_multiplicity::test_holm_equals_the_published_example",
            "test_multiplicity::test_holm_equals_statsmodels",
            "test_multiplicity::test_error_rates_are_kept",
        ),
    ),
    Method(
        identifier="benjamini_hochberg",
        name="Benjamini and Hochberg's adjusted p values",
        functions=("benjamini_hochberg",),
        says="For when several may be wrong and each is worth a look: of those with an adjusted p value up to 0.05, at "
        "most 1 in 20 is a false alarm on average.",
        formula="for the i-th smallest of m: the smallest m p(j) / j over j from i on, at most 1",
        source="Benjamini Y, Hochberg Y (1995), Controlling the false discovery rate: a practical and powerful "
        "approach to multiple testing, Journal of the Royal Statistical Society B 57:289-300",
        checks=(
            "test_multiplicity::test_benjamini_hochberg_equals_the_published_example",
            "test_multiplicity::test_benjamini_hochberg_equals_statsmodels",
            "test_multiplicity::test_error_rates_are_kept",
        ),
    ),
)
"""What this module offers."""
