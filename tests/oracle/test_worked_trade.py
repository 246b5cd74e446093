"""Attach, revisits and weekly money, worked out by hand from the contract's text. As of 2032-06-30, a Wednesday."""

from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from .words import Row
from .worked import PIERCINGS, night, only

PRODUCTS = "product_id,category\nA1,aftercare\nA2,aftercare\nJ1,jewellery\n"
LINES = "sale_id,line_no,sold_at,branch_id,visit_id,client_key,product_id,quantity,net_amount,line_type,refund_of"


def attach(tmp_path: Path, sales: str) -> Row:
    """Give the 52-week row of one visit on 2032-05-03 and its sales lines."""
    found = night(
        tmp_path,
        procedures="""
        procedure_id,visit_id,client_key,branch_id,performed_at,site
        P1,V1,C1,B1,2032-05-03T10:00,lobe
        """,
        products=PRODUCTS,
        sales=f"{LINES}\n{sales}\n",
    )
    return only(found["attach"], dimension="all", period="52w")


SOLD = "S1,1,2032-05-03T10:00,B1,V1,,A1,1,9.50,,\n"


@pytest.mark.parametrize(
    ("sales", "attached", "provided", "linked"),
    [
        ("", 0, 0, 0),
        (SOLD, 1, 1, 1),
        ("S1,1,2032-05-03T10:00,B1,V1,,J1,1,9.50,sale,", 0, 0, 1),  # no aftercare
        ("S1,1,2032-05-03T10:00,B1,V1,,A1,1,0,gift,", 0, 1, 1),
        ("S1,1,2032-05-03T10:00,B1,V1,,A1,1,0,bundle_part,", 0, 1, 1),
        ("S1,1,2032-05-03T18:00,B1,,C1,A1,1,9.50,,", 1, 1, 1),  # by client, branch and day
        ("S1,1,2032-05-04T10:00,B1,,C1,A1,1,9.50,,", 0, 0, 0),  # another day
        ("S1,1,2032-05-03T10:00,B2,,C1,A1,1,9.50,,", 0, 0, 0),  # another branch
        (SOLD + "S2,1,2032-05-03T11:00,B1,,,A1,1,9.50,refund,S1", 0, 0, 1),  # the same day
        (SOLD + "S2,1,2032-05-02T11:00,B1,,,A1,1,9.50,refund,S1", 1, 1, 1),  # before the sale
        (SOLD + "S2,1,2032-05-17T10:00,B1,,,A1,1,9.50,refund,S1", 0, 0, 1),  # day 14
        (SOLD + "S2,1,2032-05-18T10:00,B1,,,A1,1,9.50,refund,S1", 1, 1, 1),  # day 15
        (SOLD + "S2,1,2032-05-17T10:00,B1,,,A1,-1,-9.50,refund,S1", 0, 0, 1),  # the sign does not matter
        (SOLD + "S2,1,2032-05-17T10:00,B1,,,J1,1,9.50,refund,S1", 1, 1, 1),  # no aftercare comes back
        (SOLD + "S2,1,2032-05-17T10:00,B1,,,A1,1,9.50,refund,S9", 1, 1, 1),  # of a sale nobody knows
        (SOLD + "S2,1,2032-05-17T10:00,B1,V1,,A1,1,9.50,refund,", 0, 0, 1),  # names none: 14 days after its visit
        (SOLD + "S2,1,2032-05-18T10:00,B1,V1,,A1,1,9.50,refund,", 1, 1, 1),
        (SOLD + "S1,2,2032-05-05T10:00,B1,,,A1,1,9.50,void,", 0, 0, 0),
        (SOLD.replace("A1,1", "A1,2") + "S2,1,2032-05-17T10:00,B1,,,A2,1,9.50,refund,S1", 1, 1, 1),  # one is left
        (SOLD + "S3,1,2032-05-03T10:00,B1,V1,,A1,1,0,gift,\nS2,1,2032-05-04T10:00,B1,,,A1,1,9,refund,S1", 0, 1, 1),
    ],
)
def test_attached_provided_linked(tmp_path: Path, sales: str, attached: int, provided: int, linked: int) -> None:
    row = attach(tmp_path, sales)
    assert (row["attached_visits"], row["provided_visits"], row["linked_visits"]) == (attached, provided, linked)
    assert (row["eligible_visits"], row["rate"]) == (1, attached)


def test_a_refund_counts_from_the_day_of_the_line_it_takes_back(tmp_path: Path) -> None:
    # Line 2 has the refund's product and was sold on the 5th: 2032-05-19 is its day 14, though line 1's day 16.
    sold = SOLD.replace("A1", "J1") + "S1,2,2032-05-05T10:00,B1,V1,,A1,1,9.50,,\n"
    assert attach(tmp_path, sold + "S2,1,2032-05-19T10:00,B1,,,A1,1,9.50,refund,S1")["attached_visits"] == 0
    assert attach(tmp_path, sold + "S2,1,2032-05-20T10:00,B1,,,A1,1,9.50,refund,S1")["attached_visits"] == 1


