"""Which rows are duplicates, which are superseded, and which now count: decided file by file, in the order taken in.

A row is a duplicate when it equals in every value the version of its key that counts, or an earlier row of its file;
superseded when a newer version of its key is known or stands in the same file; else accepted. Of two versions recorded
at the same time, or at no stated time, the one taken in later is the newer.

Keys met for the first time and once only are accepted outright. Where all versions of a key are of different times, a
row is superseded if one of its file or of an earlier one is of a later time. The others go in rounds, so that each
round meets at most one file for each key: that keeps the order of files exact without a loop over files.
"""

import duckdb

from pipeline.contract.checks import versioned
from pipeline.contract.columns import Table
from pipeline.intake.zones import make_link_zones


def _same(names: tuple[str, ...], left: str, right: str) -> str:
    return " and ".join(f"{left}.{name} is not distinct from {right}.{name}" for name in names)


def tell_versions_apart(con: duckdb.DuckDBPyConnection, table: Table, zone: str, after: int) -> None:
    """Make the temporary table `fate` (seq, file_id, fate) of the rows whose fate is not simply to be accepted.

    The table's new rows stand behind the number `after` in its raw table, and duplicates are taken out of there again.
    Needs `arrival` (file_id, file_order); `zone` is that of rows whose branch has none.
    """
    key = ", ".join(table.key)
    raw = f"raw_{table.name}"
    con.execute("create or replace temp table fate (seq bigint, file_id bigint, fate varchar)")
    con.execute(f"""
        create or replace temp table contested as
        select {key} from {raw} where seq > {after} group by {key} having count(*) > 1
        union
        select {key} from {raw} r
        where seq <= {after} and exists (select 1 from {raw} i where i.seq > {after} and {_same(table.key, "i", "r")})
    """)
    if table.version_times and _is_any_contested(con):
        _tell_by_time(con, table, zone, after)
    if not _is_any_contested(con):
        return
    _gather_contenders(con, table, zone, after)
    n_rounds = con.execute("select coalesce(max(round), 0) from contender").fetchall()[0][0]
    for number in range(1, n_rounds + 1):
        _decide_round(con, table, number)
    con.execute(f"delete from {raw} where seq > {after} and seq in (select seq from fate where fate = 'duplicate')")


def _is_any_contested(con: duckdb.DuckDBPyConnection) -> bool:
    return bool(con.execute("select exists (from contested)").fetchall()[0][0])


def _contested_rows(table: Table) -> str:
    """The rows of contested keys, to be joined to what tells their zones only then: they are few."""
    return f"(from raw_{table.name} r where exists (select 1 from contested c where {_same(table.key, 'c', 'r')}))"


def _tell_by_time(con: duckdb.DuckDBPyConnection, table: Table, zone: str, after: int) -> None:
    """Give the rows their fates whose key's versions are all of different times: none of these is a duplicate.

    The table `contested` keeps the other keys alone.
    """
    if table.zoned_by_links:
        make_link_zones(con, zone, _contested_rows(table))
    key, own_key = (", ".join(f"{alias}{name}" for name in table.key) for alias in ("", "r."))
    rows, versioned_at = versioned(table, _contested_rows(table), "r")
    con.execute(
        f"""
        create or replace temp table dated as
        select r.seq, r.file_id, {own_key}, {versioned_at} as versioned_at,
          case when r.seq > {after} then a.file_order else -1 end as file_order
        from {rows} left join arrival a on a.file_id = r.file_id
        """,
        {"zone": zone},
    )
    con.execute(f"""
        create or replace temp table contested as
        select {key} from dated group by {key} having count(distinct versioned_at) < count(*)
    """)
    con.execute(f"""
        insert into fate
        select seq, file_id, 'superseded' from (
          select *, max(versioned_at) over (
            partition by {key} order by file_order range between unbounded preceding and current row
          ) as newest_at
          from dated d where not exists (select 1 from contested c where {_same(table.key, "c", "d")})
        )
        where seq > {after} and versioned_at < newest_at
    """)


def _gather_contenders(con: duckdb.DuckDBPyConnection, table: Table, zone: str, after: int) -> None:
    """Rows of contested keys with their round, and the version of each contested key that counts so far."""
    key, names = ", ".join(table.key), ", ".join(table.column_names)
    own_key, own_names = (", ".join(f"r.{name}" for name in columns) for columns in (table.key, table.column_names))
    params = {"zone": zone} if table.version_times else None
    rows, versioned_at = versioned(table, _contested_rows(table), "r")
    con.execute(
        f"""
        create or replace temp table contender as
        select r.seq, r.file_id, {own_names}, {versioned_at} as versioned_at,
          dense_rank() over (partition by {own_key} order by a.file_order) as round,
          row_number() over (partition by r.file_id, {own_names} order by r.seq) > 1 as is_repeat
        from {rows}
        join arrival a on a.file_id = r.file_id
        where r.seq > {after}
        """,
        params,
    )
    con.execute(
        f"""
        create or replace temp table counting as
        select {names}, versioned_at from (
          select *, row_number() over (partition by {key} order by versioned_at desc nulls last, seq desc) as newness
          from (select r.*, {versioned_at} as versioned_at from {rows} where r.seq <= {after})
        ) where newness = 1
        """,
        params,
    )


def _decide_round(con: duckdb.DuckDBPyConnection, table: Table, number: int) -> None:
    """Give one round's rows their fates, and let the accepted ones be the versions that count."""
    key = ", ".join(table.key)
    con.execute(
        f"""
        create or replace temp table decided as
        with met as (
          select r.*,
            r.is_repeat or (c.counts and {_same(table.column_names, "r", "c")}) as is_duplicate,
            c.counts and c.versioned_at > r.versioned_at as is_outdated
          from contender r
          left join (select *, true as counts from counting) c on {_same(table.key, "r", "c")}
          where r.round = $round
        )
        select *, case
          when coalesce(is_duplicate, false) then 'duplicate'
          when coalesce(is_outdated, false) then 'superseded'
          when row_number() over (
            partition by {key}, coalesce(is_duplicate, false)
            order by versioned_at desc nulls last, seq desc
          ) > 1 then 'superseded'
          else 'accepted'
        end as fate
        from met
        """,
        {"round": number},
    )
    con.execute("insert into fate select seq, file_id, fate from decided where fate <> 'accepted'")
    con.execute(f"""
        delete from counting c
        where exists (select 1 from decided d where d.fate = 'accepted' and {_same(table.key, "c", "d")})
    """)
    names = ", ".join(table.column_names)
    con.execute(f"insert into counting select {names}, versioned_at from decided where fate = 'accepted'")
