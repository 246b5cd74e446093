"""Run rules: patterns of several points that no single point beyond a limit would show, and what they cost.

Every further rule finds changes sooner and alarms falsely more often. So at most four are chosen, before the data are
seen, and the average run length of the chosen set together is what is stated.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binom, norm

from pipeline.stats.arguments import IntArray, counts, finite
from pipeline.stats.control_chart import above
from pipeline.stats.method import Method
from pipeline.stats.run_length import MOST_STATES, chain_run_length

MOST_RULES = 4


@dataclass(frozen=True)
class Rule:
    """`least` or more of `window` points in a row lie more than `beyond` standard deviations on one side.

    Raises ValueError where `window` is not a whole number of 1 or more, `least` not above half of it (both sides could
    have as many) or above it, or `beyond` is negative or not finite.
    """

    least: int
    window: int
    beyond: float

    def __post_init__(self) -> None:
        counts("window", self.window, least=1)
        if not self.window / 2 < counts("least", self.least) <= self.window:
            raise ValueError(f"least must be more than half of the window of {self.window} and no more than it")
        if not 0 <= self.beyond < np.inf:
            raise ValueError(f"beyond must be finite and at least 0, not {self.beyond}")


BEYOND_LIMITS = Rule(1, 1, 3.0)
TWO_OF_THREE = Rule(2, 3, 2.0)
FOUR_OF_FIVE = Rule(4, 5, 1.0)
EIGHT_ON_ONE_SIDE = Rule(8, 8, 0.0)
"""The four usual rules, 1 to 4 of Champ & Woodall (1987)."""


def _chosen(rules: Sequence[Rule]) -> tuple[Rule, ...]:
    if not 1 <= len(rules) <= MOST_RULES:
        raise ValueError(f"rules must be 1 to {MOST_RULES}, chosen beforehand, not {len(rules)}")
    return tuple(rules)


def rule_signals(z: ArrayLike, rules: Sequence[Rule]) -> IntArray:
    """For each rule a row, for each of the standardised points `z` +1, -1 or 0: which side its pattern lies on.

    A rule signals at a point where the window that ends with it shows the pattern; before the first full window it may
    signal too, where enough points lie beyond. A point at exactly `beyond`, or on the centre line, is not beyond it. No
    points give empty rows.

    Raises ValueError where `z` is not a row of finite numbers, or there are no rules or more than four.
    """
    points = finite("z", z)
    return np.array([_signals(points, rule) for rule in _chosen(rules)], dtype=np.int64)


def _signals(points: NDArray[np.float64], rule: Rule) -> IntArray:
    def shown(is_beyond: NDArray[np.bool_]) -> IntArray:
        so_far = np.pad(np.cumsum(is_beyond, dtype=np.int64), (rule.window, 0))
        in_window: IntArray = so_far[rule.window :] - so_far[: -rule.window]
        return (in_window >= rule.least).astype(np.int64)

    line = np.asarray(rule.beyond)
    return shown(above(points, line)) - shown(above(-points, line))


def false_alarm_probability(rule: Rule) -> float:
    """Probability that a full window of independent standard normal points shows the pattern, on either side.

    So often, in the long run, points of an unchanged process signal. Source: elementary; the tests are those of Nelson
    LS (1984), The Shewhart control chart - tests for special causes, Journal of Quality Technology 16:237-239.
    """
    return float(2 * binom.sf(rule.least - 1, rule.window, norm.sf(rule.beyond)))


History = tuple[bool, ...]
"""Whether each recent point was beyond, the newest first, as far back as it can still matter."""


def _remembered(history: History, rule: Rule) -> History:
    """The history without points that cannot belong to a pattern yet to come: more are amiss than a window allows."""
    spare = rule.window - rule.least
    kept: list[bool] = []
    for was_beyond in history:
        spare -= not was_beyond
        if spare < 0:
            break
        kept.append(was_beyond)
    while kept and not kept[-1]:  # a point that was not beyond is no better than none
        kept.pop()
    return tuple(kept)


State = tuple[History, ...]
"""A history for each rule and side."""


def _next(state: State, z: float, rules: tuple[Rule, ...]) -> State | None:
    """The state after a point at `z`; None where a rule signals."""
    sides = [(rule, side) for rule in rules for side in (1, -1)]
    after: list[History] = []
    for (rule, side), history in zip(sides, state, strict=True):
        longer = (side * z > rule.beyond, *history)
        if sum(longer) >= rule.least:
            return None
        after.append(_remembered(longer, rule))
    return tuple(after)


def rules_run_length(rules: Sequence[Rule], shift: float = 0.0) -> float:
    """Average number of points until any of the `rules` signals, where normal points are `shift` sigmas off the centre.

    An exact Markov chain whose states are the histories that still matter. Source: Champ CW, Woodall WH (1987), Exact
    results for Shewhart control charts with supplementary runs rules, Technometrics 29:393-399.

    Raises ValueError where there are no rules or more than four, `shift` is not finite, or the rules have more than
    5,000 histories, as those of long windows that spare many points do.
    """
    chosen, shift = _chosen(rules), float(finite("shift", [shift])[0])
    edges = np.unique([side * rule.beyond for rule in chosen for side in (1, -1)])
    zones = np.concatenate(([edges[0] - 1], (edges[1:] + edges[:-1]) / 2, [edges[-1] + 1]))
    chances = np.diff(norm.cdf(np.concatenate(([-np.inf], edges, [np.inf])), loc=shift))
    states: dict[State, int] = {((),) * (2 * len(chosen)): 0}
    moves: list[tuple[int, int, float]] = []
    for number, state in enumerate(queue := list(states)):  # the list grows while it is walked
        for zone, chance in zip(zones, chances, strict=True):
            if (after := _next(state, zone, chosen)) is None:
                continue
            if after not in states:
                states[after] = len(states)
                queue.append(after)
                if len(states) > MOST_STATES:
                    raise ValueError("rules have too long windows together for an exact run length")
            moves.append((number, states[after], chance))
    transition = np.zeros((len(states), len(states)))
    for start, end, chance in moves:
        transition[start, end] += chance
    return chain_run_length(transition, start=0)


METHODS = (
    Method(
        identifier="run_rules",
        name="Run rules",
        functions=("rule_signals", "false_alarm_probability", "rules_run_length"),
        says="One point beyond the limits, two of three beyond two standard deviations, four of five beyond one, "
        "eight on one side: at most four, chosen beforehand, with the average run length of the set. A point on a "
        "line is not beyond it.",
        formula="per rule 2 P(X >= least), X binomial(window, P(Z > beyond)); of a set, mean steps of a Markov chain",
        source="Champ CW, Woodall WH (1987), Exact results for Shewhart control charts with supplementary runs rules, "
        "Technometrics 29:393-399",
        checks=(
            "test_run_rules::test_run_lengths_of_the_published_table",
            "test_run_rules::test_false_alarm_probabilities",
            "test_run_rules::test_signals_equal_a_search_of_windows",
        ),
    ),
)
