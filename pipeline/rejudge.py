"""Judge again what a store holds, as a night does, and keep the results: for commands that change what is held."""

from dataclasses import replace

import duckdb

from pipeline.count import count
from pipeline.judge import judge
from pipeline.remember import memory_of
from pipeline.store import kept
from pipeline.store.sqlfiles import drop_files


def rejudge(con: duckdb.DuckDBPyConnection) -> None:
    """Keep the results of an open store's rows, with the settings of its last night."""
    settings = kept.kept_settings(con)
    known_by, measures = count(con, settings, None)
    drop_files(con)
    kept.keep_results(con, judge(measures, known_by, replace(memory_of(con), may_solve=False), settings))
