"""Reports, the events they make, and the piercings mature enough to count."""

import pytest

from support.texttables import check_file

# attributions: "A report belongs to exactly one piercing."


def _attributed(piercings: str, follow_up: str, gives: str) -> None:
    """One report of visit V1: the piercing it goes to, and whether it names it."""
    check_file(
        "attributions",
        piercings=f"procedure_id | visit_id | performed_on | ear | site\n{piercings}",
        follow_ups=f"follow_up_id | visit_id | complication | procedure_id | ear | site\nF1 | V1 | tear | {follow_up}",
        gives=f"follow_up_id | complication | procedure_id | is_attributed\nF1 | tear | {gives}",
    )


THREE = """
P3 | V1 | 2031-01-01 | left  | lobe
P1 | V1 | 2031-01-01 | left  | helix
P2 | V1 | 2031-01-01 | right | lobe
P0 | V2 | 2031-01-01 | left  | lobe
"""


def test_a_report_goes_to_the_piercing_it_names() -> None:
    _attributed(THREE, "P3 | | ", "P3 | false")
    _attributed(THREE, "P3 | right | helix", "P3 | false")


def test_else_to_the_one_that_matches_the_ear_and_the_site_it_names() -> None:
    _attributed(THREE, " | right | lobe", "P2 | true")
    _attributed(THREE, " | left | lobe", "P3 | true")


def test_an_ear_or_site_left_empty_matches_all() -> None:
    # "and of several the first procedure_id in text order"
    _attributed(THREE, " | | ", "P1 | true")
    _attributed(THREE, " | left | ", "P1 | true")
    _attributed(THREE, " | | lobe", "P2 | true")
    _attributed("P9 | V1 | 2031-01-01 | |\nP10 | V1 | 2031-01-01 | |", " | | ", "P10 | true")


def test_if_none_matches_all_are_taken() -> None:
    _attributed(THREE, " | right | helix", "P1 | true")
    _attributed(THREE, " | | rook", "P1 | true")


def test_a_piercing_without_an_ear_matches_only_a_report_that_names_none() -> None:
    piercings = """
    P1 | V1 | 2031-01-01 |      | helix
    P2 | V1 | 2031-01-01 | left | helix
    """
    _attributed(piercings, " | left | helix", "P2 | true")
    _attributed(piercings, " | | helix", "P1 | true")
    _attributed(piercings, " | right | helix", "P1 | true")  # none matches: all are taken


def test_a_follow_up_that_reports_nothing_or_of_no_known_visit_is_attributed_to_none() -> None:
    check_file(
        "attributions",
        piercings="procedure_id | visit_id\nP1 | V1",
        follow_ups="""
        follow_up_id | visit_id | complication | stud_removed
        F1           | V1       |              | false
        F2           |          | tear         | false
        F3           |          |              | true
        """,
        gives="follow_up_id",
    )


def test_a_stud_taken_out_is_known_from_the_contact_day() -> None:
    check_file(
        "attributions",
        piercings="""
        procedure_id | visit_id | performed_on | ear
        P1           | V1       | 2031-01-10   | left
        P2           | V1       | 2031-01-10   | right
        """,
        follow_ups="""
        follow_up_id | visit_id | complication | ear   | onset_on   | contacted_on | stud_removed
        F1           | V1       |              | right | 2031-01-12 | 2031-01-20   | true
        F2           | V1       | tear         | left  | 2031-01-12 | 2031-01-20   | true
        F3           | V1       | tear         | left  | 2031-01-12 | 2031-01-20   | false
        """,
        gives="""
        follow_up_id | procedure_id | complication | onset_day | stud_out_day
        F1           | P2           |              |           | 10
        F2           | P1           | tear         | 2         | 10
        F3           | P1           | tear         | 2         |
        """,
    )


def test_the_onset_is_counted_from_the_piercings_day() -> None:
    check_file(
        "attributions",
        piercings="procedure_id | visit_id | performed_on\nP1 | V1 | 2031-01-10",
        follow_ups="""
        follow_up_id | visit_id | complication | onset_on   | first_recorded_on
        F1           | V1       | tear         | 2031-01-10 | 2031-02-01
        F2           | V1       | tear         | 2031-01-09 | 2031-02-02
        F3           | V1       | keloid       | 2032-01-10 | 2032-02-03
        """,
        gives="""
        follow_up_id | complication | onset_day | recorded_on
        F1           | tear         | 0         | 2031-02-01
        F2           | tear         | -1        | 2031-02-02
        F3           | keloid       | 365       | 2032-02-03
        """,
    )


