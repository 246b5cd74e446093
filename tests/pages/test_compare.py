"""Branches side by side: who may be compared, what may be said, and no ranking."""

from typing import Any

import polars as pl
import pytest

from pipeline.judge.comparison import MARGIN
from reports.edition import Edition
from reports.pages import compare
from reports.parts import Cell
from reports.sections.steps import MARGIN_WORDS
from support.editions import written

from .conftest import Drawn
from .rows import Row, attach, branch, compared, rate
from .specs import marks, rows_of

LIMITS = "99.8\u00a0% limits"


def side_by_side(*comparisons: Row) -> Edition:
    names = sorted({row["branch_id"] for row in comparisons})
    return written(
        results={
            "branches": [branch(name) for name in names],
            "comparison": comparisons,
            "complication_rates": [rate(dimension="branch", level=name) for name in names],
        }
    )


PASSIVE: dict[str, Any] = {"comparable": False, "reason": "does not ask after its clients"}


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        ([compared()], "Too few branches can be compared."),
        ([compared(), compared("B2") | PASSIVE], "Too few branches can be compared."),
        ([compared(), compared("B2", ratio=None)], "Too few branches can be compared."),
        (
            [compared(), compared("B2")],
            f"Once case mix is allowed for, no branch that can be compared lies outside the {LIMITS} of chance.",
        ),
        (
            [compared(), compared("B2", ratio=2.1)],
            f"Once case mix is allowed for, no branch that can be compared lies outside the {LIMITS} of chance.",
        ),
        (
            [compared(), compared("B2", ratio=2.4)],
            f"Once case mix is allowed for, B2 lies above the {LIMITS} of chance: 2.4 times what was expected. "
            "Better follow-up finds more; look at the share reached first.",
        ),
        (
            [compared(), compared("B2", ratio=0.1)],
            f"Once case mix is allowed for, B2 lies below the {LIMITS} of chance: 0.1 times what was expected. "
            "Better follow-up finds more; look at the share reached first.",
        ),
    ],
)
def test_what_may_be_said_of_differences(drawn: list[Drawn], rows: list[Row], line: str) -> None:
    assert compare.build(side_by_side(*rows)).lead[0] == line
    assert len(drawn) == 2


def test_a_branch_that_cannot_be_compared_is_told_with_the_reason(drawn: list[Drawn]) -> None:
    page = compare.build(side_by_side(compared(), compared("B2", ratio=9.0) | PASSIVE, compared("B3")))
    assert page.lead == (
        f"Once case mix is allowed for, no branch that can be compared lies outside the {LIMITS} of chance.",
        "Branches that can be compared differ by no more than chance explains.",
        "B2 cannot be compared: does not ask after its clients. A low share there may only mean that nobody asked.",
        "What would make a branch comparable: let it ask after every client by phone, message or at a revisit, 6 to 44 "
        "days after the piercing, and write down every answer, until the share it reaches lies between half and twice "
        "the others’.",
    )
    assert page.infections is not None
    assert [row[-1] for row in page.infections.rows] == ["yes", Cell("no", PASSIVE["reason"]), "yes"]
    assert drawn


def test_those_not_comparable_are_hollow(drawn: list[Drawn]) -> None:
    compare.build(side_by_side(compared(), compared("B2") | PASSIVE))
    (points,) = marks(drawn[0].spec, "point")
    fill = points["encoding"]["fill"]
    assert fill["condition"]["test"] == "datum.comparable"
    assert fill["condition"]["value"] != "transparent"
    assert fill["value"] == "transparent"
    assert points["mark"]["stroke"] != "transparent"
    assert points["mark"].get("filled") is None
    assert {row["branch_id"]: row["comparable"] for row in rows_of(drawn[0].spec, points)} == {"B1": True, "B2": False}
    assert "Hollow: cannot be compared" in drawn[0].subtitle


def test_the_funnel_says_its_limits_and_that_it_is_no_ranking(drawn: list[Drawn]) -> None:
    compare.build(side_by_side(compared(), compared("B2")))
    assert "95 %" in drawn[0].subtitle
    assert "99.8\u00a0%" in drawn[0].subtitle
    assert "No ranking" in drawn[0].subtitle


def test_a_branch_without_a_ratio_is_no_point_but_stands_in_the_table(drawn: list[Drawn]) -> None:
    page = compare.build(side_by_side(compared(), compared("B2", expected=0.4, ratio=None, shrunk_ratio=None)))
    assert [row[0] for row in drawn[0].table.rows] == ["B1"]
    assert page.infections is not None
    assert len(page.infections.rows) == 2


def test_without_any_ratio_there_is_no_funnel(drawn: list[Drawn]) -> None:
    assert compare.build(side_by_side(compared(ratio=None, expected=0.2))).funnel is None
    assert drawn == []


