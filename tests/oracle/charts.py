"""control_charts.csv: frozen baselines, phases, the choice of the chart, limits and run rules."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from math import sqrt
from statistics import median

from scipy.stats import binom, chi2, nbinom, norm

from .clock import monday
from .expected import infections_among
from .slices import Facts, Level
from .visits import Piercing
from .words import Row

LOW, HIGH = 0.00135, 0.99865
"""Probabilities beyond three standard deviations of a normal distribution, one on each side."""
EVENTS = {"per_five": 5, "g": 1}
RULES = (("two of three near a limit", 2, 3, 2.0), ("eight on one side", 8, 8, 0.0))
"""Name, how many of how many points in a row, and beyond how many standard deviations."""

Weeks = dict[date, list[Piercing]]


@dataclass(frozen=True)
class Baseline:
    """A phase's share of infections, the weeks it is of, and by how much these vary where it is clearly no chance."""

    begins: date
    reason: str
    window: list[date]
    p0: float
    sigma_z: float


@dataclass(frozen=True)
class Judged:
    """What a point is judged by: its row, and the chances of a point as far out or further towards a rise or a fall."""

    row: Row
    rise: float
    fall: float


def control_charts(facts: Facts) -> list[Row]:
    slices: dict[Level, list[Piercing]] = {("all", "all"): facts.piercings}
    for piercing in facts.piercings:
        slices.setdefault(("branch", piercing.branch_id), []).append(piercing)
    return [row for level, piercings in sorted(slices.items()) for row in chart(facts, level, piercings)]


def chart(facts: Facts, level: Level, piercings: list[Piercing]) -> list[Row]:
    weeks: Weeks = defaultdict(list)
    for piercing in piercings:
        if monday(piercing.day) <= facts.as_of:
            weeks[monday(piercing.day)].append(piercing)
    mature = [week for week in sorted(weeks) if week + timedelta(days=6) <= last_mature_day(facts)]
    if not mature:
        return []
    begins = phase_mondays(facts, level, min(weeks))
    baselines = []
    for at, start in enumerate(begins):
        following = [later for later in begins if later > start]
        own = [week for week in mature if week >= start and week < min(following, default=date.max)]
        baseline = frozen(facts, weeks, own, (start, list(begins.values())[at]))
        if baseline is not None:
            baselines.append(baseline)
    if not baselines:
        return []
    usual = median(len(weeks[week]) for week in baselines[-1].window) * baselines[-1].p0
    kind = "p" if usual >= 5 else "per_five" if usual >= 0.25 else "g"
    rows: list[Row] = []
    for number, baseline in enumerate(baselines, start=1):
        end = baselines[number].begins if number < len(baselines) else date.max
        own_weeks = {week: weeks[week] for week in sorted(weeks) if baseline.begins <= week < end}
        points = (
            week_points(facts, baseline, own_weeks)
            if kind == "p"
            else run_points(facts, baseline, own_weeks, EVENTS[kind])
        )
        rows += [{**row, "phase": number} for row in with_rules(points, baseline)]
    first = mature[-104:][0]
    names = {"dimension": level[0], "level": level[1], "complication": "infection"}
    for number, row in enumerate(rows, start=1):
        row |= {"chart": f"{kind}:{level[0]}:{level[1]}:infection", **names}
        row.setdefault("subgroup", f"{number:04d}")
    return [row for row in rows if row["to_on"] >= first]


def last_mature_day(facts: Facts) -> date:
    return facts.as_of - timedelta(days=44)


def phase_mondays(facts: Facts, level: Level, first_week: date) -> dict[date, str]:
    """Give the Mondays on which phases begin, in order, with their reasons."""
    reasons: dict[date, list[str]] = defaultdict(list)
    for from_on, reason, branch in sorted(facts.known.settings.phases, key=lambda phase: phase[0]):
        if branch is None or level == ("branch", branch):
            reasons[monday(from_on)].append(reason)
    first = reasons.get(first_week, ["the first weeks on record"])
    later = {week: whys for week, whys in reasons.items() if week > first_week}
    return {week: "; ".join(whys) for week, whys in ({first_week: first} | later).items()}


def frozen(facts: Facts, weeks: Weeks, own: list[date], phase: tuple[date, str]) -> Baseline | None:
    for n_weeks in range(26, len(own) + 1, 26):
        window = own[:n_weeks]
        n = [len(weeks[week]) for week in window]
        observed = [infections_among(facts, weeks[week]) for week in window]
        if sum(observed) >= 10:
            return Baseline(*phase, window, sum(observed) / sum(n), excess(n, observed))
    return None


