"""An edition: all that a published site is made of."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v


@dataclass(frozen=True)
class Edition:
    """The results as of a day, and what must be said beside them.

    `as_of` and `data_from` are None where there is no data. `run` has run_id, version, started_at and finished_at (UTC)
    of the last run that took anything in; it is empty before the first.
    """

    as_of: date | None
    data_from: date | None
    results: dict[str, pl.DataFrame]
    chain_name: str
    adult_age: int
    run: dict[str, Any]

    def needed_from(self, window_days: int) -> date:
        """The day from which there must be data before a rate over a window may be shown."""
        if self.as_of is None:
            raise ValueError("an edition without data has no rates")
        return self.as_of - timedelta(days=window_days + v.REPORTING_LAG_DAYS + v.RATE_PERIOD_DAYS - 1)

    def is_too_early(self, window_days: int = v.INFECTION.window_days) -> bool:
        """Whether less data than a window and the rates' period lies behind the as-of date."""
        return self.as_of is None or self.data_from is None or self.data_from > self.needed_from(window_days)
