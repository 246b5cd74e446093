"""Parquet: records of text, each with the line the row would have in a CSV file with a header.

DuckDB reads it, in memory of its own: bytes made to harm end in an error there, where Polars 2.1 ends the process or
gives fewer rows without a word.
"""

import gzip
import re
import tempfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from decimal import Decimal
from typing import BinaryIO

import duckdb

from pipeline.intake.records import BrokenCell, NumberCell, Record, Records, UnreadableError

_FILE_LIMIT = 2 << 30
_TEXT_LIMIT = 2 << 30
"""Bytes of text a single file may unpack to."""
_VECTOR_ROWS = 2048
_VECTOR_TEXT_LIMIT = 64 << 20
"""Bytes of text in rows that the database holds in memory together: one long text in many rows takes a few bytes."""
_ROW_LIMIT = 10_000_000
_CELL_LIMIT = 200_000_000
"""Cells of a single file, empty ones too: many rows of nothing take a few bytes."""
_BATCH_ROWS = 50
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "memory_limit": "384MB",
    "threads": 1,
    "temp_directory": "",
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}

_WHOLE = {"tinyint", "smallint", "integer", "bigint", "hugeint"}
_AS_WRITTEN = {"boolean", "varchar", "enum", "uuid", *_WHOLE, *(f"u{kind}" for kind in _WHOLE)}
"""Types whose values the database writes as an export does."""
_NO_COLUMN = "Need at least one non-root column"
"""What the database says of a file without columns."""
_DAY = r"\d{4}-\d{2}-\d{2}"
_DATE = re.compile(_DAY)
_TIME = re.compile(rf"({_DAY}) (\d{{2}}:\d{{2}}:\d{{2}}(?:\.\d+)?)(\+00)?")


def read_parquet(file: BinaryIO) -> Records:
    """Read a Parquet file's records, the names of its columns first; a row's line is its number + 1.

    Dates and times are ISO 8601, those with a zone in UTC; numbers are plain digits; null is an empty text. What is no
    text, number, date or time is a broken cell. Raises `UnreadableError` where the file cannot be read whole: nothing
    of it counts before the iterator has ended.
    """
    with tempfile.TemporaryFile() as copy, _reasons_told():
        _copy(file, copy)
        with duckdb.connect(config=_CONFIG) as con:
            con.execute("set TimeZone = 'UTC'")
            yield from _records(con, f"/dev/fd/{copy.fileno()}")


@contextmanager
def _reasons_told() -> Iterator[None]:
    """Failures to read as the rule they break, in words of ours: the library's may quote the file."""
    try:
        yield
    except duckdb.OutOfMemoryException:
        raise UnreadableError("file.size", "a part of it needs too much memory.") from None
    except duckdb.ConversionException:
        raise UnreadableError("file.container", "it holds a time that no calendar has.") from None
    except (duckdb.Error, UnicodeDecodeError) as error:
        if _NO_COLUMN in str(error):
            raise UnreadableError("file.header", "the file has no column.") from None
        raise UnreadableError("file.container", "it is no Parquet file, or damaged.") from None
    except (gzip.BadGzipFile, EOFError, zlib.error):
        raise UnreadableError("file.container", "its compression is broken or cut short.") from None


def _copy(file: BinaryIO, copy: BinaryIO) -> None:
    """A file's bytes where the database can find them by a name, in a file that vanishes with the process."""
    size = 0
    while part := file.read(1 << 20):
        size += copy.write(part)
        if size > _FILE_LIMIT:
            raise UnreadableError("file.size", f"it is over {_FILE_LIMIT >> 20} MiB.")
    if not size:
        raise UnreadableError("file.empty")
    copy.flush()


def _records(con: duckdb.DuckDBPyConnection, path: str) -> Iterator[Record]:
    names = _column_names(con, path)
    kinds = [kind.id for _, kind, *_ in con.execute("from read_parquet(?) limit 0", [path]).description or []]
    if len(kinds) != len(names):
        raise UnreadableError("file.container", "its columns are not those it names.")
    n_rows = _check_size(con, path, kinds)
    yield 1, names
    line = 1
    for line, cells in _rows(con, path, kinds):
        yield line, cells
    if line - 1 != n_rows:
        raise UnreadableError("file.container", "it has not as many rows as it says.")


