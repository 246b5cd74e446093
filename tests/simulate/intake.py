"""Takes simulated exports in through the door that every export goes through."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import polars as pl

from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.store.database import fetch, open_store
from pipeline.store.ledger import Load

_KEY = bytes(32)


@dataclass(frozen=True)
class TakenIn:
    """What became of each file, by its path, and every rule broken: path, line, column_name, rule."""

    loads: dict[str, Load]
    broken: pl.DataFrame


def taken_in(folder: Path, store: Path, now: datetime) -> TakenIn:
    """Take a folder in, on a store of its own; `now` is the clock in UTC."""
    with open_store(store, _KEY) as con:
        taken = take_in(con, look_into(folder), now=now, zone="UTC", key=_KEY, progress=lambda _: None)
        broken = fetch(con, "select path, line, column_name, rule from rejection join file using (file_id)")
    return TakenIn({load.path: load for load in taken.loads}, broken)
