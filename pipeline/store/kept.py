"""What a night leaves in the store beside the rows: its results and its settings."""

import hashlib
from collections.abc import Mapping

import duckdb
import polars as pl

from pipeline.results import RESULTS
from pipeline.settings import Settings
from pipeline.store.database import create_from_frame


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


def keep_settings(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Keep the settings a night ran with; writes nothing where they are what the store holds already."""
    text = settings.model_dump_json()
    if con.execute("select settings from kept_settings").fetchall() != [(text,)]:
        con.execute("delete from kept_settings")
        con.execute("insert into kept_settings values (?)", [text])


def kept_settings(con: duckdb.DuckDBPyConnection) -> Settings:
    """The settings the last night ran with; the defaults before the first."""
    kept = con.execute("select settings from kept_settings").fetchall()
    return Settings.model_validate_json(kept[0][0]) if kept else Settings()
