"""The fix list: for each branch a folder of what was refused of its records and what they lack, to mend and send again.

Only the branch's own records stand in its folder. A mended workbook or CSV file is an export by its sheets' names or
its own, read as its place in the inbox has it; nothing in it is run by a spreadsheet.
"""

import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.utility import xl_range

from pipeline.contract.columns import Kind, Table
from pipeline.contract.tables import TABLES
from pipeline.errors import UsageError
from pipeline.intake.pseudonyms import read_key
from pipeline.mending import Place, as_csv, header, neutral, place_of, row_cells, what_to_do, write_rows
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
BOOK = "fix_list.xlsx"
READ_ME, GAPS = "Read me", "Gaps"
_GAP_HEADER = ("piercing", "day", "what is missing")
_MOST_ROWS = 100_000
"""Rows of a table that the workbook lists; the CSV file holds all."""
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


@disk_told()
def write_fix_lists(
    folder: Path, *, store: Path, settings: Settings | None, progress: Progress
) -> tuple[Written, ...]:
    """Write what stands to be mended, a folder for each branch, into a new folder; all of it, or nothing.

    The store is only read. Without `settings` those of the last night hold. Gaps are those the last night found.
    `UsageError` where the folder holds anything: someone may be mending it.
    """
    _check_folder(folder)
    with owner_only():
        with read_store(store) as con:
            check_key(con, store, read_key(store))
            settings = settings or kept.kept_settings(con)
            progress("reading what stands refused")
            refusals = read_refusals(con, Originals(store), settings)
            gaps = con.execute(
                "select branch_id, procedure_id, performed_on, gap from result_record_gaps "
                "order by performed_on desc, procedure_id, gap"
            ).fetchall()
        progress("writing the lists")
        aside = folder.with_name(f".{folder.name}.writing")
        shutil.rmtree(aside, ignore_errors=True)
        aside.mkdir(mode=0o700)
        try:
            branches = {refusal.branch for refusal in refusals} | {gap[0] for gap in gaps}
            for branch in branches:
                own = [refusal for refusal in refusals if refusal.branch == branch]
                _write_branch(aside / folder_name(branch), own, [gap[1:] for gap in gaps if gap[0] == branch], settings)
            aside.replace(folder)
        finally:
            shutil.rmtree(aside, ignore_errors=True)
    return ()
