"""All SQL files in their order over a small simulated chain: the grain each declares is unique."""

from datetime import UTC, datetime
from pathlib import Path

import duckdb

from pipeline.count import lay_out
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.settings import Settings
from pipeline.simulate import simulate_chain
from pipeline.store.database import open_store
from pipeline.store.sqlfiles import names_in, run_files, sql_files

KEY = b"0" * 32
NIGHT = datetime(2026, 10, 1, tzinfo=UTC).replace(tzinfo=None)
REFUSED = """procedure_id,visit_id,branch_id,performed_at,site,age_years
P-X,V-X,B01,2026-09-01T10:00,nose,161
P-Y,V-Y,B01,2026-09-01T10:00,nose,16
"""


def _breaches(con: duckdb.DuckDBPyConnection, name: str) -> int:
    """How many rows a table has beyond one for each value of its grain."""
    grain = ", ".join(sql_files()[name].grain) or "1"
    return con.execute(f"select count(*) - count(distinct ({grain}, 0)) from {name}").fetchall()[0][0]


def test_breaches_of_a_grain_are_seen() -> None:
    with duckdb.connect() as con:
        con.execute("create temp table stg_lots as select 'L1' as lot_no, null as branch_id, null as received_on")
        assert _breaches(con, "stg_lots") == 0
        con.execute("insert into stg_lots select * from stg_lots")
        assert _breaches(con, "stg_lots") == 1


def test_every_grain_is_unique(tmp_path: Path) -> None:
    # 70 weeks, so that windows of 365 days are mature too.
    report = simulate_chain(tmp_path / "inbox", branches=2, weeks=70, seed=3)
    (report.directory / "procedures_refused.csv").write_text(REFUSED, encoding="utf-8")
    with open_store(tmp_path / "store.duckdb", KEY) as con:
        take_in(con, look_into(report.directory), now=NIGHT, zone="UTC", key=KEY, progress=lambda _: None)
        asked = names_in("3_measures", "4_receipts")
        _, params = lay_out(con, Settings(), None, asked)
        run_files(con, asked, params)  # a night only reads the first, and makes none of the others
        rows = {name: con.execute(f"select count(*) from {name}").fetchall()[0][0] for name in sql_files()}
        breaches = {name: _breaches(con, name) for name in sql_files()}
    assert [name for name, n in rows.items() if n == 0] == []
    assert {name: n for name, n in breaches.items() if n} == {}
