"""onsets.csv: what is met first after a piercing, by an estimate that steps through the days one by one."""

from collections import Counter
from dataclasses import dataclass
from datetime import timedelta
from math import exp, log, sqrt

from .intervals import Z
from .slices import Facts
from .words import INFECTIONS, WINDOW, Row

LAST_DAY = 90
ORDER = ("infection", *(kind for kind in WINDOW if kind not in INFECTIONS and kind != "faint"), "stud_out")
"""What may be met first; of two on one day the first named. A stud taken out is last, since it may be for the other."""


@dataclass(frozen=True)
class Day:
    """A day after the piercing with an onset: who was still followed, how many had none before, and what began."""

    number: int
    at_risk: int
    without: float
    begun: Counter[str]

    @property
    def total(self) -> int:
        return self.begun.total()


def onsets(facts: Facts) -> list[Row]:
    days = steps(first_onsets(facts))
    return [row for name in ORDER for row in curve(name, days)]


def first_onsets(facts: Facts) -> list[tuple[int, str | None]]:
    """Give the day and name of what each piercing met first, or the last day known about and None."""
    known_to = facts.as_of - timedelta(days=14)
    found: list[tuple[int, str | None]] = []
    for piercing in facts.piercings:
        followed = (known_to - piercing.day).days
        if not 0 <= followed <= 363 + LAST_DAY:
            continue
        last = min(followed, LAST_DAY)
        told = [
            (report.onset, name_of(report.kind))
            for report in facts.outcomes.reports.get(piercing.procedure_id, [])
            if report.kind != "faint"
        ] + [(day, "stud_out") for day in facts.outcomes.studs_out.get(piercing.procedure_id, [])]
        begun = [
            ((when - piercing.day).days, ORDER.index(name))
            for when, name in told
            if 0 <= (when - piercing.day).days <= last
        ]
        day, place = min(begun, default=(last, -1))
        found.append((day, ORDER[place] if begun else None))
    return found


def name_of(kind: str) -> str:
    return "infection" if kind in INFECTIONS else kind


def steps(first: list[tuple[int, str | None]]) -> list[Day]:
    found, without = [], 1.0
    for number in sorted({day for day, name in first if name}):
        at_risk = sum(day >= number for day, _ in first)
        begun = Counter(name for day, name in first if day == number and name)
        found.append(Day(number, at_risk, without, begun))
        without *= 1 - begun.total() / at_risk
    return found


def curve(name: str, days: list[Day]) -> list[Row]:
    """Give the cumulative incidence with the variance of Marubini and Valsecchi (1995), term by term."""
    rows: list[Row] = []
    shares: list[float] = []
    for at, day in enumerate(days):
        share = (shares[-1] if shares else 0.0) + day.without * day.begun[name] / day.at_risk
        shares.append(share)
        if day.begun[name]:
            low, high = limits(share, variance(name, days[: at + 1], shares))
            rows.append(
                {
                    "complication": name,
                    "day": day.number,
                    "at_risk": day.at_risk,
                    "onsets": day.begun[name],
                    "share": share,
                    "share_low": low,
                    "share_high": high,
                }
            )
    return rows


def variance(name: str, days: list[Day], shares: list[float]) -> float:
    found = 0.0
    for day, share in zip(days, shares, strict=True):
        own, later = day.begun[name], shares[-1] - share
        if later and day.at_risk > day.total:
            found += later**2 * day.total / (day.at_risk * (day.at_risk - day.total))
        found += day.without**2 * (day.at_risk - own) / day.at_risk * own / day.at_risk**2
        found -= 2 * later * day.without * own / day.at_risk**2
    return found


def limits(share: float, variance: float) -> tuple[float | None, float | None]:
    """Give the 95 % limits by log(-log(1 - share)), which has no value where the share is all."""
    rest = 1 - share
    if not 1e-12 < rest < 1 - 1e-12:
        return None, None
    width = Z * sqrt(max(variance, 0.0)) / abs(rest * log(rest))
    return 1 - rest ** exp(-width), 1 - rest ** exp(width)
