"""The lists behind `scapha trace` and `scapha calls`: by piercing, report and visit."""

import pytest

from support.texttables import check_file

# Piercings exposed


def test_each_piercing_with_its_levels_mature_or_not() -> None:
    piercings = """
        procedure_id | visit_id | branch_id | practitioner_id | performed_on | ear  | age_band | article_id | lot_no
        P1           | V1       | B1        | P-1             | 2030-01-01   | left | 11-15    | K1         | L1
        P2           | V1       | B1        |                 | 2031-02-14   |      |          |            |
        """
    check_file("traced_piercings", piercings=piercings, gives=piercings)
    groups = "procedure_id | site | site_group | material\nP1 | lobe | lobe | gold\nP2 | helix | upper_cartilage |"
    check_file("traced_piercings", piercings=groups, gives=groups)


def test_a_piercing_is_reached_on_the_first_day_of_an_answer_in_its_window() -> None:
    # A fifth of 30 days is 6; the last day is 30 + 14.
    check_file(
        "traced_piercings",
        piercings="procedure_id | visit_id | performed_on\n"
        + "\n".join(f"P{n} | V{n} | 2031-01-01" for n in range(1, 5)),
        answers="""
        visit_id | answered_on
        V1       | 2031-01-06
        V1       | 2031-02-14
        V1       | 2031-02-15
        V2       | 2031-01-07
        V2       | 2031-01-20
        V3       | 2031-01-06
        V3       | 2031-02-15
        """,
        gives="procedure_id | reached_on\nP1 | 2031-02-14\nP2 | 2031-01-07\nP3 |\nP4 |",
    )


def test_a_piercing_is_infected_by_its_event_of_the_group() -> None:
    check_file(
        "traced_piercings",
        piercings="procedure_id | performed_on\nP1 | 2031-01-01\nP2 | 2031-01-01\nP3 | 2031-01-01",
        events="""
        procedure_id | complication
        P1           | infection
        P1           | any
        P2           | any
        """,
        gives="procedure_id | is_infected\nP1 | true\nP2 | false\nP3 | false",
    )


def test_batches_as_exposed() -> None:
    check_file(
        "traced_batches",
        exposures="procedure_id | batch_no\nP1 | BT-1\nP1 | BT-2\nP2 | BT-1",
        gives="procedure_id | batch_no\nP1 | BT-1\nP1 | BT-2\nP2 | BT-1",
    )


# Reports, and what is known of them since


def _reports(contacts: str, gives: str, **params: object) -> None:
    """The report F1 of P1, of a minor infection told on 2031-01-10, beside further contacts about its visit."""
    names = ("follow_up_id", "visit_id", "procedure_id", "contacted_on", "outcome", "complication", "channel")
    header = " | ".join((*names, "clinician_seen", "resolved_on"))
    check_file(
        "traced_reports",
        params=params,
        piercings="procedure_id | visit_id | performed_on\nP1 | V1 | 2031-01-01\nP2 | V1 | 2031-01-01",
        reports="report_id | procedure_id | kind | onset_day\nfollow_up:F1 | P1 | minor_infection | 8",
        follow_ups=f"{header}\n{contacts}",
        gives=f"report_id | over_on | clinician_on\nfollow_up:F1 | {gives}",
    )


ITSELF = "F1 | V1 | P1 | 2031-01-10 | complication | minor_infection | phone |"


TOLD = """
follow_up_id | visit_id | contacted_on | complication | severity | certainty | clinician_seen | referred_same_day
F1           | V1       | 2031-01-10   | tear         | 2        | probable  | false          | true
"""


@pytest.mark.parametrize(
    "gives",
    [
        """
        report_id    | procedure_id | visit_id | kind  | onset_day | recorded_on | is_attributed | is_immediate
        follow_up:F1 | P1           | V1       | tear  | 8         | 2031-01-11  | true          | false
        procedure:P1 | P1           | V1       | faint | 0         | 2031-01-02  | false         | true
        """,
        """
        report_id    | severity | certainty | clinician_seen | referred_same_day | reported_on | over_on | clinician_on
        follow_up:F1 | 2        | probable  | false          | true              | 2031-01-10  |         |
        procedure:P1 |          |           |                |                   | 2031-01-01  |         |
        """,
    ],
)
def test_a_report_with_what_its_contact_tells(gives: str) -> None:
    check_file(
        "traced_reports",
        piercings="procedure_id | visit_id | performed_on\nP1 | V1 | 2031-01-01",
        reports="""
        report_id    | procedure_id | kind  | onset_day | recorded_on | is_attributed
        follow_up:F1 | P1           | tear  | 8         | 2031-01-11  | true
        procedure:P1 | P1           | faint | 0         | 2031-01-02  | false
        """,
        follow_ups=TOLD,
        gives=gives,
    )


