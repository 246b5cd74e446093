"""Possible causes: events of those exposed to each lot, batch, article, practitioner or branch, against like piercings.

Like piercings share site group, age band and whether an asked answer vouches for them: so neither case mix nor better
follow-up looks like a cause.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.sparse import csr_array

from pipeline.contract.vocabulary import CAUSES
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.funnel import LEAST_EXPECTED, Excess, critical_count, stepwise_excess
from pipeline.stats.standardise import standardised_ratio, stratum_rates

_STRATUM = ("site_group", "age_band", "is_reached")


def judge_exposures(piercings: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    """exposures, from the measures exposed_piercings and exposure_levels, for each watched complication."""
    return RESULT_BY_NAME["exposures"].gather(
        _judge(rows.with_row_index("column"), levels).with_columns(pl.lit(str(complication)).alias("complication"))
        for (complication,), rows in piercings.partition_by("complication", as_dict=True).items()
    )


def _judge(piercings: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    """One complication: a row for each slice, those beyond their limit marked."""
    members = levels.join(piercings.select("procedure_id", "column", "performed_on"), on="procedure_id")
    slices = _slices(members)
    members = members.join(slices.select("dimension", "level", "row"), on=["dimension", "level"])
    shape = (slices.height, piercings.height)
    membership = csr_array(
        (np.ones(members.height), (members["row"].to_numpy(), members["column"].to_numpy())), shape=shape
    )
    excess = stepwise_excess(membership, piercings["is_event"].cast(pl.Int64).to_numpy(), _risk(piercings))
    # A slice told as a signal stands with what it had when it was chosen: what others explain is taken out.
    piercings_of, observed, usual, p_value = (_as_told(excess, name) for name in _FIGURES)
    ratio = standardised_ratio(observed, usual)
    judgeable = (usual >= LEAST_EXPECTED) & np.isfinite(excess.tail)
    limit = np.where(judgeable, critical_count(usual, excess.tail if np.isfinite(excess.tail) else 1.0), np.nan)
    return slices.with_columns(
        pl.Series("procedures", piercings_of.astype(np.int64)),
        pl.Series("observed", observed.astype(np.int64)),
        pl.Series("expected", usual),
        pl.Series("ratio", ratio.ratio),
        pl.Series("ratio_low", ratio.low),
        pl.Series("ratio_high", ratio.high),
        pl.Series("limit_high", limit),
        pl.Series("p_value", p_value),
        pl.Series("signal", np.isin(np.arange(slices.height), excess.chosen)),
    )


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
