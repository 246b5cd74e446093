"""One migrated store for all tests of a process; each test's changes are undone."""

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline.store.database import open_store
from support.exports import KEY, Nights, undone


@pytest.fixture(scope="session")
def shared_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with open_store(tmp_path_factory.mktemp("store") / "scapha.duckdb", KEY) as con:
        con.execute("commit")
        yield con


@pytest.fixture
def nights(shared_store: duckdb.DuckDBPyConnection, tmp_path: Path) -> Iterator[Nights]:
    with undone(shared_store) as con:
        yield Nights(con, tmp_path / "inbox")
