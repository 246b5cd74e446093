"""The raw tables of a migrated store are the contract's tables."""

import duckdb
import pytest

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLES

LEDGER_COLUMNS = [("seq", "BIGINT"), ("run_id", "INTEGER"), ("file_id", "INTEGER"), ("line", "BIGINT")]


def columns_of(con: duckdb.DuckDBPyConnection, table: str) -> list[tuple[str, str]]:
    return con.execute(
        "select column_name, data_type from duckdb_columns() where table_name = ? order by column_index", [table]
    ).fetchall()


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_raw_table_has_the_contract_s_columns_and_types(
    shared_store: duckdb.DuckDBPyConnection, table: Table
) -> None:
    declared = [(column.name, column.sql_type.upper().replace(" ", "")) for column in table.columns]
    assert columns_of(shared_store, f"raw_{table.name}") == LEDGER_COLUMNS + declared


def test_there_is_a_raw_table_for_each_table_and_no_other(shared_store: duckdb.DuckDBPyConnection) -> None:
    found = shared_store.execute("select table_name from duckdb_tables() where table_name like 'raw%'").fetchall()
    assert {name for (name,) in found} == {f"raw_{table.name}" for table in TABLES}