def excess(n: list[int], observed: list[int]) -> float:
    """Give Laney's sigma_z where the weeks' chi-square is above its 95 % quantile, else 1."""
    p0 = sum(observed) / sum(n)
    if p0 == 1:
        return 1.0
    z = [(x - size * p0) / sqrt(size * p0 * (1 - p0)) for size, x in zip(n, observed, strict=True)]
    if sum(one * one for one in z) <= chi2.ppf(0.95, len(z) - 1):
        return 1.0
    ranges = [abs(later - earlier) for earlier, later in pairwise(z)]
    return max(1.0, sum(ranges) / len(ranges) / 1.128)


def week_points(facts: Facts, baseline: Baseline, weeks: Weeks) -> list[Judged]:
    points = []
    for week, piercings in weeks.items():
        n, x, p0 = len(piercings), infections_among(facts, piercings), baseline.p0
        lower, upper = (float(binom.ppf(share, n, p0)) / n for share in (LOW, HIGH))
        if baseline.sigma_z > 1:
            width = 3 * baseline.sigma_z * sqrt(p0 * (1 - p0) / n)
            lower, upper = min(lower, max(0.0, p0 - width)), max(upper, min(1.0, p0 + width))
        row = {
            "subgroup": week.isoformat(),
            "n": n,
            "observed": x,
            "statistic": x / n,
            "centre": p0,
            "lower": lower,
            "upper": upper,
            "beyond": "above" if x / n > upper else "below" if x / n < lower else None,
            "from_on": week,
            "to_on": week + timedelta(days=6),
            "mature": week + timedelta(days=6) <= last_mature_day(facts),
            "sigma_z": baseline.sigma_z,
        }
        points.append(Judged(row, rise=binom.sf(x - 1, n, p0), fall=binom.cdf(x, n, p0)))
    return points


def run_points(facts: Facts, baseline: Baseline, weeks: Weeks, events: int) -> list[Judged]:
    """Give runs of piercings that each end with an infection; few piercings mean that infections rise."""
    piercings = [one for own in weeks.values() for one in own if one.day <= facts.as_of]
    points: list[Judged] = []
    run: list[Piercing] = []
    infections = 0
    for piercing in sorted(piercings, key=lambda one: (one.at, one.procedure_id)):
        run.append(piercing)
        infections += facts.is_event("infection", piercing)
        if infections == events:
            points.append(run_point(facts, baseline, run, events))
            run, infections = [], 0
    return points


def run_point(facts: Facts, baseline: Baseline, run: list[Piercing], events: int) -> Judged:
    n, p0 = len(run), baseline.p0
    lower, upper = (events + int(nbinom.ppf(share, events, p0)) for share in (LOW, HIGH))
    days = [piercing.day for piercing in run]
    row = {
        "n": n,
        "observed": events,
        "statistic": n,
        "centre": events / p0,
        "lower": lower,
        "upper": upper,
        "beyond": "above" if n < lower else "below" if n > upper else None,
        "from_on": min(days),
        "to_on": max(days),
        "mature": max(days) <= last_mature_day(facts),
        "sigma_z": None,
    }
    # The events-th infection within n piercings: at least so many infections among n.
    return Judged(row, rise=binom.sf(events - 1, n, p0), fall=binom.cdf(events - 1, n - 1, p0))


def with_rules(points: Sequence[Judged], baseline: Baseline) -> list[Row]:
    """Give a phase's rows: what lies beyond a limit, and else the first rule that fires, of points old enough."""
    old: list[Judged] = []
    rows = []
    for point in points:
        rule: str | None = None
        side: str | None = None
        if point.row["mature"]:
            old.append(point)
            side = point.row["beyond"]
            rule = "beyond a limit" if side else None
            for name, least, of, z in RULES:
                chance = float(norm.sf(z * baseline.sigma_z))
                for towards, tail in (("above", "rise"), ("below", "fall")):
                    hits = [one for one in old[-of:] if getattr(one, tail) < chance * (1 - 1e-9)]
                    if rule is None and len(hits) >= least:
                        rule, side = name, towards
        rows.append(
            {
                **point.row,
                "beyond": point.row["beyond"] if point.row["mature"] else None,
                "signal": point.row["mature"] and point.row["beyond"] == "above",
                "rule": rule,
                "rule_side": side,
                "baseline": baseline.p0,
                "baseline_from": baseline.window[0],
                "baseline_to": baseline.window[-1] + timedelta(days=6),
                "in_baseline": point.row["to_on"] <= baseline.window[-1] + timedelta(days=6),
                "reason": baseline.reason,
                "phase_from": baseline.begins,
            }
        )
    return rows
