"""Suppression: which counts of a table are withheld, so that no small one can be read or worked out from the others."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from pipeline.stats.arguments import FloatArray, counts
from pipeline.stats.method import Method

Mask = NDArray[np.bool_]

_ROOM = 10
"""Times the smallest count given by which an unknown count may exceed the largest there is: room to be unknown in."""


@dataclass(frozen=True)
class Relations:
    """What holds between a table's counts, by their places, whatever they are: every reader knows it too.

    In `sums` the count at the first place is the sum of those at the others. In `parts` the first counts some of those
    whom the second counts, so that the second less the first is a count of people too. In `covers` the first is no more
    than the others together.
    """

    sums: tuple[tuple[int, tuple[int, ...]], ...] = ()
    parts: tuple[tuple[int, int], ...] = ()
    covers: tuple[tuple[int, tuple[int, ...]], ...] = ()

    def each(self) -> Iterator[tuple[int, tuple[int, ...]]]:
        """Every relation's places, in the order in which a further count to withhold is looked for in them."""
        yield from self.sums
        yield from ((part, (whole,)) for part, whole in self.parts)
        yield from self.covers

    def rows(self, n: int) -> FloatArray:
        """For each relation of a table of `n` counts, what makes its difference of it: the others less the first."""
        rows = np.zeros((len(self.sums) + len(self.parts) + len(self.covers), n))
        for row, (first, others) in zip(rows, self.each(), strict=True):
            row[list(others)] = 1
            row[first] = -1
        return rows

    def most(self, n_rows: int) -> FloatArray:
        """The largest difference that each relation allows, the least being 0: none of a sum, any of others."""
        return np.where(np.arange(n_rows) < len(self.sums), 0, np.inf)


def suppress(values: ArrayLike, relations: Relations, smallest: int) -> Mask:
    """Which counts are withheld where none from 1 to `smallest` - 1 may be told: an array of true and false.

    First those that are so small themselves, and those that leave so few of a whole they are part of. Then others, one
    by one, until whoever knows all that is told and the relations is left with at least `smallest` possible values for
    each count withheld and for each small rest, by integer programming. A count is looked for next to what is not yet
    hidden, the smallest first: few are withheld, but not the fewest possible. Source: Willenborg L, de Waal T (2001),
    Elements of Statistical Disclosure Control, Lecture Notes in Statistics 155, chapters 6 and 8 (from memory).

    Raises ValueError where `values` are not whole numbers of 0 or more in one row, break a relation, or `smallest` is
    below 2.
    """
    x = _table(values, relations)
    if smallest < 2:
        raise ValueError("smallest must be 2 or more")
    rests = [(part, whole) for part, whole in relations.parts if 0 < x[whole] - x[part] < smallest]
    hidden = (x > 0) & (x < smallest)
    for part, whole in rests:
        if not hidden[whole]:
            hidden[part] = True
    audit = _Audit(x, relations, smallest, rests)
    while exposed := audit.exposed(hidden):
        fresh: set[int] = set()
        for places in exposed:
            if not fresh & _related(set(places), relations):  # what was just withheld may be enough for these too
                fresh |= _next_to(places, x, hidden, relations)
        if not fresh:
            break
        hidden[list(fresh)] = True
    return hidden


def _table(values: ArrayLike, relations: Relations) -> FloatArray:
    x = counts("values", values)
    if x.ndim != 1:
        raise ValueError("values must be one row")
    differences = relations.rows(len(x)) @ x
    if (differences < 0).any() or (differences > relations.most(len(differences))).any():
        raise ValueError("values break a relation")
    return x


