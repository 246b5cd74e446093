"""Which thresholds are in force: those solved last for the chain as it is, or by its size while it is new."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipeline.results import RESULT_BY_NAME
from pipeline.stats.arguments import FloatArray
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import LONGEST, ExpectedSoFar
from pipeline.watch.families import FAMILIES, WEIGHTS
from pipeline.watch.nullworlds import FLOOR, null_scores
from pipeline.watch.thresholds import solve_thresholds

SIMULATED, BY_SIZE = "simulated", "by size"
LEAST_DAYS, LEAST_PIERCINGS = LONGEST, 200
"""History from which thresholds are solved on the chain's own piercings."""
MOST_SLICES = 20_000
"""Slices up to which thresholds are solved within minutes; a larger chain goes by its size."""
LIKE = 1.25
"""Times by which weekly piercings or events may differ from those solved for before thresholds are solved again."""
WORLDS = {"infection": 100}
OTHER_WORLDS = 30
"""Null worlds of a year: enough that a budget of 4 a year is met within 5 %, of 1 within 18 % (standard error)."""
SEED = 20310504
BELOW_BOUND = {"all": 0.5}
OTHERS_BELOW_BOUND = 1.5
"""By how much thresholds by size lie below the bound: simulated ones of invented chains of one and of eight branches
lie 0 to 0.8 below it for the whole chain, and 1.1 (site groups of one branch) to 2.8 for the other families."""


@dataclass(frozen=True)
class Size:
    """What thresholds depend on: branches, and piercings and expected events a week."""

    branches: int
    piercings: float
    events: float

    def is_like(self, other: "Size") -> bool:
        """Whether thresholds solved for one hold for the other."""
        pairs = ((self.piercings, other.piercings), (self.events, other.events))
        return self.branches == other.branches and all(one <= LIKE * two and two <= LIKE * one for one, two in pairs)


def size_of(cohort: Cohort, night: int, expected: ExpectedSoFar) -> Size:
    """A chain's size over the last half year."""
    recent = expected.recent
    days = min(LONGEST, night - int(cohort.performed.min(initial=night)) + 1)
    branches = len(np.unique(cohort.branch[recent]))
    return Size(branches, 7 * len(recent) / days, 7 * float(expected.in_the_end.sum()) / days)


def in_force(
    complication: str,
    cohort: Cohort,
    night: int,
    as_of: date,
    expected: ExpectedSoFar,
    budget: float,
    known: pl.DataFrame,
    may_solve: bool = True,
) -> tuple[FloatArray, pl.DataFrame]:
    """The thresholds of a complication by family, and their rows of the result `thresholds`.

    `known` holds those of earlier nights, each set from the day it holds from; nights before the first go by the first.
    They stay until the chain's size or the budget is another, so that a threshold does not move from night to night; if
    not `may_solve`, they stay whatever the chain's size, and a family they do not have goes by that.
    """
    every = known.filter(pl.col("complication") == complication)
    own = every.filter(pl.col("holds_from") <= as_of)
    if own.is_empty():
        own = every.filter(pl.col("holds_from") == pl.col("holds_from").min())
    latest = own.filter(pl.col("holds_from") == pl.col("holds_from").max())
    size = size_of(cohort, night, expected)
    basis = SIMULATED if _is_enough(cohort, night) else BY_SIZE
    there = {FAMILIES[cohort.slices.family[own.first]] for own in cohort.slices.pairs}
    if there <= set(latest["dimension"]) and _holds(latest, size, basis, budget):
        return _by_family(latest), own
    if not may_solve and latest["budget"].to_list()[:1] == [budget]:
        limits = _by_family(latest)
        return np.where(np.isinf(limits), thresholds_by_size(cohort, expected, budget), limits), own
    if basis == SIMULATED:
        worlds = WORLDS.get(complication, OTHER_WORLDS)
        solved = solve_thresholds(null_scores(cohort, night, expected, worlds, SEED), budget)
        limits, a_year = solved.thresholds, solved.a_year
    else:
        limits, a_year = thresholds_by_size(cohort, expected, budget), None
    new = RESULT_BY_NAME["thresholds"].frame(
        pl.DataFrame(
            {
                "complication": complication,
                "dimension": FAMILIES,
                "holds_from": as_of,
                "threshold": limits,
                "budget": budget,
                "simulated_a_year": a_year,
                "basis": basis,
                "branches": size.branches,
                "piercings_a_week": size.piercings,
                "events_a_week": size.events,
            },
            schema_overrides={"simulated_a_year": pl.Float64},
        ).filter(pl.col("threshold").is_finite())
    )
    return limits, pl.concat([own.filter(pl.col("holds_from") < as_of), new])


def _is_enough(cohort: Cohort, night: int) -> bool:
    past = cohort.performed[cohort.performed <= night]
    if cohort.slices.count > MOST_SLICES:
        return False
    return len(past) >= LEAST_PIERCINGS and night - int(past.min()) >= LEAST_DAYS


def _holds(latest: pl.DataFrame, size: Size, basis: str, budget: float) -> bool:
    row: Mapping[str, object] = latest.row(0, named=True)
    solved_for = Size(*(latest[name][0] for name in ("branches", "piercings_a_week", "events_a_week")))
    return row["basis"] == basis and row["budget"] == budget and size.is_like(solved_for)


def _by_family(rows: pl.DataFrame) -> FloatArray:
    limits = np.full(len(FAMILIES), np.inf)
    for dimension, threshold in rows.select("dimension", "threshold").iter_rows():
        limits[FAMILIES.index(dimension)] = threshold
    return limits


def thresholds_by_size(cohort: Cohort, expected: ExpectedSoFar, budget: float) -> FloatArray:
    """Thresholds for a chain without enough history: the bound on a Shiryaev-Roberts sum, less what it is off.

    A sum that starts clean exceeds e^h on a given night with probability e^-h at most of its expected growth, one a
    night; so a family of K slices keeps to a rate a of false alarms a year with h = ln(365 K / a). Source: Pollak M
    (1985), Optimal detection of a change in distribution, Annals of Statistics 13:206-227 (from memory).
    """
    sizes = np.zeros(len(FAMILIES), dtype=np.int64)
    for own in cohort.slices.pairs:
        sizes[cohort.slices.family[own.first]] = np.count_nonzero(np.bincount(own.within(expected.recent)[0]))
    total = sum(WEIGHTS[name] for name, size in zip(FAMILIES, sizes, strict=True) if size)
    limits = np.full(len(FAMILIES), np.inf)
    for code, name in enumerate(FAMILIES):
        if sizes[code]:
            bound = np.log(365.25 * sizes[code] * total / (budget * WEIGHTS[name]))
            limits[code] = max(bound - BELOW_BOUND.get(name, OTHERS_BELOW_BOUND), FLOOR)
    return limits
