"""What readers of every form give: records of text, each with the line it began on, and how a reading fails.

A reader is a generator. Its first record is the header, the names of the columns as written; the others are the rows,
each with as many cells as the header unless the file itself says otherwise. An empty cell is an empty text.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import polars as pl


class UnreadableError(Exception):
    """A file cannot be read at all: the `file.` rule it breaks and a detail for the remedy."""

    def __init__(self, rule: str, detail: str = "") -> None:
        super().__init__(rule, detail)
        self.rule = rule
        self.detail = detail


class BrokenCell(str):
    """A cell that holds no value that could be read, such as a formula without one; its text says what it holds."""

    __slots__ = ()


class NumberCell(str):
    """A cell that holds a number and no text: its decimals stand behind a point, whatever its source declares."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Refused:
    """A record refused before its cells are looked at: its line, the `row.` rule it breaks, a detail for the remedy."""

    line: int
    rule: str
    detail: str = ""


@dataclass(frozen=True)
class Block:
    """Many records at once, each of one line: the first one's line, and a frame of their cells, NULL where empty.

    `is_trim` tells that no cell can have space around it, which spares looking.
    """

    first_line: int
    cells: pl.DataFrame
    is_trim: bool = False


Record: TypeAlias = tuple[int, list[str]]
Records: TypeAlias = Iterator[Record | Refused | Block]