# reports: those of follow-ups, and what happened during the piercing


def test_a_complication_told_of_is_a_report_and_a_stud_taken_out_is_none() -> None:
    check_file(
        "reports",
        attributions="""
        follow_up_id | procedure_id | complication | onset_day | stud_out_day | recorded_on | is_attributed
        F1           | P1           | tear         | 3         | 9            | 2031-02-01  | true
        F2           | P1           |              |           | 9            | 2031-02-01  | true
        """,
        gives="""
        report_id    | procedure_id | kind | onset_day | recorded_on | is_attributed
        follow_up:F1 | P1           | tear | 3         | 2031-02-01  | true
        """,
    )


def test_an_immediate_event_is_a_report_on_the_day_itself() -> None:
    # "each but none being a report of that kind on the day itself"; it names its piercing.
    check_file(
        "reports",
        piercings="""
        procedure_id | visit_id | performed_on | immediate_event | event_recorded_on
        P1           | V1       | 2031-01-10   | excess_bleeding | 2031-01-11
        P2           | V1       | 2031-01-10   |                 | 2031-01-10
        """,
        gives="""
        report_id    | procedure_id | kind            | onset_day | recorded_on | is_attributed
        procedure:P1 | P1           | excess_bleeding | 0         | 2031-01-11  | false
        """,
    )


# event_reports: "onset lies 0 to w days after its day, both inclusive"


@pytest.mark.parametrize(
    ("kind", "onset_day", "events"),
    [
        ("tear", -1, []),
        ("tear", 0, ["tear", "any"]),
        ("tear", 30, ["tear", "any"]),
        ("tear", 31, []),
        ("minor_infection", 30, ["minor_infection", "infection", "any"]),
        ("perichondritis", 0, ["perichondritis", "infection", "any"]),
        ("systemic_infection", 30, ["systemic_infection", "infection", "any"]),
        ("systemic_infection", 31, []),
        ("embedded_stud", 30, ["embedded_stud", "any"]),
        # "The groups infection and any use 30 days for every kind in them."
        ("embedded_stud", 31, ["embedded_stud"]),
        ("contact_allergy", 90, ["contact_allergy"]),
        ("contact_allergy", 91, []),
        ("hypertrophic_scar", 91, ["hypertrophic_scar"]),
        ("keloid", 365, ["keloid"]),
        ("keloid", 366, []),
        ("migration", 365, ["migration"]),
        ("migration", 30, ["migration", "any"]),
        ("lost_stud", 1, ["lost_stud", "any"]),
        ("other", 1, ["other", "any"]),
        ("faint", 0, ["faint"]),  # "any = all but faint"
    ],
)
def test_windows_of_complications_and_groups(kind: str, onset_day: int, events: list[str]) -> None:
    check_file(
        "event_reports",
        reports=f"procedure_id | kind | onset_day\nP1 | {kind} | {onset_day}",
        gives="\n".join(["procedure_id | complication", *(f"P1 | {event}" for event in events)]),
    )


def test_a_report_counts_towards_its_kind_and_its_groups() -> None:
    check_file(
        "event_reports",
        reports="""
        report_id | procedure_id | kind            | onset_day | recorded_on | is_attributed
        F1        | P1           | minor_infection | 31        | 2031-01-03  | false
        F2        | P1           | minor_infection | 3         | 2031-01-20  | true
        """,
        gives="""
        report_id | complication    | procedure_id | recorded_on | is_attributed
        F2        | minor_infection | P1           | 2031-01-20  | true
        F2        | infection       | P1           | 2031-01-20  | true
        F2        | any             | P1           | 2031-01-20  | true
        """,
    )


# events


