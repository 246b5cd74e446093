"""Replay: what each night would have flagged, knowing only what it knew."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.count import count_each
from pipeline.errors import UsageError
from pipeline.intake.pseudonyms import read_key
from pipeline.places import owner_only
from pipeline.remember import memory_of
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import Settings
from pipeline.store import kept
from pipeline.store.database import check_key, read_store
from pipeline.watch.expected import LONGEST
from pipeline.watch.frames import Frames
from pipeline.watch.night import Memory, watch

Progress = Callable[[str], None]

MEASURES = ("cohort_piercings", "cohort_answers", "cohort_events", "traced_batches")


def replay(store: Path, first: date, last: date, *, settings: Settings | None, progress: Progress) -> pl.DataFrame:
    """Every signal that stood or was raised on a night from `first` to `last`, as the last of these nights knew it.

    Nights are watched one after another from half a year before `first`, so that what stood on it has the day it was
    truly raised. Thresholds are those in force on each night; nights before the first of them go by the first. Notes
    hold from the day they were made. The store is only read. `UsageError` where `last` is before `first`.
    """
    if last < first:
        raise UsageError(f"--to {last} is before --from {first}.", remedy="Give the earlier day to --from.")
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        known = memory_of(con)
        settings = settings or kept.kept_settings(con)
        memory = replace(known, signals=known.signals.clear(), may_solve=False)
        begin = first - timedelta(days=LONGEST)
        for night, measures in count_each(con, settings, _days(begin, last), MEASURES):
            progress(f"watching {night}")
            memory = _one_night(measures, night, memory, settings)
    signals = memory.signals
    stood = pl.col("faded_on").is_null() | (pl.col("faded_on") >= first)
    return RESULT_BY_NAME["signals"].frame(signals.filter(stood & (pl.col("standing_on") >= first)))


def _one_night(measures: Frames, night: date, memory: Memory, settings: Settings) -> Memory:
    results = watch(measures, night, memory, settings.false_alarms_a_year, ("signals",))
    return replace(memory, signals=results["signals"])


def _days(first: date, last: date) -> list[date]:
    return [first + timedelta(days=after) for after in range((last - first).days + 1)]
