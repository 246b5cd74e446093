"""CSV (RFC 4180, or the dialect a source declares): records with the line each began on.

Blocks of bytes in which no quote stands and every line has the header's number of fields are parsed whole by Polars;
everything else goes record by record through the standard library's reader. Both give the same rows.
"""

import codecs
import csv
import gzip
import io
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import BinaryIO

import numpy as np
import polars as pl

from pipeline.intake.records import Block, Record, Records, UnreadableError

_BLOCK_BYTES = 4 << 20
_ASCII_SPACES = (b" ", b"\t", b"\v", b"\f", b"\r")
"""What is taken off around a cell, as far as it is ASCII; the ends of lines are not asked for."""
_TEXT_LIMIT = 2 << 30
"""Bytes or characters of text a single file may unpack to."""
_RECORD_LIMIT = 16 << 20
"""Characters of a single record, and bytes of a line without an end: in cells they take many times the memory."""
_MOST_LINES = 10_000_000
csv.field_size_limit(_TEXT_LIMIT)
_ASCII_BASED = ("utf-8", "cp1252", "latin-1")
"""Encodings in which a line end and a separator are the same single bytes as in ASCII, and stand nowhere else."""


@dataclass(frozen=True)
class Dialect:
    """How a CSV file is written. `quote` is empty where nothing is quoted; `skip_lines` stand above the header."""

    encoding: str = "utf-8"
    delimiter: str = ","
    quote: str = '"'
    skip_lines: int = 0


PLAIN = Dialect()


def read_csv(file: BinaryIO, dialect: Dialect = PLAIN) -> Records:
    """Read a CSV file's records, the header first; blank lines are no records.

    Raises `UnreadableError` where the file cannot be read whole: nothing of it counts before the iterator has ended.
    """
    try:
        yield from _records(_Bytes(file), dialect)
    except UnicodeDecodeError as error:
        byte = error.object[error.start]
        raise UnreadableError("file.encoding", f"byte 0x{byte:02x} is no {dialect.encoding}.") from None
    except UnicodeError:
        raise UnreadableError("file.encoding", f"it does not begin as {dialect.encoding} text does.") from None
    except (gzip.BadGzipFile, EOFError, zlib.error):
        raise UnreadableError("file.container", "its compression is broken or cut short.") from None


class _Bytes:
    """A file's bytes in blocks of whole lines, up to a limit; and what is left of them as a stream of text."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._size = 0
        self._cut = b""

    def block(self) -> bytes:
        """The next whole lines; empty at the end."""
        parts = [self._cut]
        while part := self.read(_BLOCK_BYTES):
            end = part.rfind(b"\n") + 1
            if end:
                self._cut = part[end:]
                return b"".join([*parts, part[:end]])
            parts.append(part)
            if b"\r" in part:  # a line may end here: such a file goes record by record anyway
                break
            if sum(map(len, parts)) > _RECORD_LIMIT:
                raise UnreadableError("file.size", f"a line of it is over {_RECORD_LIMIT >> 20} MiB.")
        self._cut = b""
        return b"".join(parts)

    def read(self, size: int) -> bytes:
        """At most so many bytes of the file itself."""
        part = self._file.read(size)
        self._size += len(part)
        if self._size > _TEXT_LIMIT:
            raise UnreadableError("file.size", f"its text is over {_TEXT_LIMIT >> 20} MiB.")
        return part

    def text(self, block: bytes, encoding: str) -> Iterable[str]:
        """The lines of a block and of all that follows it."""
        text = io.TextIOWrapper(io.BufferedReader(_Rest(block + self._cut, self)), encoding=encoding, newline="")
        return iter(lambda: text.readline(_RECORD_LIMIT + 1), "")


class _Rest(io.RawIOBase):
    """Some bytes, then what is left of a file, as a stream."""

    def __init__(self, first: bytes, rest: _Bytes) -> None:
        self._first = memoryview(first)
        self._rest = rest

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        target = memoryview(buffer)  # type: ignore[arg-type]
        part = self._first[: len(target)] or self._rest.read(len(target))
        self._first = self._first[len(target) :]
        target[: len(part)] = part
        return len(part)


def _records(source: _Bytes, dialect: Dialect) -> Records:
    """Records of a file: whole blocks at once, until one has a quote or ends its lines in a way of its own."""
    if dialect.encoding not in _ASCII_BASED:
        yield from _plain_records(source.text(b"", dialect.encoding), dialect, 1, dialect.skip_lines)
        return
    block = source.block()
    if not block:
        raise UnreadableError("file.empty")
    if dialect.encoding == "utf-8":
        block = block.removeprefix(codecs.BOM_UTF8)
    line, n_fields, to_skip = 1, 0, dialect.skip_lines
    while block:
        if _needs_care(block, dialect):
            yield from _plain_records(source.text(block, dialect.encoding), dialect, line, to_skip)
            return
        if not n_fields:
            head, block = _cut_head(block, dialect)
            lines = io.StringIO(head.decode(dialect.encoding), newline="")
            for begins, names in _plain_records(lines, dialect, line, to_skip):
                n_fields = len(names)
                yield begins, names
            to_skip = 0 if n_fields else max(0, to_skip - head.count(b"\n"))
            line += head.count(b"\n")
            block = block or source.block()
            continue
        n_ends = block.count(b"\n")
        frame = _parse(block, n_ends + (not block.endswith(b"\n")), n_fields, dialect)
        if frame is not None:
            yield Block(line, frame, block.isascii() and not any(space in block for space in _ASCII_SPACES))
        else:
            yield from _plain_records(io.StringIO(block.decode(dialect.encoding), newline=""), dialect, line, 0)
        line += n_ends
        block = source.block()


def _needs_care(block: bytes, dialect: Dialect) -> bool:
    """Whether a block must go record by record: it has a quote, lines that end in CR alone, or a rare separator."""
    is_quoted = bool(dialect.quote) and dialect.quote.encode(dialect.encoding) in block
    has_lone_cr = b"\r" in block and block.count(b"\r") != block.count(b"\r\n")
    return is_quoted or has_lone_cr or not dialect.delimiter.isascii()


def _cut_head(block: bytes, dialect: Dialect) -> tuple[bytes, bytes]:
    """A block's lines up to the header, and the others. Without a header all of it is head."""
    end, to_skip = 0, dialect.skip_lines
    while end < len(block):
        start, end = end, (block.find(b"\n", end) + 1) or len(block)
        if to_skip:
            to_skip -= 1
        elif block[start:end].decode(dialect.encoding).strip():
            break
    return block[:end], block[end:]


