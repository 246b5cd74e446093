"""Judge again what a store holds, as a night does, and keep the results: for commands that change what is held."""

import duckdb

from pipeline.count import count
from pipeline.judge import judge
from pipeline.store import kept
from pipeline.store.sqlfiles import drop_files


def rejudge(con: duckdb.DuckDBPyConnection) -> None:
    """Keep the results of an open store's rows, with the settings of its last night."""
    known_by, measures = count(con, kept.kept_settings(con), None)
    drop_files(con)
    kept.keep_results(con, judge(measures, known_by, kept.raised_before(con)))
