"""Why last week's figures moved: every record is told of a week ago, late, added, taken away, or the same."""

from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl

from pipeline.judge.moves import judge_week_moves

AS_OF = date(2031, 2, 16)  # a Sunday: the last whole week is that of the 10th, the one before that of the 3rd
WEEK, LAST = date(2031, 2, 3), date(2031, 2, 10)
KNOWN, LATE = date(2031, 2, 9), date(2031, 2, 10)
SCHEMA = {
    "week": pl.Date,
    "kind": pl.String,
    "record": pl.String,
    "branch_id": pl.String,
    "currency": pl.String,
    "amount": pl.Decimal(38, 10),
    "first_recorded_on": pl.Date,
}


def record(name: str, first_recorded_on: date = KNOWN, **cells: Any) -> dict[str, Any]:
    good = {"week": WEEK, "kind": "visit", "record": name, "branch_id": "B1", "currency": None, "amount": Decimal(1)}
    return good | {"first_recorded_on": first_recorded_on} | cells


def moves(now: list[dict[str, Any]], before: list[dict[str, Any]]) -> dict[tuple[str, str], tuple[float, ...]]:
    frames = (pl.DataFrame(rows, schema=SCHEMA) for rows in (now, before))
    judged = judge_week_moves(*frames, AS_OF)
    assert set(judged["week"]) <= {WEEK}
    names = judged.select("branch_id", "figure").rows()
    sums = judged.select(pl.col("told", "late", "added", "taken_away", "now").cast(pl.Float64)).rows()
    assert all(abs(told + late + added + taken - now) < 1e-9 for told, late, added, taken, now in sums)
    return dict(zip(names, sums, strict=True))


def test_a_record_that_was_there_and_still_counts_has_not_moved() -> None:
    assert moves([record("V1")], [record("V1")]) == {("B1", "visit"): (1, 0, 0, 0, 1)}


def test_what_was_not_recorded_a_week_ago_is_late_and_what_was_counts_otherwise_now() -> None:
    assert moves([record("V1", LATE)], []) == {("B1", "visit"): (0, 1, 0, 0, 1)}
    assert moves([record("V1", KNOWN)], []) == {("B1", "visit"): (0, 0, 1, 0, 1)}
    assert moves([], [record("V1")]) == {("B1", "visit"): (1, 0, 0, -1, 0)}


def test_a_visit_moved_to_another_branch_is_taken_away_here_and_added_there() -> None:
    moved = moves([record("V1", branch_id="B2")], [record("V1")])
    assert moved == {("B1", "visit"): (1, 0, 0, -1, 0), ("B2", "visit"): (0, 0, 1, 0, 1)}


def test_amounts_move_by_their_difference_and_refunds_take_away() -> None:
    def taking(name: str, amount: str, first_recorded_on: date = KNOWN) -> dict[str, Any]:
        return record(name, first_recorded_on, kind="taking", currency="EUR", amount=Decimal(amount))

    now = [taking("S1:1", "12.50"), taking("S2:1", "7"), taking("S3:1", "-4.10", LATE), taking("S4:1", "5")]
    before = [taking("S1:1", "10"), taking("S2:1", "9"), taking("S4:1", "5")]
    assert moves(now, before) == {("B1", "taking"): (24, -4.1, 2.5, -2, 20.4)}


def test_currencies_are_never_added() -> None:
    now = [record(name, kind="taking", currency=name, amount=Decimal(3)) for name in ("EUR", "CHF")]
    judged = judge_week_moves(pl.DataFrame(now, schema=SCHEMA), pl.DataFrame(schema=SCHEMA), AS_OF)
    assert sorted(judged.select("currency", "now").rows()) == [("CHF", 3), ("EUR", 3)]


def test_other_weeks_are_left_alone() -> None:
    assert moves([record("V1", week=LAST)], [record("V2", week=date(2031, 1, 27))]) == {}


def test_a_visit_moved_to_another_week_is_taken_away() -> None:
    assert moves([record("V1", week=LAST)], [record("V1")]) == {("B1", "visit"): (1, 0, 0, -1, 0)}
