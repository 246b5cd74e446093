"""The rows of a worksheet part (SpreadsheetML, ECMA-376 part 1, section 18.3.1), taken from its XML as it streams by.

A row is kept as the cells it has, so that a wide empty row costs nothing. Hidden rows and columns are rows and columns.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.intake.cell_values import DateStyle, date_text, iso_text, number_text, plain_text
from pipeline.intake.records import BrokenCell, UnreadableError
from pipeline.intake.workbook_parts import MOST_TEXT, Element, broken

_MOST_ROWS = 1_048_576
_MOST_COLUMNS = 16_384
"""Rows and columns a worksheet has at most, in the programs people use."""
_MOST_ALL_TEXT = 512 << 20
"""Characters of all cells together: a long text is stored once and may stand in every cell."""

_ROW_NUMBER = re.compile(r"[1-9][0-9]{0,17}")
_CELL_NAME = re.compile(r"([A-Z]{1,9})([1-9][0-9]{0,6})")
_RANGE = re.compile(r"[A-Z]{1,3}([1-9][0-9]{0,6}):[A-Z]{1,3}([1-9][0-9]{0,6})|[A-Z]{1,3}[1-9][0-9]{0,6}")
_INDEX = re.compile(r"[0-9]{1,9}")


@dataclass(frozen=True)
class SheetRow:
    """A row that has a value: its number and its cells as (column from 1, text), empty ones left out."""

    line: int
    cells: list[tuple[int, str]]

    @property
    def width(self) -> int:
        """The last column whose text is more than space."""
        return next(column for column, text in reversed(self.cells) if text.strip())


@dataclass(frozen=True)
class CellContext:
    """What cells refer to: the workbook's strings, the date style of each cell format's index, and the date system.

    Without `styles` (None: the workbook has none) no number is a date.
    """

    strings: Sequence[str]
    styles: Mapping[str, DateStyle] | None
    is_1904: bool


class SheetRows:
    """Gathers a worksheet's rows: let a parser walk `elements`, and `take` the rows in between.

    The handlers raise `UnreadableError` where the sheet contradicts itself, is beyond limits, or has its first row with
    a value, the header, merged. Rows up to `skip_lines` are none.
    """

    def __init__(self, context: CellContext, skip_lines: int) -> None:
        self._context = context
        self._skip_lines = skip_lines
        self._rows: list[SheetRow] = []
        self._columns: dict[str, int] = {}
        self._n_characters = 0
        self.header_line = 0
        self._merges_seen = False
        self._line = 0
        self._start_cells()
        self.elements = self._tree()

    def take(self) -> list[SheetRow]:
        """The rows gathered since the last call."""
        rows, self._rows = self._rows, []
        return rows

    def _tree(self) -> dict[str, Element]:
        text = Element(text=self._add_text)
        inline = Element(within={"t": text, "r": Element(within={"t": text})})
        within_cell = {"v": text, "f": Element(start=self._note_formula), "is": inline}
        cell = Element(start=self._start_cell, end=self._end_cell, within=within_cell)
        row = Element(start=self._start_row, end=self._end_row, within={"c": cell})
        merge = Element(start=self._check_merge)
        data = Element(within={"row": row})
        return {"worksheet": Element(within={"sheetData": data, "mergeCells": Element(within={"mergeCell": merge})})}

    def _start_row(self, attributes: dict[str, str]) -> None:
        if self._merges_seen:
            raise broken("its sheet names merged cells before its rows.")
        written = attributes.get("r")
        if written is not None and not _ROW_NUMBER.fullmatch(written):
            raise broken("a row's number is none.")
        line = self._line + 1 if written is None else int(written)
        if line <= self._line:
            raise broken(f"row {line} follows row {self._line}.")
        if line > _MOST_ROWS:
            raise UnreadableError("file.size", f"its sheet goes beyond row {_MOST_ROWS:,}.")
        self._line = line
        self._row_name = str(line)
        self._start_cells()

    def _start_cells(self) -> None:
        self._cells: list[tuple[int, str]] = []
        self._column = 0
        self._n_row_characters = 0

    def _start_cell(self, attributes: dict[str, str]) -> None:
        name = attributes.get("r")
        column = self._column + 1 if name is None else self._column_of(name)
        if column <= self._column:
            raise broken(f"the cells of row {self._line} are out of order.")
        if column > _MOST_COLUMNS:
            raise UnreadableError("file.size", f"row {self._line} has over {_MOST_COLUMNS:,} columns.")
        self._column = column
        self._type = attributes.get("t", "n")
        self._style = attributes.get("s", "0")
        self._pieces: list[str] = []
        self._has_formula = False

    def _column_of(self, name: str) -> int:
        """The column of a cell's name, such as 28 for AB7; its row must be the one it stands in."""
        if name.endswith(self._row_name) and (known := self._columns.get(name[: -len(self._row_name)])):
            return known
        found = _CELL_NAME.fullmatch(name)
        if found is None or found[2] != self._row_name:
            raise broken(f"a cell in row {self._line} has another row's name or none.")
        column = column_number(found[1])
        if column <= _MOST_COLUMNS:
            self._columns[found[1]] = column
        return column

    def _note_formula(self, _attributes: dict[str, str]) -> None:
        self._has_formula = True

    def _add_text(self, text: str) -> None:
        self._n_row_characters += len(text) + 1
        if self._n_row_characters > MOST_TEXT:
            raise UnreadableError("file.size", f"the texts of row {self._line} are too long.")
        self._pieces.append(text)

    def _end_cell(self) -> None:
        if text := self._text():
            self._n_characters += len(text)
            if self._n_characters > _MOST_ALL_TEXT:
                raise UnreadableError("file.size", f"the texts up to row {self._line} are too long.")
            self._cells.append((self._column, text))

    def _text(self) -> str:
        """The cell's text by its type (ST_CellType, section 18.18.11)."""
        written = self._pieces[0] if len(self._pieces) == 1 else "".join(self._pieces)
        if self._has_formula and not written and not (self._type == "str" and self._pieces):
            return BrokenCell("a formula without a value")
        match self._type:
            case "inlineStr" | "str":
                return plain_text(written)
            case "e":
                return BrokenCell(written or "an error")
            case "s" | "n" | "b" | "d":
                return self._typed_text(written) if written else ""
        raise broken(f"a cell in row {self._line} is of no known type.")

    def _typed_text(self, written: str) -> str:
        match self._type:
            case "s":
                return self._shared_text(written)
            case "b":
                flags = {"1": "true", "0": "false", "true": "true", "false": "false"}
                return flags.get(written) or BrokenCell("a switch that is neither on nor off")
            case "d":
                return iso_text(written, self._date_style())
        style = self._date_style()
        if style is DateStyle.NONE:
            return number_text(written)
        return date_text(written, style, is_1904=self._context.is_1904)

    def _shared_text(self, written: str) -> str:
        if _INDEX.fullmatch(written) and (index := int(written)) < len(self._context.strings):
            return self._context.strings[index]
        raise broken(f"a cell in row {self._line} names a text that is not there.")

    def _date_style(self) -> DateStyle:
        if self._context.styles is None:
            return DateStyle.NONE
        style = self._context.styles.get(self._style)
        if style is None:
            raise broken(f"a cell in row {self._line} names a format that is not there.")
        return style

    def _end_row(self) -> None:
        if self._line > self._skip_lines and any(text.strip() for _, text in self._cells):
            self._rows.append(SheetRow(self._line, self._cells))
            self.header_line = self.header_line or self._line

    def _check_merge(self, attributes: dict[str, str]) -> None:
        self._merges_seen = True
        found = _RANGE.fullmatch(attributes.get("ref", ""))
        if found is None:
            raise broken("its sheet merges cells that have no place.")
        if found[1] and int(found[1]) <= self.header_line <= int(found[2]):
            raise UnreadableError(
                "file.header", f"cells of row {self.header_line} are merged; each name needs its own."
            )


def column_number(letters: str) -> int:
    """A column's number by its letters: A is 1, Z is 26, AA is 27."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number