@pytest.mark.parametrize(
    ("contacts", "over_on"),
    [
        ("F1 | V1 | P1 | 2031-01-10 | complication | minor_infection | phone | | 2031-01-20", "2031-01-20"),
        (
            f"{ITSELF} |\nF2 | V1 | P1 | 2031-01-20 | complication | minor_infection | phone | | 2031-01-18",
            "2031-01-18",
        ),
        # Of another kind, or about another piercing, it says nothing of this one.
        (f"{ITSELF} |\nF2 | V1 | P1 | 2031-01-20 | complication | lost_stud | phone | | 2031-01-18", ""),
        (f"{ITSELF} |\nF2 | V1 | P2 | 2031-01-20 | complication | minor_infection | phone | | 2031-01-18", ""),
        (f"{ITSELF} |\nF2 | V1 | P2 | 2031-01-20 | well | | phone | |", ""),
        (f"{ITSELF} |\nF2 | V2 | | 2031-01-20 | well | | phone | |", ""),
        (f"{ITSELF} |\nF2 | V1 | P1 | 2031-01-20 | well | | phone | |", "2031-01-20"),
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-20 | well | | phone | |", "2031-01-20"),
        # Told well on the day of the report itself, before it or after, or with another complication named.
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-10 | well | | phone | |", ""),
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-05 | well | | phone | |", ""),
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-20 | well | keloid | phone | |", ""),
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-20 | no_answer | | phone | |", ""),
        # The day on which it was over is said to come, or stands beside that on which it was told well.
        ("F1 | V1 | P1 | 2031-01-10 | complication | minor_infection | phone | | 2031-02-15", ""),
        ("F1 | V1 | P1 | 2031-01-10 | complication | minor_infection | phone | | 2031-02-14", "2031-02-14"),
        (f"{ITSELF} 2031-01-25\nF2 | V1 | | 2031-01-20 | well | | phone | |", "2031-01-25"),
    ],
)
def test_when_a_complication_is_over(contacts: str, over_on: str) -> None:
    contacts = contacts.replace("phone | 2031-01-25", "phone | | 2031-01-25")
    _reports(contacts, f"{over_on} |", as_of="2031-02-14")


@pytest.mark.parametrize(
    ("contacts", "clinician_on"),
    [
        ("F1 | V1 | P1 | 2031-01-10 | complication | minor_infection | phone | true |", "2031-01-10"),
        ("F1 | V1 | P1 | 2031-01-10 | complication | minor_infection | clinician_letter | |", "2031-01-10"),
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-12 | complication | tear | phone | true |", "2031-01-12"),
        (f"{ITSELF} |\nF2 | V1 | P1 | 2031-01-12 | complication | lost_stud | phone | true |", "2031-01-12"),
        (f"{ITSELF} |\nF2 | V1 | P2 | 2031-01-12 | complication | tear | phone | true |", ""),
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-09 | complication | tear | phone | true |", ""),  # before the report
        (f"{ITSELF} |\nF2 | V1 | | 2031-01-12 | complication | tear | phone | false |", ""),
    ],
)
def test_when_a_clinician_is_known_to_have_seen_it(contacts: str, clinician_on: str) -> None:
    _reports(contacts, f"| {clinician_on}")


# Visits, and who asked after them

VISITS = """
visit_id | client_key | branch_id | visited_on
V1       | c1         | B1        | 2031-01-01
V2       | c1         | B2        | 2031-01-01
V3       |            | B1        | 2031-01-01
V4       |            | B1        | 2031-01-01
"""


def test_attempts_of_the_branch_and_the_last_answer() -> None:
    check_file(
        "contacted_visits",
        visits=VISITS,
        stg_branches="branch_id | follow_up_policy\nB1 | passive",
        follow_ups="""
        follow_up_id | visit_id | contacted_on | outcome      | is_asked
        F1           | V1       | 2031-01-08   | no_answer    | true
        F2           | V1       | 2031-01-12   | well         | true
        F3           | V1       | 2031-01-20   | complication | false
        F4           |          | 2031-01-21   | well         | true
        F5           | V3       | 2031-01-09   | no_answer    | true
        """,
        answers="visit_id | answered_on\nV1 | 2031-01-12\nV1 | 2031-01-30\nV4 | 2031-01-15",
        gives="""
        visit_id | branch_id | visited_on | follow_up_policy | attempts | last_asked_on | last_answered_on | is_declined
        V1       | B1        | 2031-01-01 | passive          | 2        | 2031-01-12    | 2031-01-30       | false
        V2       | B2        | 2031-01-01 |                  | 0        |               |                  | false
        V3       | B1        | 2031-01-01 | passive          | 1        | 2031-01-09    |                  | false
        V4       | B1        | 2031-01-01 | passive          | 0        |               | 2031-01-15       | false
        """,
    )


