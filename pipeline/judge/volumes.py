"""Files with far fewer or far more rows than the branch usually sends: taken in all the same, and flagged.

A file's volume is its rows ÷ the days on which they were recorded, so that a night's file and a month's compare. Only
days of which the file brings at least half of what is known count: rows mended, corrected or sent later add to a day
that another file tells of, and where they complete it, the short file is no longer flagged. What is usual is the median
volume of the branch's files of that table taken in before. The limits are chosen, from no source.
"""

from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import groupby
from statistics import median
from typing import Any

import polars as pl

from pipeline.results import RESULT_BY_NAME

USUAL_FILES = 28
"""How many files before it say what is usual, at most."""
NEEDED_FILES = 7
"""How many at least; with fewer a file is not judged. Seven nights hold every day of the week once."""
FOLD = 5
"""Times the usual above which a file is flagged, and below one part in so many of it."""
LEAST_DIFFERENCE = 10
"""Rows by which it must differ besides."""
LISTED_DAYS = 91
"""Days before the as-of date of which a listed file tells."""

Row = dict[str, Any]


def judge_file_volumes(file_days: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """file_volumes: each file and branch of the last 91 days with what was usual, from the measure file_branch_days.

    A branch stands under a file without rows (`absent`) only where each of the table's last seven files held several
    branches and this one among them, and no other file tells of its days: files of one branch accuse no other.
    """
    files = _files(file_days).partition_by("table_name")
    rows = [row for of_table in files for row in _Table().judge(of_table.to_dicts())]
    judged = pl.DataFrame(rows, schema=RESULT_BY_NAME["file_volumes"].schema)
    return judged.filter(pl.col("told_to") > as_of - timedelta(days=LISTED_DAYS))


def _files(file_days: pl.DataFrame) -> pl.DataFrame:
    """Each file and branch with its rows, and the days of which it brings at least half of all that is known."""
    of_day = pl.col("rows").sum().over("table_name", "branch_id", "recorded_on")
    file = ["file_id", "file", "table_name", "sha256", "loaded_at", "branch_id"]
    told = file_days.filter(2 * pl.col("rows") >= of_day).group_by(file)
    return told.agg(pl.col("rows").sum(), pl.col("recorded_on").alias("days")).sort(
        "table_name", "file_id", "branch_id"
    )


@dataclass
class _Table:
    """What is known of a table's files before the one that is judged."""

    volumes: dict[str, deque[float]] = field(default_factory=lambda: defaultdict(lambda: deque(maxlen=USUAL_FILES)))
    branches: deque[set[str]] = field(default_factory=lambda: deque(maxlen=NEEDED_FILES))

    def judge(self, files: list[Row]) -> Iterator[Row]:
        """A row for each file and branch of one table, in the order taken in."""
        told = {(row["branch_id"], day) for row in files for day in row["days"]}
        for _, group in groupby(files, lambda row: row["file_id"]):
            present = list(group)
            yield from self._absent(present, told)
            for row in present:
                usual = self._usual(row["branch_id"], len(row["days"]))
                yield _judged(row, usual, _flag(row["rows"], usual))
                self.volumes[row["branch_id"]].append(row["rows"] / len(row["days"]))
            self.branches.append({row["branch_id"] for row in present})

    def _absent(self, present: list[Row], told: set[tuple[str, date]]) -> Iterator[Row]:
        """A row for each branch that each of the last files held, all of them several, and of whose days none tells."""
        if len(self.branches) < NEEDED_FILES or any(len(held) == 1 for held in self.branches):
            return
        days = sorted({day for row in present for day in row["days"]})
        for branch in set.intersection(*self.branches) - {row["branch_id"] for row in present}:
            usual = self._usual(branch, len(days))
            if _flag(0, usual) and not any((branch, day) in told for day in days):
                yield _judged(present[0] | {"branch_id": branch, "rows": 0, "days": days}, usual, "absent")

    def _usual(self, branch: str, n_days: int) -> float | None:
        """Rows usual of a branch for so many days; None where too few files say."""
        volumes = self.volumes[branch]
        return median(volumes) * n_days if len(volumes) >= NEEDED_FILES else None


def _flag(rows: int, usual: float | None) -> str | None:
    """`few` or `many`, where the rows are far from the usual."""
    if usual is None or abs(rows - usual) < LEAST_DIFFERENCE:
        return None
    if FOLD * rows < usual:
        return "few"
    return "many" if rows > FOLD * usual else None


def _judged(file: Row, usual: float | None, flag: str | None) -> Row:
    """A file and branch as a row of file_volumes."""
    days = file["days"]
    return {
        **{name: file[name] for name in ("file", "sha256", "branch_id", "rows", "loaded_at")},
        "table": file["table_name"],
        "days": len(days),
        "usual": usual,
        "flag": flag,
        "told_from": min(days),
        "told_to": max(days),
    }
