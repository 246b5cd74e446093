"""The pipeline's own tables for an inbox, and a comparison with the second implementation's that names every cell."""

import math
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import polars as pl

from pipeline.count import count
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.judge import judge
from pipeline.remember import memory_of, remember
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import Settings
from pipeline.store.database import open_store

from .words import Row

KEYS = {name: result.grain for name, result in RESULT_BY_NAME.items()}
TOLERANCE = 1e-9


def pipeline_tables(
    inbox: Path, store: Path, *, now: datetime, key: bytes, as_of: date | None = None, settings: Settings | None = None
) -> dict[str, pl.DataFrame]:
    """Take an inbox into a store, as a night does, and give every result table without drawing a page."""
    settings = settings or Settings()
    with open_store(store, key) as con:
        take_in(con, look_into(inbox), now=now.replace(tzinfo=None), zone="UTC", key=key, progress=lambda _: None)
        known_by, measures = count(con, settings, as_of)
        results = judge(measures, known_by, memory_of(con), settings)
        remember(con, results)
        con.execute("commit")
    return results


def differences(name: str, ours: pl.DataFrame, theirs: list[Row]) -> list[str]:
    """Every row and cell in which a result table and the second implementation's differ."""
    keys = KEYS[name]
    mine = {tuple(row[key] for key in keys): row for row in ours.iter_rows(named=True)}
    other = {tuple(row[key] or None if isinstance(row[key], str) else row[key] for key in keys): row for row in theirs}
    found = [f"{name} {key}: only in the pipeline" for key in sorted(mine.keys() - other.keys(), key=str)]
    found += [f"{name} {key}: only in the second" for key in sorted(other.keys() - mine.keys(), key=str)]
    for key in sorted(mine.keys() & other.keys(), key=str):
        for column in other[key].keys() & mine[key].keys():
            if not same(mine[key][column], other[key][column]):
                found.append(f"{name} {key} {column}: {mine[key][column]!r} is not {other[key][column]!r}")
    return found


def same(ours: object, theirs: object) -> bool:
    """Whether two cells are equal, numbers within 1e-9."""
    if ours in (None, "") or theirs in (None, ""):
        return ours in (None, "") and theirs in (None, "")
    if isinstance(ours, bool | str | date):
        return ours == theirs
    if isinstance(ours, int | float | Decimal) and isinstance(theirs, int | float | Decimal):
        return math.isclose(float(ours), float(theirs), rel_tol=TOLERANCE, abs_tol=TOLERANCE)
    return ours == theirs
