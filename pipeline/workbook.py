"""A workbook to fill in by hand, for a shop whose till and bookings give no export: a sheet for each table.

Names, kinds, meanings, words and bounds all come from the contract, so that what a sheet lets in is what a night takes
in. Words stand on a hidden sheet of their own: a list written into the check itself ends at 255 characters.
"""

from collections.abc import Iterator
from datetime import date, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.utility import xl_range, xl_range_abs, xl_rowcol_to_cell

from pipeline.contract.columns import ID_LENGTH, Column, Kind, Table
from pipeline.contract.tables import TABLES
from pipeline.errors import UsageError, UserError

READ_ME = "Read me"
LISTS = "Lists"
SHEETS: tuple[Table, ...] = tuple(sorted(TABLES, key=lambda table: not table.event_times))
"""What happens day by day first, then the lists that change seldom."""
LAST_ROW = 5_000
"""The last row whose cells are checked as they are filled in; the columns keep their format below it."""
FIRST_DAY, LAST_DAY = date(1990, 1, 1), date(2100, 1, 1)
"""Dates outside are slips of the finger."""
FLAG_WORDS = ("yes", "no")
_MADE_ON = datetime(2000, 1, 1)
"""Stands in the file as its day of making, so that the same contract gives the same bytes."""

_NUMBER_FORMATS = {
    Kind.WHOLE: "0",
    Kind.DECIMAL: "General",
    Kind.DATE: "yyyy-mm-dd",
    Kind.TIME: "yyyy-mm-dd hh:mm",
}
_AS_TEXT = 49
"""The built-in text format `@`, of every other kind: leading zeros stay."""
_WRITTEN = {
    Kind.ID: f"a code of at most {ID_LENGTH} characters without a colon, such as A-014",
    Kind.CODE: f"the code as printed, at most {ID_LENGTH} characters, without a colon",
    Kind.CLIENT: "a code of your own, never a name or a telephone number",
    Kind.TEXT: "any text, nothing about a person",
    Kind.WORD: "a word from the cell's list",
    Kind.SITES: "sites separated by semicolons, such as lobe;helix",
    Kind.ZONE: "a name from the IANA time zone list, such as UTC",
    Kind.WHOLE: "a whole number",
    Kind.DECIMAL: "a number",
    Kind.DATE: "a date, such as 2031-05-04",
    Kind.TIME: "a date and a time, such as 2031-05-04 16:30",
    Kind.FLAG: "yes or no",
}
_OPTIONAL_NAME = {"bottom": 1, "num_format": _AS_TEXT}
_REQUIRED_NAME = {"bold": True, "bottom": 5, "bg_color": "#E8E8E8", "num_format": _AS_TEXT}
_COLUMN_TABLE = {
    "sheet": 16,
    "column": 20,
    "meaning": 50,
    "how it is written": 50,
    "required": 26,
    "allowed values": 70,
}
"""Headings and widths, in characters, of the table of columns."""

_PROSE: dict[str, tuple[str, ...]] = {
    "What this book is": (
        "It takes the place of an export from a till or a booking system, and is filled in by hand.",
        "Every sheet after this one is a table. Its first row names the columns; every row below is one record.",
    ),
    "How to fill it in": (
        "Begin with the sheet procedures. A visit with two holes is two rows with the same visit_id:",
        "for example procedure_id A-014 and A-015, both with visit_id V-007, one with site lobe, one with site helix.",
        "Leave the first row and the sheets' names as they are.",
        "A column whose name is bold, above a thick line, is required. Leave cells empty that you do not know.",
        "Choose a cell to read what belongs in it. Where it offers a list, choose from the list.",
        "Give each record a code of its own and never use that code for another. Other sheets name it by that code.",
        "Write times as the clock in the shop shows them.",
        f"Cells are checked as you write, down to row {LAST_ROW:,}. Rows further down are read as well.",
    ),
    "How to send it": (
        "Save it as an .xlsx file into the inbox. Save it again any time: new rows are added.",
        "A row that you changed is a correction, and the version saved last counts.",
        "If you change a date or a time in a row, write the time of the change into recorded_at where there is one.",
        "Deleting a row takes nothing back. Change the row instead, for example to the status void.",
    ),
    "What must never stand in it": (
        "Never put names of people, telephone numbers or notes in.",
        "A column that is not listed below is dropped unread; only its name is reported.",
        "client_key is any code of your own for a client, the same at each visit. Only its keyed hash is kept.",
    ),
}


def write_workbook(path: Path) -> tuple[str, ...]:
    """Write an empty workbook; returns the names of the sheets it shows, in their order.

    The same contract gives the same bytes. Raises `UsageError` where the name does not end in .xlsx, the file is
    already there or its folder is not, and `UserError` where it cannot be written.
    """
    if path.suffix != ".xlsx":
        raise UsageError(f"{path} is no name of a workbook.", remedy="Name a file that ends in .xlsx.")
    _write_new(path, _content())
    return (READ_ME, *(table.name for table in SHEETS))


def _write_new(path: Path, content: bytes) -> None:
    """Write a file that is not there yet; nothing is left of it if that fails."""
    try:
        file = path.open("xb")
    except FileExistsError:
        raise UsageError(f"{path} is already there.", remedy="Name a new file; what is filled in stays.") from None
    except (FileNotFoundError, NotADirectoryError):
        raise UsageError(f"There is no folder {path.parent}.", remedy="Make it, or name a file elsewhere.") from None
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        with file:
            file.write(content)
    except OSError as error:
        path.unlink()
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: OSError) -> UserError:
    return UserError(f"{path} cannot be written: {error.strerror}.", remedy="Mend that, or name a file elsewhere.")


