"""The refused records that stand to be mended: their values as the originals keep them, and the branch each is of.

Left out is a refused row that has been mended since: where the store holds a version of its key that was recorded
later, or at the same time and taken in later. Had the refused row been accepted, that version would count today. A
table without history, and a row whose own time is what was refused, go by the order taken in alone. A row whose key is
refused cannot be known again, and stays. Of several refused rows of one key the newest stands for all.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.contract.checks import read_query, versioned
from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLES
from pipeline.intake.zones import make_branch_zones, make_link_zones, make_time_zones
from pipeline.settings import Settings, source_for
from pipeline.sources import Source
from pipeline.store.database import create_from_frame, fetch
from pipeline.store.originals import REFUSED, Originals

_OWN_BRANCH = ("branch_id", "home_branch_id")
_LINKS = ("visit_id", "procedure_id", "client_key")
"""Columns that lead to a branch where a row names none, the surest first."""

_STANDING = """
    select f.file_id, f.run_id, f.path, f.table_name, f.sha256,
      coalesce(c.mapping, f.mapping) as mapping, r.line, r.column_name, r.rule, r.detail
    from rejection r
    join file f using (file_id)
    left join (select file_id, arg_max(mapping, run_id) as mapping from recheck group by file_id) c using (file_id)
    order by f.run_id, f.file_id, r.line, r.column_name, r.rule
