"""Recent weeks once all is known: the infections each will have, from those seen and how late infections become known.

A week is completed from its own infections, not at the baseline's rate: where a rise has begun, the baseline would take
the unseen part of it for usual. The price is that little can be said of the newest weeks.
"""

import polars as pl

from pipeline.judge.expected import Reference, with_known_piercings
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.completion import complete

LEAST_KNOWN = 0.2
"""Share of a week's infections that must be known by now for it to be completed: below it each infection seen stands
for more than five, and the limits would say only that nothing is known."""
AS_GOOD_AS_ALL = 0.99
"""Share from which a week is taken to be complete."""


def judge_completion(days: pl.DataFrame, delays: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """completion: weeks that have ended and are not as good as known, of the chain and of each branch.

    What a week will have is empty where too little of it is known to say.
    From the measures infection_days and infection_delays.
    """
    ended = days.filter(pl.col("week") + pl.duration(days=6) <= reference.as_of)
    known = with_known_piercings(ended, delays, reference.as_of)
    levels = [
        known.with_columns(pl.lit("all").alias("dimension"), pl.lit("all").alias("level")),
        known.with_columns(pl.lit("branch").alias("dimension"), pl.col("branch_id").alias("level")),
    ]
    return RESULT_BY_NAME["completion"].frame(_completed(pl.concat(levels)))


def _completed(known: pl.DataFrame) -> pl.DataFrame:
    """A row for each level and week that is not as good as known."""
    weeks = (
        known.group_by("dimension", "level", "week")
        .agg(pl.col("procedures", "known_piercings").sum(), pl.col("infections").sum().alias("seen"))
        .with_columns((pl.col("known_piercings") / pl.col("procedures")).alias("known_share"))
        .filter(pl.col("known_share") < AS_GOOD_AS_ALL)
    )
    final = complete(weeks["seen"].to_numpy(), weeks["known_share"].to_numpy())
    parts = {"expected_final": final.expected, "low": final.low, "high": final.high}
    is_enough = pl.col("known_share") >= LEAST_KNOWN
    return weeks.with_columns(
        pl.when(is_enough).then(pl.Series(name, part)).alias(name) for name, part in parts.items()
    )
