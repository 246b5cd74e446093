"""Infections expected so far: what each week's piercings would have, by case mix, of infections known by now."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.rates import is_mature_week
from pipeline.stats.delay import DelayDistribution, estimate_delay
from pipeline.stats.standardise import expected, stratum_rates

REFERENCE_ENDS_DAYS = 56
"""Days before the as-of date on which the reference period ends: what is new must not judge itself."""
REFERENCE_DAYS = 156 * 7
"""Length of the reference period at most: three years of whole weeks."""


@dataclass(frozen=True)
class Reference:
    """The period whose piercings say what is usual, as of a day; `data_from` is the first day the data covers."""

    as_of: date
    data_from: date | None

    @property
    def last_on(self) -> date:
        """Last day of the period."""
        return self.as_of - timedelta(days=REFERENCE_ENDS_DAYS)

    @property
    def first_on(self) -> date:
        """First day of the period."""
        earliest = self.last_on - timedelta(days=REFERENCE_DAYS - 1)
        return max(earliest, self.data_from) if self.data_from else earliest

    def holds(self, column: str) -> pl.Expr:
        """Whether a column's day lies in the period."""
        return pl.col(column).is_between(self.first_on, self.last_on)

    @property
    def last_mature_on(self) -> date:
        """The last day whose piercings are mature for infection."""
        return self.as_of - timedelta(days=v.INFECTION.window_days + v.REPORTING_LAG_DAYS)


def delay_distribution(delays: pl.DataFrame) -> DelayDistribution:
    """The distribution of days from piercing to first record of an infection, from the measure infection_delays."""
    each = delays.select(pl.col("delay_days", "seen_days").repeat_by("infections").explode(keep_nulls=False))
    return estimate_delay(each["delay_days"].to_numpy(), each["seen_days"].to_numpy())


def with_known_piercings(days: pl.DataFrame, delays: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Days of infection_days with `known_piercings`: their piercings, each weighing the share of its infections known.

    The share is that of infections that are known by the piercing's age, from the measure infection_delays.
    """
    ages = (as_of - days["performed_on"]).dt.total_days()
    known = delay_distribution(delays).cdf(ages.to_numpy())
    return days.with_columns((pl.col("procedures") * pl.Series(known)).alias("known_piercings"))


def expected_so_far(days: pl.DataFrame, delays: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Infections expected by now for each week and branch: columns week, branch_id, infections_expected.

    Indirect standardisation over site group and age band, each piercing weighing as much of its risk as can be known at
    its age. NaN where the reference period has no piercing.
    """
    days = days.filter(pl.col("performed_on") <= reference.as_of)
    keyed = with_known_piercings(days, delays, reference.as_of).with_columns(
        pl.struct("site_group", "age_band").rank("dense").sub(1).alias("stratum"),
        pl.struct("week", "branch_id").rank("dense").sub(1).alias("group"),
    )
    usual = keyed.filter(reference.holds("performed_on"))
    n_strata, n_groups = keyed["stratum"].n_unique(), keyed["group"].n_unique()
    rates = stratum_rates(
        usual["infections"].to_numpy(), usual["known_piercings"].to_numpy(), usual["stratum"].to_numpy(), n_strata
    )
    weeks = keyed.select("group", "week", "branch_id").unique("group").sort("group").drop("group")
    values = expected(
        rates, keyed["known_piercings"].to_numpy(), keyed["stratum"].to_numpy(), keyed["group"].to_numpy(), n_groups
    )
    return weeks.with_columns(pl.Series("infections_expected", np.asarray(values, dtype=np.float64)))


def judge_weekly(counts: pl.DataFrame, days: pl.DataFrame, delays: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """weekly: each week and branch with infections observed and expected so far.

    Where a week has several currencies, the expected ones stand in the row that holds the counts.
    """
    frame = counts.rename({"infections": "infections_observed"}).join(
        expected_so_far(days, delays, reference), on=["week", "branch_id"], how="left"
    )
    has_usual = days.filter(reference.holds("performed_on")).height > 0
    none_expected = pl.when(pl.lit(has_usual)).then(0.0)
    return frame.with_columns(
        pl.when(pl.col("procedures").is_not_null())
        .then(pl.coalesce(pl.col("infections_expected").fill_nan(None), none_expected))
        .alias("infections_expected"),
        is_mature_week("week", reference.as_of).alias("mature"),
    )
