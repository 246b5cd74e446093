"""completion.csv: weeks once all is known (Lawless JF 1994, Canadian Journal of Statistics 22:15-31, from memory).

With a mean of which nothing is known but half an event, those not seen yet, given those seen, are negative binomial.
"""

from collections import defaultdict
from datetime import date, timedelta
from math import fsum

from .clock import monday
from .expected import infection_delay, infections_among
from .slices import Facts
from .visits import Piercing
from .words import Row


def completion(facts: Facts) -> list[Row]:
    delay = infection_delay(facts)
    weeks: dict[tuple[str, str, date], list[Piercing]] = defaultdict(list)
    for piercing in facts.piercings:
        week = monday(piercing.day)
        if week + timedelta(days=6) <= facts.as_of:
            weeks["all", "all", week].append(piercing)
            weeks["branch", piercing.branch_id, week].append(piercing)
    rows = []
    for (dimension, level, week), piercings in weeks.items():
        share = fsum(delay.share((facts.as_of - piercing.day).days) for piercing in piercings) / len(piercings)
        if share < 0.99:
            seen, is_enough = infections_among(facts, piercings), share >= 0.2
            rows.append(
                {
                    "dimension": dimension,
                    "level": level,
                    "week": week,
                    "procedures": len(piercings),
                    "seen": seen,
                    "known_share": share,
                    "expected_final": seen / share if is_enough else None,
                    "low": seen + unseen(seen, share, 0.025) if is_enough else None,
                    "high": seen + unseen(seen, share, 0.975) if is_enough else None,
                }
            )
    return rows


def unseen(seen: int, share: float, quantile: float) -> int:
    """Give the smallest number that at least this part of the distribution does not exceed, term by term."""
    number, term = 0, share ** (seen + 0.5)
    below = term
    while below < quantile:
        term *= (seen + 0.5 + number) / (number + 1) * (1 - share)
        number += 1
        below += term
    return number
