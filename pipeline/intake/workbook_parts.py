"""The parts of an XLSX workbook, a zip of XML files (ECMA-376, Office Open XML), read without trusting any of it.

A workbook comes from outside and may be built to exhaust the machine, so parts are unpacked and parsed as a stream:
nothing is held but what a caller keeps, no declared size is believed, and each limit below ends the reading with
`UnreadableError`, the only exception whatever the bytes are. Elements are known by their local names, since strict and
transitional workbooks differ in namespaces only.
"""

import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, BinaryIO
from xml.parsers import expat

from pipeline.intake.records import UnreadableError

_MOST_ENTRIES = 10_000
"""Entries in the zip; a workbook has one for each sheet, drawing and comment, seldom a hundred."""
_MOST_READ = 2 << 20
"""Bytes of one read from the file: the zip's directory is read at once, and this much holds 20,000 entries."""
_CHUNK = 256 << 10
"""Bytes unpacked and parsed at a time."""
_MOST_PART = 1 << 30
"""Bytes a part may unpack to: a sheet of 20 columns and some 800,000 rows."""
_MOST_SIDE_PART = 16 << 20
"""Bytes that parts other than sheets and strings may unpack to: what they say is held in memory."""
_FREE_PART = 64 << 20
_MOST_RATIO = 100
"""A part over `_FREE_PART` may be so many times as large as the file; sheets pack to a tenth, bombs to a thousandth."""
_MOST_ELEMENTS = 16_000_000
_FREE_ELEMENTS = 4_000_000
_MOST_ELEMENTS_PER_BYTE = 4
"""Elements of a part, which cost time even where they are empty; a real sheet makes one a byte of its file at most."""
_MOST_DEPTH = 100
"""Elements open at once, all of which the parser remembers; a sheet has eight."""
_MOST_NAMES = 5_000
"""Different names of elements and attributes, all of which the parser remembers; the whole standard has some 3,000."""
_MOST_TAG = 1 << 20
"""Bytes of one tag or comment, which the parser reads again with every chunk until it is whole."""
MOST_TEXT = 8 << 20
"""Characters of one text, and of all texts written in a row; a cell holds 32,767 in the programs people use."""

_OLE_MAGIC = bytes.fromhex("D0CF11E0")
_ENCODINGS = ("utf-8", "utf-16", "us-ascii")


@dataclass(frozen=True)
class Element:
    """What to do at an element of a part: where it begins, with its text and where it ends, and at those within it."""

    start: Callable[[dict[str, str]], None] | None = None
    text: Callable[[str], None] | None = None
    end: Callable[[], None] | None = None
    within: dict[str, "Element"] = field(default_factory=dict)


_UNKNOWN = Element()


def broken(detail: str) -> UnreadableError:
    """The failure of a file that is no whole workbook."""
    return UnreadableError("file.container", detail)


class _Guarded:
    """A file in which nobody can read too much at once or seek outside it, whatever a zip's directory says.

    A directory that is cut off at the limit reads as a damaged one.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.size = file.seek(0, 2)

    def read(self, size: int = -1, /) -> bytes:
        return self._file.read(min(size, _MOST_READ) if size >= 0 else _MOST_READ)

    def seek(self, offset: int, whence: int = 0, /) -> int:
        target = offset + (0, self._file.tell(), self.size)[whence]
        if not 0 <= target <= self.size:
            raise zipfile.BadZipFile
        return self._file.seek(target)

    def tell(self) -> int:
        return self._file.tell()

    def seekable(self) -> bool:
        return True


@contextmanager
def _zip_errors() -> Iterator[None]:
    """What `zipfile` raises on bytes that are no whole zip, as `UnreadableError`; errors of the disk pass."""
    try:
        yield
    except (zipfile.BadZipFile, EOFError, zlib.error, struct.error, RuntimeError, ValueError, OverflowError):
        raise broken("it is no whole workbook; its zip is damaged, cut short or locked.") from None


class Package:
    """A zip of parts; raises `UnreadableError` if `file`, which must be seekable, is none."""

    def __init__(self, file: BinaryIO) -> None:
        guarded = _Guarded(file)
        self._size = guarded.size
        self.most_elements = min(_MOST_ELEMENTS, max(_FREE_ELEMENTS, _MOST_ELEMENTS_PER_BYTE * self._size))
        if not self._size:
            raise UnreadableError("file.empty")
        guarded.seek(0)
        if guarded.read(4) == _OLE_MAGIC:
            raise broken("it is encrypted or an old .xls workbook; save it as .xlsx without a password.")
        with _zip_errors():
            self._zip = zipfile.ZipFile(guarded)
        entries = self._zip.infolist()
        if len(entries) > _MOST_ENTRIES:
            raise UnreadableError("file.size", f"its zip has over {_MOST_ENTRIES:,} entries.")
        self._entries = {_part_name(entry.filename): entry for entry in entries}
        if len(self._entries) < len(entries):
            raise broken("a part stands in it twice.")

    def chunks(self, part: str, most: int) -> Iterator[bytes]:
        """A part's bytes as they are unpacked; `UnreadableError` where it is missing, damaged or too large."""
        entry = self._entries.get(_part_name(part))
        if entry is None:
            raise broken("a part it names is missing.")
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise broken("it is compressed in a way no workbook is.")
        limit = min(most, max(_FREE_PART, _MOST_RATIO * self._size))
        unpacked = 0
        with _zip_errors():
            stream = self._zip.open(entry)
        while chunk := _next_chunk(stream):
            unpacked += len(chunk)
            if unpacked > limit:
                raise UnreadableError("file.size", f"a part of it unpacks to over {limit >> 20} MiB.")
            yield chunk


