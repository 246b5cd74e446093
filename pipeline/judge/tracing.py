"""Tracing: who was exposed to a lot, a batch or anything else piercings are told apart by, and what became of them."""

from datetime import date, timedelta

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.rates import with_share

_COLUMN = {
    "visit": "visit_id",
    "procedure": "procedure_id",
    "branch": "branch_id",
    "site": "site",
    "site_group": "site_group",
    "ear": "ear",
    "article": "article_id",
    "material": "material",
    "practitioner": "practitioner_id",
    "lot": "lot_no",
    "age_band": "age_band",
}
"""The column of traced_piercings that holds a dimension's level; a batch is in a frame of its own."""

REACHED, HEARD, ASKED, NOT_ASKED = "reached", "heard from", "asked, no answer", "not asked yet"
"""How a branch stands with a client, the first that holds: an asked answer vouches for the window of infection; an
asked answer came on another day; asked without an answer; nobody asked."""

_HEAD_COUNTS = {
    "exposed": pl.len(),
    "reached": pl.col("reached_on").is_not_null().sum(),
    "not_asked": (pl.col("contact") == NOT_ASKED).sum(),
    "infected": pl.col("is_infected").sum(),
    "with_complication": pl.col("has_complication").sum(),
    "mature": pl.col("is_mature").sum(),
    "mature_infected": (pl.col("is_mature") & pl.col("is_infected")).sum(),
}


def exposed_to(piercings: pl.DataFrame, batches: pl.DataFrame, dimension: str, level: str) -> pl.DataFrame:
    """The rows of traced_piercings that stand under a level; of a pair of dimensions `a:b` those under both parts.

    The level `all` of the dimension `all` is every piercing.
    """
    for part, value in zip(dimension.split(":"), level.split(":"), strict=True):
        if part == "batch":
            piercings = piercings.join(batches.filter(pl.col("batch_no") == value), on="procedure_id", how="semi")
        elif part != "all":
            column = pl.col(_COLUMN[part])
            piercings = piercings.filter(column.is_null() if value == v.MISSING else column == value)
    return piercings


def line_list(exposed: pl.DataFrame, visits: pl.DataFrame, reports: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Exposed piercings by branch and day, with how the branch stands with the client and what was reported.

    `visits` is contacted_visits, `reports` traced_reports. A complication is any but fainting, whenever it began.
    """
    with_complication = reports.filter(pl.col("kind").is_in(v.ANY.members))
    last_mature = as_of - timedelta(days=v.INFECTION.window_days + v.REPORTING_LAG_DAYS)
    return (
        exposed.join(visits.drop("branch_id"), on="visit_id", how="left")
        .with_columns(
            pl.when(pl.col("reached_on").is_not_null())
            .then(pl.lit(REACHED))
            .when(pl.col("last_answered_on").is_not_null())
            .then(pl.lit(HEARD))
            .when(pl.col("attempts") > 0)
            .then(pl.lit(ASKED))
            .otherwise(pl.lit(NOT_ASKED))
            .alias("contact"),
            pl.col("procedure_id").is_in(with_complication["procedure_id"].to_list()).alias("has_complication"),
            (pl.col("performed_on") <= last_mature).alias("is_mature"),
        )
        .sort("branch_id", "performed_on", "visit_id", "procedure_id")
    )


def head_counts(lines: pl.DataFrame) -> pl.DataFrame:
    """A line list counted by branch, and a last row without one for all together.

    `rate` is the share infected of the mature, with its 95 % Wilson interval: of the others it is too early to say.
    """
    counts = [count.cast(pl.Int64).alias(name) for name, count in _HEAD_COUNTS.items()]
    by_branch = lines.group_by("branch_id").agg(counts).sort("branch_id")
    together = lines.select(pl.lit(None, dtype=pl.String).alias("branch_id"), *counts)
    return with_share(
        pl.concat([by_branch, together]), "mature_infected", "mature", ("rate", "wilson_low", "wilson_high")
    )


def judge_stock(stock: pl.DataFrame) -> pl.DataFrame:
    """What of a lot should still be on each branch's shelf, from rows of lot_stock; what is not known stays empty.

    `at_most` = received - used, `should_be` the same less spoiled. `unexplained` = what should have been there at the
    latest count less what was counted: above nought packs are missing. Where records of the lot's use may have aged
    out, none of it is known.
    """
    at_most = pl.when("is_on_record").then(pl.col("received") - pl.col("used"))
    should_be = at_most - pl.col("spoiled")
    return stock.with_columns(
        at_most.alias("at_most"),
        should_be.alias("should_be"),
        (should_be - pl.col("received_since") + pl.col("used_since") - pl.col("on_hand")).alias("unexplained"),
    ).sort("lot_no", "branch_id", nulls_last=True)
