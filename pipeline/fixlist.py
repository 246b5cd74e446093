"""The fix list: for each branch a folder of what was refused of its records and what they lack, to mend and send again.

Only the branch's own records stand in its folder. A mended workbook or CSV file is an export by its sheets' names or
its own, read as its place in the inbox has it; nothing in it is run by a spreadsheet.
"""

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import duckdb
from xlsxwriter import Workbook
from xlsxwriter.utility import xl_range

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLES
from pipeline.errors import UsageError
from pipeline.intake.pseudonyms import read_key
from pipeline.mending import (
    BOOK,
    GAPS,
    GAPS_FILE,
    MOST_ROWS,
    READ_ME,
    Place,
    as_csv,
    header,
    neutral,
    place_of,
    read_me,
    row_cells,
    write_rows,
)
from pipeline.places import disk_told, make_parent, owner_only
from pipeline.refusals import Refusal, read_refusals
from pipeline.settings import Settings
from pipeline.sources import Source
from pipeline.store import kept
from pipeline.store.database import check_key, read_store
from pipeline.store.originals import Originals
from reports.numbers import page_name
from reports.words import GAP

Progress = Callable[[str], None]

NO_BRANCH = "_no_branch"
"""Folder of what no branch can be told of."""
_GAP_HEADER = ("piercing", "day", "what is missing")
_WIDTH = 20
"""Of a column, in characters."""
_MOST_TEXT = 32_767
"""Characters a cell of a workbook may hold."""
_MADE_ON = datetime(2000, 1, 1)
"""Stands in the file as its day of making, so that the same records give the same bytes."""
_AS_TEXT = {"num_format": 49}
"""The built-in text format `@`: what is typed stays as typed, a leading zero or a date too."""

Gap = tuple[str, date, str]


@dataclass(frozen=True)
class Written:
    """A branch's list: refused rows to mend, records refused without values, gaps, and the files. None: no branch."""

    branch: str | None
    rows: int
    without_values: int
    gaps: int
    paths: tuple[Path, ...]

    def as_dict(self) -> dict[str, Any]:
        """The list as plain values for JSON."""
        return {**asdict(self), "paths": [str(path) for path in self.paths]}


@dataclass(frozen=True)
class _Branch:
    """What stands to be mended of one branch: refused records, those of them with values, and gaps."""

    refusals: list[Refusal]
    gaps: list[Gap]

    @property
    def rows(self) -> dict[Table, list[Refusal]]:
        """The refused rows that can be listed, by table."""
        listed = [refusal for refusal in self.refusals if refusal.values is not None]
        return {table: own for table in TABLES if (own := [one for one in listed if one.table is table])}

    @property
    def without_values(self) -> list[Refusal]:
        """What was refused before its values could be told apart, and whole files."""
        return [refusal for refusal in self.refusals if refusal.values is None]


@disk_told()
def write_fix_lists(folder: Path, *, store: Path, settings: Settings | None, progress: Progress) -> tuple[Written, ...]:
    """Write what stands to be mended, a folder for each branch, into a new folder; all of it, or nothing.

    The store is only read. Without `settings` those of the last night hold; gaps are those the last night found.
    `UsageError` where the folder holds anything: someone may be mending it.
    """
    _check_folder(folder)
    with owner_only():
        with read_store(store) as con:
            check_key(con, store, read_key(store))
            settings = settings or kept.kept_settings(con)
            progress("reading what stands refused")
            branches = _by_branch(read_refusals(con, Originals(store), settings), _gaps(con))
        progress("writing the lists")
        with _aside(folder) as aside:
            return tuple(_write_branch(aside, folder, name, branches[name], settings) for name in branches)


def _check_folder(folder: Path) -> None:
    make_parent(folder)
    if not folder.name or folder.is_symlink() or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
        raise UsageError(f"{folder} is no new folder.", remedy="Name a new one; what is being mended stays.")


@contextmanager
def _aside(folder: Path) -> Iterator[Path]:
    """A folder to write into that is put in a folder's place when all of it is written."""
    aside = folder.with_name(f".{folder.name}.writing")
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(mode=0o700)
    try:
        yield aside
        aside.replace(folder)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _gaps(con: duckdb.DuckDBPyConnection) -> list[tuple[str | None, Gap]]:
    """Every gap in the records with its branch, the newest first."""
    rows = con.execute("""
        select branch_id, procedure_id, performed_on, gap from result_record_gaps
        order by performed_on desc, procedure_id, gap
    """).fetchall()
    return [(row[0], row[1:]) for row in rows]


