"""Average run lengths: how many points a CUSUM or EWMA chart takes until it signals, and the threshold for that.

Without a change it is the mean time to a false alarm, which should be long; after one, the delay until it is found.
Run lengths above `LONGEST` are given as infinite: double precision cannot tell them apart.
"""

from bisect import bisect_left
from collections.abc import Callable
from fractions import Fraction
from math import ceil
from typing import TypeVar

import numpy as np
from scipy.stats import norm

from pipeline.stats.arguments import FloatArray, finite, non_negative, not_above, positive, probability
from pipeline.stats.method import Method

LONGEST = 1e10
"""Longest run length told from none ending: the equations lose as many digits as it has."""
MOST_STATES = 5000
"""States of a chain, or points of an integral equation, at most: more would take seconds and much memory."""
Step = TypeVar("Step", float, Fraction)


def _mean_steps(transition: FloatArray) -> FloatArray:
    """Mean number of steps until a chain leaves its states, from each: m = 1 + transition m.

    At most 100 times `LONGEST`, so that what is made of two of them still is right up to `LONGEST`.
    """
    cap = 100 * LONGEST
    try:
        steps = np.linalg.solve(np.eye(len(transition)) - transition, np.ones(len(transition)))
    except np.linalg.LinAlgError:  # leaving has a probability too small for a double
        return np.full(len(transition), cap)
    return np.where((steps > 0) & (steps < cap), steps, cap)  # rounding can leave a long one negative


def _or_infinite(steps: float) -> float:
    """The run length, infinite from `LONGEST` on."""
    return float(steps) if steps < LONGEST else float("inf")


def chain_run_length(transition: FloatArray, start: int) -> float:
    """Average run length of a chart that is a Markov chain and begins in state `start`.

    `transition` has the probabilities to go from each state, a row, to each, a column, without a signal; what a row is
    short of 1 is the probability of a signal. Source: Brook D, Evans DA (1972), An approach to the probability
    distribution of CUSUM run length, Biometrika 59:539-549.
    """
    return _or_infinite(_mean_steps(transition)[start])


def _nodes(low: float, high: float, width: float) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre points and weights over a range, four and more of them to each `width`, an odd number in all."""
    number = 31 + 2 * ceil(2 * (high - low) / width)
    if number > MOST_STATES:
        raise ValueError(f"h must be smaller, or weight larger: {number} points are too many")
    points, weights = np.polynomial.legendre.leggauss(number)
    return low + (high - low) / 2 * (points + 1), (high - low) / 2 * weights


def _cusum_steps(k: float, h: float, shift: float, headstart: float) -> FloatArray:
    """Mean steps of the one-sided CUSUM of normal values from 0 and from the headstart."""
    inner, weights = _nodes(0.0, h, 1.0)
    points = np.concatenate(([0.0, headstart], inner))
    # To 0 there is a probability, to any point above it a density; the headstart is never come back to.
    to_zero = norm.cdf(k - shift - points)[:, np.newaxis]
    density = norm.pdf(inner - points[:, np.newaxis] + k - shift) * weights
    return _mean_steps(np.hstack((to_zero, np.zeros_like(to_zero), density)))[:2]


def _checked_cusum(k: float, h: float, shift: float, headstart: float) -> None:
    not_above("headstart", non_negative("headstart", headstart), "h", non_negative("h", h))
    finite("k and shift", [k, shift])


def normal_cusum_run_length(k: float, h: float, shift: float = 0.0, headstart: float = 0.0) -> float:
    """Average run length of the one-sided CUSUM of normal values, their mean `shift` above the target, all in sigmas.

    Page's integral equation, solved at Gauss-Legendre points. Source: Vance LC (1986), Average run lengths of
    cumulative sum control charts for controlling normal means, Journal of Quality Technology 18:189-193 (from memory).

    Raises ValueError where `k` or `shift` is not finite, `h` or `headstart` negative or not finite, `headstart` exceeds
    `h`, or `h` is above about 1,000.
    """
    _checked_cusum(k, h, shift, headstart)
    return _or_infinite(_cusum_steps(k, h, shift, headstart)[1])


def two_sided_cusum_run_length(k: float, h: float, shift: float = 0.0, headstart: float = 0.0) -> float:
    """Average run length of the pair of CUSUMs for rise and fall, with the same `k`, `h` and `headstart`.

    With L and M the run lengths of either from the headstart, L0 and M0 from 0: (L M0 + L0 M - L0 M0) / (L0 + M0).
    Source: Lucas JM, Crosier RB (1982), Fast initial response for CUSUM quality-control schemes, Technometrics
    24:199-205 (from memory). Exact while each can signal only when the other is at 0.

    Raises ValueError as `normal_cusum_run_length`, and where that is not so: `k` is negative, or `headstart` exceeds
    `h` / 2 + `k`.
    """
    _checked_cusum(float(non_negative("k", k)), h, shift, headstart)
    not_above("headstart", np.asarray(headstart), "h / 2 + k", np.asarray(h / 2 + k))
    rise_from_zero, rise = _cusum_steps(k, h, shift, headstart)
    fall_from_zero, fall = _cusum_steps(k, h, -shift, headstart)
    both = rise * fall_from_zero + rise_from_zero * fall - rise_from_zero * fall_from_zero
    return _or_infinite(both / (rise_from_zero + fall_from_zero))


def siegmund_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Approximate average run length of the one-sided CUSUM of normal values, in sigmas.

    (exp(-2 d b) + 2 d b - 1) / (2 d^2) with d = shift - k and b = h + 1.166; b^2 where d is 0. Source: Siegmund D
    (1985), Sequential Analysis (from memory).

    Raises ValueError where `k` or `shift` is not finite, or `h` is negative or not finite.
    """
    _checked_cusum(k, h, shift, 0.0)
    drift, b = shift - k, h + 1.166
    if abs(drift * b) < 1e-6:  # the formula would subtract nearly equal numbers; this is how it begins
        return b**2 * (1 - 2 * drift * b / 3)
    return float(np.expm1(-2 * drift * b) + 2 * drift * b) / (2 * drift**2)


