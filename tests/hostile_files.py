"""Hostile exports by number, the real intake over each, and what independent readers say must have become of it.

`python tests/hostile_files.py [N]`

Takes in N hostile files (10,000), even numbers CSV and odd ones XLSX, then a tenth as many files of good chains, each
written in two ways, and prints what became of them. Every file comes again from its number alone.

For each hostile file: nothing is raised; it takes under 30 s and 512 MiB; a CSV file is refused exactly where an
independent reader finds a reason; rows = accepted + rejected + duplicate + superseded, rows as independent readers
count them; and good rows beside the bad one, in the same file and in another, are kept value for value.
"""

import csv
import faulthandler
import gzip
import io
import json
import multiprocessing
import os
import random
import re
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TypeVar
from xml.sax.saxutils import escape

import duckdb
import openpyxl
import polars as pl

from pipeline.contract.columns import Column, Kind, Table
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.intake.inbox import look_into
from pipeline.intake.load import Taken, take_in
from pipeline.settings import Settings
from pipeline.sources import Source
from pipeline.store.database import open_store
from pipeline.store.ledger import Counts, Load
from pipeline.store.originals import Originals
from support.exports import KEY, NOW, fill, record_lines, undone
from support.workbooks import (
    SHEET_PART,
    STRINGS_PART,
    STYLES_PART,
    cell,
    content_types,
    hand_made,
    row,
    saved,
    text,
    written_book,
    zipped,
)

MOST_SECONDS = 30
MOST_MIB = 512
_BASES_PER_TABLE = 4
_BOMB_BYTES = 48 << 20
_BOMB_LINES = 500_000

Rows = list[list[str]]
Found = TypeVar("Found")
Values = tuple[object, ...]

# Good rows ------------------------------------------------------------------------------------------------------------

_LATIN = ("Café", "Groß & Klein", "a,b;c\td", 'he said "so"', "two\nlines", "it's", "=1+1", "-", "0", "Ø", "<b>")
_WIDE = (*_LATIN, "Łódź", "漢字", "a\N{GRINNING FACE}", "\u05d0\u05d1", "e\u0301")
_ZONES = ("UTC", "Europe/Oslo", "America/New_York", "Asia/Kolkata", "")
_OFFSETS = ("", "", "", ":07", ":07.25", "Z", ":00+02:00", "-0330")


def good_rows(rng: random.Random, table: Table, n: int, texts: Sequence[str], prefix: str = "") -> Rows:
    """Rows that break no rule, each with a key of its own; the header first."""
    return [list(table.column_names)] + [
        [_good_value(rng, table, column, f"{prefix}{at}", texts) for column in table.columns] for at in range(n)
    ]


def _good_value(rng: random.Random, table: Table, column: Column, at: str, texts: Sequence[str]) -> str:
    if column.name == ("lot_no" if table.name == "stock_counts" else table.key[0]):
        return f"K{at}-{rng.randrange(1000)}"
    if not column.required and column.name != "visit_id" and rng.random() < 0.25:
        return ""
    day = (date(2024, 1, 1) + timedelta(days=rng.randrange(150))).isoformat()
    match column.kind:
        case Kind.ID | Kind.CODE | Kind.CLIENT:
            return f"{column.name[0].upper()}{rng.randrange(6):02}"
        case Kind.WORD | Kind.SITES:
            return rng.choice(column.words)
        case Kind.ZONE:
            return rng.choice(_ZONES)
        case Kind.WHOLE:
            return str(rng.randrange(5))
        case Kind.DECIMAL:
            return f"{rng.randrange(-100, 9000)}.{rng.randrange(100):02}"
        case Kind.DATE:
            return day
        case Kind.TIME:
            return f"{day}T{rng.randrange(24):02}:{rng.randrange(60):02}{rng.choice(_OFFSETS)}"
        case Kind.FLAG:
            return rng.choice(("true", "false", "yes", "no", "1", "0"))
    return rng.choice(texts)


def csv_lines(rows: Rows, *, quoting: int = csv.QUOTE_MINIMAL, delimiter: str = ",", quote: str = '"') -> list[str]:
    """Rows as records of a CSV text, without line ends behind them."""
    lines = []
    for one in rows:
        file = io.StringIO()
        csv.writer(file, delimiter=delimiter, quotechar=quote, quoting=quoting).writerow(one)  # type: ignore[arg-type]
        lines.append(file.getvalue().removesuffix("\r\n"))
    return lines


@dataclass(frozen=True)
class Base:
    """A good file's table and rows, and a good neighbour's text; both to be taken in beside each other."""

    table: Table
    rows: tuple[tuple[str, ...], ...]
    neighbour: str


@cache
def base(number: int) -> Base:
    """One of few good files, so that what each must be kept as is found out once."""
    rng = random.Random(f"base {number}")
    table = TABLES[number % len(TABLES)]
    rows = good_rows(rng, table, rng.randrange(3, 12), _WIDE)
    neighbour = good_rows(rng, table, 3, _LATIN, prefix="N")
    return Base(table, tuple(map(tuple, rows)), "\n".join(csv_lines(neighbour)) + "\n")


# Hostile files --------------------------------------------------------------------------------------------------------


@dataclass
class Hostile:
    """A file made from a good one. `whole_lines` are the lines of an XLSX file whose rows nobody touched, with the good
    row each was: kept as they are, if the file is read. Of a CSV file they are found by their text.
    """

    number: int
    base: int
    name: str
    content: bytes
    marks: list[str] = field(default_factory=list)
    whole_lines: dict[int, int] = field(default_factory=dict)
    must_read: bool = False


def hostile(number: int) -> Hostile:
    """The hostile file of a number: even ones are CSV, odd ones XLSX."""
    rng = random.Random(f"hostile {number}")
    at = rng.randrange(_BASES_PER_TABLE * len(TABLES))
    return _hostile_xlsx(rng, number, at) if number % 2 else _hostile_csv(rng, number, at)


