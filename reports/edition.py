"""An edition: all that a published site is made of."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.contract.locales import DEFAULT_LOCALE


@dataclass(frozen=True)
class Edition:
    """The results as of a day, and what must be said beside them.

    `as_of` and `data_from` are None where there is no data. `run` has run_id, version, started_at and finished_at (UTC)
    of the last run that took anything in; it is empty before the first. `locale` is the one its pages are written in.
    """

    as_of: date | None
    data_from: date | None
    results: dict[str, pl.DataFrame]
    chain_name: str
    adult_age: int
    run: dict[str, Any]
    locale: str = DEFAULT_LOCALE

    def by_branch(self, names: Iterable[str]) -> Callable[[str], "Edition"]:
        """What gives the edition that holds, of the results of these names, a branch's own rows alone, in their order.

        The results are parted once, since filtering each of them for every branch of a large chain takes long.
        """
        frames = {name: self.results[name] for name in names}
        rows = {name: _by_branch(frame) for name, frame in frames.items()}

        def own(branch_id: str) -> Edition:
            mine = {name: rows[name].get((branch_id,), frame.clear()) for name, frame in frames.items()}
            return replace(self, results=mine)

        return own

    def needed_from(self, window_days: int) -> date:
        """The day from which there must be data before a rate over a window may be shown."""
        if self.as_of is None:
            raise ValueError("an edition without data has no rates")
        return self.as_of - timedelta(days=window_days + v.REPORTING_LAG_DAYS + v.RATE_PERIOD_DAYS - 1)

    def is_too_early(self, window_days: int = v.INFECTION.window_days) -> bool:
        """Whether less data than a window and the rates' period lies behind the as-of date."""
        return self.as_of is None or self.data_from is None or self.data_from > self.needed_from(window_days)


def _by_branch(frame: pl.DataFrame) -> dict[tuple[object, ...], pl.DataFrame]:
    if "branch_id" in frame.columns:
        return frame.partition_by("branch_id", as_dict=True)
    return frame.filter(pl.col("dimension") == "branch").partition_by("level", as_dict=True)
