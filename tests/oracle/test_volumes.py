"""Files of unusual size: worked out by hand for both implementations, and both in agreement on invented deliveries."""

from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import polars as pl
import pytest

from pipeline.judge.volumes import judge_file_volumes
from support.exports import csv_text, fill, row

from . import read_inbox, tables
from .comparing import differences, pipeline_tables
from .intake import Taken
from .volumes import told_of, volumes_of_table

DAY_0 = date(2031, 3, 3)

File = dict[str, dict[int, int]]
"""What a file brings: rows by branch and day."""
Judged = dict[tuple[int, str], tuple[int, float | None, str | None]]
"""By number of the file and branch: rows, usual rows, flag."""


def nights(n: int, rows: int = 20, *branches: str, first: int = 0) -> list[File]:
    """A file for each of so many nights, with the same rows of each branch."""
    return [{branch: {first + at: rows} for branch in branches or ("B1",)} for at in range(n)]


def ours(files: list[File]) -> Judged:
    """What the pipeline makes of the files of one table, beside files of another with three times as many rows.

    File names are in another order than that in which the files were taken in.
    """
    days = [
        (table, 2 * number + times // 3, f"{1000 - number}", branch, DAY_0 + timedelta(days=day), times * n)
        for number, file in enumerate(files)
        for branch, of_branch in file.items()
        for day, n in of_branch.items()
        for table, times in (("sales", 1), ("procedures", 3))
    ]
    names = ["table_name", "file_id", "file", "branch_id", "recorded_on", "rows"]
    frame = pl.DataFrame(days, orient="row", schema=names).with_columns(
        pl.lit("").alias("sha256"), pl.lit(datetime(2031, 5, 1)).alias("loaded_at")
    )
    judged = judge_file_volumes(frame, DAY_0 + timedelta(days=90)).filter(pl.col("table") == "sales")
    return {
        (1000 - int(row["file"]), row["branch_id"]): (row["rows"], row["usual"], row["flag"])
        for row in judged.to_dicts()
    }


def theirs(files: list[File]) -> Judged:
    brought = {
        (str(number), "sales", ""): Counter(
            {
                (branch, DAY_0 + timedelta(days=day)): n
                for branch, of_branch in file.items()
                for day, n in of_branch.items()
            }
        )
        for number, file in enumerate(files)
    }
    judged = volumes_of_table(told_of(brought))
    return {(int(row["file"]), row["branch_id"]): (row["rows"], row["usual"], row["flag"]) for row in judged}


both = pytest.mark.parametrize("judge", [ours, theirs])
Judge = Callable[[list[File]], Judged]


def flags(judged: Judged) -> dict[tuple[int, str], str]:
    return {key: flag for key, (_, _, flag) in judged.items() if flag is not None}


@both
@pytest.mark.parametrize(
    ("usual", "rows", "flag"),
    [
        (20, 20, None),
        (20, 4, None),  # a fifth is not below a fifth
        (20, 3, "few"),
        (20, 100, None),
        (20, 101, "many"),
        (55, 11, None),
        (12, 2, "few"),  # ten rows between
        (11, 1, "few"),
        (11, 2, None),  # nine
        (2, 11, None),
        (2, 12, "many"),
    ],
)
def test_a_night_is_flagged_beyond_five_times_and_ten_rows(
    judge: Judge, usual: int, rows: int, flag: str | None
) -> None:
    assert judge([*nights(7, usual), *nights(1, rows, first=7)])[7, "B1"] == (rows, float(usual), flag)


@both
def test_with_fewer_than_seven_files_before_it_none_is_judged(judge: Judge) -> None:
    assert judge([*nights(6), *nights(1, 1, first=6)])[6, "B1"] == (1, None, None)


@both
def test_usual_is_the_median_of_the_last_28(judge: Judge) -> None:
    # Thirty nights of 100, then 15 of 10: of the last 28, 15 are 10 and 13 are 100.
    assert judge([*nights(30, 100), *nights(16, 10, first=30)])[45, "B1"][1] == 10
    assert judge([*nights(30, 100), *nights(15, 10, first=30)])[44, "B1"][1] == 55
    assert judge([*nights(30, 100), *nights(14, 10, first=30)])[43, "B1"][1] == 100


@both
def test_a_month_and_a_night_compare(judge: Judge) -> None:
    month: File = {"B1": dict.fromkeys(range(7, 37), 20)}
    assert judge([*nights(7), month])[7, "B1"] == (600, 600.0, None)
    assert judge([*nights(7), {"B1": dict.fromkeys(range(7, 37), 3)}])[7, "B1"] == (90, 600.0, "few")
    weeks: list[File] = [{"B1": {7 * week + day: 20 for day in range(7)}} for week in range(7)]
    assert judge([*weeks, {"B1": {49: 19}}])[7, "B1"] == (19, 20.0, None)


@both
def test_a_short_file_is_no_longer_flagged_once_the_rest_has_come(judge: Judge) -> None:
    short = [*nights(7), *nights(1, 3, first=7)]
    assert flags(judge(short)) == {(7, "B1"): "few"}
    judged = judge([*short, *nights(1, 17, first=7), *nights(1, 19, first=8)])
    assert flags(judged) == {}
    assert (7, "B1") not in judged  # the day is told of by the file that brought the most of it
    assert judged[9, "B1"] == (19, 20.0, None)


@both
def test_a_few_rows_mended_or_corrected_later_are_no_short_file(judge: Judge) -> None:
    judged = judge([*nights(8), {"B1": {3: 2, 5: 1}}, {"B1": {8: 20, 1: 1, 2: 1, 4: 1}}])
    assert flags(judged) == {}
    assert judged[9, "B1"] == (20, 20.0, None)  # one day told of, not four


@both
def test_a_branch_missing_from_the_chains_file_is_told(judge: Judge) -> None:
    chain = nights(7, 20, "B1", "B2")
    assert judge([*chain, {"B1": {7: 20}}]) == judge(chain) | {
        (7, "B1"): (20, 20.0, None),
        (7, "B2"): (0, 20.0, "absent"),
    }
    assert judge([*chain, {"B1": {7: 20, 8: 20}}])[7, "B2"] == (0, 40.0, "absent")


@both
@pytest.mark.parametrize(
    "files",
    [
        [*nights(6, 20, "B1", "B2"), {"B1": {7: 20}}],
        [*nights(7, 20, "B1", "B2"), {"B1": {7: 20}}, {"B2": {7: 20}}],
        [*nights(6, 20, "B1", "B2"), *nights(1, 20, "B1", "B3", first=6), {"B1": {7: 20}, "B3": {7: 20}}],
        [*nights(6, 20, "B1", "B2"), *nights(1, 20, "B1", first=6), {"B1": {7: 20}}],
        [night for at in range(9) for branch in ("B1", "B2") for night in nights(1, 20, branch, first=at)][:-1],
        [*nights(7, 9, "B1", "B2"), {"B1": {7: 9}}],
        [*nights(7, 20, "B1", "B2"), {"B1": {3: 2}}],
    ],
    ids=[
        "six files before it",
        "its own file of the same day",
        "missing before",
        "a file of one branch before",
        "a file for each branch",
        "fewer than ten rows are usual",
        "a correction of one branch",
    ],
)
def test_no_branch_is_accused_where(judge: Judge, files: list[File]) -> None:
    assert flags(judge(files)) == {}


def test_files_of_the_last_91_days_are_listed() -> None:
    judged = ours([{"B1": {-1: 20}}, {"B1": {0: 20}}, {"B1": {-5: 20, 1: 20}}])  # as of day 90
    assert {number for number, _ in judged} == {1, 2}


# Both on invented deliveries

SEEDS = range(6)
NOW = datetime(2031, 7, 1, 3, 0, tzinfo=UTC)
ROW_TIME = {"procedures": "performed_at", "follow_ups": "contacted_at", "sales": "sold_at", "revisits": "booked_at"}
ID = {"procedures": "procedure_id", "follow_ups": "follow_up_id", "sales": "sale_id", "revisits": "revisit_id"}
BRANCHES = ("B1", "B2", "B3")


def deliveries(rng: Random) -> dict[str, str]:
    """Nights of one table, a file for each or for each branch, some spoilt, some sent in part and then whole."""
    table = rng.choice(list(ROW_TIME))
    is_chain_wide = rng.random() < 0.6
    base = {branch: rng.randint(8, 40) for branch in BRANCHES}
    visits = [row("procedures", procedure_id=f"X{b}", visit_id=f"V{b}", branch_id=b) for b in BRANCHES]
    files = {"branches.csv": "branch_id,timezone\nB2,Asia/Tokyo\n", "a/procedures.csv": csv_text(visits)}
    for night in range(rng.randint(9, 32)):
        lines = {branch: _night(rng, table, branch, night, base[branch]) for branch in BRANCHES}
        lines = {branch: some for branch, some in lines.items() if some and (not is_chain_wide or rng.random() < 0.97)}
        parts = [[line for some in lines.values() for line in some]] if is_chain_wide else list(lines.values())
        for number, part in enumerate(parts):
            files[f"n{night:02d}/{table}_{number}.csv"] = csv_text(part or [row(table)])
            if rng.random() < 0.2:
                late = rng.sample(part, len(part) // 5)
                files[f"n{night:02d}/{table}_{number}_again.csv"] = csv_text(part)
                files[f"n{night:02d}/{table}_{number}_late.csv"] = csv_text([_corrected(rng, one) for one in late])
                if rng.random() < 0.5:
                    files[f"n{night:02d}/{table}_{number}.csv"] = csv_text(part[:2])
    return files


def _night(rng: Random, table: str, branch: str, night: int, base: int) -> list[dict[str, str]]:
    n = round(base * rng.choice((1, 1, 1, 1.3, 0.7, 0.9, 1.1, 1, rng.choice((0, 0.1, 0.19, 5.5, 8)))))
    day = DAY_0 + timedelta(days=night)
    changes = {ID[table]: "", ROW_TIME[table]: f"{day}T{rng.randint(9, 17):02d}:30"}
    if table == "follow_ups":
        changes |= {"visit_id": rng.choice((f"V{branch}",) * 9 + ("V0",))}
    elif table == "procedures":
        changes |= {"branch_id": branch, "recorded_at": ""}
    else:
        changes |= {"branch_id": branch}
    return [row(table, **changes) | {ID[table]: f"{branch}-{night}-{at}"} for at in range(n)]


def _corrected(rng: Random, line: dict[str, str]) -> dict[str, str]:
    """Another version, recorded with the event or some days later."""
    day = date.fromisoformat(next(line[time][:10] for time in ROW_TIME.values() if time in line))
    later = f"{day + timedelta(days=rng.randint(0, 4))}T22:00Z"
    return line | {"recorded_at": rng.choice((later, later, ""))} | ({"status": "no_show"} if "status" in line else {})


@cache
def taken(seed: int) -> tuple[dict[str, str], Taken]:
    files = deliveries(Random(seed))
    with TemporaryDirectory() as folder:
        fill(Path(folder), files)
        return files, read_inbox(Path(folder), now=NOW, key=b"a key")


@pytest.mark.parametrize("seed", SEEDS)
def test_both_agree(seed: int, tmp_path: Path) -> None:
    files, known = taken(seed)
    fill(tmp_path / "inbox", files)
    as_of = DAY_0 + timedelta(days=Random(seed).randint(8, 100))
    found = pipeline_tables(tmp_path / "inbox", tmp_path / "store.duckdb", now=NOW, key=b"a key", as_of=as_of)
    again = tables(known, as_of=as_of)["file_volumes"]
    assert differences("file_volumes", found["file_volumes"], again) == []


def test_the_deliveries_meet_every_flag() -> None:
    found = Counter(row["flag"] for seed in SEEDS for row in tables(taken(seed)[1])["file_volumes"])
    assert set(found) == {None, "few", "many", "absent"}
