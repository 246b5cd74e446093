"""A cohort: the piercings known on a night as arrays, with what has come to be known of them, and their slices."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import NEVER, IntArray, SmallIntArray


@dataclass(frozen=True, eq=False)
class Pairs:
    """Which piercings are in which slices of one family.

    The family has `count` slices, numbered from `first` on. `of` and `piercing`, of one length and in the order of the
    piercings, are a slice, from 0, and a piercing in it each; a slice may have any number of piercings, a piercing any
    number of slices. Both are of 32 bits: a large chain has fifty million pairs.
    """

    first: int
    count: int
    of: SmallIntArray
    piercing: SmallIntArray

    @property
    def slices(self) -> slice:
        """The place of the family's slices among all."""
        return slice(self.first, self.first + self.count)

    def within(self, piercings: IntArray) -> tuple[IntArray, IntArray]:
        """The pairs of some piercings, given in their order: the slice, from 0, and the piercing's place among them."""
        if not len(piercings):
            return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
        first, last = int(piercings[0]), int(piercings[-1])
        stretch = slice(*np.searchsorted(self.piercing, np.array((first, last + 1), dtype=np.int32)))
        of, after = self.of[stretch].astype(np.int64), self.piercing[stretch] - np.int64(first)
        if len(piercings) == last - first + 1:  # without gaps, as when no note settled any
            return of, after
        place = np.full(last - first + 1, -1, dtype=np.int64)
        place[piercings - first] = np.arange(len(piercings))
        inside = place[after] >= 0
        return of[inside], place[after[inside]]


@dataclass(frozen=True, eq=False)
class Slices:
    """What piercings are told apart by, family by family.

    `names` holds each slice's dimension and level, `family` the dimension's code, `pairs` the piercings of each family.
    """

    names: tuple[tuple[str, str], ...]
    family: IntArray
    pairs: tuple[Pairs, ...]

    @property
    def count(self) -> int:
        """How many slices there are."""
        return len(self.family)

    @cached_property
    def index(self) -> dict[tuple[str, str], int]:
        """Each slice's number by its dimension and level."""
        return {name: at for at, name in enumerate(self.names)}

    def members(self, at: int) -> IntArray:
        """The piercings of a slice."""
        own = next(pairs for pairs in self.pairs if at < pairs.first + pairs.count)
        return np.asarray(own.piercing[own.of == at - own.first], dtype=np.int64)

    def flat(self) -> tuple[IntArray, IntArray]:
        """Every pair, family by family: the slice and the piercing."""
        of = [own.of + np.int64(own.first) for own in self.pairs]
        return np.concatenate(of), np.concatenate([own.piercing for own in self.pairs]).astype(np.int64)

    def sums(self, *values: FloatArray) -> FloatArray:
        """Each slice's sums of values for each piercing, a row for each array of them."""
        sums = np.zeros((len(values), self.count))
        for own in self.pairs:
            of = own.of.astype(np.int64)
            for row, value in zip(sums, values, strict=True):
                row[own.slices] = np.bincount(of, value[own.piercing], own.count)
        return sums

    def narrowed(self, is_kept: NDArray[np.bool_]) -> "Slices":
        """The same slices, of some of the piercings alone, which are numbered anew."""
        number = np.cumsum(is_kept, dtype=np.int32) - 1
        pairs = []
        for own in self.pairs:
            kept = is_kept[own.piercing]
            pairs.append(replace(own, of=own.of[kept], piercing=number[own.piercing[kept]]))
        return replace(self, pairs=tuple(pairs))

    def distinct(self) -> "Slices":
        """The slices without those that hold the very piercings of an earlier one, such as a lot of one branch alone.

        Sets are told apart by their size and two sums of random numbers given to the piercings.
        """
        n = 1 + max((int(own.piercing.max(initial=-1)) for own in self.pairs), default=-1)
        # Of 26 bits, so that sums of 2^27 of them are exact.
        keys = np.random.default_rng(0).integers(1 << 26, size=(2, n)).astype(np.float64)
        told_apart = self.sums(np.ones(n), *keys)
        is_first = np.zeros(self.count, dtype=bool)
        is_first[np.unique(told_apart, axis=1, return_index=True)[1]] = True
        return self.chosen(is_first)

    def chosen(self, kept: NDArray[np.bool_]) -> "Slices":
        """Some of the slices alone, numbered anew in their order; piercings keep their numbers."""
        pairs = []
        for own in self.pairs:
            stays = kept[own.slices]
            if not stays.any():
                continue
            first, of, piercing = int(kept[: own.first].sum()), own.of, own.piercing
            if not stays.all():
                is_pair = stays[of]
                of, piercing = (np.cumsum(stays, dtype=np.int32) - 1)[of[is_pair]], piercing[is_pair]
            pairs.append(Pairs(first, int(stays.sum()), of, piercing))
        names = tuple(name for name, is_kept in zip(self.names, kept, strict=True) if is_kept)
        return Slices(names, self.family[kept], tuple(pairs))


@dataclass(frozen=True, eq=False)
class Cohort:
    """Piercings in the order of their days, and one complication of theirs.

    An array has a value for each piercing, days are day numbers.

    `performed` is the day of the piercing, `visit` a code of the client's stay, `branch` and `stratum` are codes from
    0 (a stratum is a site group and age band; `group` gives each stratum's site group), `site` is the code of the very
    site, `month` the month of the year from 0, `answered` the day from which an asked answer that vouches for the
    window was known, `recorded` the day from which an event was known, each `NEVER` where there is none. `is_settled`
    marks piercings that were judged already, by a note on their incident: they are no evidence again; `is_caused`
    those of them whose excess has a noted cause: they do not make the baseline. `branch_ids` names the branches by
    their codes.
    """

    performed: IntArray
    visit: IntArray
    branch: IntArray
    stratum: IntArray
    group: IntArray
    site: IntArray
    month: IntArray
    answered: IntArray
    recorded: IntArray
    is_settled: NDArray[np.bool_]
    is_caused: NDArray[np.bool_]
    slices: Slices
    window_days: int
    branch_ids: tuple[str, ...] = ()

    def known_on(self, night: int) -> "Cohort":
        """The cohort as a night knew it, of piercings performed by then; slices are not narrowed."""
        return replace(
            self,
            answered=np.where(self.answered <= night, self.answered, NEVER),
            recorded=np.where(self.recorded <= night, self.recorded, NEVER),
        )

    def kinds(self, piercings: IntArray) -> tuple[IntArray, IntArray, IntArray, IntArray]:
        """What the usual risk of piercings goes by: their strata, sites, months and branches."""
        return self.stratum[piercings], self.site[piercings], self.month[piercings], self.branch[piercings]

    @property
    def n_branches(self) -> int:
        """How many branches there are."""
        return int(self.branch.max(initial=-1)) + 1
