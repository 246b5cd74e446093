"""The SQL files: their headers read, their order worked out, and each run as a temporary table of its name.

A file is one SELECT and says in its header what it is:

    -- A sentence on what a row is.
    -- grain: the columns that make a row unique
    -- reads: the tables it reads
    -- params: the parameters it takes
    -- columns:
    --   name type: meaning
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import Any

import duckdb

SQL_FOLDER = Path(__file__).parents[2] / "sql"
LAYERS = ("1_staging", "2_core", "3_measures", "4_receipts")


@dataclass(frozen=True)
class Described:
    """A column as a header describes it."""

    name: str
    type: str
    meaning: str


@dataclass(frozen=True)
class SqlFile:
    """A SQL file: what its header says, and its SELECT."""

    name: str
    layer: str
    sentence: str
    grain: tuple[str, ...]
    reads: tuple[str, ...]
    params: tuple[str, ...]
    columns: tuple[Described, ...]
    query: str


def _names(text: str) -> tuple[str, ...]:
    return tuple(name for name in re.split(r"[,\s]+", text) if name)


def parse(text: str, name: str, layer: str) -> SqlFile:
    """Read a file's header and query. `ValueError` where the header lacks a part."""
    comment = [line.removeprefix("--").removeprefix(" ") for line in text.splitlines() if line.startswith("--")]
    parts: dict[str, list[str]] = {"sentence": []}
    current = "sentence"
    for line in comment:
        keyword = re.match(r"(grain|reads|params|columns):\s*(.*)", line)
        if keyword:
            current = keyword[1]
            parts[current] = [keyword[2]]
        else:
            parts[current].append(line)
    missing = [part for part in ("grain", "reads", "params", "columns") if part not in parts]
    if missing or not parts["sentence"]:
        raise ValueError(f"{layer}/{name}.sql: the header lacks {', '.join(missing) or 'a sentence'}")
    described = [re.fullmatch(r"\s*(\w+) (.+?): (.+)", line) for line in parts["columns"] if line.strip()]
    if not all(described):
        raise ValueError(f"{layer}/{name}.sql: a column is not described as `name type: meaning`")
    return SqlFile(
        name=name,
        layer=layer,
        sentence=" ".join(parts["sentence"]),
        grain=_names(" ".join(parts["grain"])),
        reads=_names(" ".join(parts["reads"])),
        params=_names(" ".join(parts["params"])),
        columns=tuple(Described(match[1], match[2], match[3]) for match in described if match),
        query="\n".join(line for line in text.splitlines() if not line.startswith("--")).strip(),
    )


@cache
def sql_files() -> dict[str, SqlFile]:
    """Every SQL file by its name, each after those it reads."""
    found = {
        path.stem: parse(path.read_text(encoding="utf-8"), path.stem, layer)
        for layer in LAYERS
        for path in sorted((SQL_FOLDER / layer).glob("*.sql"))
    }
    graph = {name: [read for read in file.reads if read in found] for name, file in found.items()}
    return {name: found[name] for name in TopologicalSorter(graph).static_order()}


def names_in(*layers: str) -> list[str]:
    """Names of the files of some layers, each after those it reads."""
    return [name for name, file in sql_files().items() if file.layer in layers]


def read_for(names: Iterable[str]) -> list[str]:
    """The files that some files read, and those that these read, but staging: each after those it reads."""
    wanted, read = set(names), set[str]()
    for name, file in reversed(sql_files().items()):
        if name in wanted | read:
            read |= {one for one in file.reads if one in sql_files()}
    return [name for name in names_in(*LAYERS[1:]) if name in read]


def run_files(
    con: duckdb.DuckDBPyConnection, names: Iterable[str], params: dict[str, Any], only: str | None = None
) -> None:
    """Make each file into a temporary table of its name, in the order given.

    Only the parameters a file declares are bound: DuckDB refuses unused ones. `only` is a common table expression that
    stands in for a table the files read, such as some of its rows.
    """
    for name in names:
        file = sql_files()[name]
        bound = {param: params[param] for param in file.params}
        within = f"with {only} " if only else ""
        con.execute(f"create or replace temp table {name} as {within}{file.query}", bound)


def drop_files(con: duckdb.DuckDBPyConnection) -> None:
    """Drop the files' temporary tables, to give their memory back."""
    for name in sql_files():
        con.execute(f"drop table if exists temp.{name}")
