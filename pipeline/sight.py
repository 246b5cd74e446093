"""The line of sight of a store's chain: how soon a rise in infection would be seen, and what would make it sooner."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from math import isfinite
from pathlib import Path
from typing import Any

from pipeline.errors import StoreError
from pipeline.history import count_each
from pipeline.intake.pseudonyms import read_key
from pipeline.places import owner_only
from pipeline.remember import memory_of
from pipeline.store import kept
from pipeline.store.database import check_key, read_store
from pipeline.telling import aligned
from pipeline.watch.expected import expect
from pipeline.watch.frames import assumed_risk, day_number, make_cohorts
from pipeline.watch.limits import BY_SIZE, in_force
from pipeline.watch.sightline import (
    Seen,
    how_soon,
    rises,
    with_faster_reports,
    with_more_alarms,
    with_more_reached,
)

Progress = Callable[[str], None]

AS_IS, MORE_REACHED, FASTER = "as things are", "20 more of 100 reached", "reports twice as fast"
VARIED = (2.0, 5.0)
"""Factors of the rises for which it is worked out what would be gained."""


@dataclass(frozen=True)
class Sight:
    """How soon each rise is seen, as things are and as they might be; `budget` is the false alarms a year accepted."""

    as_of: date
    budget: float
    rows: tuple[tuple[str, Seen], ...]

    def as_dict(self) -> dict[str, Any]:
        """As plain values for JSON; empty where fewer worlds than asked see the rise in the year."""
        rows = [
            {
                "rise": seen.name,
                "times": seen.factor,
                "if": given,
                "piercings_a_week": seen.a_week,
                "seen_in_the_year": seen.within,
                "median_days": _finite(seen.median),
                "days_in_nine_of_ten": _finite(seen.late),
                "median_excess": _finite(seen.excess),
            }
            for given, seen in self.rows
        ]
        return {"as_of": self.as_of.isoformat(), "false_alarms_a_year": self.budget, "rows": rows}

    def lines(self) -> Iterator[str]:
        """In lines for people."""
        yield f"How soon a rise in infection would be seen as of {self.as_of}, at {self.budget:g} false alarms a year:"
        cells = [
            (
                f"{seen.name}, {seen.factor:g} times",
                given,
                _weeks(seen.median),
                _weeks(seen.late),
                f"{seen.excess:.0f}" if isfinite(seen.excess) else "-",
            )
            for given, seen in self.rows
        ]
        yield from aligned([("rise", "if", "weeks (median)", "weeks (9 of 10)", "infections it costs"), *cells])
        yield "Simulated on the chain's own last year, with risks, follow-up and delays as they are estimated."


def look_ahead(store: Path, *, progress: Progress) -> Sight:
    """The line of sight on the store's newest day. `StoreError` where it has too little history to say."""
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        settings, memory = kept.kept_settings(con), memory_of(con)
        newest = memory.thresholds.filter(complication="infection")
        if newest.is_empty() or newest["basis"][-1] == BY_SIZE:
            raise StoreError("There is too little history to say.", remedy="Ask again after half a year of nights.")
        as_of: date = con.execute("select max(data_through) from result_branches").fetchall()[0][0]
        [(_, measures)] = count_each(con, settings, [as_of])
    night = day_number(as_of)
    cohort = make_cohorts(measures)["infection"].known_on(night)
    expected = expect(cohort, night, assumed_risk(cohort, "infection"))
    budget = float(newest["budget"][-1])
    limits, _ = in_force("infection", cohort, night, as_of, expected, budget, memory.thresholds)
    progress("solving thresholds of more false alarms")
    lower = with_more_alarms(cohort, night, expected, budget)
    ways = (
        (AS_IS, expected, limits),
        (MORE_REACHED, with_more_reached(expected), limits),
        (FASTER, with_faster_reports(expected), limits),
        (f"{2 * budget:g} false alarms a year", expected, lower),
    )
    rows = []
    for rise in rises(cohort, night):
        progress(f"looking for {rise.name}, {rise.factor:g} times")
        for name, given, thresholds in ways if rise.factor in VARIED else ways[:1]:
            rows.append((name, how_soon(cohort, night, given, thresholds, rise)))
    return Sight(as_of, budget, tuple(rows))


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None


def _weeks(days: float) -> str:
    return f"{days / 7:.1f}" if isfinite(days) else "not in the year"
