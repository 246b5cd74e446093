"""Tracing: who stands under a level, how a line list is told and counted, and what packs should be left of a lot."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.judge.tracing import exposed_to, head_counts, judge_stock, line_list

AS_OF = date(2031, 2, 14)
Row = dict[str, Any]

PIERCINGS = pl.DataFrame(
    [
        ("P1", "V1", "B1", "L1", "lobe", "P-1"),
        ("P2", "V1", "B1", "L2", "lobe", "P-1"),
        ("P3", "V2", "B2", "L1", "upper_cartilage", None),
        ("P4", "V3", "B2", None, "lobe", "P-2"),
    ],
    orient="row",
    schema=["procedure_id", "visit_id", "branch_id", "lot_no", "site_group", "practitioner_id"],
)
BATCHES = pl.DataFrame({"procedure_id": ["P1", "P2", "P3"], "batch_no": ["BT", "BT", "BT-2"]})


@pytest.mark.parametrize(
    ("dimension", "level", "names"),
    [
        ("lot", "L1", "P1 P3"),
        ("lot", "L3", ""),
        ("lot", "(missing)", "P4"),
        ("batch", "BT", "P1 P2"),
        ("batch", "(missing)", ""),
        ("visit", "V1", "P1 P2"),
        ("procedure", "P3", "P3"),
        ("all", "all", "P1 P2 P3 P4"),
        ("lot:site_group", "L1:lobe", "P1"),
        ("branch:batch", "B1:BT", "P1 P2"),
        ("practitioner:site_group", "(missing):upper_cartilage", "P3"),
        ("branch:site_group", "B2:lobe", "P4"),
    ],
)
def test_who_stands_under_a_level(dimension: str, level: str, names: str) -> None:
    assert exposed_to(PIERCINGS, BATCHES, dimension, level)["procedure_id"].to_list() == names.split()


def lines(piercing: Row, visit: Row, *kinds: str) -> Row:
    """The line of one piercing of 2031-01-01."""
    exposed = pl.DataFrame(
        [{"procedure_id": "P1", "visit_id": "V1", "branch_id": "B1", "performed_on": date(2031, 1, 1)} | piercing],
        schema_overrides={"reached_on": pl.Date},
    )
    visits = pl.DataFrame(
        [{"visit_id": "V1", "branch_id": "B9", "attempts": 0, "last_answered_on": None} | visit],
        schema_overrides={"last_answered_on": pl.Date},
    )
    reports = pl.DataFrame(
        {"procedure_id": ["P1"] * len(kinds), "kind": kinds}, schema=dict.fromkeys(REPORT, pl.String)
    )
    (line,) = line_list(exposed, visits, reports, AS_OF).rows(named=True)
    return line


REPORT = ("procedure_id", "kind")


@pytest.mark.parametrize(
    ("piercing", "visit", "contact"),
    [
        ({"reached_on": date(2031, 1, 10)}, {"attempts": 1, "last_answered_on": date(2031, 1, 10)}, "reached"),
        ({"reached_on": None}, {"attempts": 2, "last_answered_on": date(2031, 1, 3)}, "heard from"),
        ({"reached_on": None}, {"last_answered_on": date(2031, 1, 3)}, "heard from"),
        ({"reached_on": None}, {"attempts": 1}, "asked, no answer"),
        ({"reached_on": None}, {}, "not asked yet"),
    ],
)
def test_how_a_branch_stands_with_a_client(piercing: Row, visit: Row, contact: str) -> None:
    line = lines(piercing, visit)
    assert (line["contact"], line["branch_id"]) == (contact, "B1")


def test_a_complication_is_any_but_fainting() -> None:
    bare = {"reached_on": None}
    assert [lines(bare, {}, *kinds)["has_complication"] for kinds in ((), ("faint",), ("faint", "keloid"))] == [
        *(False, False, True)
    ]


def test_a_piercing_is_mature_44_days_on() -> None:
    days = (43, 44)
    mature = [lines({"reached_on": None, "performed_on": AS_OF - timedelta(days=n)}, {})["is_mature"] for n in days]
    assert mature == [False, True]


def test_the_head_counts_by_branch_and_judges_the_mature_alone() -> None:
    # Of 600 mature piercings 12: Wilson 1.15 to 3.46 % (Newcombe RG, Stat Med 1998;17:857-72, method 3; from memory).
    rows = [
        {
            "branch_id": "B1" if at < 605 else "B2",
            "contact": "not asked yet" if at < 3 else "reached",
            "reached_on": None if at < 3 else AS_OF,
            "is_infected": at < 10 or (at >= 598 and at < 602),
            "has_complication": at < 20,
            "is_mature": at < 600,
        }
        for at in range(607)
    ]
    first, second, both = head_counts(pl.DataFrame(rows, schema_overrides={"reached_on": pl.Date})).rows(named=True)
    assert [row["branch_id"] for row in (first, second, both)] == ["B1", "B2", None]
    counts = ("exposed", "reached", "not_asked", "infected", "with_complication", "mature", "mature_infected")
    assert [first[name] for name in counts] == [605, 602, 3, 14, 20, 600, 12]
    assert [second[name] for name in counts] == [2, 2, 0, 0, 0, 0, 0]
    assert [both[name] for name in counts] == [607, 604, 3, 14, 20, 600, 12]
    assert first["rate"] == 0.02
    assert (first["wilson_low"], first["wilson_high"]) == pytest.approx((0.0115, 0.0346), abs=5e-5)
    assert [second[name] for name in ("rate", "wilson_low", "wilson_high")] == [None] * 3


STOCK = {
    "received": 60,
    "used": 20,
    "spoiled": 3,
    "on_hand": 30,
    "received_since": 10,
    "used_since": 5,
    "is_on_record": True,
}


@pytest.mark.parametrize(
    ("changes", "at_most", "should_be", "unexplained"),
    [
        # 60 - 20 - 3 = 37 now; when counted there were 37 - 10 + 5 = 32, and 30 were found.
        ({}, 40, 37, 2),
        ({"on_hand": 33}, 40, 37, -1),
        ({"spoiled": None}, 40, None, None),
        ({"received": None}, None, None, None),
        ({"on_hand": None}, 40, 37, None),
        ({"on_hand": None, "received_since": None, "used_since": None}, 40, 37, None),
        ({"is_on_record": False}, None, None, None),
        ({"used": 70}, -10, -13, -48),  # more used than came: the records say so, and so does this
    ],
)
def test_packs_that_should_be_left(changes: Row, at_most: int, should_be: int, unexplained: int) -> None:
    row = {"lot_no": "L1", "branch_id": "B1"} | STOCK | changes
    numbers = dict.fromkeys(("received", "used", "spoiled", "on_hand", "received_since", "used_since"), pl.Int64)
    (found,) = judge_stock(pl.DataFrame([row], schema_overrides=numbers)).rows(named=True)
    assert [found[name] for name in ("at_most", "should_be", "unexplained")] == [at_most, should_be, unexplained]


def test_the_whole_chain_s_packs_come_last() -> None:
    rows = [{"lot_no": "L1", "branch_id": branch} | STOCK for branch in (None, "B2", "B1")]
    assert judge_stock(pl.DataFrame(rows))["branch_id"].to_list() == ["B1", "B2", None]
