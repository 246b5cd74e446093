"""What the watch remembers from night to night: a JSON document for each signal, set of thresholds and note."""

import json
from collections.abc import Iterable, Mapping
from typing import Any

import duckdb

SIGNAL, THRESHOLDS, NOTE = "signal", "thresholds", "note"

Document = dict[str, Any]


def remembered(con: duckdb.DuckDBPyConnection, kind: str) -> dict[str, Document]:
    """The documents of a kind by their id, in the order of the ids."""
    rows = con.execute("select id, entry from watch_memory where kind = ? order by id", [kind]).fetchall()
    return {identifier: json.loads(entry) for identifier, entry in rows}


def remember(con: duckdb.DuckDBPyConnection, kind: str, documents: Mapping[str, Document]) -> None:
    """Keep documents of a kind, in place of those with their ids; writes nothing that is so already."""
    known = remembered(con, kind)
    write(con, ((kind, name, document) for name, document in documents.items() if known.get(name) != document))


def write(con: duckdb.DuckDBPyConnection, entries: Iterable[tuple[str, str, Document | None]]) -> None:
    """Write documents by kind and id; None takes one back."""
    for kind, name, document in entries:
        con.execute("delete from watch_memory where kind = ? and id = ?", [kind, name])
        if document is not None:
            text = json.dumps(document, ensure_ascii=False, sort_keys=True)
            con.execute("insert into watch_memory values (?, ?, ?)", [kind, name, text])