def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    """Average run length of the EWMA chart of normal values with steady limits, `width` sigmas of the average apart.

    The integral equation of Crowder SV (1987), A simple method for studying run-length distributions of exponentially
    weighted moving average charts, Technometrics 29:401-407 (from memory), at Gauss-Legendre points. With weight 1 it
    is the Shewhart chart.

    Raises ValueError where `weight` is not above 0 and up to 1, or so small that the equation has too many points,
    `width` negative or not finite, or `shift` not finite.
    """
    weight = probability("weight", weight, positive=True)
    finite("shift", [shift])
    limit = float(non_negative("width", width)) * np.sqrt(weight / (2 - weight))
    points, weights = _nodes(-limit, limit, weight)
    step = (points - (1 - weight) * points[:, np.newaxis]) / weight - shift
    steps = _mean_steps(norm.pdf(step) / weight * weights)
    return _or_infinite(steps[len(steps) // 2])  # the middle of an odd number of points is the start


def threshold_for(wanted: float, run_length: Callable[[Step], float], step: Step) -> Step:
    """The smallest multiple of `step` at which `run_length`, which must not fall as it grows, is `wanted` or more.

    For a normal chart a small step such as 1e-6 finds the threshold itself; for a lattice chart the step is one over
    the denominator of its k.

    Raises ValueError where `wanted` is not above 0 or above `LONGEST`, or `step` is not above 0.
    """
    not_above("wanted", positive("wanted", wanted), "the longest run length", np.asarray(LONGEST))
    positive("step", float(step))
    highest = 1
    while run_length(highest * step) < wanted:
        highest *= 2
    return step * bisect_left(range(highest), wanted, key=lambda multiple: run_length(multiple * step))


METHODS = (
    Method(
        identifier="normal_run_length",
        name="Average run length of CUSUM and EWMA charts",
        functions=(
            "chain_run_length",
            "normal_cusum_run_length",
            "two_sided_cusum_run_length",
            "siegmund_run_length",
            "ewma_run_length",
            "threshold_for",
        ),
        says="How long a chart of normal values goes on average until it signals: false alarms without a change, "
        "delay with one; and the threshold for a wanted length. Lengths above 1e10 are given as infinite.",
        formula="L(z) = 1 + sum of the chances to go from z to z' without a signal, times L(z')",
        source="Lucas JM, Crosier RB (1982), Fast initial response for CUSUM quality-control schemes, Technometrics "
        "24:199-205; Crowder SV (1987), A simple method for studying run-length distributions of exponentially "
        "weighted moving average charts, Technometrics 29:401-407 (from memory)",
        checks=(
            "test_run_length::test_two_sided_cusum_of_the_published_tables",
            "test_run_length::test_one_sided_cusum_of_published_values",
            "test_run_length::test_ewma_of_the_published_tables",
            "test_run_length::test_siegmunds_approximation",
        ),
    ),
)
