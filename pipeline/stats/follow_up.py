"""What clients not reached could change: bounds of a rate, and the reached beside those who came by themselves."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, flags, not_above, same_shape
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class FollowUpBounds:
    """The rate among the reached, and the `best` and `worst` rate of all; NaN where there is nobody to rate."""

    reached: FloatArray
    best: FloatArray
    worst: FloatArray


def follow_up_bounds(events: ArrayLike, reached: ArrayLike, n: ArrayLike) -> FollowUpBounds:
    """Bounds of the rate of `n` clients of whom only the `reached` told whether they had an event.

    Best: none of those not reached had one, events / n. Worst: all of them had, (events + n - reached) / n. They rest
    on no assumption and are not an interval: chance comes on top. The rate among the reached, events / reached, lies
    between them; it is that of all only if those not reached fared alike. Source: Manski CF (2003), Partial
    Identification of Probability Distributions, chapter 1 (from memory).

    Arrays of one shape, or single numbers.

    Raises ValueError where `events`, `reached` or `n` are not whole numbers of 0 or more, `events` exceed `reached`, or
    `reached` exceed `n`.
    """
    x, told, size = same_shape(events=counts("events", events), reached=counts("reached", reached), n=counts("n", n))
    not_above("events", x, "reached", told)
    not_above("reached", told, "n", size)
    some, any_told = np.where(size > 0, size, np.nan), np.where(told > 0, told, np.nan)
    return FollowUpBounds(np.asarray(x / any_told), np.asarray(x / some), np.asarray((x + size - told) / some))


@dataclass(frozen=True, eq=False)
class ReachedTable:
    """Clients by how they were heard of and whether they had an event: the four counts of a 2 x 2 table.

    Those `reached` were asked by the branch; those self-reported came by themselves and were not asked.
    """

    reached_events: int
    reached_n: int
    self_reported_events: int
    self_reported_n: int


def reached_table(event: ArrayLike, reached: ArrayLike, self_reported: ArrayLike) -> ReachedTable:
    """Counts events among clients who were reached, and among those who reported by themselves alone.

    One value for each client, true or false. A client who was reached and also came by themselves counts as reached
    only: the reached stand for all clients, the self-reported for those who had a reason. Clients of neither kind are
    not counted. Self-reported clients with an event are many by nature, so the difference shows how far a rate from
    self-reports would be off; it says nothing of the branch.

    Raises ValueError where an argument is not a row of true and false, or lengths differ.
    """
    happened, asked, came = (
        flags(name, values)
        for name, values in (("event", event), ("reached", reached), ("self_reported", self_reported))
    )
    same_shape(event=happened.astype(float), reached=asked.astype(float), self_reported=came.astype(float))
    alone = came & ~asked
    return ReachedTable(
        int((happened & asked).sum()), int(asked.sum()), int((happened & alone).sum()), int(alone.sum())
    )


METHODS = (
    Method(
        identifier="follow_up_bounds",
        name="Bounds for clients not reached",
        functions=("follow_up_bounds",),
        says="How low and how high the rate of all clients could be, whatever happened to those not reached. Wide "
        "bounds mean that follow-up, not chance, limits what is known.",
        formula="events / n to (events + n - reached) / n",
        source="Manski CF (2003), Partial Identification of Probability Distributions, chapter 1 (from memory)",
        checks=(
            "test_follow_up::test_bounds_are_the_extremes_of_all_that_could_have_happened",
            "test_follow_up::test_bounds_by_hand",
        ),
    ),
    Method(
        identifier="reached_table",
        name="Reached against self-reported clients",
        functions=("reached_table",),
        says="Events among clients who were asked, and among those who came by themselves alone. The latter come "
        "because of a complaint, so their share is no rate.",
        formula="2 x 2 counts; a client of both kinds counts as reached",
        source="counts by definition",
        checks=("test_follow_up::test_table_equals_counting_one_by_one",),
    ),
)
