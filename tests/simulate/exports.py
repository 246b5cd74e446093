"""Reads simulated exports back, as anyone would who has only the files and the contract."""

from functools import cache
from pathlib import Path

import polars as pl

from pipeline.contract.tables import TABLE_BY_NAME

ASKED = ("phone", "message", "revisit")


def files_of(folder: Path, table: str) -> list[Path]:
    """Files of a table in order of their path; those of the broken Monday's second sending are left out."""
    files = [file for file in folder.rglob(f"{table}*.csv*") if "_again" not in file.name]
    return sorted(files, key=lambda file: str(file.relative_to(folder)))


def read(file: Path) -> pl.DataFrame:
    return pl.read_csv(file, infer_schema=False) if file.stat().st_size else pl.DataFrame()


def versions(folder: Path, table: str) -> pl.DataFrame:
    """Every row of a table, every version of it, as text."""
    frames = [
        frame.select(TABLE_BY_NAME[table].column_names) for file in files_of(folder, table) if len(frame := read(file))
    ]
    return pl.concat(frames)


@cache
def latest(folder: Path, table: str) -> pl.DataFrame:
    """The newest version of each row."""
    rows = versions(folder, table)
    newest = pl.coalesce(TABLE_BY_NAME[table].version_times)
    return rows.sort(newest, maintain_order=True).unique(TABLE_BY_NAME[table].key, keep="last", maintain_order=True)


def piercings(folder: Path) -> pl.DataFrame:
    """Completed piercings, with the day of each and whether it is in a lobe."""
    rows = latest(folder, "procedures").filter(pl.col("status").fill_null("completed") == "completed")
    return rows.with_columns(day=pl.col("performed_at").str.slice(0, 10).str.to_date())


def events(folder: Path, kinds: tuple[str, ...], window: int) -> pl.DataFrame:
    """Piercings with a report of one of the kinds whose onset lies in the window: procedure_id.

    A report without a visit is passed over, and one without a piercing falls to the first that matches its ear and
    site, as in the contract.
    """
    holes = piercings(folder)
    onset = pl.coalesce("onset_on", pl.col("contacted_at").str.slice(0, 10)).str.to_date()
    reports = latest(folder, "follow_ups").filter(pl.col("complication").is_in(kinds)).with_columns(onset=onset)
    pairs = reports.join(holes, on="visit_id", suffix="_of_hole")
    fits = pl.all_horizontal(
        pl.col(name).is_null() | (pl.col(name) == pl.col(f"{name}_of_hole")) for name in ("ear", "site")
    )
    named = (pl.col("procedure_id") == pl.col("procedure_id_of_hole")).fill_null(value=False)
    best = pairs.sort("follow_up_id", ~named, ~fits, "procedure_id_of_hole").unique("follow_up_id", keep="first")
    in_window = (pl.col("onset") - pl.col("day")).dt.total_days().is_between(0, window)
    return best.filter(in_window).select(procedure_id="procedure_id_of_hole").unique()


def reached(folder: Path, window: int) -> pl.DataFrame:
    """Visits that the branch asked after and that answered in time for the window: visit_id."""
    days = piercings(folder).group_by("visit_id").agg(pl.col("day").min())
    asked = pl.coalesce("initiated_by", pl.when(pl.col("channel").is_in(ASKED)).then(pl.lit("branch")))
    answers = latest(folder, "follow_ups").filter(
        pl.col("outcome").is_in(["well", "complication"]) & (asked == "branch")
    )
    checks = latest(folder, "revisits").filter((pl.col("status") == "attended") & (pl.col("purpose") != "problem"))
    contacts = pl.concat(
        [answers.select("visit_id", at="contacted_at"), checks.select("visit_id", at="starts_at")]
    ).with_columns(pl.col("at").str.slice(0, 10).str.to_date())
    after = (pl.col("at") - pl.col("day")).dt.total_days()
    in_time = after.is_between(-(-window // 5), window + 14)
    return contacts.join(days, on="visit_id").filter(in_time).select("visit_id").unique()