def test_attempts_without_an_answer_count_from_when_the_client_was_last_heard_from() -> None:
    # A client who tells unasked was heard from too; one who declines gave an answer, but was not heard.
    check_file(
        "contacted_visits",
        visits=VISITS,
        follow_ups="""
        follow_up_id | visit_id | contacted_on | outcome      | is_asked
        F1           | V1       | 2031-01-08   | no_answer    | true
        F2           | V1       | 2031-01-12   | complication | false
        F3           | V1       | 2031-01-12   | no_answer    | true
        F4           | V1       | 2031-01-13   | no_answer    | true
        F5           | V1       | 2031-01-14   | no_answer    | true
        F6           | V2       | 2031-01-08   | no_answer    | true
        F7           | V2       | 2031-01-09   | no_answer    | false
        F8           | V3       | 2031-01-08   | no_answer    | true
        F9           | V3       | 2031-01-09   | declined     | true
        """,
        gives="visit_id | no_answers\nV1 | 2\nV2 | 1\nV3 | 1\nV4 | 0",
    )


def test_a_client_who_declined_did_so_for_every_visit() -> None:
    check_file(
        "contacted_visits",
        visits=f"{VISITS}V5 | c2 | B1 | 2031-01-01\n",
        follow_ups="""
        follow_up_id | visit_id | contacted_on | outcome  | is_asked
        F1           | V2       | 2031-01-08   | declined | true
        F2           | V3       | 2031-01-08   | declined | false
        """,
        gives="visit_id | is_declined\nV1 | true\nV2 | true\nV3 | true\nV4 | false\nV5 | false",
    )


# Revisits missed


REVISITS = "revisit_id | visit_id | status | starts_at | starts_on | recorded_on | recorded_at | seq"


def _missed(revisits: str, gives: str, **params: object) -> None:
    check_file(
        "missed_revisits",
        params=params,
        visits="visit_id\nV1",
        stg_revisits=f"{REVISITS}\n{revisits}",
        gives=f"visit_id | revisit_id | starts_on | status\n{gives}",
    )


def _revisit(name: str, status: str, day: str, recorded: str = "2031-01-01", visit: str = "V1") -> str:
    return f"{name} | {visit} | {status} | {day} 10:00:00 | {day} | {recorded} | {recorded} 08:00:00 | 1"


@pytest.mark.parametrize(
    ("status", "told"),
    [
        ("no_show", "no_show"),
        ("unknown", "unknown"),
        ("booked", "unknown"),
        ("attended", ""),
        ("cancelled_early", ""),
        ("cancelled_late", ""),
        ("moved", ""),
    ],
)
def test_a_revisit_is_missed_by_what_became_of_it(status: str, told: str) -> None:
    _missed(_revisit("R1", status, "2031-01-20"), f"V1 | R1 | 2031-01-20 | {told}" if told else "")


@pytest.mark.parametrize(
    ("later", "gives"),
    [
        (_revisit("R2", "booked", "2031-03-01"), ""),  # booked anew, to come
        (_revisit("R2", "attended", "2031-01-25"), ""),
        (_revisit("R2", "no_show", "2031-01-25"), "V1 | R2 | 2031-01-25 | no_show"),
        (_revisit("R2", "cancelled_early", "2031-03-01"), "V1 | R1 | 2031-01-20 | no_show"),
        (_revisit("R2", "cancelled_late", "2031-01-25"), "V1 | R1 | 2031-01-20 | no_show"),
        (_revisit("R2", "moved", "2031-03-01"), "V1 | R1 | 2031-01-20 | no_show"),
        (_revisit("R2", "attended", "2031-01-10"), "V1 | R1 | 2031-01-20 | no_show"),
        (
            _revisit("R2", "booked", "2031-03-01", recorded="2031-02-15"),
            "V1 | R1 | 2031-01-20 | no_show",
        ),  # not known yet
        (_revisit("R2", "attended", "2031-01-25", visit="V2"), "V1 | R1 | 2031-01-20 | no_show"),
    ],
)
def test_the_last_revisit_that_stands_tells(later: str, gives: str) -> None:
    _missed(f"{_revisit('R1', 'no_show', '2031-01-20')}\n{later}", gives)


def test_the_newest_version_known_tells_what_became_of_it() -> None:
    versions = "\n".join(
        [_revisit("R1", "booked", "2031-01-20", "2031-01-05"), _revisit("R1", "attended", "2031-01-20", "2031-01-20")]
    )
    _missed(versions, "")
    _missed(versions.replace("| 2031-01-20 08", "| 2031-01-21 08"), "", as_of="2031-01-19")
    _missed(_revisit("R1", "booked", "2031-01-20"), "V1 | R1 | 2031-01-20 | unknown", as_of="2031-01-20")
