"""The XLSX reader: a workbook's worksheet as records of text.

It is read here, with the standard library alone, because no library tells cell by cell and in bounded memory a typed
date from a number or a text, a formula without its value from an empty cell, and a merged header from a plain one; and
guessing any of them changes figures. Parts and limits are in `workbook_parts`, rows in `sheet_rows`, values in
`cell_values`; here they come together (SpreadsheetML, ECMA-376 part 1, section 18).
"""

import posixpath
import re
import sys
from dataclasses import dataclass
from typing import BinaryIO

from pipeline.intake.cell_values import DateStyle, date_style, plain_text
from pipeline.intake.records import Records, UnreadableError
from pipeline.intake.sheet_rows import CellContext, SheetRow, SheetRows
from pipeline.intake.workbook_parts import (
    MOST_TEXT,
    Element,
    Package,
    broken,
    walk,
    walk_whole,
)

_MOST_SHEETS = 1_000
"""Sheets in a workbook; their names are held in memory."""
_MOST_RELATIONSHIPS = 10_000
"""Parts a part leads to, sheets and drawings for the most part; their names are held in memory too."""
_MOST_STRING_BYTES = 128 << 20
"""Memory the workbook's shared strings may take: some 1.5 million different texts of 20 characters."""
_MOST_FORMATS = 65_536
"""Cell formats and number formats; the programs people use stop at 65,490."""
_MOST_NAMES = 1_000
"""Columns of a header: short rows are filled up to its width, thousands of them at a time."""
_MOST_LAID_OUT = 64_000_000
"""Cells of all records, empty ones too: a wide header makes every short row as wide."""

_SWITCHED_ON = ("1", "true", "on")


@dataclass(frozen=True)
class _Relationship:
    """What a part says of another: the last word of the type, and the other's name."""

    kind: str
    part: str


@dataclass(frozen=True)
class _Workbook:
    """A workbook's parts: its worksheets by name, in order, the parts they refer to, and the date system."""

    package: Package
    sheets: dict[str, str]
    strings: str | None
    styles: str | None
    is_1904: bool


def sheet_names(file: BinaryIO) -> tuple[str, ...]:
    """The names of a workbook's worksheets in its order, hidden ones too; sheets of charts are none.

    Raises `UnreadableError` if `file`, which must be seekable and stays open, is no whole workbook.
    """
    return tuple(_open_workbook(file).sheets)


def read_xlsx(file: BinaryIO, sheet: str, skip_lines: int = 0) -> Records:
    """Read a worksheet: the first row with any value is the header; a record's line is its row's number.

    Rows up to `skip_lines` stand above the header, whatever they hold.

    Rows without any value are no records. Short rows are filled up to the header's last name; values beyond it make
    their record one cell longer than the header. Cells that merged ones cover are empty. Cells as text:

    - text as it is, in rich text too; numbers as `number_text` has them, never as dates;
    - numbers in a date format, and dates in ISO 8601, `YYYY-MM-DD`, or `YYYY-MM-DDTHH:MM:SS` where they have a time or
      their format shows hours;
    - true or false; formulas as the value last worked out;
    - errors, formulas without a value and dates that are no day as `BrokenCell`.

    Raises `UnreadableError` and nothing else, whatever the bytes, unless the disk fails. Merged cells are known last:
    no record counts before the iterator has ended. `file` must be seekable and stays open.
    """
    workbook = _open_workbook(file)
    if sheet not in workbook.sheets:
        raise UnreadableError("file.sheet")
    rows = SheetRows(_cell_context(workbook), skip_lines)
    width = n_laid_out = 0
    for _ in walk(workbook.package, workbook.sheets[sheet], rows.elements):
        for row in rows.take():
            width = width or _header_width(row)
            cells = _laid_out(row, width)
            n_laid_out += len(cells)
            if n_laid_out > _MOST_LAID_OUT:
                raise UnreadableError("file.size", f"its sheet has over {_MOST_LAID_OUT:,} cells.")
            yield row.line, cells
    if not rows.header_line:
        raise UnreadableError("file.header", "the sheet has no row with a value.")


def _header_width(row: SheetRow) -> int:
    if row.width > _MOST_NAMES:
        raise UnreadableError("file.size", f"its header goes beyond {_MOST_NAMES:,} columns.")
    return row.width


def _laid_out(row: SheetRow, width: int) -> list[str]:
    """A row's cells up to the header's width, and one more where the row has values beyond it."""
    cells = [""] * (width + (row.width > width))
    for column, text in row.cells:
        if column <= len(cells):
            cells[column - 1] = text
    return cells


def _open_workbook(file: BinaryIO) -> _Workbook:
    package = Package(file)
    main = _only_part(list(_relationships(package, "").values()), "officeDocument")
    if main is None:
        raise broken("it is a zip, but no workbook.")
    related = _relationships(package, main)
    is_1904, sheets = _read_main(package, main, related)
    others = list(related.values())
    return _Workbook(package, sheets, _only_part(others, "sharedStrings"), _only_part(others, "styles"), is_1904)


