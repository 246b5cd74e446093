"""From the measures to cohorts: codes, day numbers and slices of the piercings known on a night."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats.arguments import FloatArray, IntArray
from pipeline.watch.cohort import NEVER, Cohort
from pipeline.watch.slices import Levels, make_slices

Frames = Mapping[str, pl.DataFrame]

_COLUMNS = {
    "branch": "branch_id",
    "site_group": "site_group",
    "article": "article_id",
    "material": "material",
    "practitioner": "practitioner_id",
    "lot": "lot_no",
}
_EPOCH = date(1970, 1, 1)

_RISK = {"lobe": 0.02, "upper_cartilage": 0.05, "other_cartilage": 0.05, "other": 0.05}
ASSUMED_RISK: dict[str, dict[str, float]] = {
    "infection": _RISK,
    "contact_allergy": dict.fromkeys(_RISK, 0.006),
    "embedded_stud": dict.fromkeys(_RISK, 0.003),
    "excess_bleeding": dict.fromkeys(_RISK, 0.004),
    "any": {"lobe": 0.06, "upper_cartilage": 0.1, "other_cartilage": 0.1, "other": 0.1},
}
"""Risk among those reached, by site group, before a chain's own events outweigh it. Assumptions, no source: published
rates are from clients' own accounts, over years, and several times higher (Simplot TC, Hoffman HT (1998), American
Journal of Otolaryngology 19:305-310: complications at 30 % of sites), so they say little of a record of 30 days."""


def day_number(day: date) -> int:
    """A day as a number, for arrays of days."""
    return (day - _EPOCH).days


def day_of(number: int) -> date:
    """The day of a number."""
    return date.fromordinal(number + _EPOCH.toordinal())


@dataclass(frozen=True)
class Settled:
    """A slice of a complication that a note settled: its piercings between two days, and whether a cause was found.

    Where no slice is called `name`, as its piercings are those of another or it was misspelt, it is the one `instead`.
    """

    complication: str
    name: tuple[str, str]
    first_on: date
    last_on: date
    has_cause: bool
    instead: tuple[str, str] | None = None


def make_cohorts(measures: Frames, settled: Sequence[Settled] = ()) -> dict[str, Cohort]:
    """The cohort of each followed complication, all of the same piercings in the order of their days.

    Cohorts differ in what came to be known: events, and answers that vouch for the complication's window; and in what
    notes settled of them.
    """
    piercings = measures["cohort_piercings"].sort("performed_on", "procedure_id")
    number = piercings.select("procedure_id").with_row_index("at")
    stratum, kinds = _coded(piercings["site_group"] + ":" + piercings["age_band"].fill_null(v.MISSING))
    groups = list(v.SITE_GROUPS.values())
    group = np.array([groups.index(kind.split(":")[0]) for kind in kinds], dtype=np.int64)
    branch, _ = _coded(piercings["branch_id"])
    slices = make_slices(_levels(piercings, measures["traced_batches"], number), piercings.height)
    none = np.zeros(piercings.height, dtype=bool)
    never = np.full(piercings.height, NEVER)
    base = Cohort(
        performed=_days(piercings["performed_on"]),
        visit=_coded(piercings["visit_id"])[0],
        branch=branch,
        stratum=stratum,
        group=group,
        month=(piercings["performed_on"].dt.month().cast(pl.Int64) - 1).to_numpy(),
        answered=never,
        recorded=never,
        is_settled=none,
        is_caused=none,
        slices=slices,
        window_days=0,
    )
    windows = {complication.name: complication.window_days for complication in v.COMPLICATIONS}
    cohorts = {}
    for name in v.FOLLOWED:
        answers = measures["cohort_answers"].filter(pl.col("window_days") == windows[name])
        events = measures["cohort_events"].filter(pl.col("complication") == name)
        cohort = replace(
            base,
            answered=_known(number, answers, "answered_on"),
            recorded=_known(number, events, "recorded_on"),
            window_days=windows[name],
        )
        cohorts[name] = _settle(cohort, [one for one in settled if one.complication == name])
    return cohorts


def _settle(cohort: Cohort, settled: Sequence[Settled]) -> Cohort:
    is_settled, is_caused = cohort.is_settled.copy(), cohort.is_caused.copy()
    for one in settled:
        at = cohort.index.get(one.name, cohort.index.get(one.instead) if one.instead else None)
        if at is not None:
            members = cohort.members(at)
            days = cohort.performed[members]
            members = members[(days >= day_number(one.first_on)) & (days <= day_number(one.last_on))]
            is_settled[members] = True
            is_caused[members] |= one.has_cause
    return replace(cohort, is_settled=is_settled, is_caused=is_caused)


def assumed_risk(cohort: Cohort, complication: str) -> FloatArray:
    """The risk of each stratum to start from."""
    groups = list(v.SITE_GROUPS.values())
    return np.array([ASSUMED_RISK[complication][groups[code]] for code in cohort.group])


def _levels(piercings: pl.DataFrame, batches: pl.DataFrame, number: pl.DataFrame) -> dict[str, Levels]:
    levels = {dimension: Levels.of(*_coded(piercings[column])) for dimension, column in _COLUMNS.items()}
    placed = batches.join(number, on="procedure_id").sort("at", "batch_no")
    code, names = _coded(placed["batch_no"])
    return levels | {"batch": Levels(placed["at"].cast(pl.Int64).to_numpy(), code, names)}


def _coded(values: pl.Series) -> tuple[IntArray, list[str]]:
    """A code for each value, in text order from 0, -1 where there is none; and the values."""
    names = values.drop_nulls().unique().sort()
    codes = values.replace_strict(names, np.arange(len(names)), default=-1, return_dtype=pl.Int64)
    return codes.fill_null(-1).to_numpy(), names.to_list()


def _days(days: pl.Series) -> IntArray:
    return days.cast(pl.Int32).cast(pl.Int64).to_numpy()


def _known(number: pl.DataFrame, rows: pl.DataFrame, column: str) -> IntArray:
    """The day from which something is known of each piercing, `NEVER` where nothing is."""
    days = np.full(number.height, NEVER, dtype=np.int64)
    placed = rows.join(number, on="procedure_id")
    days[placed["at"].to_numpy()] = _days(placed[column])
    return days
