"""The chain ladder: completes a reporting triangle, with Mack's standard errors.

The check of reporting triangles: by delay in whole periods it is the same estimator as the delay distribution, but its
errors come from how the development varied, not from an assumption that counts are Poisson.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, non_negative
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class ChainLadder:
    """A completed triangle.

    `factors` take the total from one delay to the next. For each period, `final` is the total in the end, `unseen` what
    of it is not known yet, and `errors` the standard error of that; `total_error` is that of all unseen together.
    """

    factors: FloatArray
    final: FloatArray
    unseen: FloatArray
    errors: FloatArray
    total_error: float


def chain_ladder(triangle: ArrayLike) -> ChainLadder:
    """Completes a square of cumulative counts: a row for each period, the oldest first, a column for each delay.

    Row i of I has I - i known values; the rest must be NaN. With C the counts, f_k = sum C_k+1 / sum C_k over rows that
    know both, and s_k^2 = sum C_k (C_k+1 / C_k - f_k)^2 / (I - k - 2), k from 0; the last, with a single row, is
    min(s^4 / s'^2, s'^2, s^2) of the two before it (s, then s'). Development beyond the last column is taken as none.
    A row at 0 stays there, with error 0, as the method cannot tell more of it; what follows a known 0 is left out of
    s^2. Errors are NaN where fewer than four periods leave the last s^2 unknown. Source: Mack T (1993),
    Distribution-free calculation of the standard error of chain ladder reserve estimates, ASTIN Bulletin 23:213-225
    (formulas from memory).

    Raises ValueError where `triangle` is not square, has values that are negative or infinite or fall along a row, is
    not known exactly above and on the diagonal, or has a column without a count to develop from.
    """
    known = _checked(triangle)
    periods = len(known)
    both = [slice(periods - delay - 1) for delay in range(periods - 1)]
    before = np.array([known[rows, delay].sum() for delay, rows in enumerate(both)])
    if (before == 0).any():
        raise ValueError("triangle must have a count to develop from in each column")
    factors = np.array([known[rows, delay + 1].sum() for delay, rows in enumerate(both)]) / before
    full = known.copy()
    for delay, factor in enumerate(factors):
        later = slice(periods - delay - 1, None)
        full[later, delay + 1] = full[later, delay] * factor
    final, latest = full[:, -1], np.diagonal(known[:, ::-1])
    relative = _variances(known, factors) / factors**2
    errors, total_error = _errors(full, relative, before)
    return ChainLadder(factors, final, final - latest, errors, total_error)


def _checked(triangle: ArrayLike) -> FloatArray:
    square = np.asarray(triangle, dtype=np.float64)
    if square.ndim != 2 or square.shape[0] != square.shape[1]:
        raise ValueError(f"triangle must be square: its shape is {square.shape}")
    known = ~np.isnan(square)
    if not np.array_equal(known, np.tri(len(square), dtype=bool)[::-1]):
        raise ValueError("triangle must be known above and on its diagonal, and NaN below")
    non_negative("triangle", square[known])
    if (np.diff(square, axis=1) < 0).any():
        raise ValueError("triangle must be cumulative: a row falls")
    return square


def _variances(triangle: FloatArray, factors: FloatArray) -> FloatArray:
    """Mack's s^2 by delay; all NaN with fewer than four periods."""
    periods = len(triangle)
    if periods < 4:
        return np.full(len(factors), np.nan)
    earlier, later = triangle[:, :-1], triangle[:, 1:]
    terms = np.divide((later - factors * earlier) ** 2, earlier, out=np.zeros_like(later), where=earlier > 0)
    freedom = np.maximum(periods - 2 - np.arange(periods - 1), 1)
    variances = np.asarray(np.nansum(terms, axis=0) / freedom)
    second, first = variances[-3:-1]
    variances[-1] = min(first**2 / second, first, second) if second > 0 else 0.0
    return variances


def _errors(full: FloatArray, relative: FloatArray, before: FloatArray) -> tuple[FloatArray, float]:
    """Standard errors of each period's unseen and of all together; `relative` are s^2 / f^2."""
    periods, final = len(full), full[:, -1]
    unseen_at = np.tri(periods, periods - 1, -1, dtype=bool)[:, ::-1]
    own = np.divide(1.0, full[:, :-1], out=np.zeros_like(full[:, :-1]), where=full[:, :-1] > 0)
    squares = final**2 * np.where(unseen_at, relative * (own + 1 / before), 0.0).sum(axis=1)
    younger = final.sum() - np.cumsum(final)
    shared = 2 * final * younger * np.where(unseen_at, relative / before, 0.0).sum(axis=1)
    return np.sqrt(squares), float(np.sqrt((squares + shared).sum()))


METHODS = (
    Method(
        identifier="chain_ladder",
        name="Chain ladder with Mack's standard errors",
        functions=("chain_ladder",),
        says="Completes a triangle of counts by period and delay from how older periods developed. A period at 0 stays "
        "at 0, so it suits broad counts, not rare events.",
        formula="f_k = sum C_k+1 / sum C_k; se_i^2 = C_iI^2 sum of s_k^2 / f_k^2 (1 / C_ik + 1 / sum C_k)",
        source="Mack T (1993), Distribution-free calculation of the standard error of chain ladder reserve estimates, "
        "ASTIN Bulletin 23:213-225 (formulas from memory)",
        checks=(
            "test_completion::test_taylor_and_ashe_by_the_chain_ladder",
            "test_completion::test_mack_errors_are_those_of_simulated_triangles",
            "test_delay::test_chain_ladder_is_the_same_estimator",
        ),
    ),
)