def _content() -> bytes:
    """The workbook's bytes."""
    buffer = BytesIO()
    with Workbook(buffer, {"in_memory": True}) as book:
        book.set_properties({"title": "Records to fill in by hand", "created": _MADE_ON})
        _add_read_me(book)
        for table in SHEETS:
            _add_table(book, table)
        _add_lists(book)
    return buffer.getvalue()


def _add_read_me(book: Workbook) -> None:
    """The first sheet: what the book is, and a table of every column."""
    sheet = book.add_worksheet(READ_ME)
    sheet.hide_gridlines(2)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    for at, width in enumerate(_COLUMN_TABLE.values()):
        sheet.set_column(at, at, width)
    heading, cell = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    line = 0
    for title, sentences in (_PROSE | {"The sheets": tuple(f"{t.name}: {t.meaning}" for t in SHEETS)}).items():
        sheet.write_string(line, 0, title, heading)
        for below, sentence in enumerate(sentences, start=1):
            sheet.write_string(line + below, 0, sentence)
        line += len(sentences) + 2
    sheet.write_row(line, 0, _COLUMN_TABLE, book.add_format(_REQUIRED_NAME))
    for below, cells in enumerate(_explanations(), start=1):
        for at, text in enumerate(cells):
            sheet.write_string(line + below, at, text, cell)


def _explanations() -> Iterator[tuple[str, ...]]:
    """A row for each column of each table, as wide as the table of columns."""
    for table in SHEETS:
        for column in table.columns:
            needed = "yes" if column.required else "no"
            if column.name in table.one_of:
                needed = f"one of {', '.join(table.one_of)}"
            yield table.name, column.name, column.meaning, _written(column), needed, _allowed(column)


def _written(column: Column) -> str:
    """How a column's cells are written, to follow the word Write."""
    limits = f" from {column.low} to {column.high}" if column.low is not None else ""
    return _WRITTEN[column.kind] + limits + (", not in the future" if column.past else "")


def _allowed(column: Column) -> str:
    if column.low is not None:
        return f"{column.low} to {column.high}"
    return ", ".join(_choices(column) or column.words)


def _choices(column: Column) -> tuple[str, ...]:
    """The words a cell offers; none where it holds several or anything."""
    if column.kind is Kind.FLAG:
        return FLAG_WORDS
    return column.words if column.kind is Kind.WORD else ()


def _add_table(book: Workbook, table: Table) -> None:
    """A table's sheet: the header, and below it the columns' formats and checks."""
    sheet = book.add_worksheet(table.name)
    sheet.freeze_panes(1, 0)
    # Without this a code such as 007 is marked as a number to be mended, and would lose its zeros.
    sheet.ignore_errors({"number_stored_as_text": xl_range(1, 0, LAST_ROW - 1, len(table.columns) - 1)})
    for at, column in enumerate(table.columns):
        number_format = book.add_format({"num_format": _NUMBER_FORMATS.get(column.kind, _AS_TEXT)})
        sheet.set_column(at, at, _width(column), number_format)
        name_format = book.add_format(_REQUIRED_NAME if column.required else _OPTIONAL_NAME)
        sheet.write_string(0, at, column.name, name_format)
        check = _check(table, column, first_cell=xl_rowcol_to_cell(1, at)) | _messages(table, column)
        sheet.data_validation(1, at, LAST_ROW - 1, at, check)


def _width(column: Column) -> int:
    """A column's width in characters."""
    return max(len(text) for text in (column.name, _NUMBER_FORMATS.get(column.kind, ""), *_choices(column))) + 3


def _check(table: Table, column: Column, *, first_cell: str) -> dict[str, Any]:
    """What a column's cells are checked for, as the library's data validation takes it."""
    match column.kind:
        case Kind.WORD | Kind.FLAG:
            return {"validate": "list", "source": f"={_list_name(table, column)}"}
        case Kind.WHOLE | Kind.DECIMAL if column.bounds:
            low, high = column.bounds
            return {"validate": column.kind.value, "criteria": "between", "minimum": low, "maximum": high}
        case Kind.DATE | Kind.TIME:
            return {"validate": "date", "criteria": "between", "minimum": FIRST_DAY, "maximum": LAST_DAY}
        case Kind.ID | Kind.CODE:
            formula = f'=AND(LEN({first_cell})<={ID_LENGTH},ISERROR(FIND(":",{first_cell})))'
            return {"validate": "custom", "value": formula}
    return {"validate": "any"}


def _messages(table: Table, column: Column) -> dict[str, str]:
    """What a cell says when it is chosen, and when what was written is refused."""
    said = [f"{column.meaning[0].upper()}{column.meaning[1:]}.", f"Write {_written(column)}."]
    if column.kind is Kind.SITES:
        said.append(f"Sites: {', '.join(column.words)}.")
    if column.required:
        said.append("Required.")
    elif column.name in table.one_of:
        said.append(f"One of {', '.join(table.one_of)} is required.")
    return {
        "input_title": column.name,
        "input_message": " ".join(said),
        "error_title": column.name,
        "error_message": f"Write {_written(column)}{'' if column.required else ', or leave the cell empty'}.",
    }


def _list_name(table: Table, column: Column) -> str:
    return f"{table.name}_{column.name}"


def _add_lists(book: Workbook) -> None:
    """The hidden sheet of the words that cells offer: a column for each list, a defined name for its words."""
    sheet = book.add_worksheet(LISTS)
    sheet.hide()
    lists = {_list_name(table, column): _choices(column) for table in SHEETS for column in table.columns}
    for at, (name, words) in enumerate((name, words) for name, words in lists.items() if words):
        sheet.write_column(0, at, (name, *words))
        book.define_name(name, f"={LISTS}!{xl_range_abs(1, at, len(words), at)}")
