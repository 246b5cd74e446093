"""Exports for tests: good rows of every table to change a value of, inboxes to lay them into, and a reader of our own.

The reader counts the records of a CSV text as a state machine, character by character, and shares nothing with the
pipeline's: what the pipeline says of a file's rows is held against it.
"""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import duckdb

from pipeline.intake.inbox import look_into
from pipeline.intake.load import Taken, take_in

NOW = datetime(2024, 7, 1, 12, 0)
"""The clock of most tests' runs, in UTC."""

KEY = bytes(range(32))
"""The key that hashes clients in most tests."""

Row = dict[str, str]

GOOD: dict[str, Row] = {
    "branches": {"branch_id": "B1", "name": "Harbour", "timezone": "UTC"},
    "practitioners": {"practitioner_id": "W1", "home_branch_id": "B1"},
    "articles": {"article_id": "K1", "material": "niobium"},
    "lots": {"lot_no": "L1", "branch_id": "B1", "received_on": "2024-01-05"},
    "products": {"product_id": "Q1", "category": "aftercare"},
    "procedures": {
        "procedure_id": "P1",
        "visit_id": "V1",
        "client_key": "client one",
        "branch_id": "B1",
        "performed_at": "2024-05-03T10:00",
        "site": "lobe",
        "recorded_at": "",
    },
    "follow_ups": {
        "follow_up_id": "F1",
        "visit_id": "V1",
        "contacted_at": "2024-05-20T10:00",
        "outcome": "well",
    },
    "revisits": {
        "revisit_id": "R1",
        "visit_id": "V1",
        "branch_id": "B1",
        "starts_at": "2024-05-30T10:00",
        "status": "attended",
    },
    "sales": {
        "sale_id": "S1",
        "line_no": "1",
        "sold_at": "2024-05-03T10:30",
        "branch_id": "B1",
        "product_id": "Q1",
        "quantity": "1",
        "net_amount": "9.50",
    },
    "stock_counts": {"branch_id": "B1", "lot_no": "L1", "counted_at": "2024-06-01T18:00", "on_hand": "12"},
}
"""A row of each table that breaks no rule."""


def row(table: str, **changes: str) -> Row:
    """A good row of a table with some values changed or added."""
    return GOOD[table] | changes


def csv_text(rows: Iterable[Row]) -> str:
    """Rows as CSV with a header of every column any of them has; lines end with CR LF, as RFC 4180 wants."""
    rows = list(rows)
    names = list(dict.fromkeys(name for one in rows for name in one))
    text = io.StringIO()
    writer = csv.DictWriter(text, names, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def export(table: str, *changes: Row) -> str:
    """A table's file: a good row for each of the changes."""
    return csv_text(row(table, **change) for change in changes)


def fill(inbox: Path, files: Mapping[str, str | bytes]) -> None:
    """Write files into an inbox, by their path relative to it; newlines stay as they are."""
    inbox.mkdir(exist_ok=True)
    for name, content in files.items():
        path = inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)


@contextmanager
def undone(con: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
    """A transaction on a store that leaves no trace, so that tests share one store."""
    con.execute("begin transaction")
    try:
        yield con
    finally:
        con.execute("rollback")


class Nights:
    """An inbox and a store that takes it in night after night, and what the store then holds."""

    def __init__(self, con: duckdb.DuckDBPyConnection, inbox: Path) -> None:
        self.con = con
        self.inbox = inbox

    def take(self, files: Mapping[str, str | bytes] | None = None, *, now: datetime = NOW, zone: str = "UTC") -> Taken:
        """Lay more files into the inbox, and take it in."""
        fill(self.inbox, files or {})
        return take_in(self.con, look_into(self.inbox), now=now, zone=zone, key=KEY, progress=lambda _: None)

    def counts(self, name: str) -> tuple[int, ...]:
        """What became of a file's rows at its first load: rows, accepted, rejected, duplicate, superseded."""
        found = self.con.execute(
            "select rows, accepted, rejected, duplicate, superseded from file where path = ?", [name]
        ).fetchall()
        (counts,) = found
        return tuple(counts)

    def refused(self, name: str) -> list[tuple[int, str, str]]:
        """The rules that stand broken in a file: line, column, rule."""
        return self.con.execute(
            "select line, column_name, rule from rejection join file using (file_id) where path = ? order by all",
            [name],
        ).fetchall()

    def values(self, table: str, *columns: str) -> list[tuple[object, ...]]:
        """Columns of the versions a store holds of a table, in the order taken in."""
        return self.con.execute(f"select {', '.join(columns)} from raw_{table} order by seq").fetchall()


def record_lines(text: str) -> list[int]:
    """The line each record of a CSV text begins on, header included, blank lines left out (RFC 4180, section 2).

    A line ends with CR LF, LF or CR; ends inside quotes are content but still count as lines.
    """
    begins: list[int] = []
    line, began, is_blank = 1, 1, True
    state = "start"  # of a field; else "plain", "quoted", or "closed" after a quote that may be doubled
    for at, character in enumerate(text):
        ends_line = character == "\n" or (character == "\r" and text[at + 1 : at + 2] != "\n")
        if state == "quoted":
            state = "closed" if character == '"' else "quoted"
        elif character in "\r\n":
            if ends_line and not is_blank:
                begins.append(began)
            if ends_line:
                began, is_blank, state = line + 1, True, "start"
        elif character == '"' and state in ("start", "closed"):
            state, is_blank = "quoted", False
        else:
            state = "start" if character == "," else "plain"
            is_blank = is_blank and character.isspace()
        line += ends_line
    return begins if is_blank else [*begins, began]
