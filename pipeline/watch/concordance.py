"""How far the piercings of one visit fare alike: two ears of one client are not two independent piercings."""

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import IntArray

PRIOR_PAIRS = 2.0
ASSUMED = 0.2
"""Assumed part of visits whose piercings share one fate, worth so many pairs that would: an assumption, no source."""


def concordance(visit: IntArray, event: FloatArray, chance: FloatArray) -> float:
    """The part of visits whose piercings share one fate, from a value for each piercing: its visit, event and chance.

    Of two neighbouring piercings of a visit with chances p and q both have an event with probability p q where they are
    independent, and min(p, q) where they share one fate. With D pairs seen to both have one, the part is
    (D - sum p q) / sum (min(p, q) - p q), drawn towards `ASSUMED` as if by `PRIOR_PAIRS` pairs that share a fate, and
    between 0 and 1.
    """
    order = np.argsort(visit, kind="stable")
    of, seen, usual = visit[order], event[order], chance[order]
    together = of[1:] == of[:-1]
    one, other = usual[1:][together], usual[:-1][together]
    both = float((seen[1:] * seen[:-1])[together].sum())
    by_chance = float((one * other).sum())
    if_shared = float(np.minimum(one, other).sum()) - by_chance
    part = (both - by_chance + PRIOR_PAIRS * ASSUMED) / (if_shared + PRIOR_PAIRS)
    return float(np.clip(part, 0.0, 1.0))