"""


@dataclass(frozen=True)
class Broken:
    """A rule that a record breaks: the column it was broken in, empty for none, and what the remedy says besides."""

    column: str
    rule: str
    detail: str


@dataclass(frozen=True)
class Refusal:
    """A refused record: where it stands, the source that holds today for its file, its branch and what it breaks.

    `values` are by column, in the contract's form where they read, else under the marks `MISFIT` and `BROKEN`; None for
    a whole file (line 0), a record refused before its values could be told apart, and one whose original is not kept.
    """

    table: Table
    file: str
    line: int
    source: Source
    branch: str | None
    broken: tuple[Broken, ...]
    values: dict[str, str | None] | None


def read_refusals(con: duckdb.DuckDBPyConnection, originals: Originals, settings: Settings) -> list[Refusal]:
    """What stands refused in an open store and is not mended since, by table in the order taken in."""
    standing = fetch(con, _STANDING)
    make_time_zones(con)
    make_branch_zones(con)
    return [
        refusal
        for table in TABLES
        for refusal in _of_table(con, table, standing.filter(pl.col("table_name") == table.name), originals, settings)
    ]


def _of_table(
    con: duckdb.DuckDBPyConnection, table: Table, standing: pl.DataFrame, originals: Originals, settings: Settings
) -> Iterator[Refusal]:
    if standing.is_empty():
        return
    rules: dict[tuple[int, int], list[Broken]] = {}
    for row in standing.iter_rows(named=True):
        broken = Broken(row["column_name"], row["rule"], row["detail"])
        rules.setdefault((row["file_id"], row["line"]), []).append(broken)
    frame = _rows(table, standing, originals)
    with_values = set(frame.select("file_id", "line").iter_rows())
    create_from_frame(con, "refused", frame.with_columns(ids_are_sound=False, times_are_plain=False), temporary=True)
    links = _linked_branches(con, table)
    files = {row["file_id"]: row["path"] for row in standing.iter_rows(named=True)}
    sources = {file_id: source_for(settings, path) for file_id, path in files.items()}

    def refusal(file_id: int, line: int, values: dict[str, str | None] | None) -> Refusal:
        broken, source = tuple(rules[file_id, line]), sources[file_id]
        told = _branch_of(values, broken, links) if values is not None else None
        branch = told or source.constants.get("branch_id", "").strip() or None
        if any(one.column in _OWN_BRANCH for one in broken if values is not None):
            branch = None
        return Refusal(table, files[file_id], line, source, branch, broken, values)

    for file_id, line in rules:
        if (file_id, line) not in with_values:
            yield refusal(file_id, line, None)
    for row in _unmended(con, table, frame, settings.timezone).iter_rows(named=True):
        yield refusal(row["file_id"], row["line"], {name: row[name] for name in table.column_names})


def _rows(table: Table, standing: pl.DataFrame, originals: Originals) -> pl.DataFrame:
    """The refused rows of which the values are kept: seq, file_id, run_id, line, part, the table's columns as text,
    and whether no rule was broken in the columns of the key and in those that date a version.
    """
    keys = ("file_id", "run_id", "sha256", "mapping")
    types = {"line": pl.Int64, "part": pl.Int16} | dict.fromkeys(table.column_names, pl.String)
    found = [pl.DataFrame(schema={"file_id": pl.Int64, "run_id": pl.Int64, **types})]
    for (file_id, run_id, sha256, mapping), own in standing.group_by(*keys, maintain_order=True):
        lines = own["line"].unique().to_list()
        for part in originals.read(str(sha256), table.name, str(mapping)):
            if "part" in part.columns:  # of records all refused an original knows no columns
                rows = part.filter(pl.col("line").is_in(lines) & pl.col("refused_rule").is_null()).drop(*REFUSED)
                marks = pl.lit(file_id, pl.Int64).alias("file_id"), pl.lit(run_id, pl.Int64).alias("run_id")
                found.append(rows.select(*marks, *types).cast(types))  # type: ignore[arg-type]
    columns = standing.group_by("file_id", "line").agg(
        (~pl.col("column_name").is_in(list(table.key)).any()).alias("is_key_sound"),
        (~pl.col("column_name").is_in(list(table.version_times)).any()).alias("is_time_sound"),
    )
    frame = pl.concat(found).join(columns.cast({"file_id": pl.Int64}), on=["file_id", "line"], maintain_order="left")
    return frame.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias("seq"))


def _unmended(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame, zone: str) -> pl.DataFrame:
    """The refused rows that stand to be mended, each once, in the order taken in."""
    con.execute(f"create or replace temp table refused_read as {read_query(table, 'refused', may_misfit=True)}")
    query = _standing_query(table)
    if table.zoned_by_links:
        links = ", ".join(_LINKS)
        held = f"from raw_{table.name} h where exists (from refused_read v where {_same_key(table)})"
        make_link_zones(con, zone, f"(select {links} from refused_read union all select {links} {held})")
    kept = fetch(con, query, {"zone": zone} if "$zone" in query else {}).cast({"seq": pl.Int64})
    known = frame.join(kept, on="seq", how="semi")
    unknown = _newest_copies(frame.filter(~pl.col("is_key_sound")), table)
    return pl.concat([known, unknown.select(known.columns)]).sort("run_id", "file_id", "line", "part")


def _same_key(table: Table) -> str:
    return " and ".join(f"h.{name} is not distinct from v.{name}" for name in table.key)


def _standing_query(table: Table) -> str:
    """SELECT of the rows of `refused_read`, by seq, that no other version of their key outdates."""
    key = ", ".join(f"v.{name}" for name in table.key)
    read, read_at = versioned(table, "refused_read", "r")
    stored, stored_at = versioned(table, f"raw_{table.name}", "r")
    return f"""
        with versions as (
          select r.*, s.run_id, case when s.is_time_sound then {read_at} end as versioned_at
          from {read} join refused s on s.seq = r.seq
          where s.is_key_sound
        ),
        newest as (
          select *, row_number() over (
            partition by {key} order by versioned_at desc nulls last, run_id desc, file_id desc, line desc
          ) as newness
          from versions v
        ),
        held as (select r.*, {stored_at} as versioned_at from {stored})
        select seq from newest v
        where newness = 1 and not exists (
          select 1 from held h
          where {_same_key(table)} and case
            when h.versioned_at <> v.versioned_at then h.versioned_at > v.versioned_at
            else (h.run_id, h.file_id, h.line) > (v.run_id, v.file_id, v.line)
          end
        )
    """


def _newest_copies(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Rows whose key is refused: where each export repeats them, those of the newest. Two alike in one file are two."""
    names = list(table.column_names)
    nth = pl.int_range(pl.len()).over("file_id", *names).alias("nth")
    return frame.with_columns(nth).unique([*names, "nth"], keep="last", maintain_order=True)


def _linked_branches(con: duckdb.DuckDBPyConnection, table: Table) -> dict[str, dict[str, str]]:
    """For refused rows of a table that names no branch, by linking column: the one branch its piercings were at."""
    if not set(_LINKS) <= set(table.column_names) or table.zoned_by_branch:
        return {}
    return {
        link: dict(
            con.execute(f"""
                select {link}, min(branch_id) from raw_procedures
                where {link} in (select {link} from refused)
                group by {link} having count(distinct branch_id) = 1
            """).fetchall()
        )
        for link in _LINKS
    }


def _branch_of(
    values: dict[str, str | None], broken: tuple[Broken, ...], links: dict[str, dict[str, str]]
) -> str | None:
    """The branch a row names, else the one that its visit, piercing or client leads to."""
    refused = {one.column for one in broken}
    for name in _OWN_BRANCH:
        if values.get(name) and name not in refused:
            return values[name]
    led = (links[link].get(values[link] or "") for link in links if link not in refused)
    return next((branch for branch in led if branch), None)
