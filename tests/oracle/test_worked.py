"""Rates, reports and who was reached, worked out by hand from the contract's text.

As of 2032-06-30 a window of 30 days is mature up to 2032-05-17 (44 days before), one of 90 days up to 2032-03-18 (104
days before), one of 365 days up to 2031-06-17 (379 days before; 2032 is a leap year).
"""

from datetime import date
from pathlib import Path

import pytest

from .intervals import garwood, wilson
from .words import Row
from .worked import PIERCINGS, night, rate


def test_rates_count_mature_piercings_of_364_days(tmp_path: Path) -> None:
    # 364 days that end on 2032-05-17 begin on 2031-05-20: 2031-05-17 is 366 days before, a leap day lies between.
    found = night(
        tmp_path,
        procedures=f"""
        {PIERCINGS}
        P1,V1,B1,2032-05-17T23:59,lobe
        P2,V2,B1,2032-05-18T00:00,lobe
        P3,V3,B1,2031-05-20T00:00,lobe
        P4,V4,B1,2031-05-19T23:59,helix
        """,
    )
    row = rate(found, "minor_infection")
    assert (row["period_start"], row["period_end"]) == (date(2031, 5, 20), date(2032, 5, 17))
    assert row["procedures"] == 2  # P1 and P3
    assert row["data_from"] == date(2031, 5, 19)
    assert rate(found, "keloid")["procedures"] == 2  # mature up to 2031-06-17: P3 and P4
    assert rate(found, "embedded_stud")["procedures"] == 2  # 2031-03-21 to 2032-03-18: P3 and P4


def test_a_level_without_mature_piercings_has_empty_rates(tmp_path: Path) -> None:
    found = night(tmp_path, procedures=f"{PIERCINGS}\nP1,V1,B1,2032-06-30T10:00,lobe\n")
    row = rate(found, "any", "branch", "B1")
    assert (row["procedures"], row["events"], row["reached"]) == (0, 0, 0)
    assert [row[name] for name in ("rate", "wilson_low", "coverage", "rate_reached", "reached_low")] == [None] * 5
    assert len(found["complication_rates"]) == 16 * 11  # 14 kinds and 2 groups; every dimension but batch has a level


def test_an_onset_counts_from_day_0_to_the_window_s_last_day(tmp_path: Path) -> None:
    # Pierced on 2032-05-01, so day 30 is 2032-05-31.
    found = night(
        tmp_path,
        procedures=f"""
        {PIERCINGS}
        P1,V1,B1,2032-05-01T10:00,lobe
        P2,V2,B1,2032-05-01T10:00,lobe
        P3,V3,B1,2032-05-01T10:00,lobe
        P4,V4,B1,2032-05-01T10:00,lobe
        P5,V5,B1,2032-05-01T10:00,lobe
        """,
        follow_ups="""
        follow_up_id,procedure_id,contacted_at,outcome,complication,onset_on
        F1,P1,2032-06-10T10:00,complication,minor_infection,2032-04-30
        F2,P2,2032-06-10T10:00,complication,minor_infection,2032-05-01
        F3,P3,2032-06-10T10:00,well,minor_infection,2032-05-31
        F4,P4,2032-06-10T10:00,complication,minor_infection,2032-06-01
        F5,P5,2032-05-31T23:59,no_answer,minor_infection,
        """,
    )
    # P1 a day early, P4 a day late; P3's outcome does not matter; P5's onset is its contact day.
    assert rate(found, "minor_infection")["events"] == 3
    assert rate(found, "infection")["events"] == 3
    assert rate(found, "minor_infection")["rate"] == 3 / 5


def test_long_windows_hold_for_their_kind_but_not_for_any(tmp_path: Path) -> None:
    # Onsets 90 and 91 days after 2031-07-01: 2031-09-29 and 2031-09-30.
    found = night(
        tmp_path,
        procedures=f"{PIERCINGS}\nP1,V1,B1,2031-07-01T10:00,lobe\nP2,V2,B1,2031-07-01T10:00,lobe\n",
        follow_ups="""
        follow_up_id,procedure_id,contacted_at,outcome,complication,onset_on
        F1,P1,2031-12-01T10:00,complication,contact_allergy,2031-09-29
        F2,P2,2031-12-01T10:00,complication,contact_allergy,2031-09-30
        """,
    )
    assert rate(found, "contact_allergy")["events"] == 1
    assert rate(found, "any")["events"] == 0


