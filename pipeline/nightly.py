"""The night: receive, check, load, count, judge, publish, mail. Its sister `report` publishes again from the store."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import __version__
from pipeline.count import count
from pipeline.errors import StoreError
from pipeline.intake.inbox import Inbox, look_into
from pipeline.intake.load import Taken, take_in
from pipeline.intake.pseudonyms import key_for, read_key
from pipeline.judge import judge
from pipeline.mail.night import mail_night
from pipeline.places import disk_told, owner_only
from pipeline.publish import built_aside, check_site_path
from pipeline.remember import memory_of, remember
from pipeline.settings import Settings
from pipeline.store import kept, retention
from pipeline.store.database import check_key, check_store_path, hold_lock, open_store, read_store
from pipeline.store.journal import catch_up, is_cleared, note_cleared, undone_on_failure
from pipeline.store.ledger import Ledger, Run
from pipeline.store.originals import Originals
from pipeline.store.sqlfiles import drop_files
from reports.edition import Edition
from reports.site import build_site
from reports.summary import summarise

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """What a run did: its summary as published, what it took in, the ids of the signals it raised, and its warnings."""

    summary: dict[str, Any]
    taken: Taken | None
    new_signals: tuple[str, ...]
    n_rejected: int  # rows and files that stand rejected
    is_site_changed: bool
    warnings: tuple[str, ...] = ()


@disk_told()
def run_night(
    inbox_folder: Path,
    *,
    store: Path,
    site: Path,
    settings: Settings,
    as_of: date | None,
    clock: Callable[[], datetime],
    progress: Progress,
) -> Outcome:
    """Take in what is new, count, judge and publish: all of it, or nothing. Mail of it follows, if it is set.

    `clock` tells the present, with its offset. Raises `UserError` with a remedy where the inbox, the store or the
    site's path is wrong; the store and the published site are then as they were.
    """
    inbox = look_into(inbox_folder, settings)
    check_site_path(site)
    check_store_path(store)
    with (
        owner_only(),
        hold_lock(store),
        key_for(store) as key,
        open_store(store, key) as con,
        undone_on_failure(store) as (originals, settle),
    ):
        catch_up(con, store)
        started = _utc(clock())
        taken = take_in(
            con, inbox, now=started, zone=settings.timezone, key=key, progress=progress, originals=originals
        )
        if taken.is_something:
            run = Run(taken.run_id, __version__, started, _utc(clock()), settings.timezone)
            Ledger(con).write_run(run, len(taken.loads), taken.counts)
        aged_again = retention.remove_rows(con)
        _age_out(con, settings, progress)
        clear_originals = _clearing(con, store, originals, is_due=aged_again > 0)
        edition, new_signals = count_and_judge(con, settings, as_of, progress)
        kept.keep_results(con, edition.results)
        if as_of is None:  # a report of an earlier day does not tell later nights what they found
            remember(con, edition.results)
        kept.keep_settings(con, settings)
        progress("drawing pages")
        with built_aside(site, lambda folder: build_site(edition, folder)) as put_in_place:
            catch_up(con, store)
            con.execute("commit")
            settle()
            con.close()
            is_changed = put_in_place()
        kept_too_long = clear_originals()
        not_mailed = mail_night(edition, settings.mail, store=store, key=key, now=clock()) if as_of is None else ()
    return replace(
        _outcome(edition, taken, new_signals, is_changed),
        warnings=(
            *_nothing_to_take(inbox, inbox_folder),
            *_unreadable(taken, edition.results["rejected_rows"]),
            *kept_too_long,
            *not_mailed,
        ),
    )


@disk_told()
def run_report(
    *, store: Path, site: Path, settings: Settings | None, as_of: date | None, progress: Progress
) -> Outcome:
    """Publish again from the store, for any day as it was known then; the store is only read.

    Without `settings` those of the last night hold.
    """
    check_site_path(site)
    with owner_only():
        with read_store(store) as con:
            check_key(con, store, read_key(store))
            settings = settings or kept.kept_settings(con)
            edition, new_signals = count_and_judge(con, settings, as_of, progress)
        progress("drawing pages")
        with built_aside(site, lambda folder: build_site(edition, folder)) as put_in_place:
            is_changed = put_in_place()
    return _outcome(edition, None, new_signals, is_changed)


def _age_out(con: duckdb.DuckDBPyConnection, settings: Settings, progress: Progress) -> None:
    """Let rows older than are kept go, once the weeks they tell of are counted for the last time."""
    ageing = retention.next_ageing(con, settings.keep_years)
    if ageing is None:
        return
    progress(f"ageing out records before {ageing.cutoff}")
    known_by, measures = count(con, settings, None)
    drop_files(con)
    retention.keep_weeks(con, ageing, judge(measures, known_by, memory_of(con), settings))
    retention.remove_rows(con)


def _clearing(
    con: duckdb.DuckDBPyConnection, store: Path, originals: Originals, *, is_due: bool
) -> Callable[[], tuple[str, ...]]:
    """What takes aged rows out of the originals, once the night is committed: until then they can still be needed.

    It gives a warning where the disk fails it; the next night tries again.
    """
    ageing = retention.last_ageing(con)
    if ageing is None or (is_cleared(store, ageing.cutoff) and not is_due):
        return tuple
    cutoff, stay = ageing.cutoff, retention.staying(con, ageing.cutoff)

    def clear() -> tuple[str, ...]:
        try:
            retention.clear_originals(originals, cutoff, stay)
            if not is_cleared(store, cutoff):
                note_cleared(store, cutoff)
        except (OSError, StoreError) as error:
            return (f"Records before {cutoff} are still in {originals.folder}, and go with the next night: {error}",)
        return ()

    return clear


def count_and_judge(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: date | None, progress: Progress
) -> tuple[Edition, tuple[str, ...]]:
    """What the site is made of, and the ids of signals no earlier night had raised."""
    retention.check_as_of(con, as_of)
    progress("counting")
    known_by, measures = count(con, settings, as_of)
    drop_files(con)
    before = replace(memory_of(con), may_solve=as_of is None)  # a report of an earlier day goes by what was in force
    progress("judging")
    results = judge(measures, known_by, before, settings)
    run = con.execute(
        "select run_id, version, started_at, finished_at from run order by run_id desc limit 1"
    ).fetchall()
    names = ("run_id", "version", "started_at", "finished_at")
    edition = Edition(
        as_of=known_by,
        data_from=measures["data_span"]["data_from"][0],
        results=results,
        chain_name=settings.chain_name,
        adult_age=settings.adult_age,
        run=dict(zip(names, run[0], strict=True)) if run else {},
        locale=settings.locale,
    )
    known = set(before.signals["signal_id"])
    return edition, tuple(name for name in results["signals"]["signal_id"] if name not in known)


def _outcome(edition: Edition, taken: Taken | None, new_signals: tuple[str, ...], is_changed: bool) -> Outcome:
    refused = edition.results["rejected_rows"].select("file", "sha256", "table", "line").n_unique()
    return Outcome(summarise(edition), taken, new_signals, refused, is_changed)


def _nothing_to_take(inbox: Inbox, folder: Path) -> Iterator[str]:
    if not inbox.exports:
        yield (
            f"{folder} holds no export. Put files there whose names begin with a table's name, such as "
            "procedures_2031-05-04.csv."
        )


def _unreadable(taken: Taken, rejected: pl.DataFrame) -> Iterator[str]:
    """A line for each file of the run that cannot be read: the rule it breaks, and the remedy."""
    for load in taken.loads:
        if not load.is_readable:
            own = rejected.filter((pl.col("file") == load.path) & (pl.col("sha256") == load.sha256))
            yield from (f"{load.path} cannot be read ({row['rule']}). {row['remedy']}" for row in own.to_dicts())


def _utc(moment: datetime) -> datetime:
    """A moment in UTC without offset, as the store keeps times."""
    return moment.astimezone(UTC).replace(tzinfo=None)