def _by_branch(refusals: list[Refusal], gaps: list[tuple[str | None, Gap]]) -> dict[str | None, _Branch]:
    """What stands to be mended by branch, in the order of their names; what is of none is last."""
    found: dict[str | None, _Branch] = {}
    for refusal in refusals:
        found.setdefault(refusal.branch, _Branch([], [])).refusals.append(refusal)
    for branch, gap in gaps:
        found.setdefault(branch, _Branch([], [])).gaps.append(gap)
    return {name: found[name] for name in sorted(found, key=lambda name: (name is None, name or ""))}


def folder_name(branch: str | None) -> str:
    """The name of a branch's folder, as that of its page; no branch's name can be that of the folder of none."""
    if branch is None:
        return NO_BRANCH
    name = page_name(branch).removesuffix(".html")
    return name.replace("_", "%5F", 1) if name == NO_BRANCH else name


def _write_branch(aside: Path, folder: Path, name: str | None, branch: _Branch, settings: Settings) -> Written:
    """Write a branch's files; `folder` is where they will be found."""
    own = aside / folder_name(name)
    own.mkdir(mode=0o700)
    listed = [refusal for refusals in branch.rows.values() for refusal in refusals]
    places = {BOOK: place_of(BOOK, listed, settings)}
    for table, refusals in branch.rows.items():
        file = f"{table.name}_to_mend.csv"
        places[file] = place_of(file, refusals, settings)
        (own / file).write_bytes(as_csv(refusals, table, places[file].source))
    if branch.gaps:
        rows = [[neutral(cell) for cell in _gap_cells(gap)] for gap in branch.gaps]
        (own / GAPS_FILE).write_bytes(write_rows([_GAP_HEADER, *rows], Source()))
    (own / BOOK).write_bytes(_book(branch, places))
    paths = tuple(folder / own.name / path.name for path in sorted(own.iterdir()))
    return Written(name, len(listed), len(branch.without_values), len(branch.gaps), paths)


def _gap_cells(gap: Gap) -> list[str]:
    procedure_id, performed_on, what = gap
    return [procedure_id, performed_on.isoformat(), GAP[what]]


def _book(branch: _Branch, places: dict[str, Place]) -> bytes:
    """The workbook's bytes: what to read first, a sheet for each table with refused rows, and the gaps."""
    source = places[BOOK].source
    buffer = BytesIO()
    with Workbook(buffer, {"in_memory": True}) as book:
        book.set_properties({"title": "Records to mend", "created": _MADE_ON})
        _add_read_me(book, read_me(branch.rows, branch.without_values, places))
        for table, refusals in branch.rows.items():
            rows = [row_cells(refusal, source) for refusal in refusals[:MOST_ROWS]]
            _add_sheet(book, table.name, header(table, source), rows)
        _add_sheet(book, GAPS, _GAP_HEADER, [_gap_cells(gap) for gap in branch.gaps[:MOST_ROWS]])
    return buffer.getvalue()


def _add_sheet(book: Workbook, name: str, names: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A sheet of text under a header: as text nothing is run, and nothing that is typed in becomes another value."""
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    sheet.ignore_errors({"number_stored_as_text": xl_range(1, 0, MOST_ROWS, len(names) - 1)})
    sheet.set_column(0, len(names) - 1, _WIDTH, book.add_format(_AS_TEXT))
    bold, text = book.add_format({"bold": True, "bottom": 1, **_AS_TEXT}), book.add_format(_AS_TEXT)
    for line, cells in enumerate([names, *rows]):
        for at, cell in enumerate(cells):
            if cell:
                sheet.write_string(line, at, cell[:_MOST_TEXT], text if line else bold)


def _add_read_me(book: Workbook, sections: dict[str, list[Sequence[str]]]) -> None:
    sheet = book.add_worksheet(READ_ME)
    sheet.hide_gridlines(2)
    sheet.set_column(0, 2, 2 * _WIDTH)
    line = 0
    for title, rows in sections.items():
        sheet.write_string(line, 0, title, book.add_format({"bold": True}))
        for below, cells in enumerate(rows, start=1):
            for at, cell in enumerate(cells):
                sheet.write_string(line + below, at, cell[:_MOST_TEXT])
        line += len(rows) + 2
