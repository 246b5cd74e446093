"""An edition: all that a published site is made of."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl


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
