"""Answers that changed: asked about on the owner's page, marked on the watch."""

from datetime import date
from typing import Any

from reports.pages import index
from reports.parts import Cell
from reports.sections.follow_up import answers_table
from support.editions import written

from .rows import Row, plain_week, together


def answers(branch_id: str = "B1", change: str | None = "fewer", **changes: Any) -> Row:
    good: Row = {
        "branch_id": branch_id, "from_on": date(2031, 1, 6), "visits": 60, "due": 40, "answered": 12,
        "visits_before": 200, "answered_before": 140, "chance_fewer": 0.00001, "chance_more": 1.0, "change": change,
    }  # fmt: skip
    return good | changes


def asked(*rows: Row) -> list[tuple[str, str, str]]:
    items = index.build(written(results=together(plain_week(), {"answers": list(rows)}))).to_do
    return [(item.text, item.who, item.note) for item in items if item.link == "safety.html#follow-up"]


def test_the_owner_is_asked_to_find_out_why_answers_changed() -> None:
    [(text, who, note)] = asked(answers(), answers("B2", None))
    assert text.replace("\u2068", "").replace("\u2069", "") == "Ask branch B1 why fewer clients answer than usual."
    assert who == "You"
    assert note == "12 of the visits since 6 January 2031 are answered by now, where about 28 are usual."


def test_the_watch_shows_every_branch_and_marks_those_that_changed() -> None:
    table = answers_table(written(results={"answers": [answers(), answers("B2", None, visits_before=0)]}))
    assert table.rows == (
        ("B1", "60", "12", "28", Cell("fewer than usual", is_marked=True)),
        ("B2", "60", "12", "–", "–"),
    )


def test_of_many_branches_the_first_are_asked_about_by_name() -> None:
    *named, (text, _, note) = asked(*(answers(f"B{at}") for at in range(5)))
    assert len(named) == 3
    assert (text, note) == ("Ask 2 further branches why fewer or more clients answer than usual.", "")
