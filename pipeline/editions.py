"""Editions: pages and tables for one reader, published from the store with only what that reader may see."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.count import lay_out, measured
from pipeline.errors import UsageError, UserError
from pipeline.intake.pseudonyms import read_key
from pipeline.judge.quarters import judge_quarter, known_on, whole_quarters
from pipeline.nightly import count_and_judge
from pipeline.places import disk_told, owner_only
from pipeline.publish import built_aside, check_site_path
from pipeline.results import QUARTERS
from pipeline.settings import Settings
from pipeline.store import kept, retention
from pipeline.store.database import check_key, read_store
from pipeline.store.sqlfiles import drop_files, read_for, run_files
from reports.edition import Edition
from reports.readers.declared import BRANCH, OUTSIDE, READERS, Reader
from reports.readers.filtering import edition_for
from reports.site import build_site, first_page
from reports.summary import summarise

Progress = Callable[[str], None]
Frames = dict[str, pl.DataFrame]

_MEASURES = ("quarter_counts", "data_span")


@dataclass(frozen=True)
class Given:
    """An edition that was published: for whom, its first page, its summary, and whether that changed the folder."""

    reader: str
    first_page: str
    summary: dict[str, Any]
    is_changed: bool

    def as_dict(self) -> dict[str, Any]:
        """As plain values for JSON."""
        told = {"reader": self.reader, "first_page": self.first_page, "site_changed": self.is_changed}
        return {**told, **self.summary}


def reader_named(name: str, branch_id: str | None) -> Reader:
    """The reader of a name; `UsageError` where a branch is named for another than its own, or is not."""
    reader = READERS[name]
    if reader != BRANCH:
        if branch_id:
            raise UsageError(f"--for {name} takes no branch.", remedy="Leave it out, or name --for branch.")
        return reader
    if not branch_id:
        raise UsageError("--for branch needs the branch's id.", remedy="Name it last.")
    return replace(reader, branch_id=branch_id)


@disk_told()
def publish_edition(
    folder: Path, reader: Reader, *, store: Path, settings: Settings | None, as_of: date | None, progress: Progress
) -> Given:
    """Publish a reader's edition into a folder of its own; the store is only read.

    Without `settings` those of the last night hold. Raises `UsageError` where something else stands in the folder, the
    edition of another reader too, or where the store knows no such branch.
    """
    check_site_path(folder, reader.title)
    with owner_only():
        with read_store(store) as con:
            check_key(con, store, read_key(store))
            settings = settings or kept.kept_settings(con)
            if reader == OUTSIDE:
                edition = _of_quarters(con, settings, as_of, _given_before(folder), progress)
            else:
                edition, _ = count_and_judge(con, settings, as_of, progress)
        _check_branch(edition, reader)
        progress("drawing pages")
        with built_aside(folder, lambda building: build_site(edition, building, reader)) as put_in_place:
            is_changed = put_in_place()
    return Given(reader.title, first_page(reader), summarise(edition_for(edition, reader)), is_changed)


def _check_branch(edition: Edition, reader: Reader) -> None:
    if not reader.branch_id:
        return
    known = edition.results["branches"]["branch_id"].to_list()
    if reader.branch_id not in known:
        raise UsageError(
            f"There is no branch {reader.branch_id}.", remedy=f"Name one of {', '.join(known)}." if known else ""
        )


def _of_quarters(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: date | None, before: Frames, progress: Progress
) -> Edition:
    """What readers outside are told: whole quarters, each as of the day on which it is told.

    A quarter that stands in the folder already is taken over as it was given away: whatever was learned, erased or set
    since, nobody who has both editions can tell what changed.
    """
    retention.check_as_of(con, as_of)
    progress("counting")
    known_by, params = lay_out(con, settings, as_of, _MEASURES)
    first = measured(con, "data_span", params)["data_from"][0]
    given = set(before[QUARTERS[0].name]["quarter"])
    told = [before]
    for quarter in _quarters(con, first, known_by):
        if quarter not in given:
            progress(f"counting the quarter from {quarter}")
            told += _quarter(con, params | {"as_of": known_on(quarter)}, quarter, settings.small_count)
    drop_files(con)
    return Edition(
        as_of=None,
        data_from=None,
        results={result.name: result.gather(one[result.name] for one in told) for result in QUARTERS},
        chain_name=settings.chain_name,
        adult_age=settings.adult_age,
        run={},
        locale=settings.locale,
    )


def _quarters(con: duckdb.DuckDBPyConnection, first: date | None, known_by: date | None) -> list[date]:
    """The quarters that may be told by a day, of which all rows are kept; `first` is the first day there is data of."""
    if first is None or known_by is None:
        return []
    ageing = retention.last_ageing(con)
    return whole_quarters(max(first, ageing.weeks_before) if ageing else first, known_by)


def _quarter(
    con: duckdb.DuckDBPyConnection, params: dict[str, Any], quarter: date, small_count: int
) -> Iterator[Frames]:
    """A quarter judged as of the day of the parameters, once its rows are staged; nothing where not all was known."""
    run_files(con, read_for(_MEASURES), params)
    first = measured(con, "data_span", params)["data_from"][0]
    if first is not None and first <= quarter:
        yield judge_quarter(measured(con, "quarter_counts", params), quarter, small_count)


def _given_before(folder: Path) -> Frames:
    """The quarters that stand in a folder, by their tables."""
    return {result.name: _read(folder / "tables" / f"{result.name}.csv", result.schema) for result in QUARTERS}


def _read(path: Path, schema: dict[str, Any]) -> pl.DataFrame:
    if not path.is_file():
        return pl.DataFrame(schema=schema)
    try:
        return pl.read_csv(path, schema=schema)
    except pl.exceptions.PolarsError:
        raise UserError(
            f"{path} is not as it was published, so what was given away is not known.",
            remedy="Put it back, or publish into another folder.",
        ) from None
