"""Follow-ups as known by the as-of date: which visit each belongs to, what it reports, and who asked."""

import pytest

from support.texttables import check_file

# V1 and V2 are of client c1, V3 of client c2. P2 is of V1 too.
PIERCINGS = """
procedure_id | visit_id
P1           | V1
P2           | V1
P3           | V2
P4           | V3
"""
VISITS = """
visit_id | client_key | zone | visited_on | visited_at
V1       | c1         | UTC  | 2031-01-01 | 2031-01-01 10:00:00
V2       | c1         | UTC  | 2031-01-10 | 2031-01-10 10:00:00
V3       | c2         | UTC  | 2031-01-10 | 2031-01-10 10:00:00
"""
CONTACT_DAYS = """
seq | zone | contacted_on
1   | UTC  | 2031-01-20
2   | UTC  | 2031-01-10
3   | UTC  | 2031-01-09
"""


def _belongs(follow_ups: str, gives: str) -> None:
    check_file(
        "follow_ups",
        stg_follow_ups=follow_ups,
        stg_contact_days=CONTACT_DAYS,
        piercings=PIERCINGS,
        visits=VISITS,
        gives=gives,
    )


def test_a_follow_up_belongs_to_the_visit_it_names() -> None:
    # Named, it decides: also where it is unknown, or the procedure or the client would lead to another.
    _belongs(
        """
        seq | follow_up_id | visit_id  | procedure_id | client_key | contacted_on | recorded_on
        1   | F1           | V1        | P1           |            | 2031-01-20   | 2031-01-20
        1   | F2           | V1        | P3           | c2         | 2031-01-20   | 2031-01-20
        1   | F3           | V-UNKNOWN |              | c1         | 2031-01-20   | 2031-01-20
        1   | F4           | V1        | P-UNKNOWN    | c1         | 2031-01-20   | 2031-01-20
        """,
        # "A procedure_id that is unknown, not completed or of another visit counts as empty."
        """
        follow_up_id | visit_id | procedure_id
        F1           | V1       | P1
        F2           | V1       |
        F3           |          |
        F4           | V1       |
        """,
    )


def test_without_a_visit_it_belongs_to_that_of_its_procedure() -> None:
    _belongs(
        """
        seq | follow_up_id | procedure_id | client_key | contacted_on | recorded_on
        1   | F1           | P2           |            | 2031-01-20   | 2031-01-20
        1   | F2           | P2           | c2         | 2031-01-20   | 2031-01-20
        """,
        """
        follow_up_id | visit_id | procedure_id
        F1           | V1       | P2
        F2           | V1       | P2
        """,
    )


def test_without_either_it_belongs_to_the_clients_latest_visit_on_or_before_the_onset() -> None:
    # Also "where the procedure_id leads nowhere": P-ABANDONED is no completed piercing. F4 and F5: "contact day where
    # there is none". F6 began before any visit of the client.
    _belongs(
        """
        seq | follow_up_id | procedure_id | client_key | contacted_on | onset_on   | recorded_on
        1   | F1           |              | c1         | 2031-01-20   | 2031-01-10 | 2031-01-20
        1   | F2           |              | c1         | 2031-01-20   | 2031-01-09 | 2031-01-20
        1   | F3           | P-ABANDONED  | c1         | 2031-01-20   | 2031-01-09 | 2031-01-20
        2   | F4           |              | c1         | 2031-01-10   |            | 2031-01-20
        3   | F5           |              | c1         | 2031-01-09   |            | 2031-01-20
        1   | F6           |              | c1         | 2031-01-20   | 2030-12-31 | 2031-01-20
        1   | F7           |              | c-unknown  | 2031-01-20   |            | 2031-01-20
        1   | F8           | P-ABANDONED  |            | 2031-01-20   |            | 2031-01-20
        """,
        """
        follow_up_id | visit_id | procedure_id
        F1           | V2       |
        F2           | V1       |
        F3           | V1       |
        F4           | V2       |
        F5           | V1       |
        F6           |          |
        F7           |          |
        F8           |          |
        """,
    )


