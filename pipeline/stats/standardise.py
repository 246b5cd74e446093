"""Indirect standardisation: what a group would have had, had its piercings fared as others of their kind."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, codes, counts, non_negative, same_shape
from pipeline.stats.count_intervals import poisson_exact, poisson_mid_p
from pipeline.stats.intervals import Interval
from pipeline.stats.method import Method

LEAST_EXPECTED = 1.0
"""Events that must be expected for a ratio to be given (the reporting rule of the US National Healthcare Safety
Network for standardised infection ratios)."""


@dataclass(frozen=True, eq=False)
class Rates:
    """Events and what was at risk for them in each stratum; a stratum without any at risk has those of all together."""

    events: FloatArray
    at_risk: FloatArray

    @property
    def rate(self) -> FloatArray:
        """Events per piercing at risk in each stratum; NaN in all where nothing was at risk."""
        return _quotient(self.events, self.at_risk)


def _quotient(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    """The quotient, NaN where the denominator is 0."""
    unknown = np.full(np.broadcast_shapes(numerator.shape, denominator.shape), np.nan)
    return np.asarray(np.divide(numerator, denominator, out=unknown, where=denominator > 0))


def stratum_rates(events: ArrayLike, at_risk: ArrayLike, stratum: ArrayLike, n_strata: int) -> Rates:
    """Rates of the reference piercings by stratum.

    One value for each piercing: its `events`, how far it is `at_risk` (1, or the part of its events that can be known
    by now), and its `stratum` from 0 to `n_strata` - 1. No piercings are allowed and leave the rates unknown.

    Raises ValueError where `events` are not whole numbers of 0 or more, `at_risk` is negative or not finite, `stratum`
    is out of its range, or lengths differ.
    """
    stratum_of = codes("stratum", stratum, n_strata)
    count, risk, _ = same_shape(
        events=counts("events", events), at_risk=non_negative("at_risk", at_risk), stratum=stratum_of.astype(np.float64)
    )
    totals = (np.bincount(stratum_of, weights=weights, minlength=n_strata) for weights in (count, risk))
    events_in, at_risk_in = totals
    bare = at_risk_in == 0
    return Rates(np.where(bare, count.sum(), events_in), np.where(bare, risk.sum(), at_risk_in))


def expected(rates: Rates, at_risk: ArrayLike, stratum: ArrayLike, group: ArrayLike, n_groups: int) -> FloatArray:
    """Expected events of each group: what it has at risk in each stratum, times the stratum's rate, summed.

    One value for each piercing: how far it is `at_risk`, its `stratum` as in `rates`, its `group` from 0 to `n_groups`
    - 1. A group without piercings expects 0; NaN in all groups where the rates are unknown.

    Raises ValueError where `at_risk` is negative or not finite, `stratum` or `group` out of range, or lengths differ.
    """
    n_strata = len(rates.events)
    stratum_of, group_of = codes("stratum", stratum, n_strata), codes("group", group, n_groups)
    risk, *_ = same_shape(
        at_risk=non_negative("at_risk", at_risk),
        stratum=stratum_of.astype(np.float64),
        group=group_of.astype(np.float64),
    )
    cells = np.bincount(group_of * n_strata + stratum_of, weights=risk, minlength=n_groups * n_strata)
    # Multiplied before it is divided, so that a group that is a whole stratum expects exactly its events.
    return np.asarray(_quotient(cells.reshape(n_groups, n_strata) * rates.events, rates.at_risk).sum(axis=1))


@dataclass(frozen=True, eq=False)
class Ratio:
    """Observed over expected, with a 95 % Poisson interval; NaN where fewer than 1 is expected."""

    ratio: FloatArray
    low: FloatArray
    high: FloatArray


def standardised_ratio(observed: ArrayLike, expected: ArrayLike) -> Ratio:
    """The ratio of `observed` to `expected` events, expected taken as known, with its exact interval.

    Raises ValueError where `observed` are not whole numbers of 0 or more, `expected` negative or NaN, or shapes differ.
    """
    return _ratio(poisson_exact, observed, expected)


def standardised_ratio_mid_p(observed: ArrayLike, expected: ArrayLike) -> Ratio:
    """As `standardised_ratio`, with the mid-P interval: narrower, and -ln 0.05 / `expected` the upper end at no events.

    The lower end at no events is 0, where the US National Healthcare Safety Network, which reports this interval, gives
    none.
    """
    return _ratio(poisson_mid_p, observed, expected)


def _ratio(interval_of: Callable[[ArrayLike], Interval], observed: ArrayLike, expected: ArrayLike) -> Ratio:
    count, base = same_shape(observed=counts("observed", observed), expected=non_negative("expected", expected))
    enough = np.where(base >= LEAST_EXPECTED, base, 0.0)
    interval = interval_of(count)
    return Ratio(*(_quotient(part, enough) for part in (count, interval.low, interval.high)))


METHODS = (
    Method(
        identifier="standardised_ratio",
        name="Indirectly standardised ratio with its exact interval",
        functions=("stratum_rates", "expected", "standardised_ratio"),
        says="How many events a group had for each that piercings of the same kinds have elsewhere. Not given where "
        "fewer than 1 is expected. What is expected counts as known, so the interval is somewhat too narrow where the "
        "group is a large part of those it is compared with.",
        formula="O / E with E = sum over strata of the group's piercings times the stratum's rate; Garwood's interval "
        "of O, over E",
        source="Breslow NE, Day NE (1987), Statistical Methods in Cancer Research II, IARC Scientific Publications 82, "
        "chapter 2 (from memory); reporting rule: US Centers for Disease Control and Prevention, standardised "
        "infection ratio",
        checks=(
            "test_standardise::test_equals_fractions_and_sums_to_the_events",
            "test_standardise::test_recovers_known_rates_where_crude_comparison_misleads",
            "test_standardise::test_no_ratio_below_one_expected",
        ),
    ),
    Method(
        identifier="standardised_ratio_mid_p",
        name="Indirectly standardised ratio with its mid-P interval",
        functions=("standardised_ratio_mid_p",),
        says="The same ratio with a narrower interval, as infection networks report it.",
        formula="O / E; the mid-P interval of O, over E",
        source="US Centers for Disease Control and Prevention, standardised infection ratio; Berry G, Armitage P "
        "(1995), Mid-P confidence intervals: a brief review, The Statistician 44:417-423 (from memory)",
        checks=(
            "test_standardise::test_mid_p_at_no_events_equals_the_networks_rule",
            "test_standardise::test_mid_p_agrees_with_the_networks_test",
        ),
    ),
)
"""What this module offers."""