_NUMBERS: tuple[str, ...] = (
    "1e5",
    "1E400",
    "9" * 400,
    "-" + "9" * 39,
    "1_000",
    "0x10",
    "9,50",
    "1.234,56",
    "1,234.56",
    "NaN",
    "-inf",
)
_NUMBERS += ("٣", "１２", "²", "-0", "--1", "+1", ".5", "5.", "1.0", "1." + "0" * 300, "0" * 500 + "1", "€ 5", "5 %")
_DATES: tuple[str, ...] = (
    "0000-01-01",
    "9999-12-31",
    "+12000-01-01",
    "-0044-03-15",
    "2024-02-30",
    "2023-02-29",
    "03/04/2024",
    "3.4.24",
)
_DATES += ("2024-5-3", "20240503", "45415", "2024-05-03T", "2024-05-03T10", "2024-05-03T24:00", "2024-05-03T23:59:60")
_DATES += ("9999-12-31T23:59", "0001-01-01T00:00+14:00", "2024-05-03T10:00+99:99", "2024-05-03T10:00Z ", "1582-10-10")
_DATES += ("2024-05-03T10:00:00.1234567891", "2024-05-03t10:00z", "2024-05-03 10:00", "٢٠٢٤-٠٥-٠٣", "infinity", "epoch")
_DATES += ("2024-03-31T02:30", "294247-01-10", "2024-05-03T10:00:60+00:00", "2024-05-03T10:00\N{MINUS SIGN}02:00")
_TEXTS: tuple[str, ...] = (
    "=1+1",
    "=cmd|' /C calc'!A0",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\0",
    "a\0b",
    "\x07",
    "\x1f",
    "\x7f",
)
_TEXTS += ("\u202ex", "\u200f", "\ufeff", "\u00a0", "\u2028", "\ue000x", "\ue001x", "\ue000", "\ue001\ue000", "\ufffd")
_TEXTS += ("\uffff", "\x85", "\x1c", "é", "e\u0301", "İ", "ß", "\N{PILE OF POO}", "a:b", "x" * 201, "x" * 200, "NULL")
_TEXTS += ("", " ", '"', '""', ",", "\n", "\r", "\r\n", '",\n"', "'; drop table raw_sales; --", "{}", "[]", "\\", "\\N")
_TEXTS += ("<script>alert(1)</script>", "../../etc/passwd", "lobe;lobe", ";;;", "LOBE", "lobe;nose", "Europe/Nowhere")
_TEXTS += ("true ", "yes", "2", "x" * 100_000, "\n" * 500, '"' * 501, "%s%n", "${x}", "a\u0300" * 300)
_ODD = (*_NUMBERS, *_DATES, *_TEXTS)
_SHORT = 1000

CsvCells = Callable[[random.Random, Rows], None]
CsvLines = Callable[[random.Random, list[str]], None]
CsvBytes = Callable[[random.Random, bytes, str], tuple[bytes, str]]


def _some_row(rng: random.Random, rows: Rows) -> list[str]:
    """One of the rows below the header; none of its cells where there is no row."""
    return rng.choice(rows[1:]) if len(rows) > 1 else []


def _odd_cell(rng: random.Random, rows: Rows) -> None:
    one = _some_row(rng, rows)
    for _ in range(rng.choice((1, 1, 1, 3)) if one else 0):
        one[rng.randrange(len(one))] = rng.choice(_ODD)


def _odd_column(rng: random.Random, rows: Rows) -> None:
    at = rng.randrange(len(rows[0]))
    for one in rows[1:]:
        if at < len(one):  # an earlier change may have cut it short
            one[at] = rng.choice(_ODD)


def _shifted_row(rng: random.Random, rows: Rows) -> None:
    one = _some_row(rng, rows)
    if one:
        one.insert(rng.randrange(len(one)), one.pop())


def _ragged_row(rng: random.Random, rows: Rows) -> None:
    one = _some_row(rng, rows)
    if one and rng.random() < 0.5:
        del one[rng.randrange(len(one)) :]
    else:
        short = [odd for odd in _ODD if len(odd) < _SHORT]  # else the file itself, not its reading, is the memory
        one += [rng.choice(short)] * rng.choice((1, 1, 2, 5000))


def _totals_row(rng: random.Random, rows: Rows) -> None:
    rows.append(["Total", *[""] * (len(rows[0]) - 2), str(rng.randrange(10**6))])


def _repeated_row(rng: random.Random, rows: Rows) -> None:
    rows.insert(rng.randrange(1, len(rows) + 1), list(rng.choice(rows[1:])))


def _other_version(rng: random.Random, rows: Rows) -> None:
    one = list(rng.choice(rows[1:]))
    one[rng.randrange(1, len(one))] = rng.choice(("", "1", "lobe", "2024-05-03"))
    rows.insert(rng.randrange(1, len(rows) + 1), one)


def _other_header(rng: random.Random, rows: Rows) -> None:
    head, at = rows[0], rng.randrange(len(rows[0]))
    match rng.randrange(7):
        case 0:
            head[at] = head[rng.randrange(len(head))]
        case 1:
            head[at] = rng.choice((head[at].upper(), f"{head[at]}\0", f" {head[at]} ", "", f"\u200f{head[at]}", "note"))
        case 2:
            rng.shuffle(head)
        case 3:
            rows.insert(1, [f"({name})" for name in head])
        case 4:
            rows.insert(0, ["Report", "of", "May"])
        case 5:
            del rows[0]
        case _:
            for one in rows:
                one.extend(["phone"] * rng.choice((1, 300)))


def _stray_character(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines))
    place = rng.randrange(len(lines[at]) + 1)
    what = rng.choice('"""\0,;\n\r\'\\ \t\x1a\x85\u2028\ufeff')
    lines[at] = lines[at][:place] + what + lines[at][place:]


def _opened_quote(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines))
    starts = [0, *(found.end() for found in re.finditer(",", lines[at]))]
    place = rng.choice(starts)
    lines[at] = lines[at][:place] + '"' + lines[at][place:]


def _odd_line(rng: random.Random, lines: list[str]) -> None:
    odd = ("", " ", "\t", ",", '""', '"', '"\n"', "x", "," * 3000, "\0", "# comment", "sep=,", '" "', "\u00a0", "\x1f")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(odd))


def _cut_line(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines))
    lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]


def _other_marks(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines))
    lines[at] = lines[at].translate(str.maketrans(rng.choice((",;", ",\t", "\"'", ",|")), ";,"))


def _no_lines(rng: random.Random, lines: list[str]) -> None:
    del lines[rng.choice((0, 0, 1)) :]


def _other_encoding(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    encoding = rng.choice(("cp1252", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "cp037", "utf-8-sig"))
    return content.decode("utf-8", "replace").encode(encoding, "replace"), name


def _cut_bytes(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    return content[: rng.randrange(len(content) + 1)], name


def _flipped_bytes(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    changed = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 20)) if changed else 0):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed), name


