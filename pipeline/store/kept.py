"""What a night leaves in the store beside the rows: its result tables, and which signals were raised when."""

import hashlib
from collections.abc import Mapping
from datetime import date

import duckdb
import polars as pl

from pipeline.results import RESULTS
from pipeline.store.database import create_from_frame, insert_frame


def keep_results(con: duckdb.DuckDBPyConnection, results: Mapping[str, pl.DataFrame]) -> None:
    """Keep each result as table `result_<name>`; writes nothing where they are what the store holds already."""
    digest = hashlib.sha256()
    for result in RESULTS:
        digest.update(f"{result.name}\n{results[result.name].write_csv()}".encode())
    kept = con.execute("select digest from result_digest").fetchall()
    if kept == [(digest.hexdigest(),)]:
        return
    for result in RESULTS:
        create_from_frame(con, f"result_{result.name}", results[result.name], temporary=False)
    con.execute("delete from result_digest")
    con.execute("insert into result_digest values (?)", [digest.hexdigest()])


def raised_before(con: duckdb.DuckDBPyConnection) -> dict[str, date]:
    """The signals of earlier nights, with the day each was first raised."""
    return dict(con.execute("select signal_id, raised_on from signal_memory").fetchall())


def remember_signals(con: duckdb.DuckDBPyConnection, signals: pl.DataFrame) -> None:
    """Remember when signals not met before were raised."""
    new = signals.filter(~pl.col("signal_id").is_in(list(raised_before(con)))).select("signal_id", "raised_on")
    if not new.is_empty():
        insert_frame(con, "signal_memory", new)
