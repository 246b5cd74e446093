"""Case-mix adjustment: the probability of an event by what was pierced and whom, from logistic regression.

Rows are strata: so many piercings alike in every factor, usually of one branch. Factors are columns of 0 and 1 (dummy
codes without the reference level) or centred numbers.
"""

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from pipeline.stats.arguments import FloatArray, codes, counts, non_negative, not_above, row, same_shape
from pipeline.stats.method import Method

PENALTY_EVENTS = 0.5
"""Each factor's coefficient is held back by one made-up piercing of that factor alone, half of it an event."""
COEFFICIENT_TOLERANCE = 1e-10
"""How near coefficients of two steps of the fit must be for it to end: statsmodels' own rule looks at the deviance,
which is flat at its least, and lets them end further off."""
EQUAL_RISK_DECIMALS = 9
"""Decimals to which risks that are one in theory, such as those of strata with alike factors, agree."""


@dataclass(frozen=True, eq=False)
class CaseMix:
    """A fitted model: log odds = `intercept` + factors times `coefficients`, and the coefficients' standard errors.

    `risk` is each row's probability of an event. All are NaN where none or all of the piercings are events.
    """

    intercept: float
    coefficients: FloatArray
    errors: FloatArray
    risk: FloatArray


def fit_case_mix(events: ArrayLike, n: ArrayLike, factors: ArrayLike) -> CaseMix:
    """Fits the probability of an event to strata with `events` among `n`, and a row of `factors` each.

    Each coefficient but the intercept has a log-F(1, 1) prior: one made-up piercing that has this factor alone and no
    intercept, of which a half is an event. It keeps every coefficient finite where a level has events in none or all of
    its piercings (separation), gives 0 to a level that nobody has, and shares an effect among columns that cannot be
    told apart. The prior always applies, so that a night on which separation ends does not jump. It costs little: the
    events of a dummy's level and those expected there differ by less than a half, and over all rows expected equals
    observed. Source: Greenland S, Mansournia MA (2015), Penalization, bias reduction, and default priors in logistic
    and related categorical and survival regressions, Statistics in Medicine 34:3133-3143 (from memory).

    Raises ValueError where `events` or `n` are not whole numbers of 0 or more, `events` exceed `n`, `factors` has
    values that are not finite or not a row for each stratum.
    """
    x, size, table = _checked(events, n, factors)
    if not 0 < x.sum() < size.sum():
        unknown = np.full(table.shape[1], np.nan)
        return CaseMix(np.nan, unknown, unknown, np.full(len(x), np.nan))
    fitted, errors = _fit(x, size, table)
    log_odds = fitted[0] + table @ fitted[1:]
    return CaseMix(float(fitted[0]), fitted[1:], errors[1:], np.asarray(expit(log_odds)))


