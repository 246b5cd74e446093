"""Reporting delay and infections expected so far (methods M1 to M3)."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from datetime import timedelta
from math import exp

from .slices import Facts
from .visits import Piercing


def reference_piercings(facts: Facts) -> list[Piercing]:
    """Give the piercings of the 156 weeks that end 56 days before the as-of date, as far as the data goes back."""
    end = facts.as_of - timedelta(days=56)
    start = end - timedelta(days=1091)
    return [piercing for piercing in facts.piercings if start <= piercing.day <= end]


def infections_among(facts: Facts, piercings: Iterable[Piercing]) -> int:
    return sum(facts.is_event("infection", piercing) for piercing in piercings)


def assumed_share(days: int) -> float:
    """Give the share of infections on record by then where the data does not tell: an assumption."""
    return 1 - exp(-(((days + 1) / 14) ** 1.5))


class Delay:
    """From piercing to the first record of its infection: what share is on record after so many days.

    delays: pairs of delay and truncation, both in days. An event is only seen if its delay is at most its
    truncation, so the share is estimated backwards, from the events that could have been seen
    (Lagakos SW, Barraj LM, De Gruttola V 1988, Biometrika 75:515-523, from memory), at each day as if five more events
    had gone as assumed.
    """

    def __init__(self, delays: list[tuple[int, int]]) -> None:
        longest = max([120, *(delay for delay, _ in delays)])
        self.shares = {longest: 1.0}
        for j in range(longest, 0, -1):
            at_risk = sum(1 for delay, truncation in delays if delay <= j <= truncation)
            happened = sum(1 for delay, truncation in delays if delay == j <= truncation)
            assumed = 1 - assumed_share(j - 1) / assumed_share(j)
            self.shares[j - 1] = self.shares[j] * (1 - (happened + 5 * assumed) / (at_risk + 5))

    def share(self, days: int) -> float:
        """Give F(days)."""
        return 0.0 if days < 0 else self.shares.get(days, 1.0)


def infection_delay(facts: Facts) -> Delay:
    delays = []
    for procedure_id, reports in facts.outcomes.events["infection"].items():
        day = facts.known.book.piercings[procedure_id].day
        first = min(report.recorded_on for report in reports)
        delays.append((max(0, (first - day).days), (facts.as_of - day).days))
    return Delay(delays)


class ExpectedInfections:
    """Infections that should be on record by the as-of date, piercing by piercing."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.delay = infection_delay(facts)
        reference = reference_piercings(facts)
        self.known = bool(reference)
        by_stratum = defaultdict(list)
        for piercing in reference:
            by_stratum[facts.stratum(piercing)].append(piercing)
        self.mu = {stratum: self.infections_per_piercing(group) for stratum, group in by_stratum.items()}
        self.mu_of_chain = self.infections_per_piercing(reference)

    def infections_per_piercing(self, piercings: list[Piercing]) -> float:
        """Give infections to come in the end per piercing: those on record over the piercings' weight by now."""
        ages = Counter((self.facts.as_of - piercing.day).days for piercing in piercings)
        weight = sum(count * self.delay.share(age) for age, count in sorted(ages.items()))
        return infections_among(self.facts, piercings) / weight if weight else 0.0

    def of(self, piercing: Piercing) -> float:
        mu = self.mu.get(self.facts.stratum(piercing), self.mu_of_chain)
        return mu * self.delay.share((self.facts.as_of - piercing.day).days)