def test_kinds_groups_and_the_day_itself(tmp_path: Path) -> None:
    found = night(
        tmp_path,
        procedures="""
        procedure_id,visit_id,branch_id,performed_at,site,immediate_event
        P1,V1,B1,2032-05-01T10:00,lobe,
        P2,V2,B1,2032-05-01T10:00,lobe,faint
        P3,V3,B1,2032-05-01T10:00,lobe,tear
        P4,V4,B1,2032-05-01T10:00,lobe,none
        """,
        follow_ups="""
        follow_up_id,procedure_id,contacted_at,outcome,complication
        F1,P1,2032-05-08T10:00,complication,minor_infection
        F2,P1,2032-05-09T10:00,complication,perichondritis
        F3,P4,2032-05-09T10:00,complication,
        """,
    )
    # P1: two kinds, one infection. P2: a faint, which is not in `any`. P4: an unnamed complication is `other`.
    events = {name: rate(found, name)["events"] for name in ("infection", "perichondritis", "faint", "tear", "other")}
    assert events == {"infection": 1, "perichondritis": 1, "faint": 1, "tear": 1, "other": 1}
    assert rate(found, "any")["events"] == 3  # P1, P3, P4


def visit_reports(tmp_path: Path, follow_ups: str) -> list[tuple[str, int]]:
    """Give the sites with a tear, each with how many of its events are attributed, in a visit of three piercings."""
    found = night(
        tmp_path,
        procedures="""
        procedure_id,visit_id,client_key,branch_id,performed_at,ear,site
        Q2,V1,C1,B1,2032-05-01T10:00,left,lobe
        Q1,V1,C1,B1,2032-05-01T10:05,left,helix
        Q3,V1,C1,B1,2032-05-01T10:10,,rook
        Q9,V2,C1,B1,2032-05-10T10:00,left,tragus
        """,
        follow_ups=follow_ups,
    )
    rows = [row for row in found["complication_rates"] if row["dimension"] == "site" and row["complication"] == "tear"]
    return [(row["level"], row["attributed"]) for row in rows if row["events"]]


@pytest.mark.parametrize(
    ("link", "expected"),
    [
        ("V1,,,,", [("helix", 1)]),  # all match: the first procedure_id in text order is Q1
        ("V1,,,left,lobe", [("lobe", 1)]),  # only Q2 matches, but it is not named
        ("V1,,,left,", [("helix", 1)]),  # Q1 and Q2; Q3 has no ear and the report names one
        ("V1,,,,rook", [("rook", 1)]),  # the report names no ear, so Q3 matches
        ("V1,,,right,", [("helix", 1)]),  # none matches: all are taken
        ("V1,Q2,,,", [("lobe", 0)]),  # named
        (",Q3,,left,lobe", [("rook", 0)]),  # named, whatever ear and site say
        ("V1,Q9,,,lobe", [("lobe", 1)]),  # of another visit: counts as empty
        ("V8,Q1,,,", []),  # a visit that nobody knows
        (",Q8,C1,,", [("tragus", 1)]),  # leads nowhere: the client's latest visit by 2032-05-12
        (",,C1,,", [("tragus", 1)]),
    ],
)
def test_a_report_belongs_to_one_piercing(tmp_path: Path, link: str, expected: list[tuple[str, int]]) -> None:
    header = "follow_up_id,contacted_at,outcome,complication,visit_id,procedure_id,client_key,ear,site"
    row = f"F1,2032-05-12T10:00,complication,tear,{link}"
    assert visit_reports(tmp_path, f"{header}\n{row}\n") == expected