def test_of_two_visits_of_a_day_the_later_counts_then_the_visit_id() -> None:
    # "Ties by time, then visit_id": the latest, so the greater visit_id of two at the same time.
    check_file(
        "follow_ups",
        stg_follow_ups="""
        seq | follow_up_id | client_key | contacted_on | recorded_on
        2   | F1           | c1         | 2031-01-10   | 2031-01-10
        2   | F2           | c2         | 2031-01-10   | 2031-01-10
        """,
        stg_contact_days=CONTACT_DAYS,
        visits="""
        visit_id | client_key | zone | visited_on | visited_at
        V1       | c1         | UTC  | 2031-01-10 | 2031-01-10 12:00:00
        V2       | c1         | UTC  | 2031-01-10 | 2031-01-10 10:00:00
        V3       | c2         | UTC  | 2031-01-10 | 2031-01-10 10:00:00
        V4       | c2         | UTC  | 2031-01-10 | 2031-01-10 10:00:00
        """,
        gives="follow_up_id | visit_id\nF1 | V1\nF2 | V4",
    )


def test_by_the_client_alone_the_contact_day_is_that_of_the_visits_branch() -> None:
    # "Days are local days of the piercing's branch." F1 falls on the 15th in London, where V1 was, and on the 16th in
    # Tokyo, where V2 was on the 17th. F2 falls on the 16th in London and on the 17th in Tokyo; V3 came later by the
    # clock, but on an earlier day.
    check_file(
        "follow_ups",
        stg_follow_ups="""
        seq | follow_up_id | client_key | contacted_on | onset_on   | recorded_on
        1   | F1           | c1         | 2031-01-16   |            | 2031-01-20
        2   | F2           | c1         | 2031-01-16   |            | 2031-01-20
        2   | F3           | c1         | 2031-01-17   | 2031-01-10 | 2031-01-20
        2   | F4           | c1         | 2031-01-16   | 2031-01-17 | 2031-01-20
        """,
        stg_contact_days="""
        seq | zone          | contacted_on
        1   | Europe/London | 2031-01-15
        1   | Asia/Tokyo    | 2031-01-16
        2   | Europe/London | 2031-01-16
        2   | Asia/Tokyo    | 2031-01-17
        """,
        visits="""
        visit_id | client_key | zone          | visited_on | visited_at
        V1       | c1         | Europe/London | 2031-01-02 | 2031-01-02 10:00:00
        V2       | c1         | Asia/Tokyo    | 2031-01-17 | 2031-01-16 16:00:00
        V3       | c1         | Europe/London | 2031-01-16 | 2031-01-16 18:00:00
        """,
        gives="""
        follow_up_id | visit_id | contacted_on | onset_on
        F1           | V1       | 2031-01-15   | 2031-01-15
        F2           | V2       | 2031-01-17   | 2031-01-17
        F3           | V1       | 2031-01-16   | 2031-01-10
        F4           | V2       | 2031-01-17   | 2031-01-17
        """,
    )


def test_by_its_procedure_the_contact_day_does_not_change() -> None:
    # c1's own latest visit would be in Tokyo.
    check_file(
        "follow_ups",
        stg_follow_ups="""
        seq | follow_up_id | procedure_id | client_key | contacted_on | recorded_on
        1   | F1           | P1           | c1         | 2031-01-15   | 2031-01-20
        """,
        stg_contact_days="seq | zone | contacted_on\n1 | Asia/Tokyo | 2031-01-16",
        piercings="procedure_id | visit_id\nP1 | V1",
        visits="""
        visit_id | client_key | zone          | visited_on
        V1       | c1         | Europe/London | 2031-01-02
        V2       | c1         | Asia/Tokyo    | 2031-01-10
        """,
        gives="follow_up_id | visit_id | contacted_on\nF1 | V1 | 2031-01-15",
    )


def test_the_newest_version_recorded_by_the_as_of_date_counts() -> None:
    check_file(
        "follow_ups",
        params={"as_of": "2031-01-20"},
        stg_follow_ups="""
        seq | follow_up_id | outcome  | contacted_on | recorded_at         | recorded_on
        1   | F1           | well     | 2031-01-18   | 2031-01-20 09:00:00 | 2031-01-20
        2   | F1           | declined | 2031-01-18   | 2031-01-20 09:00:00 | 2031-01-20
        3   | F1           | well     | 2031-01-18   | 2031-01-19 09:00:00 | 2031-01-19
        4   | F1           | well     | 2031-01-18   | 2031-01-21 09:00:00 | 2031-01-21
        5   | F2           | well     | 2031-01-18   | 2031-01-21 09:00:00 | 2031-01-21
        """,
        gives="""
        follow_up_id | outcome
        F1           | declined
        """,
    )