def _slipped_bytes(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    at = rng.randrange(len(content) + 1)
    odd = (
        b"\0",
        b"\xff",
        b"\xc3",
        b"\xed\xa0\x80",
        b"\xf4\x90\x80\x80",
        b"\xc0\x80",
        b"\xef\xbb\xbf",
        rng.randbytes(9),
    )
    return content[:at] + rng.choice(odd) + content[at:], name


def _other_line_ends(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    parts = content.split(b"\n")
    ends = rng.choice(((b"\r",), (b"\r\n",), (b"\n", b"\r", b"\r\n", b"\n\n", b"\n\r", b"\r\r\n")))
    return b"".join(part + rng.choice(ends) for part in parts), name


def _byte_order_mark(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    return b"\xef\xbb\xbf" * rng.choice((1, 1, 2)) + content, name


def _packed(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    packed = gzip.compress(content, mtime=0)
    middle = len(content) // 2
    match rng.randrange(8):
        case 0:
            packed = packed[: rng.randrange(len(packed) + 1)]
        case 1:
            packed, _ = _flipped_bytes(rng, packed, name)
        case 2:
            packed += rng.choice((b"\0" * 100, b"x", packed, gzip.compress(b"")))
        case 3:
            packed = gzip.compress(content[:middle], mtime=0) + gzip.compress(content[middle:], mtime=0)
        case 4:
            return packed, name
        case 5:
            return content, f"{name}.gz"
        case 6:
            packed = gzip.compress(packed, mtime=0)
    return packed, f"{name}.gz"


def _much(rng: random.Random, content: bytes, name: str) -> tuple[bytes, str]:
    """A large file: many rows, or one cell of some megabytes; rarely a bomb, whose text compresses to a thousandth."""
    head, _, rest = content.partition(b"\n")
    match rng.randrange(30):
        case 0:
            return gzip.compress(content + b"x" * _BOMB_BYTES, 1), f"{name}.gz"
        case 1:
            return gzip.compress(content + b'"' + b"x" * _BOMB_BYTES, 1), f"{name}.gz"
        case 2:
            return gzip.compress(content + b"x\n" * (2 * _BOMB_LINES), 1), f"{name}.gz"
        case at if at < 10:
            return content + b"x" * (3 << 20), name
        case at if at < 20:
            return content + b'"' + b"a\n," * (1 << 18) + b'"', name
    return head + b"\n" + rest * (400_000 // (len(rest) + 1)), name


_CELLS: tuple[tuple[CsvCells, int], ...] = (
    (_odd_cell, 40),
    (_odd_column, 5),
    (_shifted_row, 5),
    (_ragged_row, 10),
    (_totals_row, 5),
    (_repeated_row, 5),
    (_other_version, 5),
    (_other_header, 15),
)
_LINES: tuple[tuple[CsvLines, int], ...] = (
    (_stray_character, 20),
    (_opened_quote, 10),
    (_odd_line, 20),
    (_cut_line, 10),
    (_other_marks, 5),
    (_no_lines, 2),
)
_BYTES: tuple[tuple[CsvBytes, int], ...] = (
    (_other_encoding, 10),
    (_cut_bytes, 10),
    (_flipped_bytes, 15),
    (_slipped_bytes, 15),
    (_other_line_ends, 15),
    (_byte_order_mark, 5),
    (_packed, 20),
    (_much, 3),
)


def _drawn(rng: random.Random, ways: Sequence[tuple[object, int]]) -> int:
    return rng.choices(range(len(ways)), [weight for _, weight in ways])[0]


def _hostile_csv(rng: random.Random, number: int, at: int) -> Hostile:
    rows = [list(one) for one in base(at).rows]
    made = Hostile(number, at, f"{base(at).table.name}_m.csv", b"")
    stages = rng.choice(("c", "c", "l", "l", "b", "b", "cl", "cb", "lb", "cc", "ll", "clb"))
    for _ in range(stages.count("c")):
        change = _CELLS[_drawn(rng, _CELLS)][0]
        made.marks.append(change.__name__)
        change(rng, rows)
    lines = csv_lines([one or [""] for one in rows])
    for _ in range(stages.count("l")):
        edit = _LINES[_drawn(rng, _LINES)][0]
        made.marks.append(edit.__name__)
        if lines:
            edit(rng, lines)
    made.content = ("\n".join(lines) + rng.choice(("\n", ""))).encode()
    if "b" in stages:
        damage = _BYTES[_drawn(rng, _BYTES)][0]
        made.marks.append(damage.__name__)
        made.content, made.name = damage(rng, made.content, made.name)
    return made


# Hostile workbooks ----------------------------------------------------------------------------------------------------

_FORMATS = ("yyyy-mm-dd", "dd.mm.yyyy hh:mm", "0.00")
_SECONDS_A_DAY = 86_400
_NUMBER = re.compile(r"-?[1-9][0-9]{0,8}(\.[0-9]{2})?")
_WALL = re.compile(r"[0-9-]{10}T[0-9]{2}:[0-9]{2}(:[0-9]{2})?")

_VALUES = [
    cell(value) for value in ("abc", "1e400", "9" * 400, "NaN", "-0", "1E5", " 12 ", "1_0", "0x1", "٣", "-1", "")
]
_VALUES += [
    cell(value, style=1) for value in ("-1", "0", "0.5", "59", "60", "61", "2958465", "2958466", "1e10", "1e308")
]
_VALUES += [
    cell(value, style=2) for value in ("45415.99999999", "1.5", "60.5", "2958465.9999999", "45415.4166667", "x")
]
_VALUES += [cell(value, kind="b") for value in ("1", "0", "2", "true", "x")]
_VALUES += [cell(value, kind="e") for value in ("#REF!", "#N/A", "", "x")]
_VALUES += [cell(value, kind="d") for value in ("2024-05-03", "2024-13-01", "x", "+12000-01-01", "2024-05-03T10:00Z")]
_VALUES += [
    cell(escape(value), kind="str") for value in ("", "=1+1", "x" * 40_000, "_x0000_", "_xD800_", "\u202e", "\ue001")
]
_VALUES += [
    cell("", formula="1+1"),
    cell("", kind="str", formula="1+1"),
    cell("2", formula="1+1"),
    "<c/>",
    '<c t="s"/>',
]
_VALUES += [
    "<c><f>1+1</f></c>",
    '<c t="inlineStr"><is><r><t>a</t></r><r><rPr/><t>b</t></r></is></c>',
    "<c><!-- 1 --></c>",
]
_VALUES += [
    "<c><v><![CDATA[12]]></v></c>",
    "<c><extLst><ext><v>9</v></ext></extLst><v>1</v></c>",
    "<c><v>1<?x?>2</v></c>",
]
_VALUES += ['<c t="inlineStr"><is><t>a</t><rPh sb="0" eb="1"><t>b</t></rPh></is></c>', '<c t="inlineStr"/>']
_QUARRELS = [cell(value, kind="s") for value in ("999999", "-1", "1.5", "x", "1e1", "9" * 50, " 1", "٣")]
_QUARRELS += [cell("1", kind="x"), cell("1", kind="N"), cell("1", kind=""), cell("1", style=99), cell("1", style=-1)]
_QUARRELS += [
    cell("1", name=name) for name in ("XFE2", "AAAA2", "A1", "a2", "2A", "", "A02", "$B$2", "A1048577", "ZZZZZZZZZZ2")
]
_QUARRELS += [
    "<c><v>&#0;</v></c>",
    "<c><v>&x;</v></c>",
    "<c><v>1",
    "<c><v>1</c></v>",
    '<c r="A2" r="B2"/>',
    "\0",
    "<c>&lt;",
]
_QUARRELS += [
    "<c><v>" + "<a>" * 200 + "</a>" * 200 + "</v></c>",
    f'<c t="inlineStr"><is><t>{"x" * (9 << 20)}</t></is></c>',
]
_ROW_NUMBERS = ("0", "-1", "1", "2", "x", "1048576", "1048577", "9" * 19, "1e2", "", " 3", "03")


@dataclass
class Book:
    """A workbook on its way: rows as their `r` and their cells' XML, texts shared, and what is to be around them."""

    rows: list[tuple[int | str | None, list[str]]]
    strings: list[str]
    title: str
    before: str = ""
    after: str = ""
    properties: str = ""

    def parts(self) -> dict[str, str | bytes]:
        """The parts to zip."""
        rows = "".join(
            row(number, *cells) if isinstance(number, int | None) else f'<row r="{number}">{"".join(cells)}</row>'
            for number, cells in self.rows
        )
        strings = "".join(f"<si><t>{one}</t></si>" for one in self.strings)
        parts = hand_made(rows, after=self.after, strings=strings, formats=_FORMATS, properties=self.properties)
        sheet = str(parts[SHEET_PART]).replace("<sheetData>", f"{self.before}<sheetData>", 1)
        main = str(parts["xl/workbook.xml"]).replace('name="sales"', f'name="{self.title}"')
        return {**content_types(), **parts, SHEET_PART: sheet, "xl/workbook.xml": main}


def _good_book(rng: random.Random, good: Base) -> Book:
    """A good file as a workbook in which every value stands in one of the ways a cell can say it."""
    book = Book([], [], good.table.name)
    for line, one in enumerate(good.rows, start=1):
        names = [_letters(at) + str(line) if rng.random() < 0.8 or not value else "" for at, value in enumerate(one)]
        is_named = rng.random() < 0.9
        cells = [_cell_of(rng, book, value, name if is_named else "") for value, name in zip(one, names, strict=True)]
        book.rows.append((line if rng.random() < 0.9 else None, cells))
    return book


def _letters(at: int) -> str:
    return chr(ord("A") + at) if at < 26 else "A" + chr(ord("A") + at - 26)


def _cell_of(rng: random.Random, book: Book, value: str, name: str) -> str:
    if not value:
        return cell("", name=name)
    if _NUMBER.fullmatch(value) and rng.random() < 0.7:
        return cell(value, name=name, style=rng.choice((0, 3)))
    if rng.random() < 0.6 and (re.fullmatch(r"\d{4}-\d{2}-\d{2}", value) or _WALL.fullmatch(value)):
        since = datetime.fromisoformat(value) - datetime(1899, 12, 30)
        serial = repr(since.days + since.seconds / _SECONDS_A_DAY)
        return cell(serial, name=name, style=2 if "T" in value else 1)
    if rng.random() < 0.5:
        book.strings.append(escape(value))
        return cell(str(len(book.strings) - 1), kind="s", name=name)
    return text(escape(value), name)


def _named_in(made: str, old: str) -> str:
    """A changed cell's XML under the name its place had, unless it brings one."""
    found = re.match(r'<c r="([^"]*)"', old)
    return (
        made.replace("<c", f'<c r="{found[1]}"', 1) if found and made.startswith("<c") and " r=" not in made else made
    )


def _changed_cell(rng: random.Random, book: Book, ways: Sequence[str]) -> int:
    at = rng.randrange(1, len(book.rows))
    cells = book.rows[at][1]
    place = rng.randrange(len(cells))
    cells[place] = _named_in(rng.choice(ways), cells[place])
    return at


def _changed_row(rng: random.Random, book: Book) -> int:
    at = rng.randrange(1, len(book.rows))
    number, cells = book.rows[at]
    match rng.randrange(5):
        case 0:
            number = rng.choice(_ROW_NUMBERS)
        case 1:
            rng.shuffle(cells)
        case 2:
            cells.append(text("beyond"))
        case 3:
            cells.insert(rng.randrange(len(cells)), cells[rng.randrange(len(cells))])
        case _:
            del cells[rng.randrange(len(cells)) :]
    book.rows[at] = (number, cells)
    return at


def _changed_sheet(rng: random.Random, book: Book) -> None:
    merges = ("A1:B1", "A2:A3", "A1", "x", "B9:A1", "A0:A1", "A1:XFD1048576", "", "A1:B1:C1", "$A$1:$B$1")
    merged = f'<mergeCells><mergeCell ref="{rng.choice(merges)}"/></mergeCells>'
    match rng.randrange(11):
        case 0 | 1:
            book.after = merged
        case 2:
            book.before = merged
        case 3:
            book.before = rng.choice(('<dimension ref="A1:B2"/>', '<dimension ref="x"/>', "<cols/>", "<x:y/>"))
        case 4:
            book.properties = f'date1904="{rng.choice(("1", "true", "0", "x", ""))}"'
        case 5:
            titles = ("", " ", "Sales", " LOTS ", "a&amp;b", "&#10;", "\u202e", "x" * 300, "branches", "'; --")
            book.title = rng.choice(titles)
        case 6:
            book.rows.insert(0, (None, [text(rng.choice(("Report", " ", "")))]))
        case 7:
            cells = book.rows[0][1]
            cells[rng.randrange(len(cells))] = rng.choice((cells[0], text("note"), cell("", formula="A1"), "<c/>"))
        case 8:
            del book.rows[rng.choice((0, 1)) :]
        case 9:
            book.after = rng.choice(
                ("<sheetData><row><c><v>1</v></c></row></sheetData>", "<sheetProtection/>", "x", "</a>")
            )
        case _:
            del book.strings[rng.randrange(len(book.strings) + 1) :]


def _changed_parts(rng: random.Random, parts: dict[str, str | bytes]) -> None:
    name = rng.choice([SHEET_PART, SHEET_PART, STRINGS_PART, STYLES_PART, "xl/workbook.xml", *parts])
    xml = str(parts[name])
    match rng.randrange(13):
        case 0:
            del parts[name]
        case 1:
            parts[name] = xml[: rng.randrange(len(xml))]
        case 2 | 3 | 4:
            parts[name] = _garbled(rng, xml)
        case 5:
            entities = "".join(f'<!ENTITY a{at} "{f"&a{at - 1};" * 10 if at else "x"}">' for at in range(12))
            external = '<!ENTITY a11 SYSTEM "file:///etc/hostname">'
            parts[name] = f"<!DOCTYPE x [{rng.choice((entities, external, ''))}]>" + xml.replace("<v>", "<v>&a11;", 1)
        case 6:
            encoding = rng.choice(("latin-1", "utf-16", "utf-8", "UTF-7", "x", "us-ascii", "cp037"))
            parts[name] = f'<?xml version="1.0" encoding="{encoding}"?>{xml}'
        case 7:
            parts[name] = xml.encode(rng.choice(("utf-16", "utf-16-le", "utf-8-sig", "utf-32")))
        case 8:
            parts[name] = re.sub(r"<(/?)(?=\w)", r"<\1p:", xml).replace(" xmlns=", " xmlns:p=")
        case 9:
            rels = str(parts["xl/_rels/workbook.xml.rels"])
            targets = ("../../../etc/passwd", "", "styles.xml", "x", "/xl/worksheets/SHEET1.xml", ".", "worksheets/../")
            parts["xl/_rels/workbook.xml.rels"] = rels.replace("worksheets/sheet1.xml", rng.choice(targets))
        case 10:
            rels = str(parts["xl/_rels/workbook.xml.rels"])
            parts["xl/_rels/workbook.xml.rels"] = rels.replace(rng.choice(("rId1", "rId2", "rId3")), "rId9")
        case 11:
            main = str(parts["xl/workbook.xml"])
            more = ('<sheet name="b" sheetId="2" r:id="rId1"/>', '<sheet name="" r:id="rId7"/>', "<sheet/>", "<x/>")
            parts["xl/workbook.xml"] = main.replace("</sheets>", rng.choice(more) + "</sheets>")
        case _:
            parts[name] = xml.replace(">", f' a{"b" * 50}="{"c" * rng.choice((9, 2_000_000))}">', 1)


def _garbled(rng: random.Random, xml: str) -> str:
    for _ in range(rng.choice((1, 1, 3))):
        at = rng.randrange(len(xml))
        length = rng.choice((0, 1, 1, 5, 50))
        digits = [found.start() for found in re.finditer("[0-9]", xml)]
        if digits and rng.random() < 0.4:
            at, length = rng.choice(digits), 1
        xml = (
            xml[:at]
            + rng.choice(("", "<", ">", '"', "0", "7", "&", "x", " ", "9999999", "\x01", "-"))
            + xml[at + length :]
        )
    return xml


def _odd_zip(rng: random.Random, parts: dict[str, str | bytes], name: str) -> tuple[bytes, str]:
    """Parts as a zip with something wrong with the zip itself; what is read from it must be as it was."""
    content = zipped(parts)
    match rng.randrange(12):
        case 0:
            return content[: rng.randrange(len(content) + 1)], name
        case 1 | 2 | 3:
            return _flipped_bytes(rng, content, name)
        case 4:
            directory = content.rfind(b"PK\x01\x02", 0, content.rfind(b"PK\x01\x02"))
            changed, _ = _flipped_bytes(rng, content[directory:], name)
            return content[:directory] + changed, name
        case 5:
            return rng.randbytes(rng.randrange(1, 99)) + content + rng.randbytes(rng.randrange(99)), name
        case 6:
            return zipped(parts, method=rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA))), name
        case 7:
            return _repacked(parts, rng.choice(list(parts))), name
        case 8:
            return zipped({**parts, "../../x": b"x", "/etc/x": b"x", "a/": b"", "": b"x"}), name
        case 9:
            odd = (
                b"",
                b"PK\5\6" + b"\0" * 18,
                bytes.fromhex("D0CF11E0A1B11AE1") * 99,
                b"a,b\n1,2\n",
                rng.randbytes(500),
            )
            return rng.choice(odd), name
        case 10:
            packed = gzip.compress(content, mtime=0)
            return rng.choice((packed, packed[:-9], content, packed + b"x")), f"{name}.gz"
    return _slipped_bytes(rng, content, name)


def _repacked(parts: dict[str, str | bytes], twice: str) -> bytes:
    file = io.BytesIO(zipped(parts))
    with warnings.catch_warnings(), zipfile.ZipFile(file, "a") as package:
        warnings.simplefilter("ignore")
        package.writestr(twice, "<x/>")
    return file.getvalue()


def _bomb(rng: random.Random, parts: dict[str, str | bytes]) -> bytes:
    """A small zip that unpacks, parses or fills up to very much."""
    rows, end = str(parts[SHEET_PART]).split("</sheetData>")
    end = "</sheetData>" + end
    megabyte = 1 << 20
    bombs = [
        (SHEET_PART, rows, " " * megabyte, 200, end),
        (SHEET_PART, rows, "<row/>" * (megabyte // 6), 120, end),
        (SHEET_PART, rows, f"<row><c><v>{'1' * 1000}</v></c></row>" * 100, 300, end),
        (SHEET_PART, rows, "<row>" + "<c><v>1</v></c>" * 1000 + "</row>", 3000, end),
        (SHEET_PART, rows + "<row><c><v>", "1" * megabyte, 100, "</v></c></row>" + end),
        (SHEET_PART, rows, "<row>" * 50_000, 1, end),
        (SHEET_PART, rows + '<row><c a="', "x" * megabyte, 100, '"/></row>' + end),
        (STRINGS_PART, "<sst>", "<si><t>" + "x" * 1000 + "</t></si>" + "<si/>" * 2000, 10_000, "</sst>"),
        (STRINGS_PART, "<sst>", "<si/>" * 100_000, 100, "</sst>"),
        (STYLES_PART, "<styleSheet><cellXfs>", '<xf numFmtId="14"/>' * 100_000, 10, "</cellXfs></styleSheet>"),
        ("xl/_rels/workbook.xml.rels", "<Relationships>", '<Relationship Id="x"/>' * 10_000, 100, "</Relationships>"),
    ]
    name, head, piece, n, tail = rng.choice(bombs)
    whole: dict[str, str | bytes | Iterator[bytes]] = dict(parts)
    whole[name] = (part.encode() for part in [head, *[piece] * n, tail])
    return zipped(whole)


def _hostile_xlsx(rng: random.Random, number: int, at: int) -> Hostile:
    book = _good_book(rng, base(at))
    made = Hostile(number, at, f"{base(at).table.name}_m.xlsx", b"")
    made.whole_lines = {line: line - 1 for line in range(2, len(book.rows) + 1)}
    way = rng.choices(("value", "quarrel", "row", "sheet", "parts", "zip", "bomb"), (25, 15, 15, 15, 30, 25, 1))[0]
    made.marks = [way]
    made.must_read = way == "value"
    if way in ("value", "quarrel", "row"):
        ways = {"value": _VALUES, "quarrel": _QUARRELS}
        touched = _changed_cell(rng, book, ways[way]) if way in ways else _changed_row(rng, book)
        made.whole_lines = {line: good for line, good in made.whole_lines.items() if good < touched}
        if way == "value":
            made.whole_lines |= {line: line - 1 for line in range(touched + 2, len(book.rows) + 1)}
    elif way != "zip":
        made.whole_lines = {}
    if way == "sheet":
        _changed_sheet(rng, book)
    parts = book.parts()
    if way == "parts":
        _changed_parts(rng, parts)
    if way == "zip":
        made.content, made.name = _odd_zip(rng, parts, made.name)
    else:
        made.content = _bomb(rng, parts) if way == "bomb" else zipped(parts)
    return made


# What independent readers say -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CsvSaid:
    """What an independent reading of a CSV file finds: reasons to refuse it, its records' lines, and its text."""

    reasons: frozenset[str]
    starts: list[int]
    text: str


def read_independently(content: bytes, name: str, table: Table) -> CsvSaid | None:
    """Read a CSV file as the contract has it, sharing nothing with the pipeline's readers; None of a bomb."""
    reasons = set()
    if name.endswith(".gz"):
        try:
            content = gzip.decompress(content)
        except (OSError, EOFError, zlib.error):
            reasons.add("file.container")
            content = _unpacked_so_far(content)
    if not content:
        return CsvSaid(frozenset(reasons | {"file.empty"}), [], "")
    if len(content) >= _BOMB_BYTES or content.count(b"\n") > _BOMB_LINES:
        return None  # it may be beyond the limits
    try:
        decoded = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        reasons.add("file.encoding")
        decoded = content.decode("utf-8-sig", "replace")
    starts = record_lines(decoded)
    if not starts:
        return CsvSaid(frozenset(reasons | {"file.header"}), [], decoded)
    if len(record_lines(decoded + "\nend")) == len(starts):
        reasons.add("file.quote_open")
    names = [one.strip() for one in next(csv.reader(io.StringIO(_records(decoded, starts[:2])[0], newline="")))]
    if any(names.count(one) > 1 for one in table.column_names):
        reasons.add("file.column_twice")
    if not set(table.required_columns) <= set(names):
        reasons.add("file.column_missing")
    return CsvSaid(frozenset(reasons), starts, decoded)


def _unpacked_so_far(content: bytes) -> bytes:
    try:
        return zlib.decompressobj(31).decompress(content)
    except zlib.error:
        return b""


_LINE = re.compile("[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+")


def _records(decoded: str, starts: list[int]) -> list[str]:
    """The text of each record without what ends it."""
    lines = _LINE.findall(decoded)
    stops = [start - 1 for start in starts[1:]] + [len(lines)]
    return ["".join(lines[start - 1 : stop]).rstrip(" \r\n") for start, stop in zip(starts, stops, strict=True)]


def whole_rows(said: CsvSaid, good: Base) -> dict[int, int]:
    """The lines of a CSV file on which a good row stands as it was, with the good row's number."""
    known = {line.rstrip(" "): at for at, line in enumerate(csv_lines([list(one) for one in good.rows]))}
    records = _records(said.text, said.starts) if said.starts else []
    if not records or known.get(records[0]) != 0:
        return {}
    return {start: known[one] for start, one in zip(said.starts, records, strict=True) if known.get(one)}


def count_in_workbook(content: bytes, sheet: str) -> int | None:
    """How many rows another library finds in a workbook's sheet below its header; None where it cannot open it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            book = openpyxl.load_workbook(io.BytesIO(content))
            own = [page for page in book.worksheets if page.title.strip().lower() == sheet] or book.worksheets
            cells = own[0]._cells
        except Exception:  # a library for good workbooks: it fails in every way there is
            return None
    return len({line for (line, _), found in cells.items() if str(found.value or "0" * (found.value == 0)).strip()}) - 1


# Taking in ------------------------------------------------------------------------------------------------------------


def take(con: duckdb.DuckDBPyConnection, inbox: Path, settings: Settings | None = None) -> Taken:
    """Take in an inbox, as a night does."""
    return take_in(
        con,
        look_into(inbox, settings or Settings()),
        now=NOW,
        zone="UTC",
        key=KEY,
        progress=lambda _: None,
        originals=Originals(inbox.parent / "store.duckdb"),
    )


def kept_rows(con: duckdb.DuckDBPyConnection, table: Table, path: str) -> dict[int, Values]:
    """The versions kept of a file's rows, by their line."""
    names = ", ".join(f"r.{name}" for name in table.column_names)
    query = f"select line, {names} from raw_{table.name} r join file using (file_id) where path = ? order by line"
    return {line: tuple(values) for line, *values in con.execute(query, [path]).fetchall()}


@contextmanager
def laid_out(files: dict[str, bytes]) -> Iterator[Path]:
    """An inbox that holds some files, for a while."""
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder) / "inbox", files)
        yield Path(folder) / "inbox"


_references: dict[int, tuple[dict[int, Values], dict[int, Values]]] = {}


def reference(con: duckdb.DuckDBPyConnection, number: int) -> tuple[dict[int, Values], dict[int, Values]]:
    """What the rows of a good file and of its neighbour are kept as: by the good row's number, and by line."""
    if number not in _references:
        good = base(number)
        name = good.table.name
        exact = csv_lines([list(one) for one in good.rows])
        files = {f"{name}_m.csv": "\n".join(exact), f"{name}_n.csv": good.neighbour}
        with undone(con), laid_out({key: value.encode() for key, value in files.items()}) as inbox:
            taken = take(con, inbox)
            own = kept_rows(con, good.table, f"{name}_m.csv")
            beside = kept_rows(con, good.table, f"{name}_n.csv")
        assert taken.counts.rejected == 0, good.table.name
        assert len(own) == len(exact) - 1
        _references[number] = {at: own[line] for at, line in enumerate(sorted(own), start=1)}, beside
    return _references[number]


@dataclass
class Verdict:
    """What became of a hostile file, how long it took (s), the memory it took (MiB), and what is wrong with that."""

    number: int
    outcome: str
    seconds: float = 0.0
    mib: float = 0.0
    faults: list[str] = field(default_factory=list)
    marks: tuple[str, ...] = ()
    is_counted: bool = False


def verdict(con: duckdb.DuckDBPyConnection, made: Hostile) -> Verdict:
    """Take in a hostile file beside a good one, hold both against what is known of them, and undo it."""
    good = base(made.base)
    expected, beside = reference(con, made.base)
    neighbour = f"{good.table.name}_{'a' if made.number % 4 < 2 else 'z'}.csv"
    found = Verdict(made.number, "raised", marks=tuple(made.marks))
    with undone(con), laid_out({made.name: made.content, neighbour: good.neighbour.encode()}) as inbox:
        _forget_peak()
        start = time.perf_counter()
        try:
            taken = take(con, inbox)
        except Exception:  # a `UserError` too: one file must not stop the night
            found.faults.append(traceback.format_exc())
            return found
        found.seconds, found.mib = time.perf_counter() - start, _peak_mib()
        if kept_rows(con, good.table, neighbour) != beside:
            found.faults.append("a good file beside it was harmed")
        kept = kept_rows(con, good.table, made.name)
        rules = [rule for (rule,) in con.execute("select rule from rejection where line = 0").fetchall()]
    loads = [load for load in taken.loads if load.path == made.name]
    found.outcome = "; ".join(rules) or ("rows rejected" if any(load.counts.rejected for load in loads) else "taken in")
    if len(loads) != 1 or (made.must_read and rules):
        found.faults.append(f"{len(loads)} loads, {rules}")
        return found
    found.faults += _lost(loads[0].counts)
    check = _check_csv if ".csv" in made.name else _check_xlsx
    whole = check(found, made, loads[0], rules)
    if not rules:
        found.faults += _harmed(whole, expected, kept)
    return found


def _lost(counts: Counts) -> Iterator[str]:
    fates = (counts.accepted, counts.rejected, counts.duplicate, counts.superseded)
    if counts.rows != sum(fates) or min(fates) < 0:
        yield f"rows are lost: {counts}"


def _harmed(whole: dict[int, int], expected: dict[int, Values], kept: dict[int, Values]) -> Iterator[str]:
    """Good rows that are not kept as they are; one that stands twice is kept on its first line."""
    for line, at in whole.items():
        if expected[at] not in [values for own, values in kept.items() if own <= line]:
            yield f"the good row on line {line} was harmed: {expected[at]} is {kept.get(line)}"


def _check_csv(found: Verdict, made: Hostile, load: Load, rules: list[str]) -> dict[int, int]:
    good = base(made.base)
    said = read_independently(made.content, made.name, good.table)
    if said is None:
        return {}
    found.is_counted = True
    if bool(rules) != bool(said.reasons):
        found.faults.append(f"refused for {rules}, an independent reader for {set(said.reasons)}")
    if rules and "file.container" not in said.reasons and not set(rules) <= said.reasons:
        found.faults.append(f"refused for {rules}, not for {set(said.reasons)}")
    if not rules and load.counts.rows != len(said.starts) - 1:
        found.faults.append(f"{load.counts.rows} rows, an independent reader counts {len(said.starts) - 1}")
    return whole_rows(said, good)


def _check_xlsx(found: Verdict, made: Hostile, load: Load, rules: list[str]) -> dict[int, int]:
    if not rules and "bomb" not in made.marks:
        content = gzip.decompress(made.content) if made.name.endswith(".gz") else made.content
        counted = count_in_workbook(content, load.table_name)
        # A library that finds no row, not even a header, has not understood the sheet: a name of its own is damaged.
        found.is_counted = counted is not None and counted >= 0
        if found.is_counted and counted != load.counts.rows:
            found.faults.append(f"{load.counts.rows} rows, another library counts {counted}")
    return made.whole_lines


def _forget_peak() -> None:
    """Let the peak of the memory in use be counted from here on (Linux)."""
    Path("/proc/self/clear_refs").write_text("5")


def _peak_mib() -> float:
    status = Path("/proc/self/status").read_text()
    return int(re.findall(r"VmHWM:\s+(\d+)", status)[0]) / 1024


# Good chains written in two ways --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Way:
    """A way to write a table: its file's ending, its bytes, and the source that declares it."""

    ending: str
    content: bytes
    source: Source


def other_way(rng: random.Random, table: Table, rows: Rows) -> Way:
    """Good rows, shuffled in both directions, in another form, dialect or encoding."""
    head, *rest = rows
    rng.shuffle(rest)
    order = rng.sample(range(len(head)), len(head))
    rows = [[one[at] for at in order] for one in (head, *rest)]
    kinds = [table.columns[at].kind for at in order]
    write = rng.choice((_as_csv, _as_csv, _as_csv, _as_xlsx, _as_parquet, _as_jsonl))
    way = write(rng, f"{table.name}_*", rows, kinds)
    return Way(f"{way.ending}.gz", gzip.compress(way.content), way.source) if rng.random() < 0.2 else way


def _as_csv(rng: random.Random, files: str, rows: Rows, kinds: list[Kind]) -> Way:
    said = {
        "encoding": rng.choice(("utf-8", "cp1252", "latin-1", "utf-16")),
        "delimiter": rng.choice((",", ";", "\t", "|")),
        "quote": rng.choice("\"'"),
        "decimal_mark": rng.choice(".,"),
    }
    source = Source.model_validate({"files": files, **said})
    own = [
        [_marked(value, kind, said["decimal_mark"]) for value, kind in zip(one, kinds, strict=True)] for one in rows[1:]
    ]
    quoting = rng.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    lines = csv_lines([rows[0], *own], quoting=quoting, delimiter=source.delimiter, quote=source.quote)
    return Way("csv", rng.choice(("\n", "\r\n")).join([*lines, ""]).encode(source.encoding), source)


def _as_xlsx(rng: random.Random, files: str, rows: Rows, kinds: list[Kind]) -> Way:
    typed = [[_typed(rng, value, kind) for value, kind in zip(one, kinds, strict=True)] for one in rows[1:]]
    book = written_book({"export": [rows[0], *typed]})
    for own in book.worksheets[0].iter_rows():
        for one in own:
            one.data_type = "s" if isinstance(one.value, str) else one.data_type  # else =1+1 would be a formula
    return Way("xlsx", saved(book), Source(files=files))


def _as_parquet(rng: random.Random, files: str, rows: Rows, kinds: list[Kind]) -> Way:
    types = {Kind.WHOLE: pl.Int32, Kind.DECIMAL: pl.Float64}
    columns = []
    for at, (name, kind) in enumerate(zip(rows[0], kinds, strict=True)):
        texts = pl.Series(name, [one[at] or None for one in rows[1:]], dtype=pl.String)
        is_typed = rng.random() < 0.5
        columns.append(texts.str.to_date() if is_typed and kind is Kind.DATE else texts)
        if is_typed and kind in types:
            columns[-1] = texts.cast(types[kind])
    file = io.BytesIO()
    pl.DataFrame(columns).write_parquet(file)
    return Way("parquet", file.getvalue(), Source(files=files))


def _as_jsonl(rng: random.Random, files: str, rows: Rows, kinds: list[Kind]) -> Way:
    lines = []
    for one in rows[1:]:
        cells = zip(rows[0], one, kinds, strict=True)
        typed = {name: _json(rng, value, kind) for name, value, kind in cells if value or rng.random() < 0.5}
        lines.append(json.dumps(typed, ensure_ascii=rng.random() < 0.5) + "\n")
    return Way("jsonl", "".join(lines).encode(), Source(files=files))


def _marked(value: str, kind: Kind, mark: str) -> str:
    return value.replace(".", mark) if kind is Kind.DECIMAL else value


def _typed(rng: random.Random, value: str, kind: Kind) -> object:
    """A cell's value as a spreadsheet's user would have it, or as text."""
    if not value:
        return None
    if rng.random() < 0.3:
        return value
    match kind:
        case Kind.WHOLE:
            return int(value)
        case Kind.DECIMAL:
            return float(value)
        case Kind.DATE:
            return date.fromisoformat(value)
        case Kind.TIME if _WALL.fullmatch(value):
            return datetime.fromisoformat(value)
        case Kind.FLAG if value in ("true", "false"):
            return value == "true"
    return value


def _json(rng: random.Random, value: str, kind: Kind) -> object:
    typed = _typed(rng, value, kind)
    return value if isinstance(typed, date) else typed  # JSON has no dates


def differing_tables(con: duckdb.DuckDBPyConnection, number: int) -> list[str]:
    """The tables in which a good chain's rows differ between its plain files and its files written in other ways."""
    rng = random.Random(f"chain {number}")
    rows = {table.name: good_rows(rng, table, rng.randrange(1, 20), _LATIN) for table in TABLES}
    ways = {name: other_way(rng, TABLE_BY_NAME[name], own) for name, own in rows.items()}
    plain = {f"{name}_1.csv": "\n".join(csv_lines(own)).encode() for name, own in rows.items()}
    other = {f"{name}_1.{way.ending}": way.content for name, way in ways.items()}
    settings = Settings(sources=tuple(way.source for way in ways.values()))
    left, right = _tables_of(con, plain, Settings()), _tables_of(con, other, settings)
    short = [name for name in rows if len(left[name]) != len(rows[name]) - 1]
    return [f"{name} as {ways[name].ending}" for name in rows if left[name] != right[name]] + short


def _tables_of(con: duckdb.DuckDBPyConnection, files: dict[str, bytes], settings: Settings) -> dict[str, list[Values]]:
    with undone(con), laid_out(files) as inbox:
        take(con, inbox, settings)
        return {
            table.name: con.execute(
                f"select {', '.join(table.column_names)} from raw_{table.name} order by all"
            ).fetchall()
            for table in TABLES
        }


# The run --------------------------------------------------------------------------------------------------------------

_con: duckdb.DuckDBPyConnection
_store: AbstractContextManager[duckdb.DuckDBPyConnection]


def _start_worker(folder: str) -> None:
    """Open a store of the worker's own, which stays as it is: each file is undone."""
    global _con, _store  # noqa: PLW0603
    _store = open_store(Path(folder) / f"{multiprocessing.current_process().name}.duckdb", KEY)
    _con = _store.__enter__()
    _con.execute("commit")
    faulthandler.enable()
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # in a process like this the database draws progress bars


def _take_one(number: int) -> Verdict:
    faulthandler.dump_traceback_later(4 * MOST_SECONDS, exit=True)
    found = verdict(_con, hostile(number))
    faulthandler.cancel_dump_traceback_later()
    return found


def _compare_one(number: int) -> list[str]:
    return differing_tables(_con, number)


def _say(*told: object) -> None:
    print(*told, flush=True)  # noqa: T201


def _results(pool: ProcessPoolExecutor, work: Callable[[int], Found], numbers: range) -> Iterator[Found]:
    waiting = [(number, pool.submit(work, number)) for number in numbers]
    for number, future in waiting:
        try:
            yield future.result()
        except BrokenProcessPool:
            _say(f"A worker died or hung at file {number} or one of the next.")
            raise SystemExit(1) from None


def _alone(folder: str, number: int) -> Verdict:
    """Take in a file in a process of its own: an older one may still hold memory that another file took."""
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn, initializer=_start_worker, initargs=(folder,)) as pool:
        return pool.submit(_take_one, number).result()


def _tell(found: list[Verdict]) -> None:
    outcomes = Counter((f"{'XLSX' if one.number % 2 else 'CSV'}", one.outcome) for one in found)
    for (form, outcome), n in sorted(outcomes.items()):
        _say(f"  {form:4} {outcome:22} {n:6,}")
    slowest, largest = max(found, key=lambda one: one.seconds), max(found, key=lambda one: one.mib)
    counted = sum(one.is_counted for one in found)
    _say(f"checked against an independent reader: {counted:,}")
    _say(f"slowest: {slowest.seconds:.2f} s (file {slowest.number}, {', '.join(slowest.marks)})")
    _say(f"peak memory: {largest.mib:.0f} MiB (file {largest.number}, {', '.join(largest.marks)})")


def _judged(folder: str, one: Verdict) -> Verdict:
    """A verdict with time and memory judged; memory beyond the limit counts if it is so in a fresh process too."""
    if one.mib > MOST_MIB:
        one.mib = _alone(folder, one.number).mib
    one.faults += [f"{one.seconds:.0f} s"] * (one.seconds > MOST_SECONDS) + [f"{one.mib:.0f} MiB"] * (
        one.mib > MOST_MIB
    )
    if one.faults:
        _say(f"file {one.number} ({', '.join(one.marks)}): {'; '.join(fault[:1500] for fault in one.faults)}")
    return one


def main(n: int) -> None:
    """Take in n hostile files and compare a tenth as many good ones, in two processes; end with 1 where any broke."""
    os.environ["POLARS_MAX_THREADS"] = "1"  # two workers for two cores
    spawn = multiprocessing.get_context("spawn")
    with (
        tempfile.TemporaryDirectory() as folder,
        ProcessPoolExecutor(2, mp_context=spawn, initializer=_start_worker, initargs=(folder,)) as pool,
    ):
        found: list[Verdict] = []
        for one in _results(pool, _take_one, range(n)):
            found.append(_judged(folder, one))
            if len(found) % 1000 == 0:
                _say(f"{len(found):,} files so far")
        broken = [one.number for one in found if one.faults]
        _say(f"{n:,} hostile files, {len(broken)} broken; if none: under {300 / n:.3f} % break (95 %, rule of three)")
        _tell(found)
        n_chains = n // 100
        differing = [names for names in _results(pool, _compare_one, range(n_chains)) if names]
        _say(f"{len(TABLES) * n_chains:,} files of {n_chains:,} chains in two ways, {len(differing)} chains differ")
        _say(*differing[:5])
    raise SystemExit(bool(broken or differing))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
