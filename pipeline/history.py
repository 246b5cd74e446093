"""History: what the watch takes, as each of many days knew it, by the same SQL layers as a night's but run once.

What is known of a piercing changes only on days on which a record of its own, its visit or its client was added. So
records that keys join, in any version, are a bundle, and a bundle has a state for every day on which one was added: the
records known by then. The layers count all states side by side, as if each were of other clients; a day's rows are
those of each bundle's newest state.
"""

from collections.abc import Iterator, Sequence
from datetime import date

import duckdb
import numpy as np
import polars as pl
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.settings import Settings
from pipeline.store.database import create_from_frame, fetch
from pipeline.store.references import make_references
from pipeline.store.sqlfiles import names_in, read_for, run_files, sql_files

MEASURES = ("cohort_piercings", "cohort_answers", "cohort_events", "traced_batches")
"""What the watch takes."""

Frames = dict[str, pl.DataFrame]

_KEYS = {
    "stg_procedures": ("procedure_id", "visit_id", "client_key"),
    "stg_follow_ups": ("follow_up_id", "visit_id", "procedure_id", "client_key"),
    "stg_revisits": ("revisit_id", "visit_id"),
    "stg_sales": ("sale_id", "visit_id", "client_key"),
}
"""Staged tables whose versions count from the day they were recorded, and the keys that join their records."""
_DAYS_OF = {"stg_contact_days": "stg_follow_ups"}
"""A staged table of further days of another's versions."""
_MOST_RECORDS = 2_000_000
"""Records of states that are counted at once, unless one day has more: some hundred megabytes."""
_DIGITS = 9
"""Digits of a state's number. It stands before all keys of its records, which keep their order within it."""


def count_each(
    con: duckdb.DuckDBPyConnection, settings: Settings, days: Sequence[date]
) -> Iterator[tuple[date, Frames]]:
    """The measures the watch takes as of each of some days, which are in order, as `count` gives them for that day."""
    make_references(con, settings.allowed_site_groups)
    run_files(con, names_in("1_staging"), {"timezone": settings.timezone})
    for name in (*_KEYS, *_DAYS_OF):
        con.execute(f"create or replace temp table every_{name} as from {name}")
    create_from_frame(con, "bundled", _bundled(con, days), temporary=True)
    first = 0
    while first < len(days):
        states, end = _states(con, first, len(days))
        frames = _counted(con, states, days[:end])
        for at in range(first, end):
            is_known = (pl.col("since") <= at) & (pl.col("until") > at)
            yield days[at], {name: frame.filter(is_known).drop("since", "until") for name, frame in frames.items()}
        first = end


def _bundled(con: duckdb.DuckDBPyConnection, days: Sequence[date]) -> pl.DataFrame:
    """Each version staged, by `name` of its table and `seq`: its `bundle`, and the `day`, by number, that knows it."""
    tables = [
        fetch(con, f"select '{name}' as name, seq, recorded_on, {', '.join(keys)} from {name}")
        for name, keys in _KEYS.items()
    ]
    versions = pl.concat(tables, how="diagonal")
    keys = versions.with_row_index("version").unpivot(index="version", on=versions.columns[3:]).drop_nulls("value")
    code = keys.select(pl.struct("variable", "value").rank("dense")).to_series().to_numpy().astype(np.int64)
    n = versions.height + int(code.max(initial=0)) + 1
    joined = coo_array((np.ones(len(code)), (keys["version"].to_numpy(), versions.height + code)), shape=(n, n))
    bundle = connected_components(joined, directed=False)[1][: versions.height]
    day = pl.Series(days, dtype=pl.Date).search_sorted(versions["recorded_on"])
    return versions.select("name", "seq", pl.Series("bundle", bundle), pl.Series("day", day, dtype=pl.Int64))