def _parse(block: bytes, n_lines: int, n_fields: int, dialect: Dialect) -> pl.DataFrame | None:
    """A block of lines without quotes as a frame of its cells; None where a line has more or fewer fields, or is blank.

    Polars refuses a line with more fields, and fills one with fewer: it has none of these if the separators add up.
    """
    # NumPy counts what is frequent faster than bytes do.
    n_separators = np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == ord(dialect.delimiter))
    if n_fields < 2 or n_separators != n_lines * (n_fields - 1):
        return None
    if dialect.delimiter.isspace() and _has_blank(block):
        return None
    if dialect.encoding != "utf-8":
        block = block.decode(dialect.encoding).encode()
    names = {str(at): pl.String for at in range(n_fields)}
    try:
        frame = pl.read_csv(
            block, has_header=False, schema=names, infer_schema=False, separator=dialect.delimiter, quote_char=None
        )
    except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):  # a long line, or bytes that are no UTF-8
        return None
    return frame if frame.height == n_lines else None


def _has_blank(block: bytes) -> bool:
    """Whether a line has nothing but space, in a file whose separator is space too."""
    return any(not line.strip() for line in block.split(b"\n")[:-1])


class _Lines:
    """A text's lines and then one of our own, with the line given last and whether it was ours.

    `n_held` counts the characters given since whoever takes the records last set it to 0.
    """

    def __init__(self, text: Iterable[str]) -> None:
        self._text = text
        self.last = ""
        self.is_over = False
        self.n_held = 0

    def __iter__(self) -> Iterator[str]:
        is_empty = True
        for line in self._text:
            is_empty = False
            self.last = line
            self.n_held += len(line)
            if self.n_held > _RECORD_LIMIT:
                raise UnreadableError("file.size", f"a record of it is over {_RECORD_LIMIT:,} characters.")
            yield line
        if is_empty:
            raise UnreadableError("file.empty")
        self.is_over = True
        yield "end"


def _plain_records(text: Iterable[str], dialect: Dialect, first_line: int, to_skip: int) -> Iterator[Record]:
    """Records of lines, blank ones left out; the first of the lines is `first_line` of the file.

    The line of our own behind the last comes back as a record that begins on it unless a quote stands open.
    """
    lines = _Lines(text)
    quoting = {"quotechar": dialect.quote} if dialect.quote else {"quoting": csv.QUOTE_NONE}
    reader = csv.reader(islice(lines, to_skip, None), delimiter=dialect.delimiter, **quoting)
    offset = first_line + to_skip - 1
    begins = offset + 1
    for record in reader:
        ends = offset + reader.line_num
        if lines.is_over:
            if ends > begins:
                raise UnreadableError("file.quote_open", str(begins))
            return
        if ends > begins or lines.last.strip():
            yield begins, record
        begins = ends + 1
        lines.n_held = 0
        if ends > _MOST_LINES:
            raise UnreadableError("file.size", f"it has over {_MOST_LINES:,} lines.")
