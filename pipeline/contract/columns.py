"""What a column and a table of an export are: the building blocks of the contract."""

from dataclasses import dataclass
from enum import StrEnum

ID_LENGTH = 200
"""Characters an id may have at most."""
ODD_IN_ID = "[:\\x00-\\x1f\\x7f-\\x9f]"
"""Regular expression for what no id may have: a colon, a control character."""
PLAIN_TIME = "^([1-9][0-9]{3}|0[0-9]{2}[1-9])-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-9]{2}(:[0-5][0-9])?$"
"""Regular expression for a wall time without fractions of a second, of a year that is surely not 0."""


class Kind(StrEnum):
    """How a column's text is read."""

    ID = "id"  # text that names a row here or elsewhere; surrounding space removed
    CODE = "code"  # an id that compares in upper case: lot and batch numbers
    CLIENT = "client"  # the client's key: replaced by its keyed hash before anything else sees it
    TEXT = "text"
    WORD = "word"  # one of a list, case ignored
    SITES = "sites"  # sites separated by semicolons
    ZONE = "zone"  # a time zone's name
    WHOLE = "whole"
    DECIMAL = "decimal"
    DATE = "date"
    TIME = "time"
    FLAG = "flag"


SQL_TYPES: dict[Kind, str] = {
    Kind.WHOLE: "bigint",
    Kind.DECIMAL: "decimal(38, 10)",
    Kind.DATE: "date",
    Kind.FLAG: "boolean",
}
"""How a kind is stored; every other kind is text. A time is stored as ISO text, since without an offset it stays the
branch's wall time until the branch's zone is known: `2031-05-04T10:00:00`, or with an offset, in UTC,
`2031-05-04T09:00:00Z`."""

LARGEST = {Kind.WHOLE: 10**15, Kind.DECIMAL: 10**15}
"""Bounds of numbers that declare none, plus and minus: a slip of the finger must not overflow a sum."""

MISFIT = "\ue000"
BROKEN = "\ue001"
"""Marks in front of a value that does not fit what its source declares, and of a cell that holds none that reads: two
characters for private use, which no export needs."""

TRUE_WORDS = ("true", "yes", "1")
FALSE_WORDS = ("false", "no", "0")


@dataclass(frozen=True)
class Column:
    """One declared column of an export."""

    name: str
    kind: Kind
    meaning: str
    required: bool = False
    words: tuple[str, ...] = ()
    low: int | None = None
    high: int | None = None
    past: bool = False  # may not lie after the run's own clock

    @property
    def bounds(self) -> tuple[int, int] | None:
        """The lowest and highest number allowed; None where the column holds no number."""
        if self.low is not None and self.high is not None:
            return self.low, self.high
        largest = LARGEST.get(self.kind)
        return (-largest, largest) if largest else None

    @property
    def sql_type(self) -> str:
        """The type the column is stored as."""
        return SQL_TYPES.get(self.kind, "varchar")


@dataclass(frozen=True)
class Table:
    """One table of the exports.

    `key` names the columns that make a row one thing; of several versions of a key the newest counts. `event_times` are
    the columns that stand in, in this order, where a row has no `recorded_at`; a table without them has no history, and
    the version taken in last holds. `one_of` names columns of which one at least must be filled.
    """

    name: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    event_times: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the declared columns, in the contract's order."""
        return tuple(column.name for column in self.columns)

    @property
    def required_columns(self) -> tuple[str, ...]:
        """Names of the columns a file must have."""
        return tuple(column.name for column in self.columns if column.required)

    @property
    def version_times(self) -> tuple[str, ...]:
        """The columns that date a version, first filled first; none for a table without history."""
        return ("recorded_at", *self.event_times) if self.event_times else ()

    @property
    def zoned_by_branch(self) -> bool:
        """Whether a row itself names the branch whose wall clock its times follow."""
        return "branch_id" in self.column_names

    @property
    def zoned_by_links(self) -> bool:
        """Whether a row names no branch, and its times follow the clock of that which its visit or client leads to."""
        return not self.zoned_by_branch and "visit_id" in self.column_names
