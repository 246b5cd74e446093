"""Whom the branches ask, when, and who answers: the messages, calls and booked checks after each visit.

A branch reaches a visit if its client is one who answers; that is drawn first, so that the share reached 6 to 44 days
after the visit is the branch's `reach`. First contact is at 9 to 14 days, second at 31 to 39, the booked check at 45 to
58 (a branch that does not ask sees those who come to a check at 18 to 34 days), and active branches send a message
after half a year.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contract.vocabulary import REPORTING_LAG_DAYS, WINDOWS
from pipeline.simulate.chain import Chain
from pipeline.simulate.draws import Mask, Whole, is_any, stream, whole_between
from pipeline.simulate.stories import Stories

FIRST, SECOND, CHECK, LATE = range(4)
"""The four occasions on which a branch may ask, and the columns of `Asking.days` and `Asking.answered`."""

# Assumptions.
_DAYS = {FIRST: (9, 14), SECOND: (31, 39), LATE: (170, 195)}
_CHECK_DAYS, _PASSIVE_CHECK_DAYS = (45, 58), (18, 34)
_ANSWERS_BOTH, _ANSWERS_FIRST = 0.55, 0.20  # of those who answer at all; the rest answer the second only
_ANSWERS_LATE = 0.5
_BOOKED = {"active": 0.55, "message": 0.40}
_COMES_IF_ANSWERS, _COMES_ELSE = 0.84, 0.50
_PASSIVE_COMES = 0.75


@dataclass(frozen=True)
class Asking:
    """Days after the visit of each occasion to ask, whether the branch asked on it, and whether it was answered.

    All arrays have a row per visit and a column per occasion; a check is asked where it is booked and answered where
    the client came to it.
    """

    days: Whole
    asked: NDArray[np.bool_]
    answered: NDArray[np.bool_]

    def reached(self, window: int, visit: Whole) -> Mask:
        """Whether each visit was reached for a window of so many days, as the contract defines it."""
        first, last = -(-window // 5), window + REPORTING_LAG_DAYS
        in_time = (self.days >= first) & (self.days <= last)
        reached: Mask = np.any(self.answered & in_time, axis=1)[visit]
        return reached

    def reached_by_window(self, visit: Whole) -> dict[int, Mask]:
        """Whether each visit was reached, for every window of the contract."""
        return {window: self.reached(window, visit) for window in WINDOWS}


def _reach(visits: pl.DataFrame, chain: Chain, stories: Stories) -> NDArray[np.float64]:
    """The share of clients whom the branch reaches when it asks, for each visit."""
    reach = pl.col("branch_id").cast(pl.String)
    reach = reach.replace_strict({branch.branch_id: branch.reach for branch in chain.branches})
    for change in stories.reach_changes:
        then = pl.col("performed_on").is_between(change.first_on, change.last_on)
        reach = pl.when(is_any("branch_id", [change.branch_id]) & then).then(change.reach).otherwise(reach)
    return visits.select(reach).to_series().to_numpy()


def _checks(
    answers: Mask, reach: NDArray[np.float64], policy: np.ndarray, rng: np.random.Generator
) -> tuple[Whole, Mask, Mask]:
    """Days after the visit of each check, whether it is booked, and whether the client comes to it in the end.

    At a passive branch the check is all the asking there is: every client it reaches comes to one, no other does.
    """
    count = len(answers)
    is_passive = policy == "passive"
    luck = rng.random(count)
    booked_in_vain = reach * (1 / _PASSIVE_COMES - 1) / (1 - reach)
    booked_share = np.where(policy == "active", _BOOKED["active"], _BOOKED["message"])
    booked = np.where(is_passive, answers | (luck < booked_in_vain), luck < booked_share)
    comes_share = np.where(answers, _COMES_IF_ANSWERS, _COMES_ELSE)
    comes = np.where(is_passive, answers, rng.random(count) < comes_share)
    days = np.where(
        is_passive, whole_between(rng, *_PASSIVE_CHECK_DAYS, count), whole_between(rng, *_CHECK_DAYS, count)
    )
    return days, booked, booked & comes


def draw_asking(visits: pl.DataFrame, chain: Chain, stories: Stories, seed: int) -> Asking:
    """Draw whom the branches ask on each occasion, and who answers."""
    rng = stream(seed, "asking")
    count = len(visits)
    policy = visits["follow_up_policy"].to_numpy()
    reach = _reach(visits, chain, stories)
    answers = rng.random(count) < reach
    luck = rng.random(count)
    check_days, check_booked, check_kept = _checks(answers, reach, policy, rng)
    asks, is_active = policy != "passive", policy == "active"
    first = luck < _ANSWERS_BOTH + _ANSWERS_FIRST
    second = (luck < _ANSWERS_BOTH) | ~first
    late = rng.random(count) < _ANSWERS_LATE
    drawn = {occasion: whole_between(rng, *days, count) for occasion, days in _DAYS.items()}
    return Asking(
        days=np.column_stack([drawn[FIRST], drawn[SECOND], check_days, drawn[LATE]]),
        asked=np.column_stack([asks, asks, check_booked, is_active]),
        answered=np.column_stack(
            [asks & answers & first, asks & answers & second, check_kept, is_active & answers & late]
        ),
    )
