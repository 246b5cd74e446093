"""What came in and what was refused, with every rule's remedy; which branches were heard of; gaps in the records."""

from dataclasses import dataclass

import polars as pl

from pipeline.contract.rules import RULES
from reports import numbers, words
from reports.edition import Edition
from reports.findings import silent_branches
from reports.locales import isolated
from reports.parts import Cell, Table

READS = ("intake", "rejected_rows", "branches", "record_gaps", "file_volumes")
FILES_LISTED = 50
MOST_COLUMNS = 20
"""Branches that are columns of a table; of more the sums stand."""
VOLUME_WORDS = (
    "A file stands here where it brought less than a fifth, or more than 5 times, of the rows a day that are usual of "
    "the branch, and at least 10 rows fewer or more. Usual is the median of the last 28 files before it; with fewer "
    "than 7 files before it nothing is said. It is taken in all the same, and a short one leaves the list once the "
    "other rows have come."
)
"""Says what `pipeline.judge.volumes` does; a test holds the numbers to it."""
_FLAGS = {"few": "far fewer than usual", "many": "far more than usual", "absent": "no row of this branch"}
_FATES = ("rows", "accepted", "rejected", "duplicate", "superseded")


@dataclass(frozen=True)
class Context:
    """The page's content."""

    through: str
    lead: tuple[str, ...]
    branches: Table
    tables: Table
    volumes_words: str
    volumes: Table
    rules: Table
    refused: Table
    dropped_words: str
    dropped: Table
    gaps: Table


def build(edition: Edition) -> Context:
    """The intake page of an edition."""
    intake, rejected = edition.results["intake"], edition.results["rejected_rows"]
    return Context(
        through=f"Data through {numbers.day(edition.as_of)}." if edition.as_of else "No data yet.",
        lead=tuple(_lead(intake, rejected)),
        branches=_branches(edition),
        tables=_tables(intake),
        volumes_words=VOLUME_WORDS,
        volumes=_volumes(edition.results["file_volumes"]),
        rules=_rules(rejected),
        refused=_refused(intake, rejected),
        dropped_words=(
            "Columns that the contract does not name are dropped unread, so that no name, telephone number or free "
            "text stays here. Only the columns’ names are kept."
        ),
        dropped=_dropped(intake),
        gaps=_gaps(edition.results["record_gaps"]),
    )


def _lead(intake: pl.DataFrame, rejected: pl.DataFrame) -> list[str]:
    if intake.is_empty():
        return ["No file has come in yet."]
    total = {name: int(intake[name].sum()) for name in _FATES}
    standing = rejected.select("file", "sha256", "table", "line").n_unique()
    unreadable = intake.filter(~pl.col("readable")).height
    lines = [
        f"{words.plural(intake.height, 'file')} ever taken in, {words.plural(total['rows'], 'row')}: "
        f"{' + '.join(f'{numbers.count(total[fate])} {fate}' for fate in _FATES[1:])}. Every row is one of these; none "
        "is lost.",
        f"{words.plural(standing, 'row or file stands', 'rows or files stand')} refused today. A row mended and sent "
        "again is taken in; a row refused for its date is tried again every night.",
    ]
    if unreadable:
        lines.append(f"{words.plural(unreadable, 'file')} could not be read at all.")
    return lines


def _branches(edition: Edition) -> Table:
    silent = {branch for branch, _ in silent_branches(edition)}
    rows = tuple(
        (
            Cell(row["branch_id"], row["name"] or "", f"branch/{numbers.page_link(row['branch_id'])}"),
            numbers.short_day(row["data_from"]),
            Cell(
                numbers.short_day(row["data_through"]),
                words.no_data_since(row["data_through"]) if row["branch_id"] in silent else "",
                is_marked=row["branch_id"] in silent,
            ),
            "yes" if row["known"] else Cell("no", "no list of branches names it"),
        )
        for row in edition.results["branches"].iter_rows(named=True)
    )
    return Table(
        "Days of which each branch’s exports tell", ("Branch", "From", "Through", "Listed"), rows, "branches.csv"
    )


def _tables(intake: pl.DataFrame) -> Table:
    sums = intake.group_by("table").agg(pl.len().alias("files"), *(pl.col(name).sum() for name in _FATES)).sort("table")
    rows = tuple(
        (str(row[0]), *(numbers.count(value) for value in row[1:]))
        for row in sums.select("table", "files", *_FATES).iter_rows()
    )
    heads = ("Table", "Files", "Rows", "Accepted", "Rejected", "Duplicate", "Superseded")
    return Table("Counts at each file’s first load", heads, rows, "intake.csv")


