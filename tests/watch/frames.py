"""The measures of the watch as frames, from piercings told one by one."""

from collections.abc import Sequence
from datetime import date
from typing import Any, Protocol

import polars as pl

from pipeline.store.sqlfiles import sql_files

Frames = dict[str, pl.DataFrame]

_TYPES: dict[str, Any] = {"varchar": pl.String, "date": pl.Date, "integer": pl.Int32}


class Pierced(Protocol):
    """A piercing of any kind that tells these of itself; one without a visit has one of its own."""

    day: date
    visit: str
    branch: str
    site: str
    site_group: str
    age_band: str | None
    article: str | None
    material: str | None
    practitioner: str | None
    lot: str | None
    batches: tuple[str, ...]
    answered: date | None
    recorded: date | None


def frames_of(piercings: Sequence[Pierced], complication: str = "infection", window_days: int = 30) -> Frames:
    """The four measures of piercings numbered in their order; their answers and events are of one complication."""
    names = [f"P{number:06d}" for number in range(len(piercings))]
    numbered = list(zip(names, piercings, strict=True))
    rows: dict[str, list[tuple[object, ...]]] = {
        "cohort_piercings": [
            (
                *(name, p.visit or f"V{name}", p.day, p.branch, p.site, p.site_group, p.age_band),
                *(p.article, p.material, p.practitioner, p.lot),
            )
            for name, p in numbered
        ],
        "cohort_answers": [(name, window_days, p.answered) for name, p in numbered if p.answered],
        "cohort_events": [(name, complication, p.recorded) for name, p in numbered if p.recorded],
        "traced_batches": [(name, batch) for name, p in numbered for batch in p.batches],
    }
    return {name: pl.DataFrame(own, schema=_schema(name), orient="row") for name, own in rows.items()}


def _schema(measure: str) -> dict[str, Any]:
    """The columns that the SQL file's header describes."""
    return {column.name: _TYPES[column.type] for column in sql_files()[measure].columns}