def _column_names(con: duckdb.DuckDBPyConnection, path: str) -> list[str]:
    """The names of the columns as written: a table's own would be made different where two are the same."""
    elements = con.execute("select name, coalesce(num_children, 0) from parquet_schema(?)", [path]).fetchall()
    names = []
    nested = 0  # elements to come that are inside the column before
    for name, n_children in elements[1:]:
        if nested:
            nested -= 1
        else:
            names.append(name)
        nested += n_children
    return names


def _check_size(con: duckdb.DuckDBPyConnection, path: str, kinds: Sequence[str]) -> int:
    """How many rows a file says it has; `UnreadableError` where it is beyond the limits."""
    (n_rows,) = con.execute("select num_rows from parquet_file_metadata(?)", [path]).fetchall()[0]
    if n_rows > _ROW_LIMIT:
        raise UnreadableError("file.size", f"it has over {_ROW_LIMIT:,} rows.")
    if n_rows * len(kinds) > _CELL_LIMIT:
        raise UnreadableError("file.size", f"it has over {_CELL_LIMIT:,} cells.")
    lengths = " + ".join(f"coalesce(strlen(c{at}), 0)" for at, kind in enumerate(kinds) if kind == "varchar")
    if lengths:
        numbered = f"read_parquet(?, file_row_number = true) as t({_columns(kinds)}, row_number)"
        query = f"select sum({lengths}) from {numbered} group by row_number // {_VECTOR_ROWS}"
        totals = [total for (total,) in con.execute(query, [path]).fetchall()]
        if max(totals, default=0) > _VECTOR_TEXT_LIMIT:
            raise UnreadableError("file.size", f"{_VECTOR_ROWS} rows of it have over {_VECTOR_TEXT_LIMIT >> 20} MiB.")
        if sum(totals) > _TEXT_LIMIT:
            raise UnreadableError("file.size", f"its text is over {_TEXT_LIMIT >> 20} MiB.")
    return int(n_rows)


def _columns(kinds: Sequence[str]) -> str:
    """Names of our own for a file's columns: its own could be anything."""
    return ", ".join(f"c{at}" for at in range(len(kinds)))


def _rows(con: duckdb.DuckDBPyConnection, path: str, kinds: Sequence[str]) -> Iterator[Record]:
    texts = ", ".join(_text_expression(f"c{at}", kind) for at, kind in enumerate(kinds))
    rows = con.execute(f"select {texts} from read_parquet(?) as t({_columns(kinds)})", [path])
    readers = [(at, _reader(kind)) for at, kind in enumerate(kinds) if kind not in _AS_WRITTEN]
    line = 1
    while batch := rows.fetchmany(_BATCH_ROWS):
        for row in batch:
            line += 1
            cells = list(row)
            for at, read in readers:
                if cells[at]:
                    cells[at] = read(cells[at])
            yield line, cells


def _text_expression(name: str, kind: str) -> str:
    if _reader(kind) is BrokenCell:
        return f"case when {name} is null then '' else '{kind}' end"
    return f"coalesce(cast({name} as varchar), '')"


def _reader(kind: str) -> Callable[[str], str]:
    """How the database's text of a type's values becomes an export's; what has no such text is a broken cell."""
    if kind in _AS_WRITTEN:
        return str
    if kind in ("float", "double", "decimal"):
        return _number
    if kind == "date":
        return _date
    return _time if kind.startswith("timestamp") else BrokenCell


def _number(text: str) -> str:
    """A number's shortest text, without exponent and idle zeros."""
    if text in ("nan", "inf", "-inf"):
        return BrokenCell(text)
    plain = format(Decimal(text), "f") if "e" in text else text
    return NumberCell(plain.rstrip("0").removesuffix(".") if "." in plain else plain)


def _date(text: str) -> str:
    """A date of the years 1 to 9999; others are no dates of an export."""
    return text if _DATE.fullmatch(text) else BrokenCell(text)


def _time(text: str) -> str:
    """A time of the years 1 to 9999; the database writes one that has a zone in UTC."""
    found = _TIME.fullmatch(text)
    if not found:
        return BrokenCell(text)
    day, clock, offset = found.groups()
    return f"{day}T{clock}{'Z' if offset else ''}"