def _states(con: duckdb.DuckDBPyConnection, first: int, end: int) -> tuple[pl.DataFrame, int]:
    """The states of bundles from day `first` on, of as many days before `end` as are counted at once, and their end.

    Each is the newest of its bundle from day `since` on, `until` the day before which it is; all days by number.
    """
    sizes = fetch(
        con,
        """
        select bundle, since, cast(sum(records) over (partition by bundle order by since) as bigint) as records
        from (
          select bundle, greatest(day, $first) as since, count(*) as records
          from bundled
          where day < $end
          group by all
        ) added
        order by bundle, since
        """,
        {"first": first, "end": end},
    )
    by_day = np.bincount(sizes["since"], sizes["records"], end)
    fitting = int(np.searchsorted(np.cumsum(by_day), _MOST_RECORDS, side="right"))
    end = max(fitting, first + 1)
    until = pl.col("since").shift(-1).over("bundle").fill_null(end)
    return sizes.filter(pl.col("since") < end).select(
        pl.int_range(pl.len()).alias("state"), "bundle", "since", until.alias("until")
    ), end


def _counted(con: duckdb.DuckDBPyConnection, states: pl.DataFrame, days: Sequence[date]) -> Frames:
    """The measures of states, in the order of their grain: each row with the days from and until which it is known."""
    create_from_frame(con, "states", states, temporary=True)
    for name in (*_KEYS, *_DAYS_OF):
        _copy(con, name)
    run_files(con, [*read_for(MEASURES), *MEASURES], {"as_of": days[-1]})
    frames = {name: fetch(con, f"from {name}") for name in MEASURES}
    piercings = frames["cohort_piercings"]
    performed = pl.Series("performed", days, dtype=pl.Date).search_sorted(piercings["performed_on"]).cast(pl.Int64)
    first_night = piercings.select("procedure_id", performed)
    return _coded({name: _known(name, frame, states, first_night) for name, frame in frames.items()})


def _known(name: str, frame: pl.DataFrame, states: pl.DataFrame, first_night: pl.DataFrame) -> pl.DataFrame:
    """A measure's rows with the days they are known on: from the piercing's on, where it goes by the as-of date."""
    if "as_of" in sql_files()[name].params:
        frame = frame.join(first_night, on="procedure_id")
    else:
        frame = frame.with_columns(pl.lit(0, dtype=pl.Int64).alias("performed"))
    numbered = pl.col([key for key in ("procedure_id", "visit_id") if key in frame.columns])
    return (
        frame.with_columns(
            pl.col("procedure_id").str.slice(0, _DIGITS).cast(pl.Int64).alias("state"), numbered.str.slice(_DIGITS)
        )
        .join(states, on="state")
        .with_columns(pl.max_horizontal("since", "performed").alias("since"))
        .sort(sql_files()[name].grain)
        .drop("state", "bundle", "performed")
    )


def _coded(frames: Frames) -> Frames:
    """Frames with texts as codes of their values in order, the same codes for a column of all frames."""
    columns = {name for frame in frames.values() for name, dtype in frame.schema.items() if dtype == pl.String}
    codes = {}
    for name in columns:
        values = pl.concat([frame[name].unique() for frame in frames.values() if name in frame.columns])
        codes[name] = pl.Enum(values.drop_nulls().unique().sort())
    return {
        name: frame.cast({column: dtype for column, dtype in codes.items() if column in frame.columns})
        for name, frame in frames.items()
    }


def _copy(con: duckdb.DuckDBPyConnection, name: str) -> None:
    """Make a staged table one of the records of every state, whose keys begin with the state's number."""
    keys = [f"s.prefix || v.{key} as {key}" for key in _KEYS.get(name, ())]
    con.execute(
        f"""
        create or replace temp table {name} as
        select v.* replace ({", ".join([*keys, "v.seq + s.state * s.step as seq"])})
        from every_{name} v
        join bundled b on b.name = '{_DAYS_OF.get(name, name)}' and b.seq = v.seq
        join (
          select *, lpad(cast(state as varchar), {_DIGITS}, '0') as prefix,
            (select max(seq) + 1 from bundled) as step
          from states
        ) s on s.bundle = b.bundle and s.since >= b.day
        """
    )
