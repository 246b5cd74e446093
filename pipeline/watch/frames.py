"""From the measures to cohorts: codes, day numbers and slices of the piercings known on a night."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import NEVER, IntArray
from pipeline.watch.cohort import Cohort
from pipeline.watch.slices import Levels, make_slices, numbered

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
    piercings = measures["cohort_piercings"]
    n = piercings.height
    order = piercings.select(pl.arg_sort_by("performed_on", "procedure_id")).to_series()
    number = piercings.select(pl.col("procedure_id").gather(order)).with_row_index("at")
    of_group, site_groups = _coded(piercings["site_group"], order)
    age, age_bands = _coded(piercings["age_band"], order)
    kinds, stratum = numbered(of_group * (len(age_bands) + 1) + age + 1)  # without an age: a band of its own
    groups = list(v.SITE_GROUPS.values())
    group = np.array([groups.index(site_groups[kind]) for kind in kinds // (len(age_bands) + 1)], dtype=np.int64)
    performed = piercings["performed_on"].gather(order)
    answers = _placed(measures["cohort_answers"], number).partition_by("window_days", as_dict=True)
    events = _placed(measures["cohort_events"], number).partition_by("complication", as_dict=True)
    branch, branch_ids = _coded(piercings["branch_id"], order)
    none = np.zeros(n, dtype=bool)
    never = np.full(n, NEVER, dtype=np.int32)
    base = Cohort(
        performed=_days(performed),
        visit=_codes(piercings["visit_id"])[0][order],
        branch=branch,
        stratum=stratum,
        group=group,
        site=_coded(piercings["site"], order)[0],
        month=(performed.dt.month().cast(pl.Int32) - 1).to_numpy(),
        answered=never,
        recorded=never,
        is_settled=none,
        is_caused=none,
        slices=make_slices(_levels(piercings, order, _placed(measures["traced_batches"], number)), n),
        window_days=0,
        branch_ids=tuple(branch_ids),
    )
    windows = {complication.name: complication.window_days for complication in v.COMPLICATIONS}
    cohorts = {}
    for name in v.FOLLOWED:
        cohort = replace(
            base,
            answered=_known(answers.get((windows[name],)), "answered_on", n),
            recorded=_known(events.get((name,)), "recorded_on", n),
            window_days=windows[name],
        )
        cohorts[name] = settle(cohort, [one for one in settled if one.complication == name])
    return cohorts


def settle(cohort: Cohort, settled: Iterable[Settled]) -> Cohort:
    """The cohort with the piercings marked that notes settled, and those of them whose excess has a cause."""
    is_settled, is_caused = cohort.is_settled.copy(), cohort.is_caused.copy()
    for one in settled:
        at = cohort.slices.index.get(one.name, cohort.slices.index.get(one.instead) if one.instead else None)
        if at is not None:
            members = cohort.slices.members(at)
            days = cohort.performed[members]
            members = members[(days >= day_number(one.first_on)) & (days <= day_number(one.last_on))]
            is_settled[members] = True
            is_caused[members] |= one.has_cause
    return replace(cohort, is_settled=is_settled, is_caused=is_caused)


def assumed_risk(cohort: Cohort, complication: str) -> FloatArray:
    """The risk of each stratum to start from."""
    groups = list(v.SITE_GROUPS.values())
    return np.array([ASSUMED_RISK[complication][groups[code]] for code in cohort.group])


def _placed(rows: pl.DataFrame, number: pl.DataFrame) -> pl.DataFrame:
    """Rows about piercings with the place `at` of each one's in place of its id, those of none left out."""
    return rows.lazy().join(number.lazy(), on="procedure_id").drop("procedure_id").collect()


def _levels(piercings: pl.DataFrame, order: pl.Series, batches: pl.DataFrame) -> dict[str, Levels]:
    levels = {dimension: Levels.of(*_coded(piercings[column], order)) for dimension, column in _COLUMNS.items()}
    batches = batches.sort("at", "batch_no")
    return levels | {"batch": Levels(batches["at"].cast(pl.Int32).to_numpy(), *_coded(batches["batch_no"]))}


def _coded(values: pl.Series, order: pl.Series | None = None) -> tuple[IntArray, list[str]]:
    """A code for each value, in text order from 0, -1 where there is none; and the values.

    In the `order` of their places, if one is given.
    """
    codes, every = _codes(values)
    used, place = numbered(codes + 1)  # 0 where there is none
    has_none = int(used[:1].tolist() == [0])
    place -= has_none
    return place if order is None else place[order], every.gather(used[has_none:] - 1).to_list()


def _codes(values: pl.Series) -> tuple[IntArray, pl.Series]:
    """A code for each value, in text order with gaps, -1 where there is none; and what every code stands for."""
    coding = values.dtype
    if not isinstance(coding, pl.Enum):
        coding = pl.Enum(values.drop_nulls().unique().sort())
        values = values.cast(coding)
    codes = values.to_physical().cast(pl.Int32)
    return (codes.fill_null(-1) if codes.null_count() else codes).to_numpy(), coding.categories


def _days(days: pl.Series) -> IntArray:
    return days.cast(pl.Int32).to_numpy()


def _known(rows: pl.DataFrame | None, column: str, n: int) -> IntArray:
    """The day from which something is known of each of `n` piercings, `NEVER` where nothing is."""
    days = np.full(n, NEVER, dtype=np.int32)
    if rows is not None:
        days[rows["at"].to_numpy()] = _days(rows[column])
    return days
