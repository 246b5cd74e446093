"""Average run lengths of the Bernoulli and the Poisson CUSUM, which move on a lattice, by exact Markov chains."""

from fractions import Fraction
from math import floor, lcm

import numpy as np
from scipy.stats import poisson

from pipeline.stats.arguments import FloatArray, non_negative, not_above, positive, probability
from pipeline.stats.control_chart import ON_LIMIT
from pipeline.stats.method import Method
from pipeline.stats.run_length import MOST_STATES, chain_run_length


def _checked(k: Fraction, h: float | Fraction, headstart: Fraction) -> None:
    non_negative("k", float(k))
    not_above("headstart", non_negative("headstart", float(headstart)), "h", non_negative("h", float(h)))


def _lattice_steps(chances: FloatArray, k: Fraction, h: float | Fraction, headstart: Fraction) -> float:
    """Mean steps of C = max(0, C + X - k), where X is x with `chances[x]` and otherwise large enough to signal.

    All sums are multiples of one over the common denominator of k and the headstart, and the chain's states are these.
    """
    per_event = lcm(k.denominator, headstart.denominator)
    last = floor(float(h) * per_event * (1 + ON_LIMIT))
    if last >= MOST_STATES:
        raise ValueError(f"k must have a small denominator, with that of headstart: {last + 1} states are too many")
    state = np.arange(last + 1)
    transition = np.zeros((last + 1, last + 1))
    for x, chance in enumerate(chances):
        after = np.maximum(state + int((x - k) * per_event), 0)
        stays = after <= last
        np.add.at(transition, (state[stays], after[stays]), chance)
    return chain_run_length(transition, start=int(headstart * per_event))


def bernoulli_run_length(p: float, k: Fraction, h: float | Fraction, headstart: Fraction = Fraction(0)) -> float:
    """Average number of piercings until the Bernoulli CUSUM signals, each an event with probability `p`.

    The chart adds 1 - `k` for an event and takes `k` off for any other piercing, as `bernoulli_cusum` does in units of
    the log odds ratio; `k` is its `bernoulli_reference` as a fraction. An exact Markov chain, with about h times the
    denominator of `k` states. Source: Brook D, Evans DA (1972), An approach to the probability distribution of CUSUM
    run length, Biometrika 59:539-549; Reynolds MR, Stoumbos ZG (1999), Journal of Quality Technology 31:87-108 (from
    memory).

    Raises ValueError where `p` is not above 0 and up to 1, `k` does not lie from 0 to below 1 (it could never signal),
    `h` or `headstart` is negative or not finite, `headstart` exceeds `h`, or the denominators make more than 5,000
    states.
    """
    p = probability("p", p, positive=True)
    _checked(k, h, headstart)
    if k >= 1:
        raise ValueError(f"k must lie below 1, or no event would raise the sum: {k}")
    return _lattice_steps(np.array([1 - p, p]), k, h, headstart)


def poisson_run_length(mean: float, k: Fraction, h: float | Fraction, headstart: Fraction = Fraction(0)) -> float:
    """Average number of subgroups until the Poisson CUSUM signals, each with Poisson events of mean `mean`.

    The chart adds the events less `k`, as `poisson_cusum` does in units of ln(ratio) where all subgroups expect as
    many; `k` is its `poisson_reference` as a fraction. An exact Markov chain as in `bernoulli_run_length`. Source:
    Lucas JM (1985), Counted data CUSUM's, Technometrics 27:129-144 (from memory).

    Raises ValueError where `mean` is not above 0, `k`, `h` or `headstart` is negative or not finite, `headstart`
    exceeds `h`, or the denominators make more than 5,000 states.
    """
    _checked(k, h, headstart)
    short_of_signal = np.arange(floor(h + k) + 2)  # any larger count signals, whatever the sum was
    return _lattice_steps(poisson.pmf(short_of_signal, float(positive("mean", mean))), k, h, headstart)


METHODS = (
    Method(
        identifier="lattice_run_length",
        name="Average run length of Bernoulli and Poisson CUSUM",
        functions=("bernoulli_run_length", "poisson_run_length"),
        says="How many piercings, or weeks, pass on average until the chart signals: false alarms without a change, "
        "delay with one. Exact where the reference value is a fraction; other reference values are taken as a near "
        "one.",
        formula="m = 1 + Q m, Q the chances to move between the multiples of one over the denominator of k",
        source="Brook D, Evans DA (1972), An approach to the probability distribution of CUSUM run length, Biometrika "
        "59:539-549",
        checks=(
            "test_lattice_run_length::test_simulated_charts_have_the_run_length",
            "test_lattice_run_length::test_small_charts_by_hand",
        ),
    ),
)
