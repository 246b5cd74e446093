"""Refused rows as a list to mend and send again: its header, its cells, what to do about each, and what to read first.

A list is written as the source reads it that fits its own name where it is laid into the inbox, so that it is taken in
without a change of settings: at the inbox's top this is mostly the plain case, with the contract's own column names.
Whether the source of the original fits there is for the settings to say; if it does, the list has its names and marks.
"""

import csv
import io
import posixpath
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.contract.columns import BROKEN, MISFIT, Column, Kind, Table
from pipeline.contract.rules import form_rule, remedy
from pipeline.refusals import Broken, Refusal
from pipeline.settings import Settings, source_for
from pipeline.sources import Source
from reports.tables import FORMULA_START

BOOK, GAPS_FILE = "fix_list.xlsx", "gaps.csv"
READ_ME, GAPS = "Read me", "Gaps"
MOST_ROWS = 100_000
"""Rows of a sheet; the CSV file holds all."""

NOTES = ("file", "line", "what to do")
"""Columns at the right that are no table's: dropped at the door when the list is sent again."""
_DIALECT = {"files", "table", "sheet", "encoding", "delimiter", "quote", "skip_lines", "columns"}
"""What a source may declare without another's values changing their meaning in a list of its form."""
_NUMBER_KINDS = (Kind.WHOLE, Kind.DECIMAL)
_READ_KINDS = (*_NUMBER_KINDS, Kind.DATE, Kind.TIME)
_PLAIN_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_FORMULA = re.compile(FORMULA_START)
_NO_FORMULA = re.compile(r"-?[0-9]+([.,][0-9]+)?")

Rows = Mapping[Table, Sequence[Refusal]]

_ALWAYS: dict[str, list[str]] = {
    "What this is": [
        "Rows of this branch that were refused, a sheet and a CSV file for each table, with their values as they were.",
        f"The sheet {GAPS} names piercings in whose records something is missing.",
    ],
    "How to mend it": [
        "Mend the cells that the last column names. Rows that you do not send again stay refused.",
        "In a spreadsheet program mend the workbook: it would take the zeros off 007 in a CSV file.",
        "client_key is empty: only its keyed hash is kept. Fill it in again, else the row counts without its client.",
        "Dates are year-month-day, such as 2031-05-04; times have a T, such as 2031-05-04T16:30.",
        "A number with a question mark could be read in two ways: write it anew, without the mark.",
        "Leave the names of columns, sheets and files as they are. The columns of notes at the right are dropped.",
        "To close a gap, send the piercing's whole row again with the value filled in and recorded_at set to now.",
    ],
    "How to send it": [
        "Send either the workbook or the CSV files, not both: laid into the inbox they are taken in by the next night.",
        "Other branches' files have the same names: let none take another's place in the inbox before a night.",
        "In a CSV file a text that a spreadsheet would run has an apostrophe before it. Take it away before you send",
        "the file, since it would be taken for a part of the value. In the workbook there are none.",
        "A row mended leaves the list when the night has taken it in. A row whose own id was refused stays.",
    ],
}


@dataclass(frozen=True)
class Place:
    """Where in the inbox a list is laid (empty for its top), and the source that reads it there; None where none can.

    `source` is then the plain case.
    """

    folder: str | None
    source: Source


def place_of(name: str, refusals: Sequence[Refusal], settings: Settings) -> Place:
    """Where a list of this name is read as it is meant: at the inbox's top, else in a folder of the refused files."""
    folders = sorted({posixpath.dirname(refusal.file) for refusal in refusals} - {""})
    for folder in ("", *folders):
        source = source_for(settings, posixpath.join(folder, name))
        if _reads(source, name, refusals):
            return Place(folder, source)
    return Place(None, Source())


def _reads(source: Source, name: str, refusals: Sequence[Refusal]) -> bool:
    """Whether a source reads these rows as their own source did."""
    if name.endswith(".xlsx"):
        is_found = source.sheet is None
    else:
        is_found = all(source.table in (None, refusal.table.name) for refusal in refusals)
    is_plain = not source.model_dump(exclude=_DIALECT, exclude_defaults=True)
    return is_found and (is_plain or all(refusal.source == source for refusal in refusals))


def header(table: Table, source: Source) -> list[str]:
    """A list's header: the declared columns by the source's names, then the notes."""
    names = [source.columns.get(column, column) for column in table.column_names]
    return [*names, *(f"{note} (note)" if note in names else note for note in NOTES)]


def row_cells(refusal: Refusal, source: Source) -> list[str]:
    """A refused row's cells below `header`; values as they were, but for those that would be read as others.

    The client's key is gone, only its hash is kept; a cell that held no value stays empty, and so does one that
    contradicts what the settings say of the whole file. A number not in its source's form is followed by a question
    mark, since its decimals may be thousands.
    """
    values = [_shown(column, refusal, source) for column in refusal.table.columns]
    return [*values, refusal.file, str(refusal.line), what_to_do(refusal, source)]


def _shown(column: Column, refusal: Refusal, source: Source) -> str:
    text, mark = _unmarked(refusal, column.name)
    if column.kind is Kind.CLIENT or mark == BROKEN or _contradicts(column, refusal):
        return ""
    if column.kind in _NUMBER_KINDS and _PLAIN_NUMBER.fullmatch(text):
        return f"{text} ?" if mark else text.replace(".", source.decimal_mark)
    return text