def test_a_visit_goes_by_its_first_piercing(tmp_path: Path) -> None:
    found = night(
        tmp_path,
        procedures="""
        procedure_id,visit_id,branch_id,performed_at,site,practitioner_id,status
        P1,V1,B1,2032-05-10T00:10,lobe,N2,
        P2,V1,B2,2032-05-09T23:50,lobe,N1,completed
        P0,V1,B3,2032-05-09T23:00,lobe,N3,void
        """,
    )
    # P2 is the first completed one: branch B2, practitioner N1, and the week of Monday 2032-05-03.
    keys = {(row["dimension"], row["level"], row["period"]) for row in found["attach"]}
    slices = {("all", "all"), ("branch", "B2")}
    weeks = {(*one, "week:2032-05-03") for one in slices}
    assert keys == weeks | {(*one, "52w") for one in slices} | {("practitioner", "N1", "52w")}
    visits = {(row["week"], row["branch_id"]): (row["visits"], row["procedures"]) for row in found["weekly"]}
    assert visits == {(date(2032, 5, 3), "B2"): (1, 1), (date(2032, 5, 10), "B1"): (0, 1)}


def test_due_revisits_and_threads(tmp_path: Path) -> None:
    found = night(
        tmp_path,
        revisits="""
        revisit_id,thread_id,visit_id,branch_id,booked_at,starts_at,status
        R1,T1,V1,B1,2032-06-01T10:00,2032-06-07T10:00,moved
        R2,T1,V1,B1,2032-06-01T10:00,2032-06-08T10:00,no_show
        R3,T1,V1,B1,2032-06-01T10:00,2032-06-22T10:00,attended
        R4,,V2,B1,2032-06-01T10:00,2032-06-09T10:00,no_show
        R5,,V3,B1,2032-06-01T10:00,2032-06-09T10:00,unknown
        R6,,V4,B1,2032-06-01T10:00,2032-06-30T23:00,booked
        R7,,V5,B1,2032-06-01T10:00,2032-07-01T09:00,booked
        R8,,V6,B1,2032-06-01T10:00,2032-06-09T10:00,cancelled_early
        R9,,V7,B1,2032-06-01T10:00,2032-06-09T10:00,cancelled_late
        """,
    )
    # Due: R2, R3, R4, R5, R6 (its start has passed by A, still booked), R9. Threads: T1, R4, R5, R6, R9; kept: T1.
    year = only(found["revisits"], dimension="all", period="52w")
    names = ("due", "attended", "no_show", "cancelled_late", "unknown", "threads", "kept_in_the_end")
    assert [year[name] for name in names] == [6, 1, 2, 1, 2, 5, 1]
    assert year["no_show_rate"] == 2 / 6
    # In the week of Monday 2032-06-07: R2, R4, R5, R9; T1 is kept in the end, two weeks later.
    week = only(found["revisits"], dimension="branch", level="B1", period="week:2032-06-07")
    assert [week[name] for name in names] == [4, 0, 2, 1, 1, 4, 1]
    # In the week of A itself: R6, not R7, which starts a day after A.
    assert only(found["revisits"], dimension="all", period="week:2032-06-28")["due"] == 1


def test_weekly_money_by_currency(tmp_path: Path) -> None:
    found = night(
        tmp_path,
        procedures=f"{PIERCINGS}\nP1,V1,B1,2032-05-03T10:00,lobe\n",
        products=PRODUCTS,
        sales="""
        sale_id,line_no,sold_at,branch_id,product_id,quantity,net_amount,line_type,currency
        S1,1,2032-05-03T10:00,B1,A1,1,9.50,,
        S1,2,2032-05-03T10:00,B1,J1,1,40,sale,
        S2,1,2032-05-04T10:00,B1,A1,1,3,gift,EUR
        S3,1,2032-05-05T10:00,B1,A1,1,-2.25,refund,EUR
        S4,1,2032-05-05T10:00,B1,A1,1,100,,
        S4,2,2032-05-05T10:00,B1,A1,1,100,void,
        S5,1,2032-05-10T10:00,B1,A1,1,1,refund,
        S6,1,2032-05-17T10:00,B1,X1,1,1,,
        """,
    )
    rows = [
        (row["week"], row["currency"], row["visits"], row["aftercare_net"], row["jewellery_net"])
        for row in found["weekly"]
    ]
    assert rows == [
        (date(2032, 5, 3), None, 1, Decimal("9.50"), Decimal(40)),
        (date(2032, 5, 3), "EUR", None, Decimal("0.75"), Decimal(0)),  # 3 less 2.25; counts stand in the first row
        (date(2032, 5, 10), None, 0, Decimal(-1), Decimal(0)),
    ]  # S4 is void; S6 is of no category and puts no week on the list


def test_a_week_is_mature_44_days_after_its_sunday(tmp_path: Path) -> None:
    # The Sunday of the week of 2032-05-10 is 2032-05-16, 44 days before 2032-06-29.
    procedures = f"{PIERCINGS}\nP1,V1,B1,2032-05-10T10:00,lobe\n"
    for as_of, is_mature in ((date(2032, 6, 28), False), (date(2032, 6, 29), True)):
        (row,) = night(tmp_path, as_of, procedures=procedures)["weekly"]
        assert row["mature"] is is_mature
