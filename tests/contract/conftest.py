"""Ways to ask how values read and which rules they break, through an intake of a file of them."""

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.store.database import open_store
from support.exports import KEY, NOW, Nights, csv_text, record_lines, row, undone

Cell = tuple[str, str]
Cells = Callable[..., dict[Cell, Any]]
Reads = Callable[..., dict[str, Any]]


@pytest.fixture(scope="session")
def shared_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with open_store(tmp_path_factory.mktemp("store") / "scapha.duckdb", KEY) as con:
        con.execute("commit")
        yield con


@pytest.fixture
def nights(shared_store: duckdb.DuckDBPyConnection, tmp_path: Path) -> Iterator[Nights]:
    with undone(shared_store) as con:
        yield Nights(con, tmp_path / "inbox")


@pytest.fixture
def cells(nights: Nights) -> Cells:
    """For each of the cells of a table, a column and its spelling, what it reads as, or the rules its row breaks."""

    def read(table: str, *cells: Cell, now: datetime = NOW, zone: str = "UTC") -> dict[Cell, Any]:
        key = TABLE_BY_NAME[table].key[0]
        rows = [{**row(table), key: f"row {at}", column: text} for at, (column, text) in enumerate(cells)]
        text = csv_text(rows)
        nights.take({f"{table}.csv": text}, now=now, zone=zone)
        lines = dict(zip(record_lines(text)[1:], cells, strict=True))
        found: dict[Cell, Any] = dict.fromkeys(cells, "neither kept nor refused")
        kept = nights.con.execute(f"select * from raw_{table}")
        names = [name for name, *_ in kept.description or []]
        for values in kept.fetchall():
            version = dict(zip(names, values, strict=True))
            cell = lines[version["line"]]
            found[cell] = version[cell[0]]
        broken: dict[Cell, set[str]] = {}
        for line, _, rule in nights.refused(f"{table}.csv"):
            broken.setdefault(lines[line], set()).add(rule)
        return found | broken

    return read


@pytest.fixture
def reads(cells: Cells) -> Reads:
    """The same for spellings of one column."""

    def read(table: str, column: str, *texts: str, **run: Any) -> dict[str, Any]:
        return {text: value for (_, text), value in cells(table, *((column, text) for text in texts), **run).items()}

    return read