def test_the_funnel_draws_two_pairs_of_limits_from_one_expected_to_beyond_the_largest(drawn: list[Drawn]) -> None:
    compare.build(side_by_side(compared(), compared("B2", expected=40.0)))
    (limits,) = marks(drawn[0].spec, "line")
    rows = rows_of(drawn[0].spec, limits)
    assert {(row["limit"], row["side"]) for row in rows} == {
        (limit, side) for limit in ("95 %", "99.8 %") for side in ("low", "high")
    }
    assert min(row["expected"] for row in rows) == 1
    assert max(row["expected"] for row in rows) > 40
    at_most = {row["side"]: row["ratio"] for row in rows if row["limit"] == "99.8 %" and row["expected"] > 40}
    assert 0 < at_most["low"] < 1 < at_most["high"]


@pytest.mark.parametrize(
    ("changes", "is_marked"),
    [({}, False), ({"ratio": 2.1}, False), ({"ratio": 2.4}, True), ({"ratio": 0.1}, True), ({"ratio": None}, False)],
)
def test_a_branch_outside_its_limits_is_marked(drawn: list[Drawn], changes: Row, is_marked: bool) -> None:
    for may_be_compared in (True, False):
        apart: Row = {} if may_be_compared else PASSIVE
        page = compare.build(side_by_side(compared() | changes | apart, compared("B2")))
        assert page.infections is not None
        ratio = page.infections.rows[0][5]
        assert isinstance(ratio, Cell)
        assert ratio.is_marked == (is_marked and may_be_compared)
    assert drawn


def test_receipts_that_did_not_come_in_are_no_want_of_sales(drawn: list[Drawn]) -> None:
    yearly = attach(dimension="branch", level="B1", period="52w", attached_visits=0, rate=0.0, linked_visits=0)
    page = compare.build(written(results={"branches": [branch()], "attach": [yearly]}))
    assert page.business is not None
    assert page.business.rows[0][:4] == ("B1", "10", Cell("–", "no receipt came in"), "–")
    assert drawn == []


def test_branches_stand_in_the_order_of_their_ids(drawn: list[Drawn]) -> None:
    page = compare.build(side_by_side(compared("B3", ratio=0.5), compared("B1", ratio=3.0), compared("B2")))
    for table in (page.infections, drawn[0].table):
        assert table is not None
        assert [row[0].text if isinstance(row[0], Cell) else row[0] for row in table.rows] == ["B1", "B2", "B3"]


def test_other_complications_are_no_part_of_the_funnel(drawn: list[Drawn]) -> None:
    page = compare.build(side_by_side(compared(), compared("B2"), compared("B1", "tear", ratio=9.0)))
    assert len(drawn[0].table.rows) == 2
    assert page.complications is not None
    assert [row[:2] for row in page.complications.rows] == [("infection", "B1"), ("infection", "B2"), ("tear", "B1")]


def test_without_data_there_is_nothing_to_compare(drawn: list[Drawn]) -> None:
    page = compare.build(written(as_of=None, data_from=None))
    assert (page.has_data, page.through, page.funnel) == (False, "No data yet.", None)
    assert drawn == []


def test_the_sample_tells_who_cannot_be_compared(drawn: list[Drawn], sample: Edition) -> None:
    page = compare.build(sample)
    apart = sample.results["comparison"].filter((pl.col("complication") == "infection") & ~pl.col("comparable"))
    assert apart.height > 0
    for branch_id, reason in apart.select("branch_id", "reason").iter_rows():
        assert f"{branch_id} cannot be compared: {reason}." in " ".join(page.lead)
    assert drawn


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        ([compared(tau2=0.04), compared("B2", tau2=0.04)], "typically by 20 %"),
        ([compared(tau2=0.04), compared("B2", tau2=0.04)], "none still lies outside the 99.8 % limits"),
        ([compared(tau2=0.04), compared("B2", tau2=0.04, ratio=2.3)], "B2 still lies outside the 99.8 % limits"),
        ([compared(tau2=0.04), compared("B2", tau2=0.04, ratio=0.05)], "B2 still lies outside the 99.8 % limits"),
        (
            [compared(tau2=0.04), compared("B2", tau2=0.04, ratio=2.3) | PASSIVE, compared("B3", tau2=0.04)],
            "none still",
        ),
        ([compared(tau2=0.0), compared("B2", tau2=0.0)], "differ by no more than chance explains"),
    ],
)
def test_what_is_said_of_differences_beyond_chance(drawn: list[Drawn], rows: list[Row], line: str) -> None:
    lead = compare.build(side_by_side(*rows)).lead
    assert any(line in told.replace("\u00a0", " ") for told in lead)
    assert len(drawn) == 2


def test_two_branches_beyond_are_told_in_the_plural(drawn: list[Drawn]) -> None:
    lead = compare.build(side_by_side(*(compared(name, tau2=0.04, ratio=2.3) for name in ("B1", "B2")))).lead
    assert any("B1, B2 still lie outside" in told for told in lead)
    assert len(drawn) == 2


def test_the_margin_in_words_is_the_margin_that_is_judged() -> None:
    assert MARGIN_WORDS == "a quarter above the mean"
    assert MARGIN == 1 + 1 / 4