def _extreme(form: FloatArray, x: FloatArray, hidden: Mask, relations: Relations, ceiling: float) -> FloatArray:
    """A table that agrees with all that is told, with the least value of a linear form."""
    bounds = Bounds(np.where(hidden, 0, x), np.where(hidden, ceiling, x))
    rows = relations.rows(len(x))
    among = LinearConstraint(rows, 0, relations.most(len(rows))) if len(rows) else None
    found = milp(form, integrality=np.ones(len(x), dtype=np.int64), bounds=bounds, constraints=among)
    # The solver now and then finds no table where there is one, so what it says is tried: without one that holds the
    # table itself is all that is known to agree, and a count then passes for less hidden than it is, never for more.
    table = x if found.x is None else np.asarray(np.round(found.x))
    differences = rows @ table
    is_whole = (differences >= 0).all() and (differences <= relations.most(len(rows))).all()
    return table if is_whole and (table >= bounds.lb).all() and (table <= bounds.ub).all() else x


class _Audit:
    """Finds what is not yet hidden well. Tables met on the way are kept: what they show to be possible stays so."""

    def __init__(self, x: FloatArray, relations: Relations, smallest: int, rests: list[tuple[int, int]]) -> None:
        self._x, self._relations, self._width = x, relations, smallest - 1
        self._ceiling = float(x.max(initial=0) + _ROOM * smallest)
        each = np.eye(len(x))
        self._forms = np.vstack([each, *(each[whole] - each[part] for part, whole in rests)])
        self._low = self._high = self._forms @ x

    def exposed(self, hidden: Mask) -> list[list[int]]:
        """The places of each count or rest that has too few possible values, while these counts are hidden."""
        matters = np.append(hidden, np.ones(len(self._forms) - len(hidden), dtype=bool))
        if self._narrow(matters).any():
            together = self._forms[self._narrow(matters)].sum(axis=0)
            self._meet(together, hidden)
            self._meet(-together, hidden)
        found = []
        for at in np.flatnonzero(self._narrow(matters)):
            for form in (-self._forms[at], self._forms[at]):
                if self._narrow(matters)[at]:
                    self._meet(form, hidden)
            if self._narrow(matters)[at]:
                found.append([int(place) for place in np.flatnonzero(self._forms[at])])
        return found

    def _narrow(self, matters: Mask) -> Mask:
        return np.asarray(matters & (self._high - self._low < self._width))

    def _meet(self, form: FloatArray, hidden: Mask) -> None:
        values = self._forms @ _extreme(form, self._x, hidden, self._relations, self._ceiling)
        self._low, self._high = np.minimum(self._low, values), np.maximum(self._high, values)


def _related(places: set[int], relations: Relations) -> set[int]:
    """Places, and all that stand in a relation with one of them."""
    return places.union(*({first, *others} for first, others in relations.each() if places & {first, *others}))


def _next_to(places: list[int], x: FloatArray, hidden: Mask, relations: Relations) -> set[int]:
    """The count to withhold next for some places: of the nearest that are told, the smallest that is not nought.

    None where all that is related is withheld: each of it could then be as large as the room for it.
    """
    near = set(places)
    told = [place for place in places if not hidden[place]]
    while not told:
        for first, others in relations.each():
            if near & {first, *others} and not told:
                told = [place for place in (first, *others) if not hidden[place]]
        grown = _related(near, relations)
        if grown == near and not told:
            return set()
        near = grown
    return {min(told, key=lambda place: (x[place] == 0, x[place], place))}


METHODS = (
    Method(
        identifier="suppression",
        name="Withholding small counts",
        functions=("suppress",),
        says="Which counts of a table are not told, so that no small number of people can be read from it or worked "
        "out from totals, parts and shares. Nought is told. Whoever knows who was counted may still know more.",
        formula="hide 0 < x < s and 0 < whole - part < s; then more, until max x - min x >= s - 1 over all tables that "
        "agree with what is told, for each x hidden and each small rest",
        source="Willenborg L, de Waal T (2001), Elements of Statistical Disclosure Control, Lecture Notes in "
        "Statistics 155, chapters 6 and 8 (from memory)",
        checks=(
            "test_suppression::test_no_withheld_count_can_be_worked_out",
            "test_suppression::test_nor_can_a_count_within_a_count_or_a_small_rest",
            "test_suppression::test_a_row_by_hand",
        ),
    ),
)
