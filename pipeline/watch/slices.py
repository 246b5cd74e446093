"""Slices from the values of piercings: each dimension's levels, and the pairs of dimensions that are watched."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.watch.arrays import IntArray, SmallIntArray
from pipeline.watch.cohort import Pairs, Slices
from pipeline.watch.families import FAMILIES

WHOLE = "all"
SPARSE = 16
"""Times as many codes as values from which sorting the values is quicker than marking the codes."""


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
        return cls(known.astype(np.int32), codes[known], names)


def make_slices(levels: Mapping[str, Levels], n_piercings: int) -> Slices:
    """Every slice there is: the whole, the levels of each dimension given, and watched pairs of these."""
    everything = Levels.of(np.zeros(n_piercings, dtype=np.int32), (WHOLE,))
    names: list[tuple[str, str]] = []
    family: list[int] = []
    pairs: list[Pairs] = []
    for number, dimension in enumerate(FAMILIES):
        own = everything if dimension == WHOLE else _levels(levels, dimension, n_piercings)
        if own is not None:
            used, place = numbered(own.code)
            pairs.append(Pairs(len(names), len(used), place, own.piercing.astype(np.int32, copy=False)))
            family += [number] * len(used)
            names += [(dimension, own.names[code]) for code in used]
    return Slices(tuple(names), np.array(family, dtype=np.int64), tuple(pairs)).distinct()


def _levels(levels: Mapping[str, Levels], dimension: str, n_piercings: int) -> Levels | None:
    parts = dimension.split(":")
    if not set(parts) <= set(levels):
        return None
    if len(parts) == 1:
        return levels[dimension]
    first, second = (levels[part] for part in parts)
    code = np.full(n_piercings, -1, dtype=np.int32)  # a pair is made of two dimensions of one value a piercing
    code[second.piercing] = second.code
    both = np.flatnonzero(code[first.piercing] >= 0)
    used, place = numbered(first.code[both] * np.int64(len(second.names)) + code[first.piercing[both]])
    names = [f"{first.names[at // len(second.names)]}:{second.names[at % len(second.names)]}" for at in used]
    is_whole = len(both) == len(first.piercing)  # as nearly always: then one array of piercings serves both
    return Levels(first.piercing if is_whole else first.piercing[both], place, names)


def numbered(codes: IntArray) -> tuple[IntArray, SmallIntArray]:
    """The codes there are, from 0, in order, and each one's place among them: as by sorting, but mostly by marking."""
    end = int(codes.max(initial=-1)) + 1
    if end > SPARSE * len(codes):
        used, place = np.unique(codes, return_inverse=True)
        return used, place.astype(np.int32)
    is_used = np.zeros(end, dtype=bool)
    is_used[codes] = True
    return np.flatnonzero(is_used), (np.cumsum(is_used, dtype=np.int32) - 1)[codes]
