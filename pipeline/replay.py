"""Replay: what each night would have flagged, knowing only what it knew."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.errors import UsageError
from pipeline.history import count_each
from pipeline.intake.pseudonyms import read_key
from pipeline.places import owner_only
from pipeline.remember import memory_of
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import Settings
from pipeline.store import kept
from pipeline.store.database import check_key, read_store
from pipeline.watch.expected import LONGEST
from pipeline.watch.night import FALSE_ALARMS_CHAIN, FALSE_ALARMS_STUDIO, Memory, watch

Progress = Callable[[str], None]


def replay(store: Path, first: date, last: date, *, settings: Settings | None, progress: Progress) -> pl.DataFrame:
    """Every signal that stood or was raised on a night from `first` to `last`, as the last of these nights knew it.

    Nights are watched one after another from half a year before `first`, so that what stood on it has the day it was
    truly raised. Thresholds are those in force on each night; nights before the first of them go by the first. Where
    the settings give a budget that no night had, thresholds are solved as nights would have solved them for it. Notes
    hold from the day they were made. The store is only read. `UsageError` where `last` is before `first`.
    """
    if last < first:
        raise UsageError(f"--to {last} is before --from {first}.", remedy="Give the earlier day to --from.")
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        settings = settings or kept.kept_settings(con)
        memory = _before(memory_of(con), settings.false_alarms_a_year)
        left = ("signals", "thresholds") if memory.may_solve else ("signals",)
        begin = first - timedelta(days=LONGEST)
        for night, measures in count_each(con, settings, _days(begin, last)):
            progress(f"watching {night}")
            found = watch(measures, night, memory, settings.false_alarms_a_year, left)
            thresholds = found.get("thresholds", memory.thresholds)
            memory = replace(memory, signals=found["signals"], thresholds=thresholds)
    signals = memory.signals
    stood = pl.col("faded_on").is_null() | (pl.col("faded_on") >= first)
    return RESULT_BY_NAME["signals"].frame(signals.filter(stood & (pl.col("standing_on") >= first)))


def _before(known: Memory, budget: float | None) -> Memory:
    """What the first night goes by: no signals, and the thresholds there are for a budget, or none."""
    budgets = {budget} if budget else {FALSE_ALARMS_CHAIN, FALSE_ALARMS_STUDIO}
    thresholds = known.thresholds
    may_solve = budgets.isdisjoint(thresholds.filter(complication="infection")["budget"])
    return replace(
        known,
        signals=known.signals.clear(),
        thresholds=thresholds.clear() if may_solve else thresholds,
        may_solve=may_solve,
    )


def _days(first: date, last: date) -> list[date]:
    return [first + timedelta(days=after) for after in range((last - first).days + 1)]
