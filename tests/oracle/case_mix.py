"""The case-mix regression behind comparison.csv, and calibration.csv.

Log odds of an event by site group and age band, each coefficient but the intercept held back by half an event in one
made-up piercing (Greenland S, Mansournia MA 2015, Statistics in Medicine 34:3133-3143, from memory). The penalised
likelihood is climbed by Newton's steps, halved where they overshoot.
"""

from collections import Counter
from math import exp, fsum, log1p

from .intervals import wilson
from .slices import Facts
from .words import WINDOW_OF, Row

Stratum = tuple[str, str]
"""Site group and age band."""


class CaseMix:
    """The risk of a complication in each stratum; none where none or all of the chain's piercings have it."""

    def __init__(self, facts: Facts, complication: str) -> None:
        mature = facts.mature(complication)
        self.piercings = Counter(facts.stratum(piercing) for piercing in mature)
        self.events = Counter(facts.stratum(piercing) for piercing in mature if facts.is_event(complication, piercing))
        self.risk: dict[Stratum, float] = {}
        if 0 < self.events.total() < self.piercings.total():
            self.fit()

    def fit(self) -> None:
        levels = [(place, level) for place in (0, 1) for level in self.levels(place)]
        made_up = [(1.0, 0.5, [0.0, *(float(other == level) for other in levels)]) for level in levels]
        of_stratum = {
            stratum: [1.0, *(float(stratum[place] == level) for place, level in levels)] for stratum in self.piercings
        }
        real = [(float(n), float(self.events[one]), of_stratum[one]) for one, n in self.piercings.items()]
        coefficients = highest([*real, *made_up])
        self.risk = {stratum: risk_of(coefficients, row) for stratum, row in of_stratum.items()}

    def levels(self, place: int) -> list[str]:
        """Give the levels of a factor but the one with most piercings (the first by name, if several)."""
        sizes: Counter[str] = Counter()
        for stratum, n in self.piercings.items():
            sizes[stratum[place]] += n
        most = min(sizes, key=lambda level: (-sizes[level], level))
        return sorted(sizes.keys() - {most})


Group = tuple[float, float, list[float]]
"""Piercings, events, and the row of factors with the intercept's 1."""


def risk_of(coefficients: list[float], row: list[float]) -> float:
    return 1 / (1 + exp(-fsum(b * x for b, x in zip(coefficients, row, strict=True))))


def likelihood(coefficients: list[float], groups: list[Group]) -> float:
    """Give the log-likelihood, written so that large log odds lose no digits."""
    terms = []
    for n, events, row in groups:
        odds = fsum(b * x for b, x in zip(coefficients, row, strict=True))
        terms.append(events * odds - n * (max(odds, 0.0) + log1p(exp(-abs(odds)))))
    return fsum(terms)


def highest(groups: list[Group]) -> list[float]:
    """Give the coefficients of the highest likelihood."""
    width = len(groups[0][2])
    at = [0.0] * width
    for _ in range(200):
        slope, curvature = [0.0] * width, [[0.0] * width for _ in range(width)]
        for n, events, row in groups:
            risk = risk_of(at, row)
            for i in range(width):
                slope[i] += (events - n * risk) * row[i]
                for j in range(width):
                    curvature[i][j] += n * risk * (1 - risk) * row[i] * row[j]
        step = solve(curvature, slope)
        if max(map(abs, step)) < 1e-12:
            break
        here, part = likelihood(at, groups), 1.0
        while likelihood(moved(at, step, part), groups) < here - 1e-9:
            part /= 2
        at = moved(at, step, part)
    return at


def moved(at: list[float], step: list[float], part: float) -> list[float]:
    return [b + part * d for b, d in zip(at, step, strict=True)]


def solve(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Solve linear equations by elimination, the largest pivot first."""
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for i in range(len(rows)):
        pivot = max(range(i, len(rows)), key=lambda row: abs(rows[row][i]))
        rows[i], rows[pivot] = rows[pivot], rows[i]
        for below in rows[i + 1 :]:
            factor = below[i] / rows[i][i]
            for j in range(i, len(below)):
                below[j] -= factor * rows[i][j]
    found = [0.0] * len(rows)
    for i in reversed(range(len(rows))):
        known = fsum(rows[i][j] * found[j] for j in range(i + 1, len(rows)))
        found[i] = (rows[i][-1] - known) / rows[i][i]
    return found


def calibration(facts: Facts) -> list[Row]:
    return [row for complication in WINDOW_OF for row in tenths(complication, CaseMix(facts, complication))]


def tenths(complication: str, model: CaseMix) -> list[Row]:
    """Give observed and predicted events by tenth; strata of one risk stay together where their middle one falls."""
    alike: dict[float, list[Stratum]] = {}
    for stratum, risk in sorted(model.risk.items(), key=lambda one: one[1]):
        alike.setdefault(round(risk, 9), []).append(stratum)
    before, total = 0, model.piercings.total()
    tenth_of: dict[int, list[Stratum]] = {}
    for strata in alike.values():
        n = sum(model.piercings[stratum] for stratum in strata)
        tenth_of.setdefault(5 * (2 * before + n) // total + 1, []).extend(strata)
        before += n
    rows = []
    for tenth, strata in tenth_of.items():
        n, observed = (sum(counts[stratum] for stratum in strata) for counts in (model.piercings, model.events))
        predicted = fsum(model.piercings[stratum] * model.risk[stratum] for stratum in strata)
        low, high = wilson(observed, n)
        rows.append(
            {
                "complication": complication,
                "tenth": tenth,
                "procedures": n,
                "observed": observed,
                "predicted": predicted,
                "predicted_share": predicted / n,
                "share": observed / n,
                "wilson_low": low,
                "wilson_high": high,
            }
        )
    gaps = [(row["observed"] - row["predicted"]) ** 2 / row["predicted"] / (1 - row["predicted_share"]) for row in rows]
    return [row | {"hosmer_lemeshow": fsum(gaps)} for row in rows]
