"""control_charts.csv (methods M1 and M4)."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from scipy.stats import binom, nbinom

from .clock import monday
from .expected import infections_among, reference_piercings
from .slices import Facts, Level
from .visits import Piercing
from .words import Row

LOW, HIGH = 0.00135, 0.99865
"""Probabilities beyond three standard deviations of a normal distribution, one on each side."""


@dataclass(frozen=True)
class Baseline:
    """The slice a chart is of, its piercings, and its share of infections in the reference period."""

    facts: Facts
    level: Level
    piercings: list[Piercing]
    p0: float


def control_charts(facts: Facts) -> list[Row]:
    slices: dict[Level, list[Piercing]] = {("all", "all"): facts.piercings}
    for piercing in facts.piercings:
        slices.setdefault(("branch", piercing.branch_id), []).append(piercing)
    reference = {piercing.procedure_id for piercing in reference_piercings(facts)}
    rows = []
    for level, piercings in sorted(slices.items()):
        baseline = [piercing for piercing in piercings if piercing.procedure_id in reference]
        infections = infections_among(facts, baseline)
        if infections >= 10:
            rows += chart(Baseline(facts, level, piercings, infections / len(baseline)))
    return rows


def chart(base: Baseline) -> list[Row]:
    weeks = latest_weeks(base)
    if median(len(piercings) * base.p0 for piercings in weeks.values()) >= 5:
        return [week_point(base, week, piercings) for week, piercings in weeks.items()]
    return per_five_points(base, min(weeks))


def latest_weeks(base: Baseline) -> dict[date, list[Piercing]]:
    """Give the 104 latest weeks of the slice that have piercings, all of them 44 days old or older."""
    weeks = defaultdict(list)
    for piercing in base.piercings:
        weeks[monday(piercing.day)].append(piercing)
    last_sunday = base.facts.as_of - timedelta(days=44)
    old = sorted(week for week in weeks if week + timedelta(days=6) <= last_sunday)
    return {week: weeks[week] for week in old[-104:]}


def point(base: Baseline, kind: str, subgroup: str, **columns: object) -> Row:
    dimension, level = base.level
    return {
        "chart": f"{kind}:{dimension}:{level}:infection",
        "dimension": dimension,
        "level": level,
        "complication": "infection",
        "subgroup": subgroup,
        **columns,
        "signal": columns["beyond"] == "above",
    }


def week_point(base: Baseline, week: date, piercings: list[Piercing]) -> Row:
    n = len(piercings)
    observed = infections_among(base.facts, piercings)
    lower, upper = float(binom.ppf(LOW, n, base.p0)) / n, float(binom.ppf(HIGH, n, base.p0)) / n
    beyond = "above" if observed / n > upper else "below" if observed / n < lower else None
    return point(
        base,
        "p",
        week.isoformat(),
        n=n,
        observed=observed,
        statistic=observed / n,
        centre=base.p0,
        lower=lower,
        upper=upper,
        beyond=beyond,
        from_on=week,
        to_on=week + timedelta(days=6),
    )


def per_five_points(base: Baseline, first_week: date) -> list[Row]:
    """Give runs of piercings that each end with their fifth infection; few piercings mean that infections rise."""
    last_day = base.facts.as_of - timedelta(days=44)
    in_order = sorted(
        (piercing for piercing in base.piercings if first_week <= piercing.day <= last_day),
        key=lambda piercing: (piercing.at, piercing.procedure_id),
    )
    rows: list[Row] = []
    run: list[Piercing] = []
    infections = 0
    for piercing in in_order:
        run.append(piercing)
        infections += base.facts.is_event("infection", piercing)
        if infections == 5:
            rows.append(run_point(base, len(rows) + 1, run))
            run, infections = [], 0
    return rows


def run_point(base: Baseline, number: int, run: list[Piercing]) -> Row:
    n = len(run)
    lower, upper = (5 + int(nbinom.ppf(share, 5, base.p0)) for share in (LOW, HIGH))
    beyond = "above" if n < lower else "below" if n > upper else None
    days = [piercing.day for piercing in run]
    return point(
        base,
        "per_five",
        f"{number:04d}",
        n=n,
        observed=5,
        statistic=n,
        centre=5 / base.p0,
        lower=lower,
        upper=upper,
        beyond=beyond,
        from_on=min(days),
        to_on=max(days),
    )
