"""Whom to call: each reason on the days where it begins and ends, what puts a call off, and the order of the list."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.judge.calling import Asking, due_calls

AS_OF = date(2031, 2, 14)
Row = dict[str, Any]

PIERCINGS = {"procedure_id": pl.String, "visit_id": pl.String, "performed_on": pl.Date, "lot_no": pl.String}
PIERCINGS |= dict.fromkeys(("branch_id", "site_group", "practitioner_id", "article_id"), pl.String)
BATCHES = {"procedure_id": pl.String, "batch_no": pl.String}
REPORTS = {"visit_id": pl.String, "kind": pl.String, "severity": pl.Int64, "reported_on": pl.Date}
REPORTS |= {"is_immediate": pl.Boolean, "over_on": pl.Date, "clinician_on": pl.Date}
VISITS = {"visit_id": pl.String, "branch_id": pl.String, "visited_on": pl.Date, "follow_up_policy": pl.String}
VISITS |= {"attempts": pl.Int64, "last_asked_on": pl.Date, "no_answers": pl.Int64, "last_answered_on": pl.Date}
VISITS |= {"is_declined": pl.Boolean}
MISSED = {"visit_id": pl.String, "starts_on": pl.Date, "status": pl.String}
SIGNALS = dict.fromkeys(("complication", "dimension", "level"), pl.String)
SIGNALS |= {"started_on": pl.Date, "raised_on": pl.Date}


def ago(days: int) -> date:
    return AS_OF - timedelta(days=days)


def visit(name: str = "V1", **changes: Any) -> Row:
    """A visit of long ago that was asked in time, and answered."""
    asked = {"attempts": 1, "last_asked_on": ago(80), "no_answers": 0, "last_answered_on": ago(80)}
    return {"visit_id": name, "branch_id": "B1", "visited_on": ago(90), "is_declined": False} | asked | changes


def report(**changes: Any) -> Row:
    told = {"visit_id": "V1", "kind": "minor_infection", "severity": 1, "reported_on": ago(10), "is_immediate": False}
    return told | changes


def asking(visits: list[Row], **others: list[Row]) -> Asking:
    schemas = {"piercings": PIERCINGS, "batches": BATCHES, "reports": REPORTS, "missed": MISSED, "signals": SIGNALS}
    frames = {name: pl.DataFrame(others.get(name, []), schema=schema) for name, schema in schemas.items()}
    return Asking(as_of=AS_OF, visits=pl.DataFrame(visits, schema=VISITS), **frames)


def calls(visits: list[Row], **others: list[Row]) -> list[Row]:
    return due_calls(asking(visits, **others)).rows(named=True)


def reasons(visits: list[Row], **others: list[Row]) -> list[str]:
    return [row["reason"] for row in calls(visits, **others)]


def test_where_nothing_is_open_nobody_is_called() -> None:
    assert calls([visit()]) == []
    assert calls([]) == []


# Complications


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"reported_on": ago(6)}, None),
        ({"reported_on": ago(7)}, "unresolved"),
        ({"reported_on": ago(90)}, "unresolved"),
        ({"reported_on": ago(91)}, None),
        ({"over_on": ago(1)}, None),
        ({"kind": "faint"}, None),
        ({"is_immediate": True}, None),
        ({"severity": None}, "unresolved"),
        ({"severity": 2}, "unresolved"),
        ({"severity": 3}, "red_flag"),
        ({"severity": 4, "reported_on": ago(0)}, "red_flag"),
        ({"kind": "perichondritis"}, "red_flag"),
        ({"kind": "systemic_infection", "severity": None, "reported_on": ago(0)}, "red_flag"),
        ({"kind": "embedded_stud"}, "red_flag"),
        ({"kind": "excess_bleeding"}, "red_flag"),
        ({"kind": "embedded_stud", "reported_on": ago(91)}, None),
        ({"kind": "embedded_stud", "over_on": ago(1)}, None),
        ({"kind": "embedded_stud", "clinician_on": ago(9)}, "unresolved"),  # seen, but not known to be over
        ({"kind": "embedded_stud", "clinician_on": ago(2), "reported_on": ago(3)}, None),
        ({"kind": "excess_bleeding", "is_immediate": True}, None),  # dealt with where it happened
    ],
)
def test_a_complication_is_asked_after(changes: Row, reason: str | None) -> None:
    assert reasons([visit()], reports=[report(**changes)]) == ([reason] if reason else [])


def test_a_red_flag_is_due_today_and_others_a_week_after_their_report() -> None:
    (red,) = calls([visit()], reports=[report(kind="perichondritis", reported_on=ago(30))])
    assert (red["about"], red["since"], red["due_on"]) == ("perichondritis", ago(30), AS_OF)
    (other,) = calls([visit()], reports=[report(reported_on=ago(30))])
    assert (other["about"], other["since"], other["due_on"]) == ("minor_infection", ago(30), ago(23))


# Signals


def piercing(**changes: Any) -> Row:
    return {
        "procedure_id": "P1",
        "visit_id": "V1",
        "performed_on": ago(20),
        "lot_no": "L1",
        "branch_id": "B1",
    } | changes


def signal(**changes: Any) -> Row:
    told = {"complication": "infection", "dimension": "lot", "level": "L1"}
    return told | {"started_on": ago(30), "raised_on": ago(5)} | changes


LATELY = {"visited_on": ago(20), "last_asked_on": ago(17), "last_answered_on": ago(17)}
"""Answered on day 3, too early to vouch for 30 days."""


@pytest.mark.parametrize(
    ("of_signal", "of_piercing", "is_called"),
    [
        ({}, {}, True),
        ({"level": "L2"}, {}, False),
        ({"dimension": "all", "level": "all"}, {}, False),  # of the whole chain: exposed to nothing in particular
        ({"dimension": "site_group", "level": "lobe"}, {"site_group": "lobe"}, False),
        ({"dimension": "branch", "level": "B1"}, {}, True),
        ({"dimension": "batch", "level": "BT"}, {}, True),
        ({"dimension": "batch", "level": "BT-2"}, {}, False),
        ({"dimension": "lot:site_group", "level": "L1:lobe"}, {"site_group": "lobe"}, True),
        ({"dimension": "lot:site_group", "level": "L1:lobe"}, {"site_group": "other"}, False),
        ({"raised_on": AS_OF}, {}, True),
        ({"raised_on": AS_OF + timedelta(days=1)}, {}, False),  # not raised yet on the day
        ({"started_on": ago(20)}, {}, True),
        ({"started_on": ago(19)}, {}, False),
        ({}, {"performed_on": AS_OF}, True),
        ({"started_on": ago(200)}, {"performed_on": ago(44)}, True),
        ({"started_on": ago(200)}, {"performed_on": ago(45)}, False),  # too late for an answer to tell
        ({"started_on": ago(200), "complication": "contact_allergy"}, {"performed_on": ago(104)}, True),
        ({"started_on": ago(200), "complication": "contact_allergy"}, {"performed_on": ago(105)}, False),
    ],
)
def test_the_exposed_of_an_open_signal_are_called(of_signal: Row, of_piercing: Row, is_called: bool) -> None:
    early = {"last_answered_on": None, "last_asked_on": None, "attempts": 1}
    batches = [{"procedure_id": "P1", "batch_no": "BT"}]
    found = reasons(
        [visit(**early)], piercings=[piercing(**of_piercing)], signals=[signal(**of_signal)], batches=batches
    )
    assert found == (["signal"] if is_called else [])


@pytest.mark.parametrize(
    ("answered_on", "is_called"),
    [
        (ago(17), True),  # day 3
        (ago(15), True),  # day 5
        (ago(14), False),  # day 6, a fifth of 30: it vouches for the window
        (None, True),
    ],
)
def test_the_exposed_who_were_reached_are_not_called(answered_on: date | None, is_called: bool) -> None:
    found = reasons([visit(**LATELY | {"last_answered_on": answered_on})], piercings=[piercing()], signals=[signal()])
    assert found == (["signal"] if is_called else [])


def test_an_answer_since_the_signal_was_raised_is_enough() -> None:
    told = {"visited_on": ago(9), "last_asked_on": ago(6), "attempts": 1}
    for answered_on, is_called in ((ago(6), True), (ago(5), False)):
        visits = [visit(**told | {"last_answered_on": answered_on})]
        found = reasons(visits, piercings=[piercing(performed_on=ago(9))], signals=[signal()])
        assert found == (["signal"] if is_called else [])


def test_a_signal_s_call_stands_since_it_was_raised_or_the_piercing_if_later() -> None:
    for performed_on, since in ((ago(20), ago(5)), (ago(3), ago(3))):
        visits = [visit(visited_on=performed_on, last_answered_on=None, last_asked_on=None)]
        (call,) = calls(visits, piercings=[piercing(performed_on=performed_on)], signals=[signal()])
        assert (call["about"], call["since"], call["due_on"]) == ("infection|lot|L1", since, since)


# Revisits missed, and first checks


@pytest.mark.parametrize(
    ("days", "answered", "is_called"),
    [
        *((13, 80, False), (14, 80, True), (60, 80, True), (61, 80, False)),
        *((30, 30, False), (30, 31, True), (30, None, True)),
    ],
)
def test_a_missed_revisit_is_followed_up_from_day_14_to_60(days: int, answered: int | None, is_called: bool) -> None:
    visits = [visit(last_answered_on=ago(answered) if answered else None)]
    found = calls(visits, missed=[{"visit_id": "V1", "starts_on": ago(days), "status": "no_show"}])
    told = [(row["reason"], row["about"], row["since"], row["due_on"]) for row in found]
    assert told == ([("missed_revisit", "no_show", ago(days), ago(days - 14))] if is_called else [])


NOT_ASKED = {"attempts": 0, "last_asked_on": None, "last_answered_on": None}


@pytest.mark.parametrize(
    ("changes", "is_called"),
    [
        ({"visited_on": ago(13)}, False),
        ({"visited_on": ago(14)}, True),
        ({"visited_on": ago(44)}, True),
        ({"visited_on": ago(45)}, False),
        ({"visited_on": ago(20), "follow_up_policy": "passive"}, False),
        ({"visited_on": ago(20), "follow_up_policy": "message"}, True),
        ({"visited_on": ago(20), "attempts": 1, "last_asked_on": ago(10), "no_answers": 1}, False),
        ({"visited_on": ago(20), "last_answered_on": ago(5)}, False),  # seen at a revisit
    ],
)
def test_the_first_check_is_due_from_day_14(changes: Row, is_called: bool) -> None:
    found = calls([visit(**NOT_ASKED | changes)])
    since: date = changes["visited_on"]
    told = [("first_check", None, since, since + timedelta(days=14))]
    assert [(row["reason"], row["about"], row["since"], row["due_on"]) for row in found] == (told if is_called else [])


# What puts a call off


@pytest.mark.parametrize(
    ("changes", "is_called"),
    [
        ({"last_asked_on": ago(0)}, False),
        ({"last_asked_on": ago(1)}, False),
        ({"last_asked_on": ago(2)}, True),
        ({"last_answered_on": ago(1)}, False),  # seen at a revisit yesterday
        ({"no_answers": 2}, True),
        ({"no_answers": 3}, False),
        ({"is_declined": True}, False),
    ],
)
def test_a_visit_asked_lately_in_vain_or_declined_is_left_alone_but_for_red_flags(
    changes: Row, is_called: bool
) -> None:
    assert reasons([visit(**changes)], reports=[report()]) == (["unresolved"] if is_called else [])
    assert reasons([visit(**changes)], reports=[report(kind="perichondritis")]) == ["red_flag"]


def test_what_is_put_off_does_not_stand_beside_a_red_flag_either() -> None:
    reports = [report(kind="perichondritis"), report(kind="lost_stud")]
    assert [row["others"] for row in calls([visit()], reports=reports)] == [["unresolved"]]
    assert [row["others"] for row in calls([visit(is_declined=True)], reports=reports)] == [[]]
    missed = [{"visit_id": "V1", "starts_on": ago(30), "status": "no_show"}]
    (call,) = calls([visit()], reports=reports, missed=missed)
    assert call["others"] == ["unresolved", "missed_revisit"]  # the most urgent first


# The list


def test_a_visit_stands_once_under_its_most_urgent_reason_and_the_earliest_of_it() -> None:
    (call,) = calls(
        [visit()],
        reports=[report(reported_on=ago(20), kind="tear"), report(reported_on=ago(40)), report(reported_on=ago(30))],
        missed=[{"visit_id": "V1", "starts_on": ago(50), "status": "unknown"}],
    )
    assert (call["reason"], call["about"], call["since"]) == ("unresolved", "minor_infection", ago(40))
    assert (call["urgency"], call["others"]) == (3, ["missed_revisit"])


def test_the_most_urgent_come_first_then_those_due_first_then_by_branch_and_visit() -> None:
    names = ("V5", "V4", "V3", "V2", "V1")
    visits = [visit(name, branch_id="B2" if name == "V1" else "B1") for name in names]
    reports = [
        *(report(visit_id=name, reported_on=ago(10)) for name in ("V1", "V2", "V3")),
        report(visit_id="V4", reported_on=ago(11)),
        report(visit_id="V5", kind="perichondritis", reported_on=ago(0)),
    ]
    assert [row["visit_id"] for row in calls(visits, reports=reports)] == ["V5", "V4", "V2", "V3", "V1"]
    assert calls(visits[::-1], reports=reports[::-1]) == calls(visits, reports=reports)
