"""Which rows are duplicates, which are superseded, and which now count: decided file by file, in the order taken in.

A row is a duplicate when it equals in every value the version of its key that counts, or an earlier row of its file;
superseded when a newer version of its key is known or stands in the same file; else accepted. Of two versions recorded
at the same time, or at no stated time, the one taken in later is the newer.

Keys met for the first time and once only are accepted outright. The others go in rounds, so that each round meets at
most one file for each key: that keeps the order of files exact without a loop over files.
"""

import duckdb

from pipeline.contract.checks import versioned
from pipeline.contract.columns import Table


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
    if not con.execute("select exists (from contested)").fetchall()[0][0]:
        return
    _gather_contenders(con, table, zone, after)
    n_rounds = con.execute("select coalesce(max(round), 0) from contender").fetchall()[0][0]
    for number in range(1, n_rounds + 1):
        _decide_round(con, table, number)
    con.execute(f"delete from {raw} where seq > {after} and seq in (select seq from fate where fate = 'duplicate')")


def _gather_contenders(con: duckdb.DuckDBPyConnection, table: Table, zone: str, after: int) -> None:
    """Rows of contested keys with their round, and the version of each contested key that counts so far."""
    key, names = ", ".join(table.key), ", ".join(table.column_names)
    own_key, own_names = (", ".join(f"r.{name}" for name in columns) for columns in (table.key, table.column_names))
    # Only then joined to what tells their zones: they are few.
    contested = f"(from raw_{table.name} r where exists (select 1 from contested c where {_same(table.key, 'c', 'r')}))"
    params = {"zone": zone} if table.version_times else None
    rows, versioned_at = versioned(table, contested, "r")
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
