"""CUSUM charts of a probability or a rate: log-likelihood ratios of a change, added up as `cusum` has it.

Thresholds come from `lattice_run_length` and `risk_adjusted_run_length`.
"""

from math import log

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, flags, non_negative, positive, row, same_shape
from pipeline.stats.cusum import Cusum, cusum_path
from pipeline.stats.method import Method


def _inside(name: str, values: ArrayLike) -> FloatArray:
    array = positive(name, values)
    if not (array < 1).all():
        raise ValueError(f"{name} must lie between 0 and 1, and be neither")
    return array


def _changed(name: str, value: float, unchanged: float) -> float:
    if value == unchanged:
        raise ValueError(f"{name} must be a change, not {value} as in the baseline")
    return float(positive(name, value))


def bernoulli_cusum(event_flags: ArrayLike, p0: float, p1: float, h: float, headstart: float = 0.0) -> Cusum:
    """Sums the log-likelihood ratio of `p1` against the baseline `p0`, piercing by piercing in their order.

    An event adds ln(p1 / p0), any other piercing ln((1 - p1) / (1 - p0)). A `p1` below `p0` looks for a fall. No
    piercings give an empty path. Source: Reynolds MR, Stoumbos ZG (1999), A CUSUM chart for monitoring a proportion
    when inspecting continuously, Journal of Quality Technology 31:87-108 (from memory).

    Raises ValueError where `event_flags` is not a row of true and false, `p0` or `p1` does not lie inside 0 to 1, they
    are equal, or `h` or `headstart` is as in `tabular_cusum`.
    """
    before, after = float(_inside("p0", p0)), _changed("p1", float(_inside("p1", p1)), p0)
    event, no_event = log(after / before), log((1 - after) / (1 - before))
    return cusum_path(np.where(flags("event_flags", event_flags), event, no_event), h, headstart)


def bernoulli_reference(p0: float, p1: float) -> float:
    """The k by which `bernoulli_cusum` is ln(odds ratio) times the sum of events less k for each piercing.

    In these units, events, `lattice_run_length.bernoulli_run_length` takes its k and h.

    Raises ValueError where `p0` or `p1` does not lie inside 0 to 1, or they are equal.
    """
    before, after = float(_inside("p0", p0)), _changed("p1", float(_inside("p1", p1)), p0)
    no_event = log((1 - before) / (1 - after))
    return no_event / (log(after / before) + no_event)


def poisson_cusum(observed: ArrayLike, expected: ArrayLike, ratio: float, h: float, headstart: float = 0.0) -> Cusum:
    """Sums the log-likelihood ratio of `ratio` times the `expected` events against as many as expected, per subgroup.

    A subgroup adds observed ln(ratio) - expected (ratio - 1). A `ratio` below 1 looks for a fall. A subgroup that
    expects none and has none adds nothing. Source: Lucas JM (1985), Counted data CUSUM's, Technometrics 27:129-144
    (from memory), in log-likelihood units.

    Raises ValueError where `observed` is not a row of whole numbers of 0 or more, `expected` negative or not finite, or
    not one for each, `ratio` not above 0 or 1, or `h` or `headstart` is as in `tabular_cusum`.
    """
    count, base = same_shape(
        observed=row("observed", counts("observed", observed)), expected=non_negative("expected", expected)
    )
    change = _changed("ratio", ratio, 1.0)
    return cusum_path(count * log(change) - base * (change - 1), h, headstart)


def poisson_reference(expected: float, ratio: float) -> float:
    """The k by which `poisson_cusum` is ln(ratio) times the sum of events less k, where all subgroups expect as many.

    In these units, events, `lattice_run_length.poisson_run_length` takes its k and h.

    Raises ValueError where `expected` is negative or not finite, or `ratio` is not above 0 or is 1.
    """
    change = _changed("ratio", ratio, 1.0)
    return float(non_negative("expected", expected)) * (change - 1) / log(change)


def risk_adjusted_weights(risk: ArrayLike, odds_ratio: float) -> tuple[FloatArray, FloatArray]:
    """What a piercing of each `risk` adds to `risk_adjusted_cusum` with an event, and what without.

    Raises ValueError where `risk` does not lie inside 0 to 1, or `odds_ratio` is not above 0 or is 1.
    """
    change = _changed("odds_ratio", odds_ratio, 1.0)
    no_event = -np.log1p((change - 1) * _inside("risk", risk))
    return no_event + log(change), no_event


def risk_adjusted_cusum(
    event_flags: ArrayLike, risk: ArrayLike, odds_ratio: float, h: float, headstart: float = 0.0
) -> Cusum:
    """Sums the log-likelihood ratio of odds `odds_ratio` times those of each piercing's own `risk`, against its risk.

    A piercing of risk p adds y ln(R) - ln(1 - p + R p), y 1 for an event. An `odds_ratio` below 1 looks for a fall.
    With one risk for all it is the Bernoulli CUSUM. Source: Steiner SH, Cook RJ, Farewell VT, Treasure T (2000),
    Monitoring surgical performance using risk-adjusted cumulative sum charts, Biostatistics 1:441-452 (from memory).

    Raises ValueError where `event_flags` is not a row of true and false, `risk` does not lie inside 0 to 1 or is not
    one for each, `odds_ratio` is not above 0 or is 1, or `h` or `headstart` is as in `tabular_cusum`.
    """
    event, chance = same_shape(
        event_flags=flags("event_flags", event_flags).astype(np.float64), risk=_inside("risk", risk)
    )
    return cusum_path(np.where(event > 0, *risk_adjusted_weights(chance, odds_ratio)), h, headstart)


METHODS = (
    Method(
        identifier="likelihood_cusum",
        name="Bernoulli, Poisson and risk-adjusted CUSUM",
        functions=(
            "bernoulli_cusum",
            "bernoulli_reference",
            "poisson_cusum",
            "poisson_reference",
            "risk_adjusted_cusum",
            "risk_adjusted_weights",
        ),
        says="Adds up, piercing by piercing or week by week, how much better a changed risk explains what was seen "
        "than the baseline does; the risk-adjusted one lets each piercing have its own.",
        formula="C_t = max(0, C_(t-1) + ln(L1 / L0)); with odds ratio R: y ln R - ln(1 - p + R p)",
        source="Steiner SH, Cook RJ, Farewell VT, Treasure T (2000), Monitoring surgical performance using "
        "risk-adjusted cumulative sum charts, Biostatistics 1:441-452 (from memory)",
        checks=(
            "test_likelihood_cusum::test_one_risk_for_all_is_the_bernoulli_cusum",
            "test_likelihood_cusum::test_weights_are_log_likelihood_ratios",
            "test_lattice_run_length::test_simulated_charts_have_the_run_length",
        ),
    ),
)