def _checked(events: ArrayLike, n: ArrayLike, factors: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    x, size = same_shape(events=row("events", counts("events", events)), n=counts("n", n))
    not_above("events", x, "n", size)
    table = np.asarray(factors, dtype=np.float64)
    if table.ndim != 2 or len(table) != len(x):
        raise ValueError(f"factors must have a row for each of the {len(x)} strata: its shape is {table.shape}")
    if not np.isfinite(table).all():
        raise ValueError("factors must be finite")
    return x, size, table


def _fit(x: FloatArray, size: FloatArray, table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients, the intercept first, and their standard errors."""
    from statsmodels.genmod.families import Binomial  # slow to import, so only when needed
    from statsmodels.genmod.generalized_linear_model import GLM
    from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

    some, width = size > 0, table.shape[1]
    design = np.column_stack([np.ones(some.sum()), table[some]])
    made_up = np.column_stack([np.zeros(width), np.eye(width)])
    happened = np.concatenate([x[some], np.full(width, PENALTY_EVENTS)])
    at_risk = np.concatenate([size[some], np.full(width, 2 * PENALTY_EVENTS)])
    model = GLM(np.column_stack([happened, at_risk - happened]), np.vstack([design, made_up]), family=Binomial())
    # statsmodels takes an exact fit (say, equal shares everywhere) for separation, which the made-up piercings exclude,
    # and divides by the residual degrees of freedom, none with a single stratum, for a scale that is not used.
    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        warnings.simplefilter("ignore", PerfectSeparationWarning)
        fit = model.fit(tol=COEFFICIENT_TOLERANCE, tol_criterion="params")
    return np.asarray(fit.params), np.asarray(fit.bse)


def expected_events(risk: ArrayLike, n: ArrayLike, group: ArrayLike, n_groups: int) -> FloatArray:
    """Expected events of each group: its rows' `n` times their `risk`, summed; a group without rows expects 0.

    One value for each row; `group` is 0 to `n_groups` - 1. NaN in a group that has a row of unknown risk.

    Raises ValueError where `risk` lies outside 0 to 1, `n` are not whole numbers of 0 or more, `group` is out of its
    range, or lengths differ.
    """
    share, size = _risk_and_size(risk, n)
    group_of = codes("group", group, n_groups)
    same_shape(n=size, group=group_of.astype(np.float64))
    return np.bincount(group_of, weights=share * size, minlength=n_groups).astype(np.float64)


def _risk_and_size(risk: ArrayLike, n: ArrayLike) -> tuple[FloatArray, FloatArray]:
    share = row("risk", np.asarray(risk, dtype=np.float64))
    known = np.nan_to_num(share)
    not_above("risk", non_negative("risk", known), "1", np.ones_like(known))
    size, _ = same_shape(n=row("n", counts("n", n)), risk=share)
    return share, size


@dataclass(frozen=True, eq=False)
class Calibration:
    """Observed and expected events by tenths of risk, from the lowest; `n` piercings in each that has any.

    `hosmer_lemeshow` is sum (O - E)^2 / (E (1 - E / n)) over tenths: a description, about the number of tenths less 2
    where the model fits. No p value is given: with many piercings it rejects every model, with few none.
    """

    tenth: FloatArray
    n: FloatArray
    observed: FloatArray
    expected: FloatArray
    hosmer_lemeshow: float


def calibration(events: ArrayLike, n: ArrayLike, risk: ArrayLike) -> Calibration:
    """Compares events with those expected by tenths of risk.

    One row for each stratum. Rows are ordered by `risk`; those of equal risk (to nine decimals) stay together, in the
    tenth in which the middle one of their piercings falls, so that tenths need not be equal and may be missing. Source:
    Hosmer DW, Lemeshow S (1980), Goodness of fit tests for the multiple logistic regression model, Communications in
    Statistics A 9:1043-1069 (from memory). Rows of unknown risk or without piercings take no part; none left gives an
    empty table and NaN.

    Raises ValueError where `events` or `n` are not whole numbers of 0 or more, `events` exceed `n`, `risk` lies outside
    0 to 1, or lengths differ.
    """
    share, size = _risk_and_size(risk, n)
    x, _ = same_shape(events=row("events", counts("events", events)), n=size)
    not_above("events", x, "n", size)
    part = ~np.isnan(share) & (size > 0)
    share, size, x = share[part], size[part], x[part]
    _, level = np.unique(np.round(share, EQUAL_RISK_DECIMALS), return_inverse=True)
    in_level = np.bincount(level, weights=size)
    middle = np.cumsum(in_level) - in_level / 2
    tenth = np.floor(10 * middle / size.sum())[level]
    present, position = np.unique(tenth, return_inverse=True)
    total, observed, expected = (
        np.bincount(position, weights=weights, minlength=len(present)).astype(np.float64)
        for weights in (size, x, size * share)
    )
    variance = expected * (1 - expected / total)
    terms = np.divide((observed - expected) ** 2, variance, out=np.full(len(present), np.nan), where=variance > 0)
    return Calibration(present + 1, total, observed, expected, float(terms.sum()) if len(present) else np.nan)


METHODS = (
    Method(
        identifier="case_mix",
        name="Case-mix adjustment by logistic regression with log-F(1, 1) priors",
        functions=("fit_case_mix", "expected_events"),
        says="What a branch would have had if its piercings had fared as like piercings everywhere, for several "
        "factors together. A weak prior keeps coefficients finite where a level has no event.",
        formula="log odds = intercept + sum of coefficients; one made-up piercing per coefficient, half an event",
        source="Greenland S, Mansournia MA (2015), Penalization, bias reduction, and default priors in logistic and "
        "related categorical and survival regressions, Statistics in Medicine 34:3133-3143 (from memory)",
        checks=(
            "test_case_mix::test_recovers_the_coefficients",
            "test_case_mix::test_is_where_the_penalised_likelihood_is_greatest",
            "test_case_mix::test_expected_equals_observed_over_all_and_nearly_by_level",
            "test_case_mix::test_one_dummy_by_hand",
        ),
    ),
    Method(
        identifier="calibration",
        name="Calibration by tenths of risk",
        functions=("calibration",),
        says="Shows whether low and high risks are both right. The statistic only describes; it is no test.",
        formula="sum (O - E)^2 / (E (1 - E / n)) over tenths of risk",
        source="Hosmer DW, Lemeshow S (1980), Goodness of fit tests for the multiple logistic regression model, "
        "Communications in Statistics A 9:1043-1069 (from memory)",
        checks=(
            "test_case_mix::test_calibration_by_hand",
            "test_case_mix::test_calibration_of_a_right_and_a_wrong_model",
        ),
    ),
)