def _unmarked(refusal: Refusal, name: str) -> tuple[str, str]:
    """A value without its mark, and the mark; both empty where there is none."""
    text = (refusal.values or {}).get(name) or ""
    mark = text[:1] if text[:1] in (MISFIT, BROKEN) else ""
    return text[len(mark) :], mark


def _contradicts(column: Column, refusal: Refusal) -> bool:
    """Whether a value is none of its source's form because the settings give every row another."""
    is_misfit = _unmarked(refusal, column.name)[1] == MISFIT
    return is_misfit and (column.kind not in _READ_KINDS or column.name in refusal.source.constants)


def what_to_do(refusal: Refusal, source: Source) -> str:
    """The remedies of all that a record breaks, in the list's own names."""
    told = [_remedy(one, refusal, source) for one in refusal.broken]
    for column in refusal.table.columns if refusal.values else ():
        if column.kind is Kind.CLIENT and _unmarked(refusal, column.name)[0]:
            told.append(f"{source.columns.get(column.name, column.name)}: Fill it in again, only its hash is kept.")
    return " ".join(dict.fromkeys(told))


def _remedy(broken: Broken, refusal: Refusal, source: Source) -> str:
    column = next((column for column in refusal.table.columns if column.name == broken.column), None)
    if column is None:
        return remedy(broken.rule, refusal.table, broken.column, broken.detail)
    name = source.columns.get(column.name, column.name)
    if _contradicts(column, refusal):
        text, constant = _unmarked(refusal, column.name)[0], refusal.source.constants.get(column.name, "another value")
        return f"{name}: The file says {text}, the settings say {constant}; fill in what is right."
    rule = form_rule(column) if broken.rule == "source.form" and refusal.source != source else None
    return f"{name}: {remedy(rule.name if rule else broken.rule, refusal.table, broken.column, broken.detail)}"


def neutral(text: str) -> str:
    """A text that a spreadsheet would run as a formula with an apostrophe before it; numbers stay as they are."""
    return f"'{text}" if _FORMULA.match(text) and not _NO_FORMULA.fullmatch(text) else text


def _warned(cells: list[str], names: Sequence[str]) -> list[str]:
    """A CSV row's cells made neutral; what to do then says which apostrophes to take away again."""
    marked = [name for name, cell in zip(names, cells, strict=True) if neutral(cell) != cell and name in names[:-3]]
    if marked:
        cells = [*cells[:-1], f"{cells[-1]} Take away the apostrophe that this list put before {', '.join(marked)}."]
    return [neutral(cell) for cell in cells]


def as_csv(refusals: Iterable[Refusal], table: Table, source: Source) -> bytes:
    """Refused rows as a CSV file in a source's dialect. Its names of columns are the settings' own and stand as is."""
    names = header(table, source)
    rows = [_warned(row_cells(refusal, source), names) for refusal in refusals]
    return write_rows([names, *rows], source)


def write_rows(rows: Iterable[Sequence[str]], source: Source) -> bytes:
    """Rows as CSV in a source's dialect; where it has no quotes, what would end a cell becomes a space."""
    text = io.StringIO()
    quoting: Literal[0, 3] = csv.QUOTE_MINIMAL if source.quote else csv.QUOTE_NONE
    writer = csv.writer(text, delimiter=source.delimiter, quotechar=source.quote or None, quoting=quoting)
    ends = re.compile(f"[{re.escape(source.delimiter)}\r\n]")
    writer.writerows(rows if source.quote else ([ends.sub(" ", cell) for cell in row] for row in rows))
    return ("\r\n" * source.skip_lines + text.getvalue()).encode(source.encoding, "replace")


def read_me(
    rows: Rows, without_values: Sequence[Refusal], places: Mapping[str, Place]
) -> dict[str, list[Sequence[str]]]:
    """The sections of the sheet to read first: by their titles, rows of cells."""
    sections: dict[str, list[Sequence[str]]] = {title: [[line] for line in told] for title, told in _ALWAYS.items()}
    sections["Where to lay it"] = [[_laid(file, place)] for file, place in places.items()] if rows else []
    sections["Too long for the workbook"] = [
        [f"{table.name}: the first {MOST_ROWS:,} rows are here, all {len(own):,} in the CSV file."]
        for table, own in rows.items()
        if len(own) > MOST_ROWS
    ]
    sections["Your own files' names of columns, and those here"] = _names(rows, places)
    sections["Refused before the values could be told apart: file, line, what to do"] = [
        [refusal.file, str(refusal.line) if refusal.line else "the whole file", what_to_do(refusal, refusal.source)]
        for refusal in without_values
    ]
    return {title: told for title, told in sections.items() if told}


def _laid(file: str, place: Place) -> str:
    match place.folder:
        case None:
            return f"{file}: nowhere as the settings are; let the first of their sources that fits it be a plain one."
        case "":
            return f"{file}: into the inbox itself, in no folder."
        case folder:
            return f"{file}: into the folder {folder} of the inbox."


def _names(rows: Rows, places: Mapping[str, Place]) -> list[Sequence[str]]:
    """Names that the source of a refused row gives columns otherwise than the workbook does."""
    here = places[BOOK].source.columns
    found = {
        (table.name, refusal.source.columns[column], here.get(column, column))
        for table, own in rows.items()
        for refusal in own
        for column in table.column_names
        if column in refusal.source.columns
    }
    return [name for name in sorted(found) if name[1] != name[2]]
