"""JSON Lines: one JSON object a line (RFC 8259), each a record on its line; the names of all make the header.

A file is gone through twice: once for the names, in the order they first appear, once for the cells.
"""

import gzip
import io
import json
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, BinaryIO

from pipeline.intake.records import BrokenCell, NumberCell, Record, Records, Refused, UnreadableError

_TEXT_LIMIT = 2 << 30
"""Characters of text a single file may unpack to."""
_LINE_LIMIT = 4 << 20
"""Characters of a single line: read as JSON they take many times the memory."""
_MOST_LINES = 10_000_000
_MOST_NAMES = 1_000
_MOST_CELLS = 200_000_000
"""Cells of a single file, missing ones too."""

_SPACE = " \t\r\n"
"""What JSON takes for space (RFC 8259, section 2)."""

_decode = json.JSONDecoder(
    object_pairs_hook=tuple, parse_int=str, parse_float=NumberCell, parse_constant=BrokenCell
).raw_decode  # an object is a tuple of pairs, so that a name that stands twice is seen; numbers stay as written


def read_jsonlines(file: BinaryIO, encoding: str = "utf-8-sig") -> Records:
    """Read the records of a JSON Lines file that can be sought in, the names first; blank lines are no records.

    Numbers stay as written, null and what a line lacks are empty; what is no text, number, true or false is a broken
    cell. A line that is no object, or names something twice, is refused. Raises `UnreadableError` where the file cannot
    be read whole: nothing of it counts before the iterator has ended.
    """
    with _reasons_told(encoding):
        names = _names(file, encoding)
        yield 0, names
        file.seek(0)
        yield from _records(file, encoding, names)


@contextmanager
def _reasons_told(encoding: str) -> Iterator[None]:
    try:
        yield
    except UnicodeDecodeError as error:
        byte = error.object[error.start]
        called = encoding.removesuffix("-sig")
        raise UnreadableError("file.encoding", f"byte 0x{byte:02x} is no {called}.") from None
    except UnicodeError:
        raise UnreadableError("file.encoding", f"it does not begin as {encoding} text does.") from None
    except (gzip.BadGzipFile, EOFError, zlib.error):
        raise UnreadableError("file.container", "its compression is broken or cut short.") from None


def _lines(file: BinaryIO, encoding: str) -> Iterator[tuple[int, str]]:
    """A file's lines that are not blank, with their numbers; `UnreadableError` where they are beyond the limits."""
    text = io.TextIOWrapper(file, encoding=encoding, newline="\n")
    try:
        number, size = 0, 0
        while line := text.readline(_LINE_LIMIT + 1):
            number += 1
            size += len(line)
            if len(line) > _LINE_LIMIT or number > _MOST_LINES or size > _TEXT_LIMIT:
                raise UnreadableError("file.size", _too_much(number, len(line)))
            line = line.strip(_SPACE)
            if line and not line.isspace():
                yield number, line
        if not number and not file.tell():
            raise UnreadableError("file.empty")
    finally:
        text.detach()  # else the wrapper would close the file


def _too_much(number: int, length: int) -> str:
    """Which limit a line or the lines up to it are over."""
    if length > _LINE_LIMIT:
        return f"line {number} is over {_LINE_LIMIT:,} characters."
    if number > _MOST_LINES:
        return f"it has over {_MOST_LINES:,} lines."
    return f"its text is over {_TEXT_LIMIT >> 20} MiB."


def _names(file: BinaryIO, encoding: str) -> list[str]:
    """The names of a file's objects in the order they first appear."""
    names: dict[str, None] = {}
    n_records = 0
    for number, line in _lines(file, encoding):
        found = _object(number, line)
        if isinstance(found, Refused):
            continue
        n_records += 1
        names |= dict.fromkeys(found)
        if len(names) > _MOST_NAMES:
            raise UnreadableError("file.size", f"its objects have over {_MOST_NAMES:,} names.")
    if not names:
        raise UnreadableError("file.header", "no line is an object with names.")
    if n_records * len(names) > _MOST_CELLS:
        raise UnreadableError("file.size", f"it has over {_MOST_CELLS:,} cells.")
    return list(names)


def _records(file: BinaryIO, encoding: str, names: list[str]) -> Iterator[Record | Refused]:
    for number, line in _lines(file, encoding):
        found = _object(number, line)
        if isinstance(found, Refused):
            yield found
        else:
            yield number, [_cell(found.get(name)) for name in names]


def _object(number: int, line: str) -> dict[str, Any] | Refused:
    """The names and values of a line's object; the line has no space around it."""
    try:
        pairs, end = _decode(line)
    except (ValueError, RecursionError):
        return Refused(number, "row.json", "it is no JSON.")
    if end < len(line):
        return Refused(number, "row.json", "something follows its value.")
    if not isinstance(pairs, tuple):
        return Refused(number, "row.json", "it is no object.")
    found = dict(pairs)
    if len(found) < len(pairs):
        return Refused(number, "row.json", "it names something twice.")
    if "\\u" in line and not all(map(_is_text, found)):
        return Refused(number, "row.json", "a name in it is no text.")
    return found


def _is_text(text: str) -> bool:
    """Whether a text has whole characters only: an escape may give half of a pair (RFC 8259, section 8.2)."""
    return text.isascii() or not any("\ud800" <= character <= "\udfff" for character in text)


def _cell(value: object) -> str:
    if isinstance(value, str):
        return value if _is_text(value) else BrokenCell("half a character")
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return BrokenCell("array" if isinstance(value, list) else "object")
