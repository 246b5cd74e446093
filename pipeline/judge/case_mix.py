"""Case mix by regression: each stratum's risk of every complication, and whether the risks hold.

The factors are site group and age band, each with an effect of its own. A stratum with few piercings then borrows from
those it shares a level with, where its own rate, which indirect standardisation takes, is mostly chance. Material is no
factor: the branch chooses it, and what a branch chooses must stay in its ratio.
"""

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.arguments import FloatArray
from pipeline.stats.case_mix import calibration, fit_case_mix
from pipeline.stats.intervals import wilson

FACTORS = ("site_group", "age_band")
_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "complication": pl.String,
    **dict.fromkeys(FACTORS, pl.String),
    "procedures": pl.Int64,
    "events": pl.Int64,
    "risk": pl.Float64,
}


def fit_risks(strata: pl.DataFrame) -> pl.DataFrame:
    """The risk of every complication in each stratum of the chain, from the measure branch_strata.

    Columns complication, site_group, age_band, procedures, events and risk, which is NaN where a complication befell
    none or all of the chain's piercings.
    """
    cells = (
        strata.group_by("complication", *FACTORS)
        .agg(pl.col("procedures", "events").sum())
        .sort("complication", *FACTORS)
    )
    fitted = (own.with_columns(pl.Series("risk", _risk(own))) for own in cells.partition_by("complication"))
    return pl.concat([pl.DataFrame(schema=_SCHEMA), *(one.select(list(_SCHEMA)) for one in fitted)])


def _risk(cells: pl.DataFrame) -> FloatArray:
    """Each cell's fitted probability of an event."""
    columns = [column for factor in FACTORS for column in _dummies(cells, factor)]
    factors = np.column_stack(columns) if columns else np.zeros((cells.height, 0))
    return fit_case_mix(cells["events"].to_numpy(), cells["procedures"].to_numpy(), factors).risk


def _dummies(cells: pl.DataFrame, factor: str) -> list[FloatArray]:
    """A column of 0 and 1 for each level of a factor but the one with most piercings, to which the prior draws."""
    levels = cells.group_by(factor).agg(pl.col("procedures").sum()).sort("procedures", factor, descending=[True, False])
    return [(cells[factor] == level).to_numpy().astype(np.float64) for level in levels[factor][1:]]


def judge_calibration(risks: pl.DataFrame) -> pl.DataFrame:
    """calibration: observed and predicted events by tenths of risk for each complication, from `fit_risks`."""
    return RESULT_BY_NAME["calibration"].gather(
        _calibration(complication.name, risks.filter(pl.col("complication") == complication.name))
        for complication in v.COMPLICATIONS
    )


def _calibration(complication: str, cells: pl.DataFrame) -> pl.DataFrame:
    table = calibration(cells["events"].to_numpy(), cells["procedures"].to_numpy(), cells["risk"].to_numpy())
    interval = wilson(table.observed, table.n)
    return pl.DataFrame(
        {
            "complication": [complication] * len(table.n),
            "tenth": table.tenth,
            "procedures": table.n,
            "observed": table.observed,
            "predicted": table.expected,
            "predicted_share": table.expected / table.n,
            "share": table.observed / table.n,
            "wilson_low": interval.low,
            "wilson_high": interval.high,
            "hosmer_lemeshow": np.full(len(table.n), table.hosmer_lemeshow),
        },
        schema_overrides={"complication": pl.String},
    )