def test_what_is_reported_is_known_from_its_first_record_on() -> None:
    # A later correction of the severity, say, does not make an infection known later than it was.
    check_file(
        "follow_ups",
        params={"as_of": "2031-01-31"},
        stg_follow_ups="""
        seq | follow_up_id | outcome      | complication    | severity | recorded_at         | recorded_on
        1   | F1           | well         |                 |          | 2031-01-10 09:00:00 | 2031-01-10
        2   | F1           | complication | minor_infection | 1        | 2031-01-12 09:00:00 | 2031-01-12
        3   | F1           | complication | minor_infection | 2        | 2031-01-20 09:00:00 | 2031-01-20
        4   | F2           | complication |                 |          | 2031-01-14 09:00:00 | 2031-01-14
        5   | F2           | complication | other           | 1        | 2031-01-20 09:00:00 | 2031-01-20
        6   | F3           | complication | tear            |          | 2031-01-15 09:00:00 | 2031-01-15
        7   | F3           | complication | minor_infection |          | 2031-01-20 09:00:00 | 2031-01-20
        """,
        gives="""
        follow_up_id | complication    | first_recorded_on
        F1           | minor_infection | 2031-01-12
        F2           | other           | 2031-01-14
        F3           | minor_infection | 2031-01-20
        """,
    )


def test_onset_is_as_recorded_else_the_contact_day() -> None:
    check_file(
        "follow_ups",
        stg_follow_ups="""
        follow_up_id | contacted_on | onset_on   | recorded_on
        F1           | 2031-01-20   | 2031-01-05 | 2031-01-20
        F2           | 2031-01-20   |            | 2031-01-20
        """,
        gives="follow_up_id | onset_on\nF1 | 2031-01-05\nF2 | 2031-01-20",
    )


@pytest.mark.parametrize(
    ("outcome", "named", "reported"),
    [
        ("complication", "keloid", "keloid"),
        ("complication", "", "other"),  # "outcome complication with none named is `other`"
        ("well", "keloid", "keloid"),  # "names a complication, whatever its outcome"
        ("declined", "tear", "tear"),
        ("well", "", ""),
        ("no_answer", "", ""),
    ],
)
def test_what_a_follow_up_reports(outcome: str, named: str, reported: str) -> None:
    check_file(
        "follow_ups",
        stg_follow_ups=f"follow_up_id | outcome | complication | recorded_on\nF1 | {outcome} | {named} | 2031-01-20",
        gives=f"follow_up_id | complication\nF1 | {reported}",
    )


@pytest.mark.parametrize(
    ("initiated_by", "channel", "is_asked"),
    [
        ("branch", "walk_in", "true"),
        ("branch", "", "true"),
        ("client", "phone", "false"),
        ("client", "", "false"),
        # "where empty, channel phone, message or revisit"
        ("", "phone", "true"),
        ("", "message", "true"),
        ("", "revisit", "true"),
        ("", "walk_in", "false"),
        ("", "clinician_letter", "false"),
        ("", "review", "false"),
        ("", "", "false"),
    ],
)
def test_who_initiated_a_contact(initiated_by: str, channel: str, is_asked: str) -> None:
    check_file(
        "follow_ups",
        stg_follow_ups=f"""
        follow_up_id | initiated_by   | channel   | recorded_on
        F1           | {initiated_by} | {channel} | 2031-01-20
        """,
        gives=f"follow_up_id | is_asked\nF1 | {is_asked}",
    )


@pytest.mark.parametrize(("told", "is_out"), [("true", "true"), ("false", "false"), ("", "false")])
def test_whether_the_stud_was_taken_out(told: str, is_out: str) -> None:
    check_file(
        "follow_ups",
        stg_follow_ups=f"follow_up_id | stud_removed | recorded_on\nF1 | {told} | 2031-01-20",
        gives=f"follow_up_id | stud_removed\nF1 | {is_out}",
    )


def test_what_a_report_says_of_the_client_s_care_stands_as_told() -> None:
    told = """
        follow_up_id | channel | severity | certainty | clinician_seen | referred_same_day | resolved_on
        F1           | phone   | 3        | probable  | true           | false             | 2031-02-01
        F2           |         |          |           |                |                   |
        """
    header, *rows = [line for line in told.splitlines() if line.strip()]
    known = "\n".join([f"{header} | recorded_on", *(f"{row} | 2031-01-20" for row in rows)])
    check_file("follow_ups", stg_follow_ups=known, gives=told)