def _relationships(package: Package, part: str) -> dict[str, _Relationship]:
    """The parts another one (or the package, for an empty name) leads to, by their ids."""
    folder, name = posixpath.split(part)
    found: dict[str, _Relationship] = {}

    def add(attributes: dict[str, str]) -> None:
        if attributes.get("TargetMode") == "External":
            return
        if attributes.get("Id", "") in found:
            raise broken("two parts it leads to go by the same id.")
        target = posixpath.normpath(posixpath.join("/", folder, attributes.get("Target", "")))
        found[attributes.get("Id", "")] = _Relationship(attributes.get("Type", "").rpartition("/")[2], target)
        if len(found) > _MOST_RELATIONSHIPS:
            raise broken("it leads to more parts than it can have.")

    tree = {"Relationships": Element(within={"Relationship": Element(start=add)})}
    walk_whole(package, posixpath.join(folder, "_rels", f"{name}.rels"), tree)
    return found


def _only_part(found: list[_Relationship], kind: str) -> str | None:
    parts = {relationship.part for relationship in found if relationship.kind == kind}
    if len(parts) > 1:
        raise broken(f"it has more than one part for {kind}.")
    return parts.pop() if parts else None


def _read_main(package: Package, main: str, related: dict[str, _Relationship]) -> tuple[bool, dict[str, str]]:
    """Whether the workbook counts days from 1904, and its worksheets' parts by name."""
    systems: list[bool] = []
    sheets: dict[str, str] = {}

    def add_properties(attributes: dict[str, str]) -> None:
        systems.append(attributes.get("date1904", "0").lower() in _SWITCHED_ON)

    def add_sheet(attributes: dict[str, str]) -> None:
        ids = [value for name, value in attributes.items() if name.endswith(":id")]
        name = attributes.get("name", "")
        if name in sheets or len(ids) != 1 or ids[0] not in related:
            raise broken("a sheet of it has no part or no name of its own.")
        if related[ids[0]].kind == "worksheet":
            sheets[name] = related[ids[0]].part
        if len(sheets) > _MOST_SHEETS:
            raise UnreadableError("file.size", f"it has over {_MOST_SHEETS:,} sheets.")

    within = {
        "workbookPr": Element(start=add_properties),
        "sheets": Element(within={"sheet": Element(start=add_sheet)}),
    }
    walk_whole(package, main, {"workbook": Element(within=within)})
    return any(systems), sheets


def _cell_context(workbook: _Workbook) -> CellContext:
    strings = _read_strings(workbook.package, workbook.strings) if workbook.strings else []
    styles = _read_styles(workbook.package, workbook.styles) if workbook.styles else None
    return CellContext(strings, styles, workbook.is_1904)


def _read_strings(package: Package, part: str) -> list[str]:
    """The texts cells share, runs of rich text joined, readings (phonetic runs) left out."""
    strings: list[str] = []
    pieces: list[str] = []
    n_characters = n_bytes = 0

    def add_piece(text: str) -> None:
        nonlocal n_characters
        n_characters += len(text) + 1
        if n_characters > MOST_TEXT:
            raise UnreadableError("file.size", f"a text in it has over {MOST_TEXT:,} characters.")
        pieces.append(text)

    def add_string() -> None:
        nonlocal n_characters, n_bytes
        strings.append(plain_text("".join(pieces)))
        pieces.clear()
        n_characters = 0
        n_bytes += sys.getsizeof(strings[-1]) + 8
        if n_bytes > _MOST_STRING_BYTES:
            raise UnreadableError("file.size", f"its texts take over {_MOST_STRING_BYTES >> 20} MiB.")

    piece = Element(text=add_piece)
    string = Element(end=add_string, within={"t": piece, "r": Element(within={"t": piece})})
    for _ in walk(package, part, {"sst": Element(within={"si": string})}):
        pass
    return strings


def _read_styles(package: Package, part: str) -> dict[str, DateStyle]:
    """The date style of each cell format, by its index as cells write it."""
    codes: dict[str, str] = {}
    format_ids: list[str] = []

    def add_code(attributes: dict[str, str]) -> None:
        codes[attributes.get("numFmtId", "")] = attributes.get("formatCode", "")

    def add_format(attributes: dict[str, str]) -> None:
        format_ids.append(attributes.get("numFmtId", "0"))
        if len(format_ids) > _MOST_FORMATS:
            raise UnreadableError("file.size", f"it has over {_MOST_FORMATS:,} cell formats.")

    within = {
        "numFmts": Element(within={"numFmt": Element(start=add_code)}),
        "cellXfs": Element(within={"xf": Element(start=add_format)}),
    }
    walk_whole(package, part, {"styleSheet": Element(within=within)})
    styles = {written: _style_of(written, codes.get(written)) for written in set(format_ids)}
    return {str(index): styles[written] for index, written in enumerate(format_ids)}


def _style_of(format_id: str, code: str | None) -> DateStyle:
    if not re.fullmatch(r"[0-9]{1,9}", format_id):
        raise broken("a cell format of it names no number format.")
    return date_style(int(format_id), code)
