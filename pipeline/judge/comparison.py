"""Branches side by side: each one's events against those expected of its case mix, and whether it may be compared."""

from statistics import median

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contract import vocabulary as v
from pipeline.judge.case_mix import FACTORS
from pipeline.stats.arguments import FloatArray
from pipeline.stats.case_mix import expected_events
from pipeline.stats.funnel import funnel_limits
from pipeline.stats.gamma_poisson import gamma_posterior, gamma_prior
from pipeline.stats.overdispersion import ratio_overdispersion, widened_ratio_limits
from pipeline.stats.posteriors import probability_beyond
from pipeline.stats.shrinkage import marshall
from pipeline.stats.standardise import expected, standardised_ratio, stratum_rates

COVERAGE_BAND = (0.5, 2.0)
"""Times the other branches' median coverage between which a branch's own lets it be compared."""

MARGIN = 1.25
"""Times the mean of all that a branch's true ratio is asked to exceed: a difference worth acting on, by choice."""


def judge_comparison(
    strata: pl.DataFrame, counts: pl.DataFrame, branches: pl.DataFrame, risks: pl.DataFrame
) -> pl.DataFrame:
    """comparison, from the measures branch_strata, complication_counts and branch_days.

    `risks` are those of `case_mix.fit_risks`.
    """
    cells = ["complication", *FACTORS]
    strata = strata.join(risks.select(*cells, "risk"), on=cells, how="left", maintain_order="left")
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
    procedures, stratum, group = (keyed[name].to_numpy() for name in ("procedures", "stratum", "group"))
    n_strata = keyed["stratum"].n_unique()
    rates = stratum_rates(keyed["events"].to_numpy(), procedures, stratum, n_strata)
    usual = np.nan_to_num(expected(rates, procedures, stratum, group, sizes.height))
    by_model = expected_events(keyed["risk"].to_numpy(), procedures, group, sizes.height)
    observed = sizes["events"].to_numpy()
    ratio, limits = standardised_ratio(observed, usual), funnel_limits(usual)
    judged = [_may_compare(row, sizes, policies) for row in sizes.iter_rows(named=True)]
    spread = _spread(observed, usual, np.array([not reason for reason in judged], dtype=bool))
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
        _share("reached").fill_nan(None).alias("coverage"),
        (_share("observed") / (pl.col("observed").sum() / pl.col("procedures").sum())).alias("raw_ratio"),
        *(pl.Series(name, values, dtype=pl.Float64) for name, values in spread.items()),
        pl.Series("model_expected", by_model),
        pl.Series("model_ratio", standardised_ratio(observed, np.nan_to_num(by_model)).ratio),
    )


def _share(column: str) -> pl.Expr:
    return pl.col(column) / pl.col("procedures")


def _spread(observed: FloatArray, usual: FloatArray, comparable: NDArray[np.bool_]) -> dict[str, FloatArray]:
    """Columns on how far branches that may be compared differ beyond chance, and each one's ratio in that light.

    Unknown where fewer than two of them expect anything.
    """
    judged = comparable & (usual > 0)
    if judged.sum() < 2:
        judged = np.zeros_like(judged)
    spread = ratio_overdispersion(observed[judged], usual[judged])
    wide = widened_ratio_limits(usual, spread).additive
    posterior = gamma_posterior(gamma_prior(observed[judged], usual[judged]), observed, usual)
    of_all = {"phi": spread.phi, "phi_winsorised": spread.phi_winsorised, "tau2": spread.tau2}
    return {name: np.full(len(usual), value) for name, value in of_all.items()} | {
        "wide_low_95": wide.low_95,
        "wide_high_95": wide.high_95,
        "wide_low_998": wide.low_998,
        "wide_high_998": wide.high_998,
        "posterior_low": posterior.low,
        "posterior_high": posterior.high,
        "probability_above": probability_beyond(posterior, MARGIN),
    }


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
