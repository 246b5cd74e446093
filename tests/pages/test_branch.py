"""A branch's own page: whether it stands out, its practitioners without ranking, and the records it can mend."""

from datetime import date, timedelta
from typing import Any

import pytest

from reports.pages import branch
from reports.parts import Cell
from support.editions import AS_OF, written

from .conftest import Drawn
from .rows import Row, attach, cause, compared, plain_week, rate, together, week
from .rows import branch as branch_row

LIMITS = "99.8\u00a0% limits"


def page(drawn: list[Drawn], **results: list[Row]) -> branch.Context:
    built = branch.build(written(results=together(plain_week() | {"branches": [branch_row()]}, results)), "B1")
    assert len(drawn) >= len(built.charts)
    return built


@pytest.mark.parametrize(
    ("changes", "about"),
    [
        (
            {
                "name": "Harbour", "premises": "arcade", "region": "North", "follow_up_policy": "active",
                "opened_on": date(2019, 4, 1),
            },
            "Branch B1; arcade; North; asks every client; opened 1 April 2019; data through 16 February 2031.",
        ),
        ({}, "Branch B1; data through 16 February 2031."),
        ({"known": False}, "Branch B1; data through 16 February 2031; no list of branches names it."),
        ({"data_from": None, "data_through": None}, "Branch B1; no data yet."),
        (
            {"follow_up_policy": "passive"},
            "Branch B1; waits for clients to come back; data through 16 February 2031.",
        ),
    ],
)  # fmt: skip
def test_what_is_known_of_a_branch(drawn: list[Drawn], changes: dict[str, Any], about: str) -> None:
    built = branch.build(written(results=plain_week() | {"branches": [branch_row(**changes)]}), "B1")
    assert built.about == about
    assert built.name == (changes.get("name") or "B1")
    assert len(drawn) == len(built.charts)


@pytest.mark.parametrize(
    ("rows", "lead"),
    [
        ([], [branch.NOT_COMPARED]),
        ([compared(expected=0.9, ratio=None)], ["Too few piercings are old enough to say how this branch’s heal."]),
        (
            [compared()],
            [
                "Infections known: 11, where about 10 would be expected of its case mix.",
                f"Over the year as a whole, the difference is no more than chance explains ({LIMITS}).",
            ],
        ),
        (
            [compared(observed=24, ratio=2.4)],
            [
                "Infections known: 24, where about 10 would be expected of its case mix.",
                f"That is more than chance explains ({LIMITS}). Look first at how many were reached, then at what "
                "changed.",
            ],
        ),
        (
            [compared(observed=1, ratio=0.1)],
            [
                "Infections known: 1, where about 10 would be expected of its case mix.",
                f"That is fewer than chance explains ({LIMITS}). Look first at how many were reached, then at what "
                "changed.",
            ],
        ),
        (
            [compared(observed=1, ratio=0.1, comparable=False, reason="it does not ask after its clients")],
            [
                "Infections known: 1, where about 10 would be expected of its case mix.",
                "It cannot be compared with other branches: it does not ask after its clients. A low share may only "
                "mean that.",
            ],
        ),
        (
            [compared("B2", ratio=9.0), compared("B1", "tear", ratio=9.0)],
            [branch.NOT_COMPARED],
        ),
    ],
)
def test_whether_its_infections_stand_out(drawn: list[Drawn], rows: list[Row], lead: list[str]) -> None:
    assert list(page(drawn, comparison=rows).lead) == lead


def test_practitioners_stand_in_the_order_of_their_codes(drawn: list[Drawn]) -> None:
    rows = [
        {
            "branch_id": branch_id, "practitioner_id": code, "site_group": "lobe", "procedures": 14, "events": events,
            "reached": 7, "rate": events / 14, "wilson_low": 0.0, "wilson_high": 0.2153,
        }
        for branch_id, code, events in (("B1", "W3", 0), ("B1", "W1", 1), ("B2", "W2", 9), ("B1", "W2", 3))
    ]  # fmt: skip
    built = page(drawn, branch_practitioners=rows)
    assert [row[0] for row in built.practitioners.rows] == ["W1", "W2", "W3"]
    assert "no ranking" in built.practitioner_words
    nought = built.practitioners.rows[2][2]
    assert nought == Cell("0 of 14", "could be up to about 22\u00a0%")


def test_causes_met_here_are_told_with_the_branchs_own_counts(drawn: list[Drawn]) -> None:
    elsewhere = cause("batch", "A1")
    elsewhere["cause_branches"][0]["branch_id"] = "B2"
    built = page(drawn, **together(cause("lot", "L1"), elsewhere))
    assert built.met is not None
    assert built.met.rows == ((Cell("Lot L1", "infection"), "200", "30", "22 Apr 2030 to 16 Feb 2031"),)
    assert page(drawn, **elsewhere).met is None


def gap(procedure_id: str, kind: str, days_back: int = 1, branch_id: str = "B1") -> Row:
    return {
        "procedure_id": procedure_id,
        "branch_id": branch_id,
        "performed_on": AS_OF - timedelta(days=days_back),
        "gap": kind,
    }


def test_gaps_are_those_of_the_branch_counted_and_listed_newest_first(drawn: list[Drawn]) -> None:
    rows = [
        gap("P1", "lot_missing", 5),
        gap("P2", "lot_missing", 2),
        gap("P2", "age_missing", 2),
        gap("P3", "consent_missing", branch_id="B2"),
    ]
    built = page(drawn, record_gaps=rows)
    assert built.gaps.rows == (("Age not recorded", "1"), ("Lot not recorded", "2"))
    assert built.gap_list.rows == (
        ("P2", "14 Feb 2031", "age not recorded; lot not recorded"),
        ("P1", "11 Feb 2031", "lot not recorded"),
    )


def test_of_many_gaps_the_newest_are_listed_and_all_are_counted(drawn: list[Drawn]) -> None:
    built = page(drawn, record_gaps=[gap(f"P{at:03}", "lot_missing", at % 360) for at in range(150)])
    assert built.gaps.rows == (("Lot not recorded", "150"),)
    assert len(built.gap_list.rows) == branch.GAPS_LISTED
    assert f"the newest {branch.GAPS_LISTED} are listed" in built.gap_words


def test_a_branch_known_only_by_name_has_a_page(drawn: list[Drawn]) -> None:
    results = together(plain_week(), {"branches": [branch_row("B2", data_from=None, data_through=None)]})
    built = branch.build(written(results=results), "B2")
    assert built.about == "Branch B2; no data yet."
    assert (built.charts, built.complications.rows, built.practitioners.rows, built.gaps.rows) == ((), (), (), ())
    assert drawn == []


def test_the_week_is_the_branchs_own(drawn: list[Drawn]) -> None:
    results = {
        "branches": [branch_row("B2")],
        "weekly": [week(branch_id="B2", visits=77)],
        "attach": [attach(dimension="branch", level="B1", rate=0.25)],
        "complication_rates": [rate(dimension="branch", level="B1"), rate("tear", "branch", "B2")],
    }
    built = page(drawn, **results)
    figures = {row[0]: row[1] for row in built.figures.rows}
    assert figures["Visits"] == Cell("10")
    assert [row[0].text for row in built.complications.rows if isinstance(row[0], Cell)] == ["Infection"]


def test_without_a_whole_week_the_page_says_so(drawn: list[Drawn]) -> None:
    edition = written(as_of=date(2031, 2, 12), data_from=date(2031, 2, 10), results={"branches": [branch_row()]})
    built = branch.build(edition, "B1")
    assert built.figures.caption == "There is not yet a whole week of data"
    assert drawn == []