def test_a_client_s_report_goes_by_its_onset(tmp_path: Path) -> None:
    # Heard of on the 12th, when V2 of the 10th had been; begun on the 9th, when only V1 of the 1st had.
    report = (
        "follow_up_id,client_key,contacted_at,outcome,complication,onset_on\nF1,C1,2032-05-12T10:00,complication,tear,"
    )
    assert visit_reports(tmp_path, f"{report}2032-05-09\n") == [("helix", 1)]
    assert visit_reports(tmp_path, f"{report}2032-05-10\n") == [("tragus", 1)]
    assert visit_reports(tmp_path, f"{report}2032-04-30\n") == []


def test_an_event_named_once_is_not_attributed(tmp_path: Path) -> None:
    header = "follow_up_id,visit_id,procedure_id,contacted_at,outcome,complication"
    rows = "F1,V1,,2032-05-12T10:00,complication,tear\nF2,V1,Q1,2032-05-13T10:00,complication,tear\n"
    assert visit_reports(tmp_path, f"{header}\n{rows}") == [("helix", 0)]


def reached(tmp_path: Path, follow_up: str = "", revisit: str = "") -> Row:
    """Give the row of minor_infection for one piercing of 2032-05-01 and what the branch heard of it."""
    return rate(
        night(
            tmp_path,
            procedures=f"{PIERCINGS}\nP1,V1,B1,2032-05-01T10:00,lobe\n",
            follow_ups=f"follow_up_id,visit_id,contacted_at,outcome,initiated_by,channel\n{follow_up}\n",
            revisits=f"revisit_id,visit_id,branch_id,starts_at,status,purpose\n{revisit}\n",
        ),
        "minor_infection",
    )


@pytest.mark.parametrize(
    ("follow_up", "is_reached"),
    [
        ("F1,V1,2032-05-06T10:00,well,branch,", 0),  # day 5: a fifth of 30 days is 6
        ("F1,V1,2032-05-07T10:00,well,branch,", 1),  # day 6
        ("F1,V1,2032-06-14T10:00,well,branch,", 1),  # day 44
        ("F1,V1,2032-06-15T10:00,well,branch,", 0),  # day 45
        ("F1,V1,2032-05-15T10:00,complication,branch,", 1),
        ("F1,V1,2032-05-15T10:00,no_answer,branch,", 0),
        ("F1,V1,2032-05-15T10:00,declined,branch,", 0),
        ("F1,V1,2032-05-15T10:00,well,client,phone", 0),
        ("F1,V1,2032-05-15T10:00,well,branch,review", 1),
        ("F1,V1,2032-05-15T10:00,well,,phone", 1),
        ("F1,V1,2032-05-15T10:00,well,,walk_in", 0),
        ("F1,V1,2032-05-15T10:00,well,,", 0),
    ],
)
def test_reached_by_asking(tmp_path: Path, follow_up: str, is_reached: int) -> None:
    assert reached(tmp_path, follow_up=follow_up)["reached"] == is_reached


@pytest.mark.parametrize(
    ("revisit", "is_reached"),
    [
        ("R1,V1,B1,2032-05-07T10:00,attended,check", 1),
        ("R1,V1,B1,2032-05-07T10:00,attended,", 1),
        ("R1,V1,B1,2032-05-07T10:00,attended,problem", 0),
        ("R1,V1,B1,2032-05-07T10:00,no_show,check", 0),
        ("R1,V1,B1,2032-05-06T10:00,attended,check", 0),
    ],
)
def test_reached_at_a_revisit(tmp_path: Path, revisit: str, is_reached: int) -> None:
    assert reached(tmp_path, revisit=revisit)["reached"] == is_reached


def test_wilson_and_garwood() -> None:
    # Newcombe RG (1998), Statistics in Medicine 17:857-872, Table I, method 3 (from memory).
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert wilson(0, 20) == pytest.approx((0, 0.1611), abs=5e-5)
    assert wilson(20, 20) == pytest.approx((1 - 0.1611, 1), abs=5e-5)
    # Garwood F (1936), Biometrika 28:437-442: limits of a count of 10, of 4 and of 0 (from memory).
    assert garwood(10) == pytest.approx((4.795, 18.390), abs=5e-4)
    assert garwood(4) == pytest.approx((1.090, 10.242), abs=5e-4)
    assert garwood(0) == pytest.approx((0, 3.689), abs=5e-4)