def test_nothing_is_said_of_differences_nobody_knows(drawn: list[Drawn]) -> None:
    lead = compare.build(side_by_side(compared(tau2=None), compared("B2", tau2=None))).lead
    assert len(lead) == 1
    assert len(drawn) == 2


@pytest.mark.parametrize(
    ("changes", "chance", "words"),
    [
        ({"raw_ratio": 1.32, "ratio": 1.1, "shrunk_ratio": 1.05}, "20 %", "carry 20 % more risk than the chain’s"),
        ({"raw_ratio": 0.8, "ratio": 1.0, "shrunk_ratio": 1.0}, "20 %", "carry 20 % less risk than the chain’s"),
        ({"raw_ratio": 1.1, "ratio": 1.1, "shrunk_ratio": 1.05}, "20 %", "draw it 50 % of the way to the mean"),
        ({"raw_ratio": 1.1, "ratio": 1.1, "shrunk_ratio": 1.1}, "20 %", "hardly anything"),
        ({"raw_ratio": 0.0, "ratio": 0.0, "shrunk_ratio": 0.5}, "20 %", "draw it 50 % of the way to the mean"),
        ({"probability_above": 0.0001}, "under 1.0 %", ""),
        ({"probability_above": 0.9999}, "over 99 %", ""),
        ({"probability_above": None}, "–", ""),
        (PASSIVE, "–", ""),
    ],
)
def test_each_step_is_told_with_what_it_changed(changes: Row, chance: str, words: str) -> None:
    figure = compare.build(side_by_side(compared(**changes), compared("B2"))).steps
    assert figure is not None
    told = [str(cell).replace("\u00a0", " ") for cell in figure.table.rows[0]]
    assert told[3] == "1.08"
    assert told[5] == chance
    assert words in told[6]


def group(tenth: int, **changes: Any) -> Row:
    """A row of calibration: 12 infections of 200 piercings, 10 predicted."""
    good: Row = {
        "complication": "infection",
        "tenth": tenth,
        "procedures": 200,
        "observed": 12,
        "predicted": 10.0,
        "predicted_share": 0.05,
        "share": 0.06,
        "wilson_low": 0.035,
        "wilson_high": 0.102,
        "hosmer_lemeshow": 1.0,
    }
    return good | changes


@pytest.mark.parametrize(
    ("rows", "title"),
    [
        ([group(3), group(9)], "Case mix predicts infection about right in each of 2 groups of risk"),
        (
            [group(3), group(7, predicted_share=0.11), group(9)],
            "In 1 of 3 groups of risk, infection is not what case mix predicts",
        ),
        ([group(3), group(9), group(9, complication="tear")], "Case mix predicts infection about right in each of 2"),
    ],
)
def test_whether_the_predicted_risks_hold(drawn: list[Drawn], rows: list[Row], title: str) -> None:
    figure = compare.build(written(results={"branches": [branch()], "calibration": rows})).calibration
    assert figure is not None
    assert figure.title.startswith(title)
    assert len(drawn) == 1


def test_groups_of_risk_are_drawn_as_they_are_told(drawn: list[Drawn]) -> None:
    rare = {"observed": 0, "share": 0.0, "predicted": 0.4, "predicted_share": 0.002, "wilson_low": 0.0}
    compare.build(written(results={"branches": [branch()], "calibration": [group(2, **rare), group(9)]}))
    assert drawn[0].table.rows[1] == (
        "Group 2",
        "200",
        Cell("12", "10.0 predicted"),
        "5.0\u00a0%",
        Cell("6.0\u00a0%", "4\u00a0to\u00a010\u00a0%"),
        "1.20",
    )
    assert drawn[0].table.rows[0][4:] == (Cell("0 of 200", "could be up to 10\u00a0%"), "–")
    (whiskers,), (dots,) = marks(drawn[0].spec, "rule"), marks(drawn[0].spec, "point")
    assert rows_of(drawn[0].spec, dots)[1] == {"predicted": 0.05, "share": 0.06, "low": 0.035, "high": 0.102}
    assert (whiskers["encoding"]["y"]["field"], whiskers["encoding"]["y2"]["field"]) == ("low", "high")
    (equal,) = marks(drawn[0].spec, "line")
    assert all(row["predicted"] == row["share"] for row in rows_of(drawn[0].spec, equal))


@pytest.mark.parametrize("rows", [[], [group(5)]])
def test_one_group_of_risk_tells_nothing(drawn: list[Drawn], rows: list[Row]) -> None:
    assert compare.build(written(results={"branches": [branch()], "calibration": rows})).calibration is None
    assert drawn == []


def test_the_steps_are_drawn_as_they_are_told(drawn: list[Drawn]) -> None:
    compare.build(side_by_side(compared(), compared("B2", ratio=None)))
    [row] = rows_of(drawn[1].spec, marks(drawn[1].spec, "point")[0])
    assert (row["raw"], row["adjusted"], row["shrunk"]) == (1.2, 1.1, 1.05)
    assert (row["least"], row["most"]) == (1.05, 1.2)
