"""Calls on the pages: each branch's own on its page, and how many on the owner's, without client or practitioner."""

from datetime import timedelta
from typing import Any

import pytest

from reports.edition import Edition
from reports.pages import branch, index
from reports.parts import Cell
from support.editions import AS_OF, written

from . import rows


def call(visit_id: str = "V1", **changes: Any) -> dict[str, Any]:
    """A row of calls: a complication not known to be over."""
    told = {"branch_id": "B1", "visit_id": visit_id, "urgency": 3, "reason": "unresolved", "about": "minor_infection"}
    return told | {"since": AS_OF - timedelta(days=9), "due_on": AS_OF - timedelta(days=2)} | changes


RED = {"urgency": 1, "reason": "red_flag", "about": "embedded_stud", "due_on": AS_OF}
SIGNAL = {"urgency": 2, "reason": "signal"}


def edition(*calls: dict[str, Any]) -> Edition:
    results = {"branches": [rows.branch(), rows.branch("B2")], "weekly": [rows.week()], "calls": calls}
    return written(results=results)


@pytest.mark.usefixtures("drawn")
def test_a_branch_sees_its_own_calls_the_most_urgent_first() -> None:
    page = branch.build(edition(call("V1"), call("V2", **RED), call("V3", branch_id="B2")), "B1")
    assert page.calls is not None
    assert [row[0] for row in page.calls.rows] == ["V2", "V1"]
    assert page.calls.rows[0][1:] == (
        Cell("Embedded stud or clasp, and no clinician is known to have seen it", is_marked=True),
        *("7 Feb 2031", "16 Feb 2031"),
    )
    assert page.calls.rows[1][1] == Cell("Minor infection")
    assert page.call_words[1:] == (
        "Medical care today: Has a clinician seen the ear? If not, send the client to medical care today.",
        "A complication that nobody said is over: Is it over, and since which day? Has a clinician seen it?",
    )


@pytest.mark.usefixtures("drawn")
def test_of_many_the_first_are_listed_and_of_none_there_is_no_table() -> None:
    many = [call(f"V{at:02}") for at in range(16)]
    page = branch.build(edition(*many), "B1")
    assert page.calls is not None
    assert (len(page.calls.rows), page.calls.caption) == (15, "The first 15 of 16")
    assert branch.build(edition(*many), "B2").calls is None


@pytest.mark.usefixtures("drawn")
def test_every_call_for_medical_care_today_is_listed() -> None:
    page = branch.build(edition(call("V99"), *(call(f"V{at:02}", **RED) for at in range(17))), "B1")
    assert page.calls is not None
    assert (len(page.calls.rows), page.calls.caption) == (17, "The first 17 of 18")


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize(
    ("about", "told"),
    [
        ("contact_allergy|article|K4", "Article K4, looked into for contact allergy"),
        ("infection|practitioner|P-1", "One practitioner’s piercings, looked into for infection"),
        ("infection|practitioner:site_group|P-1:lobe", "One practitioner’s piercings, looked into for infection"),
    ],
)
def test_what_a_client_was_exposed_to_is_named_but_nobody_who_pierced(about: str, told: str) -> None:
    page = branch.build(edition(call(**SIGNAL, about=about)), "B1")
    assert page.calls is not None
    assert page.calls.rows[0][1] == Cell(told)


@pytest.mark.usefixtures("drawn")
def test_the_owner_sees_how_many_for_each_reason() -> None:
    calls = [call("V1", **RED), call("V2", **RED), call("V3"), call("V4", **SIGNAL, about="infection|lot|L1")]
    (first, *_) = index.build(edition(*calls)).to_do
    assert first.text == "Make 4 follow-up calls, 2 of them for medical care today."
    assert first.note == (
        "2 for medical care today; 1 for what is being looked into; 1 for complications not known to be over."
    )
    (first, *_) = index.build(edition(call())).to_do
    assert first.text == "Make 1 follow-up call."
    assert not [item for item in index.build(edition()).to_do if "call" in item.text]