def test_a_piercing_is_at_most_one_event_per_complication_or_group() -> None:
    check_file(
        "events",
        event_reports="""
        report_id | procedure_id | complication    | recorded_on
        F2        | P1           | minor_infection | 2031-01-20
        F3        | P1           | minor_infection | 2031-01-15
        F2        | P1           | infection       | 2031-01-20
        F3        | P1           | infection       | 2031-01-15
        F4        | P1           | infection       | 2031-01-10
        F5        | P2           | minor_infection | 2031-01-30
        """,
        gives="""
        procedure_id | complication    | recorded_on
        P1           | minor_infection | 2031-01-15
        P1           | infection       | 2031-01-10
        P2           | minor_infection | 2031-01-30
        """,
    )


def test_an_event_is_attributed_where_none_of_its_reports_names_the_piercing() -> None:
    # P1: the naming report is of the group's other kind.
    check_file(
        "events",
        event_reports="""
        procedure_id | complication    | is_attributed
        P1           | minor_infection | true
        P1           | perichondritis  | false
        P1           | infection       | true
        P1           | infection       | false
        P2           | tear            | true
        """,
        gives="""
        procedure_id | complication    | is_attributed
        P1           | minor_infection | true
        P1           | perichondritis  | false
        P1           | infection       | false
        P2           | tear            | true
        """,
    )


# mature_piercings: "performed on or before A − w − 14", and "in the 364 days that end on that day"


@pytest.mark.parametrize(
    ("performed_on", "windows"),
    [
        ("2031-01-02", []),
        ("2031-01-01", [30]),  # A − 44
        ("2030-11-03", [30]),
        ("2030-11-02", [30, 90]),  # A − 104
        ("2030-02-01", [30, 90]),
        ("2030-01-31", [30, 90, 365]),  # A − 379
        ("2030-01-03", [30, 90, 365]),  # 363 days before 2031-01-01
        ("2030-01-02", [90, 365]),
        ("2029-11-04", [90, 365]),  # 363 days before 2030-11-02
        ("2029-11-03", [365]),
        ("2029-02-02", [365]),  # 363 days before 2030-01-31
        ("2029-02-01", []),
    ],
)
def test_which_windows_a_piercing_is_mature_for(performed_on: str, windows: list[int]) -> None:
    check_file(
        "mature_piercings",
        params={"as_of": "2031-02-14"},
        piercings=f"procedure_id | performed_on\nP1 | {performed_on}",
        gives="\n".join(["procedure_id | window_days", *(f"P1 | {window}" for window in windows)]),
    )


def test_a_mature_piercing_is_reached_for_its_own_window() -> None:
    check_file(
        "mature_piercings",
        piercings="procedure_id | performed_on\nP1 | 2030-11-02\nP2 | 2030-11-02",
        reached="procedure_id | window_days\nP1 | 90\nP1 | 365",
        gives="""
        procedure_id | window_days | is_reached
        P1           | 30          | false
        P1           | 90          | true
        P2           | 30          | false
        P2           | 90          | false
        """,
    )


def test_a_mature_piercing_for_each_watched_complication_of_its_window() -> None:
    # P1 is mature for 30 days, P2 for 90 too. A tear is not watched.
    check_file(
        "watched_piercings",
        mature_piercings="""
        procedure_id | window_days | is_reached
        P1           | 30          | true
        P2           | 30          | false
        P2           | 90          | true
        P2           | 365         | true
        """,
        events="""
        procedure_id | complication
        P1           | infection
        P1           | contact_allergy
        P2           | contact_allergy
        P2           | tear
        """,
        gives="""
        complication    | procedure_id | is_reached | is_event
        infection       | P1           | true       | true
        excess_bleeding | P1           | true       | false
        infection       | P2           | false      | false
        excess_bleeding | P2           | false      | false
        contact_allergy | P2           | true       | true
        embedded_stud   | P2           | true       | false
        """,
    )


def test_a_client_is_told_by_pseudonym_or_else_by_visit() -> None:
    check_file(
        "piercings_of_clients",
        piercings="""
        procedure_id | visit_id | client_key
        P1           | V1       | C1
        P2           | V2       |
        """,
        watched_piercings="""
        complication    | procedure_id | is_event
        infection       | P1           | true
        contact_allergy | P1           | false
        infection       | P2           | false
        """,
        gives="""
        complication    | procedure_id | client_key | visit_id | is_event
        infection       | P1           | C1         |          | true
        contact_allergy | P1           | C1         |          | false
        infection       | P2           |            | V2       | false
        """,
    )
