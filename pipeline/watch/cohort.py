"""A cohort: the piercings known on a night as arrays, with what has come to be known of them, and their slices."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.arguments import IntArray

NEVER = np.iinfo(np.int64).max
"""Day number of what has not happened."""


@dataclass(frozen=True, eq=False)
class Slices:
    """What piercings are told apart by: `names` holds each slice's dimension and level, `family` the dimension's code.

    `pair_slice` and `pair_piercing`, of one length and in the order of the piercings, say which piercing is in which
    slice; a slice may have any number of piercings, a piercing any number of slices.
    """

    names: tuple[tuple[str, str], ...]
    family: IntArray
    pair_slice: IntArray
    pair_piercing: IntArray

    @property
    def count(self) -> int:
        """How many slices there are."""
        return len(self.family)

    def distinct(self) -> "Slices":
        """The slices without those that hold the very piercings of an earlier one, such as a lot of one branch alone.

        Sets are told apart by their size and the sum of random numbers given to the piercings.
        """
        n = int(self.pair_piercing.max(initial=-1)) + 1
        key = np.random.default_rng(0).integers(1 << 62, size=n)
        sums = np.zeros(self.count, dtype=np.int64)
        np.add.at(sums, self.pair_slice, key[self.pair_piercing])
        size = np.bincount(self.pair_slice, minlength=self.count)
        _, first = np.unique(np.stack([size, sums]), axis=1, return_index=True)
        kept = np.zeros(self.count, dtype=bool)
        kept[first] = True
        number = np.cumsum(kept) - 1
        pairs = kept[self.pair_slice]
        names = tuple(name for name, is_kept in zip(self.names, kept, strict=True) if is_kept)
        return Slices(names, self.family[kept], number[self.pair_slice[pairs]], self.pair_piercing[pairs])


@dataclass(frozen=True, eq=False)
class Cohort:
    """Piercings in the order of their days, and one complication of theirs.

    An array has a value for each piercing, days are day numbers.

    `performed` is the day of the piercing, `visit` a code of the client's stay, `branch` and `stratum` are codes
    from 0 (a stratum is a site group and age band; `group` gives each stratum's site group), `month` the month of
    the year from 0, `answered` the day from which an asked answer that vouches for the window was known, `recorded`
    the day from which an event was known, each `NEVER` where there is none. `is_settled` marks piercings that were
    judged already, by a note on their incident: they are no evidence again; `is_caused` those of them whose excess
    has a noted cause: they do not make the baseline.
    """

    performed: IntArray
    visit: IntArray
    branch: IntArray
    stratum: IntArray
    group: IntArray
    month: IntArray
    answered: IntArray
    recorded: IntArray
    is_settled: NDArray[np.bool_]
    is_caused: NDArray[np.bool_]
    slices: Slices
    window_days: int

    def known_on(self, night: int) -> "Cohort":
        """The cohort as a night knew it, of piercings performed by then; slices are not narrowed."""
        return replace(
            self,
            answered=np.where(self.answered <= night, self.answered, NEVER),
            recorded=np.where(self.recorded <= night, self.recorded, NEVER),
        )

    @cached_property
    def index(self) -> dict[tuple[str, str], int]:
        """Each slice's number by its dimension and level."""
        return {name: at for at, name in enumerate(self.slices.names)}

    def members(self, of: int) -> IntArray:
        """The piercings of a slice."""
        return np.asarray(self.slices.pair_piercing[self.slices.pair_slice == of])

    @property
    def n_branches(self) -> int:
        """How many branches there are."""
        return int(self.branch.max(initial=-1)) + 1
