"""Branches side by side: each one's events against those expected of its case mix, and whether it may be compared."""

from statistics import median

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats.funnel import funnel_limits
from pipeline.stats.shrinkage import marshall
from pipeline.stats.standardise import expected, standardised_ratio, stratum_rates

COVERAGE_BAND = (0.5, 2.0)
"""Times the other branches' median coverage between which a branch's own lets it be compared."""


def judge_comparison(strata: pl.DataFrame, counts: pl.DataFrame, branches: pl.DataFrame) -> pl.DataFrame:
    """comparison, from the measures branch_strata, complication_counts and branch_days."""
    sizes = counts.filter(pl.col("dimension") == "branch").rename({"level": "branch_id"})
    policies = dict(branches.select("branch_id", "follow_up_policy").iter_rows())
    by_complication = [
        _compare(strata.filter(pl.col("complication") == complication.name), own, policies)
        for complication in v.COMPLICATIONS
        if not (own := sizes.filter(pl.col("complication") == complication.name)).is_empty()
    ]
    return pl.concat(by_complication) if by_complication else _compare(strata, sizes, policies)


def _compare(strata: pl.DataFrame, sizes: pl.DataFrame, policies: dict[str, str | None]) -> pl.DataFrame:
    """One complication's comparison; `sizes` has a row for each branch, with procedures, events and reached."""
    sizes = sizes.sort("branch_id")
    keyed = strata.join(sizes.select("branch_id").with_row_index("group"), on="branch_id").with_columns(
        pl.struct("site_group", "age_band").rank("dense").sub(1).alias("stratum")
    )
    procedures, stratum = keyed["procedures"].to_numpy(), keyed["stratum"].to_numpy()
    n_strata = keyed["stratum"].n_unique()
    rates = stratum_rates(keyed["events"].to_numpy(), procedures, stratum, n_strata)
    usual = np.nan_to_num(expected(rates, procedures, stratum, keyed["group"].to_numpy(), sizes.height))
    observed = sizes["events"].to_numpy()
    ratio, limits = standardised_ratio(observed, usual), funnel_limits(usual)
    judged = [_may_compare(row, sizes, policies) for row in sizes.iter_rows(named=True)]
    return sizes.select(
        "branch_id", "complication", pl.col("events").alias("observed"), "procedures", "reached"
    ).with_columns(
        pl.Series("expected", usual),
        pl.Series("ratio", ratio.ratio),
        pl.Series("ratio_low", ratio.low),
        pl.Series("ratio_high", ratio.high),
        pl.Series("limit_low_95", limits.low_95),
        pl.Series("limit_high_95", limits.high_95),
        pl.Series("limit_low_998", limits.low_998),
        pl.Series("limit_high_998", limits.high_998),
        pl.Series("shrunk_ratio", marshall(observed, usual).ratio),
        pl.Series("comparable", [not reason for reason in judged], dtype=pl.Boolean),
        pl.Series("reason", [reason or None for reason in judged], dtype=pl.String),
        (pl.col("reached") / pl.col("procedures")).fill_nan(None).alias("coverage"),
    )


def _may_compare(row: dict[str, object], sizes: pl.DataFrame, policies: dict[str, str | None]) -> str:
    """Why a branch may not be compared with the others; empty where it may."""
    others = sizes.filter((pl.col("branch_id") != row["branch_id"]) & (pl.col("procedures") > 0))
    procedures, reached = int(str(row["procedures"])), int(str(row["reached"]))
    if procedures == 0:
        return "no piercing is old enough yet"
    if others.is_empty():
        return "there is no other branch"
    if policies.get(str(row["branch_id"])) == "passive" and any(
        policies.get(branch) != "passive" for branch in others["branch_id"]
    ):
        return "it does not ask after its clients"
    coverage = reached / procedures
    elsewhere = median(others["reached"].to_numpy() / others["procedures"].to_numpy())
    if not COVERAGE_BAND[0] * elsewhere <= coverage <= COVERAGE_BAND[1] * elsewhere:
        return f"its follow-up reaches {coverage:.0%} of piercings, elsewhere {elsewhere:.0%}"
    return ""
