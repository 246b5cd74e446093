"""Helpers of the worked examples: exports written out in the test, one night, one row of a table."""

from datetime import UTC, date, datetime
from pathlib import Path
from textwrap import dedent

from . import Settings, Taken, read_inbox, tables
from .words import Row

NOW = datetime(2032, 7, 1, 12, 0, tzinfo=UTC)
AS_OF = date(2032, 6, 30)
PIERCINGS = "procedure_id,visit_id,branch_id,performed_at,site"


def take(folder: Path, now: datetime = NOW, earlier: Taken | None = None, /, **exports: str) -> Taken:
    """Write each export as `<table>.csv` (a name may go on after the table's, as in `sales_2`) and take them in."""
    folder.mkdir(exist_ok=True)
    for name, text in exports.items():
        (folder / f"{name}.csv").write_text(dedent(text).removeprefix("\n"), encoding="utf-8")
    return read_inbox(folder, now=now, key=b"a key", earlier=earlier)


def night(folder: Path, as_of: date = AS_OF, /, **exports: str) -> dict[str, list[Row]]:
    return tables(take(folder, **exports), as_of=as_of, settings=Settings())


def only(rows: list[Row], **where: object) -> Row:
    """Give the one row with these values."""
    (row,) = [row for row in rows if all(row[column] == value for column, value in where.items())]
    return row


def rate(found: dict[str, list[Row]], complication: str, dimension: str = "all", level: str = "all") -> Row:
    return only(found["complication_rates"], complication=complication, dimension=dimension, level=level)