def _next_chunk(stream: IO[bytes]) -> bytes:
    with _zip_errors():
        return stream.read(_CHUNK)


def _part_name(name: str) -> str:
    """A part's name as compared: without regard to case (OPC, ECMA-376 part 2), the slashes of one kind."""
    return name.replace("\\", "/").lstrip("/").casefold()


class _Walker:
    """Follows a parser through the elements a caller asked for, and counts what must stay within limits."""

    def __init__(self, root: Element) -> None:
        self._open = [root]
        self._pieces: list[str] = []
        self._n_characters = 0
        self.n_elements = 0
        self._n_fed = 0
        self._names: dict[str, str] = {}
        self._parser = expat.ParserCreate(None, None, self._names)
        self._parser.buffer_text = True
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.StartDoctypeDeclHandler = self._doctype
        self._parser.XmlDeclHandler = self._declaration

    def feed(self, chunk: bytes, *, is_last: bool = False) -> None:
        """Parse some bytes more; `UnreadableError` where they are no XML or make the parser hold too much.

        Limits are looked at between chunks, which are small enough that none can exceed them by much.
        """
        try:
            self._parser.Parse(chunk, is_last)
        except expat.ExpatError:
            raise broken("a part of it is no well-formed XML.") from None
        self._n_fed += len(chunk)
        is_held_up = self._n_fed - self._parser.CurrentByteIndex > _MOST_TAG
        if is_held_up or len(self._open) > _MOST_DEPTH or len(self._names) > _MOST_NAMES:
            raise broken("its XML is built to exhaust a reader.")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self.n_elements += 1
        known = self._open[-1].within
        element = known.get(name) or known.get(name.rpartition(":")[2], _UNKNOWN) if known else _UNKNOWN
        self._open.append(element)
        if element.start:
            element.start(attributes)
        if element.text:
            self._pieces, self._n_characters = [], 0
            self._parser.CharacterDataHandler = self._text

    def _text(self, piece: str) -> None:
        self._n_characters += len(piece)
        if self._n_characters > MOST_TEXT:
            raise UnreadableError("file.size", f"a text in it has over {MOST_TEXT:,} characters.")
        self._pieces.append(piece)

    def _end(self, _name: str) -> None:
        element = self._open.pop()
        if element.text:
            self._parser.CharacterDataHandler = None
            element.text("".join(self._pieces))
        if element.end:
            element.end()

    def _doctype(self, *_declared: object) -> None:
        raise broken("it declares a document type, which no workbook does.")

    def _declaration(self, _version: str, encoding: str | None, _standalone: int) -> None:
        if encoding and encoding.lower() not in _ENCODINGS:
            raise broken("a part of it is in neither UTF-8 nor UTF-16.")


def walk(package: Package, part: str, within: dict[str, Element], most_bytes: int = _MOST_PART) -> Iterator[None]:
    """Parse a part, giving way after each chunk; its root is looked up in `within`."""
    walker = _Walker(Element(within=within))
    for chunk in package.chunks(part, most_bytes):
        walker.feed(chunk)
        if walker.n_elements > package.most_elements:
            raise UnreadableError("file.size", f"a part of it has over {package.most_elements:,} elements.")
        yield
    walker.feed(b"", is_last=True)


def walk_whole(package: Package, part: str, within: dict[str, Element]) -> None:
    """Parse a part other than a sheet or the strings to its end."""
    for _ in walk(package, part, within, _MOST_SIDE_PART):
        pass
