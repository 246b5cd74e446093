"""Slices from the values of piercings: each dimension's levels, and the pairs of dimensions that are watched."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.stats.arguments import IntArray
from pipeline.watch.cohort import Slices
from pipeline.watch.families import FAMILIES

WHOLE = "all"


@dataclass(frozen=True, eq=False)
class Levels:
    """A dimension's value of each of some piercings: `piercing` and `code` are of one length, `names` the levels.

    A piercing without a value does not stand in it; one with several stands in it several times.
    """

    piercing: IntArray
    code: IntArray
    names: Sequence[str]

    @classmethod
    def of(cls, codes: IntArray, names: Sequence[str]) -> "Levels":
        """From a code for each piercing, negative where it has no value."""
        known = np.flatnonzero(codes >= 0)
        return cls(known, codes[known], names)


def make_slices(levels: Mapping[str, Levels], n_piercings: int) -> Slices:
    """Every slice there is: the whole, the levels of each dimension given, and watched pairs of these."""
    everything = Levels(np.arange(n_piercings), np.zeros(n_piercings, dtype=np.int64), (WHOLE,))
    names: list[tuple[str, str]] = []
    family, of, piercing = [], [], []
    for number, dimension in enumerate(FAMILIES):
        own = everything if dimension == WHOLE else _levels(levels, dimension, n_piercings)
        if own is None:
            continue
        used, place = np.unique(own.code, return_inverse=True)
        of.append(place + len(names))
        piercing.append(own.piercing)
        family.append(np.full(len(used), number))
        names += [(dimension, own.names[code]) for code in used]
    pair_slice, pair_piercing = np.concatenate(of), np.concatenate(piercing)
    order = np.argsort(pair_piercing, kind="stable")
    return Slices(tuple(names), np.concatenate(family), pair_slice[order], pair_piercing[order]).distinct()


def _levels(levels: Mapping[str, Levels], dimension: str, n_piercings: int) -> Levels | None:
    parts = dimension.split(":")
    if not set(parts) <= set(levels):
        return None
    if len(parts) == 1:
        return levels[dimension]
    first, second = (levels[part] for part in parts)
    code = np.full(n_piercings, -1, dtype=np.int64)  # a pair is made of two dimensions of one value a piercing
    code[second.piercing] = second.code
    both = code[first.piercing] >= 0
    combined = first.code[both] * len(second.names) + code[first.piercing[both]]
    used, place = np.unique(combined, return_inverse=True)
    names = [f"{first.names[at // len(second.names)]}:{second.names[at % len(second.names)]}" for at in used]
    return Levels(first.piercing[both], place, names)