def _volumes(volumes: pl.DataFrame) -> Table:
    """Files with far fewer or far more rows than usual, those of the newest days first."""
    flagged = volumes.filter(pl.col("flag").is_not_null())
    rows = tuple(
        (
            Cell(row["file"], _FLAGS[row["flag"]]),
            row["branch_id"],
            numbers.short_day(row["told_to"]),
            numbers.count(row["days"]),
            numbers.count(row["rows"]),
            numbers.count(row["usual"]),
        )
        for row in flagged.sort("told_to", descending=True, maintain_order=True).iter_rows(named=True)
    )
    heads = ("File", "Branch", "Last day", "Days", "Rows", "Usual")
    return Table("Files of the last 91 days of unusual size", heads, rows, "file_volumes.csv", n_text=3)


def _rules(rejected: pl.DataFrame) -> Table:
    grouped = (
        rejected.group_by("rule", "table", "column")
        .agg(pl.len().alias("n"), pl.col("remedy").first(), pl.col("file").first(), pl.col("line").first())
        .sort("n", "rule", "table", "column", descending=[True, False, False, False])
    )
    rows = tuple(
        (
            Cell(row["rule"], RULES[row["rule"]].says),
            f"{row['table']}, {row['column']}" if row["column"] else row["table"],
            Cell(row["remedy"], f"first: {isolated(row['file'])}, line {row['line']}"),
            numbers.count(row["n"]),
        )
        for row in grouped.iter_rows(named=True)
    )
    heads = ("Rule", "Where", "What to do", "Times")
    return Table("Rules that rows or files break, most often broken first", heads, rows, "rejected_rows.csv", n_text=3)


def _refused(intake: pl.DataFrame, rejected: pl.DataFrame) -> Table:
    counts = rejected.group_by("file", "sha256", "table").agg(pl.col("line").n_unique().alias("standing"))
    shown = intake.join(counts, on=["file", "sha256", "table"]).sort("loaded_at", "file", descending=[True, False])
    rows = tuple(
        (
            Cell(row["file"], "" if row["readable"] else "could not be read"),
            numbers.count(row["rows"]),
            numbers.count(row["accepted"]),
            numbers.count(row["standing"]),
        )
        for row in shown.head(FILES_LISTED).iter_rows(named=True)
    )
    heads = ("File", "Rows", "Accepted", "Refused today")
    return Table(f"The newest {FILES_LISTED} files in which something stands refused", heads, rows, "intake.csv")


def _dropped(intake: pl.DataFrame) -> Table:
    named = (
        intake.filter(pl.col("undeclared").is_not_null())
        .select("table", pl.col("undeclared").str.split("; "))
        .explode("undeclared")
        .group_by("table", "undeclared")
        .len()
        .sort("table", "undeclared")
    )
    rows = tuple((table, column, numbers.count(files)) for table, column, files in named.iter_rows())
    return Table("Undeclared columns", ("Table", "Column", "Files"), rows, "intake.csv", n_text=2)


def _gaps(gaps: pl.DataFrame) -> Table:
    counts = {(gap, branch): n for gap, branch, n in gaps.group_by("gap", "branch_id").len().iter_rows()}
    branches = sorted({branch for _, branch in counts})
    if len(branches) > MOST_COLUMNS:
        return _gaps_together(gaps)
    found = {gap for gap, _ in counts}
    rows = tuple(
        (text.capitalize(), *(numbers.count(counts.get((gap, branch), 0)) for branch in branches))
        for gap, text in words.GAP.items()
        if gap in found
    )
    return Table("Piercings with a gap, by branch", ("Gap", *branches), rows, "record_gaps.csv")


def _gaps_together(gaps: pl.DataFrame) -> Table:
    """Gaps of more branches than a table has columns for."""
    sums = gaps.group_by("gap").agg(pl.len().alias("piercings"), pl.col("branch_id").n_unique().alias("branches"))
    by_gap = {row["gap"]: row for row in sums.iter_rows(named=True)}
    rows = tuple(
        (text.capitalize(), numbers.count(by_gap[gap]["piercings"]), numbers.count(by_gap[gap]["branches"]))
        for gap, text in words.GAP.items()
        if gap in by_gap
    )
    return Table("Piercings with a gap, all branches", ("Gap", "Piercings", "Branches"), rows, "record_gaps.csv")
