"""Editions for tests: of a night over exports, or of a few rows of result tables written by hand.

A night that many tests look at is run once: the workers of a parallel session share what it made, behind a file lock.
"""

import os
import pickle
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from filelock import FileLock

from pipeline import nightly
from pipeline.results import RESULT_BY_NAME, RESULTS
from pipeline.settings import Settings
from reports.edition import Edition
from reports.parts import Figures
from reports.site import build_site
from support.exports import csv_text, fill, row

SAMPLE_EXPORTS = Path(__file__).parents[2] / "sample_exports"
AFTER_SAMPLE = datetime(2026, 9, 28, 3, 0)
"""The clock of a night after the sample's last day, in UTC."""

AS_OF = date(2031, 2, 16)
"""As-of date of editions written by hand: a Sunday, so that its week is whole."""
MONDAY = date(2031, 2, 10)
"""The week that ends on it."""
DATA_FROM = date(2028, 1, 3)
"""Early enough for every window and period."""

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Published:
    """What a night published: its edition, and the site's folder."""

    edition: Edition
    site: Path


def publish(inbox: Path, folder: Path, *, now: datetime, settings: Settings | None = None) -> Published:
    """Run a night over an inbox, with the store and the site in a folder of their own."""
    assert Figures.draw.__module__ == "reports.parts", "other tests look at this site: it is drawn as it is"
    editions: list[Edition] = []

    def build(edition: Edition, target: Path) -> None:
        editions.append(edition)
        build_site(edition, target)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", build)
        nightly.run_night(
            inbox,
            store=folder / "store.duckdb",
            site=folder / "site",
            settings=settings or Settings(),
            as_of=None,
            clock=lambda: now.replace(tzinfo=UTC),
            progress=lambda _: None,
        )
    return Published(editions[0], folder / "site")


def shared(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Published]) -> Published:
    """What `make` publishes into a folder: made once in a session, however many workers ask for it."""
    root = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    folder = root / name
    kept = folder / "edition.pickle"
    with FileLock(root / f"{name}.lock"):
        if not kept.exists():
            folder.mkdir()
            kept.write_bytes(pickle.dumps(make(folder).edition))
    return Published(pickle.loads(kept.read_bytes()), folder / "site")  # noqa: S301 - written a line above


def sample_night(factory: pytest.TempPathFactory) -> Published:
    """The night over the sample exports."""
    return shared(factory, "sample", lambda folder: publish(SAMPLE_EXPORTS, folder, now=AFTER_SAMPLE))


def empty_night(factory: pytest.TempPathFactory) -> Published:
    """A night over an empty inbox."""

    def make(folder: Path) -> Published:
        fill(folder / "inbox", {})
        return publish(folder / "inbox", folder, now=AFTER_SAMPLE)

    return shared(factory, "empty", make)


def first_weeks_night(factory: pytest.TempPathFactory) -> Published:
    """A night over the first three weeks of one branch: a piercing a day, one infection, some aftercare."""

    def make(folder: Path) -> Published:
        fill(folder / "inbox", _first_weeks())
        return publish(folder / "inbox", folder, now=datetime(2031, 2, 17, 3, 0))

    return shared(factory, "first_weeks", make)


def _first_weeks() -> dict[str, str]:
    days = [AS_OF - timedelta(days=back) for back in range(21)]
    piercings = [
        row("procedures", procedure_id=f"P{at}", visit_id=f"V{at}", performed_at=f"{day}T11:00", practitioner_id="W1")
        for at, day in enumerate(days)
    ]
    told = row(
        "follow_ups", visit_id="V20", contacted_at=f"{days[10]}T09:00", outcome="complication",
        complication="minor_infection", initiated_by="branch", channel="phone",
    )  # fmt: skip
    sales = [
        row("sales", sale_id=f"S{at}", visit_id=f"V{at}", sold_at=f"{days[at]}T11:30", currency="EUR")
        for at in range(0, 21, 3)
    ]
    tables = {
        "branches": [row("branches")],
        "practitioners": [row("practitioners")],
        "products": [row("products")],
        "procedures": piercings,
        "follow_ups": [told],
        "sales": sales,
    }
    return {f"{table}.csv": csv_text(rows) for table, rows in tables.items()}


def written(
    *,
    as_of: date | None = AS_OF,
    data_from: date | None = DATA_FROM,
    chain_name: str = "",
    results: Mapping[str, Sequence[Row]] | None = None,
) -> Edition:
    """An edition of rows written by hand, by result table; columns and tables left out are empty."""
    rows = dict(results or {})
    frames = {result.name: frame(result.name, rows.pop(result.name, ())) for result in RESULTS}
    if rows:
        raise ValueError(f"no result table is called {', '.join(rows)}")
    return Edition(as_of=as_of, data_from=data_from, results=frames, chain_name=chain_name, adult_age=18, run={})


def frame(name: str, rows: Sequence[Row]) -> pl.DataFrame:
    """Rows of a result table as its frame; columns left out are empty."""
    if not rows:
        return _empty(name)
    result = RESULT_BY_NAME[name]
    if unknown := {column for one in rows for column in one} - set(result.schema):
        raise ValueError(f"{name} has no column {', '.join(sorted(unknown))}")
    whole = [dict.fromkeys(result.schema) | dict(one) for one in rows]
    return result.frame(pl.DataFrame(whole, schema=result.schema))


@cache
def _empty(name: str) -> pl.DataFrame:
    """A result table without rows, which many editions share."""
    return RESULT_BY_NAME[name].gather(())
