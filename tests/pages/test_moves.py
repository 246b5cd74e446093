"""Last week's figures since: each row of the table adds up, over all branches."""

from datetime import date
from decimal import Decimal

from reports.pages import index
from support.editions import written

from .rows import Row, plain_week, together


def move(figure: str, branch_id: str = "B1", currency: str | None = None, **parts: str) -> Row:
    row: Row = dict.fromkeys(("told", "late", "added", "taken_away", "now"), Decimal(0))
    row |= {"week": date(2031, 2, 3), "branch_id": branch_id, "figure": figure, "currency": currency}
    return row | {part: Decimal(value) for part, value in parts.items()}


def test_the_table_sums_branches_and_writes_changes_with_their_sign() -> None:
    rows = [
        move("visit", told="10", late="2", taken_away="-1", now="11"),
        move("visit", "B2", told="1200", late="1", added="3", now="1204"),
        move("taking", currency="EUR", told="99.5", taken_away="-9.25", now="90.25"),
        move("infection"),
    ]
    table = index.build(written(results=together(plain_week(), {"week_moves": rows}))).moves
    assert table is not None
    assert table.rows == (
        ("Visits", "1,210", "+3", "+3", "−1", "1,215"),
        ("Infections known", "0", "–", "–", "–", "0"),
        ("Takings in EUR", "€99.50", "–", "–", "−€9.25", "€90.25"),
    )
    assert "3 to 9 February 2031" in table.caption


def test_without_that_week_there_is_no_table() -> None:
    assert index.build(written(results=plain_week())).moves is None
