"""file_volumes.csv: what each file brought for each branch, beside what the branch's files before it brought.

Everything is worked out anew for each file from all files before it.
"""

from collections import Counter, defaultdict
from datetime import date, timedelta
from statistics import median

from .clock import instant, local_day, recorded_time
from .history import Version
from .intake import FileKey, Taken
from .known import Known
from .words import EVENT_TIMES, Row

Brought = Counter[tuple[str, date]]
"""Rows by branch and day."""
Told = dict[str, dict[date, int]]
"""By branch, the days a file tells of with its rows for each."""


def file_volumes(taken: Taken, known: Known) -> list[Row]:
    """Give a row for each file and branch of the 91 days that end on the as-of date."""
    rows = [row for table in EVENT_TIMES for row in volumes_of_table(told_of(brought_by_file(taken, known, table)))]
    return [row for row in rows if row["told_to"] > known.as_of - timedelta(days=91)]


def brought_by_file(taken: Taken, known: Known, table: str) -> dict[FileKey, Brought]:
    """Give the files of a table in the order taken in, with their rows recorded by the as-of date."""
    branch_of_contact = {}
    for known_row in known.follow_ups:
        visit = known.book.visit_of(known_row.row)
        branch_of_contact[known_row.row["follow_up_id"]] = visit.first.branch_id if visit is not None else None
    brought: dict[FileKey, Brought] = {file: Counter() for file in taken.counts if file[1] == table}
    for version in taken.versions[table]:
        day = recorded_day(known, table, version)
        if day <= known.as_of:
            row = version.values
            branch = branch_of_contact[row["follow_up_id"]] if table == "follow_ups" else row["branch_id"]
            if branch is not None:
                brought[version.file][branch, day] += 1
    return brought


def told_of(brought: dict[FileKey, Brought]) -> dict[FileKey, Told]:
    """Give, for each file, the days of which it brings half of the rows or more; files of no day are left out."""
    in_all = sum(brought.values(), Counter())
    told = {}
    for file, counts in brought.items():
        days: Told = defaultdict(dict)
        for (branch, day), n in counts.items():
            if n >= in_all[branch, day] / 2:
                days[branch][day] = n
        if days:
            told[file] = dict(days)
    return told


def recorded_day(known: Known, table: str, version: Version) -> date:
    row = version.values
    zone = known.zone_of_follow_up(row) if table == "follow_ups" else known.zone_of_row(row)
    return local_day(instant(recorded_time(table, row), zone), zone)


def volumes_of_table(told: dict[FileKey, Told]) -> list[Row]:
    rows = []
    files = list(told)
    for place, file in enumerate(files):
        before = [told[other] for other in files[:place]]
        for branch, days in told[file].items():
            usual = usual_rows(before, branch, len(days))
            rows.append(volume_row(file, branch, days, usual, flag(sum(days.values()), usual)))
        all_days = {day: 0 for days in told[file].values() for day in days}
        for branch in missing(before, told[file]):
            usual = usual_rows(before, branch, len(all_days))
            told_of = {day for other in told.values() for day in other.get(branch, {})}
            if flag(0, usual) == "few" and not told_of & all_days.keys():
                rows.append(volume_row(file, branch, all_days, usual, "absent"))
    return rows


def missing(before: list[Told], told: Told) -> set[str]:
    """Give the branches not in a file that all of the last seven held, if each of the seven held two or more."""
    last = before[-7:]
    if len(last) < 7 or min(len(other) for other in last) < 2:
        return set()
    return {branch for branch in last[0] if all(branch in other for other in last)} - told.keys()


def usual_rows(before: list[Told], branch: str, n_days: int) -> float | None:
    volumes = [sum(told[branch].values()) / len(told[branch]) for told in before if branch in told]
    return median(volumes[-28:]) * n_days if len(volumes) >= 7 else None


def flag(rows: int, usual: float | None) -> str | None:
    """Give `few` below a fifth and `many` above five times the usual, where ten rows or more lie between."""
    if usual is None or -10 < rows - usual < 10:
        return None
    return "few" if 5 * rows < usual else "many" if rows > 5 * usual else None


def volume_row(file: FileKey, branch: str, days: dict[date, int], usual: float | None, flag: str | None) -> Row:
    name, table, sha256 = file
    return {
        "file": name,
        "table": table,
        "sha256": sha256,
        "branch_id": branch,
        "rows": sum(days.values()),
        "days": len(days),
        "usual": usual,
        "flag": flag,
        "told_from": min(days),
        "told_to": max(days),
    }
