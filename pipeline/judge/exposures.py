"""Possible causes: events of those exposed to each lot, batch, article, practitioner or branch, against like piercings.

Like piercings share site group, age band and whether an asked answer vouches for them: so neither case mix nor better
follow-up looks like a cause.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.sparse import csr_array

from pipeline.contract.vocabulary import CAUSES
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.funnel import LEAST_EXPECTED, Excess, critical_count, stepwise_excess
from pipeline.stats.standardise import standardised_ratio, stratum_rates

_STRATUM = ("site_group", "age_band", "is_reached")
_TAKEN_OUT = ("complication", "dimension", "level", "procedure_id", "by_dimension", "by_level")


@dataclass(frozen=True)
class _Search:
    """One complication: its slices, the piercings in each by the slice's `row`, and what the search chose of them."""

    slices: pl.DataFrame
    members: pl.DataFrame
    excess: Excess


def judge_exposures(piercings: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    """exposures, from the measures exposed_piercings and exposure_levels, for each watched complication."""
    return RESULT_BY_NAME["exposures"].gather(
        _judge(_search(rows, levels)).with_columns(pl.lit(str(complication)).alias("complication"))
        for (complication,), rows in piercings.partition_by("complication", as_dict=True).items()
    )


def taken_out(piercings: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    """Piercings that a slice told as a signal no longer had when it was chosen, from the same measures.

    Columns complication, dimension, level, procedure_id, and by_dimension and by_level: the slice chosen before, for
    which the piercing counts.
    """
    found = (
        _taken_out(_search(rows, levels)).with_columns(pl.lit(str(complication)).alias("complication"))
        for (complication,), rows in piercings.partition_by("complication", as_dict=True).items()
    )
    schema = dict.fromkeys(_TAKEN_OUT, pl.String)
    return pl.concat([pl.DataFrame(schema=schema), *(one.select(_TAKEN_OUT) for one in found)])


def _search(piercings: pl.DataFrame, levels: pl.DataFrame) -> _Search:
    piercings = piercings.with_row_index("column")
    members = levels.join(piercings.select("procedure_id", "column", "performed_on"), on="procedure_id")
    slices = _slices(members)
    members = members.join(slices.select("dimension", "level", "row"), on=["dimension", "level"])
    membership = csr_array(
        (np.ones(members.height), (members["row"].to_numpy(), members["column"].to_numpy())),
        shape=(slices.height, piercings.height),
    )
    events = piercings["is_event"].cast(pl.Int64).to_numpy()
    return _Search(slices, members, stepwise_excess(membership, events, _risk(piercings)))


def _judge(search: _Search) -> pl.DataFrame:
    """One complication: a row for each slice, those beyond their limit marked."""
    excess = search.excess
    # A slice told as a signal stands with what it had when it was chosen: what others explain is taken out.
    piercings_of, observed, usual, p_value = (_as_told(excess, name) for name in _FIGURES)
    ratio = standardised_ratio(observed, usual)
    judgeable = (usual >= LEAST_EXPECTED) & np.isfinite(excess.tail)
    limit = np.where(judgeable, critical_count(usual, excess.tail if np.isfinite(excess.tail) else 1.0), np.nan)
    return search.slices.with_columns(
        pl.Series("procedures", piercings_of.astype(np.int64)),
        pl.Series("observed", observed.astype(np.int64)),
        pl.Series("expected", usual),
        pl.Series("ratio", ratio.ratio),
        pl.Series("ratio_low", ratio.low),
        pl.Series("ratio_high", ratio.high),
        pl.Series("limit_high", limit),
        pl.Series("p_value", p_value),
        pl.Series("signal", np.isin(np.arange(search.slices.height), excess.chosen)),
    )


def _taken_out(search: _Search) -> pl.DataFrame:
    """One complication: each piercing of a chosen slice that the first chosen of its slices took."""
    order = pl.DataFrame({"row": search.excess.chosen}, schema={"row": search.slices.schema["row"]}).with_row_index(
        "at"
    )
    first_of = search.members.join(order, on="row").with_columns(
        pl.col("at").min().over("procedure_id").alias("first_at")
    )
    names = search.slices.select("row", pl.col("dimension", "level").name.prefix("by_"))
    by = order.join(names, on="row").select(pl.col("at").alias("first_at"), "by_dimension", "by_level")
    return first_of.filter(pl.col("at") > pl.col("first_at")).join(by, on="first_at")


_FIGURES = ("piercings", "observed", "expected", "p_value")


def _as_told(excess: Excess, name: str) -> NDArray[np.float64]:
    """A figure of every slice: from the start, and for those chosen from when they were."""
    values = np.array(getattr(excess.start, name))
    values[excess.chosen] = getattr(excess.figures, name)
    return values


def _slices(members: pl.DataFrame) -> pl.DataFrame:
    """The levels of all dimensions in the order in which ties are broken, with their size and span of days."""
    order = pl.col("dimension").replace_strict({name: at for at, name in enumerate(CAUSES)}, return_dtype=pl.Int64)
    return (
        members.group_by("dimension", "level")
        .agg(
            pl.len().alias("procedures"),
            pl.col("performed_on").min().alias("first_on"),
            pl.col("performed_on").max().alias("last_on"),
        )
        .sort(order, "level")
        .with_row_index("row")
    )


def _risk(piercings: pl.DataFrame) -> NDArray[np.float64]:
    """Each piercing's probability of an event: the share among all piercings of its stratum."""
    stratum = piercings.select(pl.struct(_STRATUM).rank("dense").sub(1)).to_series().to_numpy()
    events = piercings["is_event"].cast(pl.Int64).to_numpy()
    rates = stratum_rates(events, np.ones(len(events)), stratum, int(stratum.max()) + 1)
    return np.asarray(rates.rate[stratum])
