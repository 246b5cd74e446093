"""exposures.csv (methods M6): which slices had more of a complication than chance gives."""

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date
from math import fsum

from .intervals import chance_of_as_many, ratio_with_limits, smallest_rarer_count
from .slices import Facts, Level
from .visits import Piercing
from .words import MISSING, WINDOW_OF, Row

WATCHED = ("infection", "contact_allergy", "embedded_stud", "excess_bleeding")
DIMENSIONS = ("branch", "article", "material", "practitioner", "lot", "batch", "practitioner:site_group")
ALARM = 0.01
Stratum = tuple[str, str, bool]
"""site group, age band, reached"""


@dataclass(frozen=True)
class Slice:
    """One level, its piercings that are still its own, and what they came to."""

    level: Level
    procedures: int
    first_on: date
    ids: frozenset[str]
    observed: int
    expected: float

    @property
    def place(self) -> tuple[int, str]:
        return DIMENSIONS.index(self.level[0]), self.level[1]

    @property
    def p_value(self) -> float:
        return chance_of_as_many(self.observed, self.expected)


@dataclass(frozen=True)
class Found:
    """A slice as published."""

    complication: str
    slice: Slice
    limit_high: int | None
    signal: bool


class Watch:
    """One complication over the mature piercings of its rate period."""

    def __init__(self, facts: Facts, complication: str) -> None:
        self.complication = complication
        mature = facts.mature(complication)
        self.events = {p.procedure_id for p in mature if facts.is_event(complication, p)}
        self.mu = expected_per_piercing(facts, complication, mature)
        by_level: dict[Level, list[Piercing]] = defaultdict(list)
        for piercing in mature:
            for level in facts.levels[piercing.procedure_id]:
                if level[0] in DIMENSIONS and MISSING not in level[1].split(":"):
                    by_level[level].append(piercing)
        self.at_start = [self.slice_of(level, piercings) for level, piercings in by_level.items()]
        self.tested = sum(one.expected >= 1 for one in self.at_start)

    def slice_of(self, level: Level, piercings: list[Piercing]) -> Slice:
        ids = frozenset(piercing.procedure_id for piercing in piercings)
        first_on = min(piercing.day for piercing in piercings)
        return self.counted(Slice(level, len(ids), first_on, ids, 0, 0.0), ids)

    def counted(self, one: Slice, ids: frozenset[str]) -> Slice:
        """Give the slice with these piercings only; fsum makes equal slices exactly equal."""
        mean = fsum(self.mu[i] for i in ids)
        return replace(one, ids=ids, procedures=len(ids), observed=len(ids & self.events), expected=mean)

    def signals(self) -> list[Slice]:
        """Take out, one after another, the least likely slice beyond its limit, with all its piercings."""
        left = list(self.at_start)
        taken: list[Slice] = []
        while True:
            beyond = [one for one in left if self.is_beyond(one)]
            if not beyond:
                return taken
            worst = min(beyond, key=lambda one: (one.p_value, one.place))
            taken.append(worst)
            left = [
                self.counted(one, one.ids - worst.ids) if one.ids & worst.ids else one
                for one in left
                if one is not worst
            ]

    def is_beyond(self, one: Slice) -> bool:
        return one.expected >= 1 and one.observed >= 3 and one.p_value <= ALARM / self.tested

    def found(self) -> list[Found]:
        signals = {one.level: one for one in self.signals()}
        found = []
        for start in sorted(self.at_start, key=lambda one: one.place):
            one = signals.get(start.level, start)
            limit = smallest_rarer_count(one.expected, ALARM / self.tested) if one.expected >= 1 else None
            found.append(Found(self.complication, one, limit, start.level in signals))
        return found


def expected_per_piercing(facts: Facts, complication: str, mature: list[Piercing]) -> dict[str, float]:
    """Give each piercing's expected events: the chain's share in its stratum site group, age band, reached or not."""
    strata = {
        piercing.procedure_id: (
            *facts.stratum(piercing),
            facts.outcomes.reached(piercing, WINDOW_OF[complication]),
        )
        for piercing in mature
    }
    piercings: dict[Stratum, int] = defaultdict(int)
    events: dict[Stratum, int] = defaultdict(int)
    for piercing in mature:
        stratum = strata[piercing.procedure_id]
        piercings[stratum] += 1
        events[stratum] += facts.is_event(complication, piercing)
    return {procedure_id: events[stratum] / piercings[stratum] for procedure_id, stratum in strata.items()}


def all_found(facts: Facts) -> list[Found]:
    return [one for complication in WATCHED for one in Watch(facts, complication).found()]


def exposures(found: list[Found]) -> list[Row]:
    rows = []
    for one in found:
        counts = one.slice
        ratio = ratio_with_limits(counts.observed, counts.expected) if counts.expected >= 1 else (None, None, None)
        rows.append(
            {
                "dimension": counts.level[0],
                "level": counts.level[1],
                "complication": one.complication,
                "procedures": counts.procedures,
                "observed": counts.observed,
                "expected": counts.expected,
                **dict(zip(("ratio", "ratio_low", "ratio_high"), ratio, strict=True)),
                "limit_high": one.limit_high,
                "p_value": counts.p_value,
                "signal": one.signal,
            }
        )
    return rows
