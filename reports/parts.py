"""The parts that pages are made of: tables and charts with their words."""

from dataclasses import dataclass
from itertools import count as counter

from reports import numbers
from reports.charts.drawing import Drawable, svg


@dataclass(frozen=True)
class Cell:
    """A table's cell. `note` is small print below the text; `link` where it leads; `is_marked` asks for attention."""

    text: str
    note: str = ""
    link: str = ""
    is_marked: bool = False


MOST_ROWS = 160
"""Rows of a table that a page shows, enough for three years of weeks: a page of a large chain must open on a phone."""
MOST_BRANCHES = 40
"""Branches that a chart tells by name, or sentences one by one."""


@dataclass(frozen=True)
class Table:
    """A table: what it shows, its column heads, its rows (the first cell is the row's head), its CSV file if any.

    A page shows the first of its rows, and says how many the file has. `also` is a second CSV file, where the figures
    are of two.
    `receipts` are commands that show which records stand behind it.
    `n_text` columns from the left hold text, the others figures, except the last where the table `ends_in_words`.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell | str, ...], ...]
    source: str = ""
    n_text: int = 1
    ends_in_words: bool = False
    also: str = ""
    receipts: tuple[str, ...] = ()

    @property
    def shown(self) -> tuple[tuple[Cell | str, ...], ...]:
        """The rows that a page shows."""
        return self.rows[:MOST_ROWS]

    @property
    def left_out(self) -> int:
        """How many rows it does not show."""
        return len(self.rows) - len(self.shown)

    @property
    def how_many(self) -> str:
        """What is said of a table that shows not all of its rows."""
        return f"The first {numbers.count(len(self.shown))} of {numbers.count(len(self.rows))} rows"


@dataclass(frozen=True)
class Figure:
    """A chart with its message, what it shows, its drawing, the same figures as a table, and how they are made.

    `method` is the place on the page of methods.
    """

    identifier: str
    title: str
    subtitle: str
    drawing: str
    table: Table
    method: str


class Figures:
    """Draws a page's charts under ids of their own."""

    def __init__(self) -> None:
        self._numbers = counter(1)

    def draw(self, chart: Drawable, *, title: str, subtitle: str, table: Table, method: str) -> Figure:
        """A figure from a chart."""
        identifier = f"figure{next(self._numbers)}"
        return Figure(identifier, title, subtitle, svg(chart, identifier), table, method)
