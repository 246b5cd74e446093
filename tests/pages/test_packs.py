"""Packs that expire before they are used: asked about on the owner's page, listed on the branch's."""

from datetime import date, timedelta
from typing import Any

from reports.pages import branch, index
from reports.parts import Cell
from support.editions import AS_OF, written

from .rows import Row, plain_week, together
from .rows import branch as branch_row


def packs(lot: str, days_left: int, **changes: Any) -> Row:
    good: Row = {
        "branch_id": "B1", "lot_no": lot, "article_id": "A1", "expires_on": AS_OF + timedelta(days=days_left),
        "packs": 20, "counted_on": date(2031, 2, 9), "used_a_week": 2.25, "unused": 11.5,
    }  # fmt: skip
    return good | changes


def asked(*rows: Row) -> list[tuple[str, str, str]]:
    items = index.build(written(results=together(plain_week(), {"packs": list(rows)}))).to_do
    return [
        (item.text, f"{item.who}, {item.by}: {item.note}", item.link) for item in items if item.link.endswith("#packs")
    ]


def test_packs_past_their_date_and_those_that_soon_will_be_are_asked_about_apart() -> None:
    over, soon = asked(packs("OLD", -1, unused=3.0), packs("L1", 20), packs("L2", 10, branch_id="B2", unused=1.2))
    assert over[0] == "Take 3 packs past the date off the shelf."
    assert over[1].startswith("Branches, today: B1: 3 of lot OLD, ")
    assert soon[0] == "Use first, or send on, 13 packs that would expire unused within 90 days."
    assert soon[1].startswith("Branches, this week: B2: 1 of lot L2, ")  # the first to expire first
    assert soon[2] == "branch/B1.html#packs"


def test_the_last_day_of_a_pack_is_not_past() -> None:
    ((text, *_),) = asked(packs("L1", 0))
    assert text.startswith("Use first")


def test_of_many_lots_the_first_few_are_named() -> None:
    ((_, note, _),) = asked(*(packs(f"L{at}", at) for at in range(5)))
    assert note.endswith("; 2 further lots on the branches’ pages.")


def test_without_such_packs_nothing_is_asked() -> None:
    assert asked() == []


def test_a_branch_lists_its_own() -> None:
    rows = [packs("L1", 20), packs("L2", 5, counted_on=None), packs("L3", 5, branch_id="B2")]
    results = together(plain_week(), {"branches": [branch_row("B1")], "packs": rows})
    table = branch.build(written(results=results), "B1").packs
    assert table is not None
    assert [row[0] for row in table.rows] == [Cell("L2", "article A1"), Cell("L1", "article A1")]  # first to expire
    assert table.rows[1][2:] == (Cell("20", "counted on 9 Feb 2031"), "2.2", "12")
    assert table.rows[0][2] == Cell("20", "never counted")
    results = together(plain_week(), {"branches": [branch_row("B1")]})
    assert branch.build(written(results=results), "B1").packs is None
