"""What is met first after a piercing, and how materials fare by site: as of 2031-02-14, known about to 2031-01-31."""

import pytest

from support.texttables import check_file

FOLLOWED = "procedure_id | performed_on\nP1 | 2031-01-01"


def test_the_first_complication_counts_on_its_day_and_the_others_to_the_last_day_known_about() -> None:
    # P1 and P2 are known about for 30 days, P3 for the 90 that a curve is long.
    check_file(
        "first_met",
        piercings="""
        procedure_id | performed_on
        P1           | 2031-01-01
        P2           | 2031-01-01
        P3           | 2030-06-01
        """,
        reports="""
        report_id | procedure_id | kind            | onset_day
        R1        | P1           | tear            | 9
        R2        | P1           | perichondritis  | 4
        R3        | P1           | minor_infection | 6
        """,
        gives="""
        procedure_id | complication | day
        P1           | infection    | 4
        P2           |              | 30
        P3           |              | 90
        """,
    )


def test_of_two_on_one_day_the_first_in_the_list_counts() -> None:
    check_file(
        "first_met",
        piercings=FOLLOWED,
        reports="""
        report_id | procedure_id | kind               | onset_day
        R1        | P1           | lost_stud          | 4
        R2        | P1           | systemic_infection | 4
        R3        | P1           | contact_allergy    | 4
        """,
        gives="procedure_id | complication | day\nP1 | infection | 4",
    )


@pytest.mark.parametrize(
    ("kind", "day"), [("faint", 0), ("tear", -1), ("tear", 31)], ids=["fainting", "before", "too late"]
)
def test_what_does_not_count(kind: str, day: int) -> None:
    """A report of the 31st day has had no time to come in from everyone."""
    check_file(
        "first_met",
        piercings=FOLLOWED,
        reports=f"report_id | procedure_id | kind | onset_day\nR1 | P1 | {kind} | {day}",
        gives="procedure_id | complication | day\nP1 | | 30",
    )


@pytest.mark.parametrize(("kind", "day"), [("tear", 0), ("tear", 30)], ids=["the same day", "the last day"])
def test_the_ends_count(kind: str, day: int) -> None:
    check_file(
        "first_met",
        piercings=FOLLOWED,
        reports=f"report_id | procedure_id | kind | onset_day\nR1 | P1 | {kind} | {day}",
        gives=f"procedure_id | complication | day\nP1 | {kind} | {day}",
    )


@pytest.mark.parametrize(
    ("performed_on", "day"),
    [("2031-01-31", 0), ("2031-02-01", None), ("2029-11-04", 90), ("2029-11-03", None)],
    ids=["known about for no day yet", "not at all", "the oldest", "too old"],
)
def test_which_piercings_are_followed(performed_on: str, day: int | None) -> None:
    row = "" if day is None else f"\nP1 | | {day}"
    check_file(
        "first_met",
        piercings=f"procedure_id | performed_on\nP1 | {performed_on}",
        gives=f"procedure_id | complication | day{row}",
    )


def studs_out(attributions: str, reports: str, gives: str) -> None:
    check_file(
        "first_met",
        piercings=FOLLOWED,
        reports=f"report_id | procedure_id | kind | onset_day\n{reports}",
        attributions=f"follow_up_id | procedure_id | stud_out_day\n{attributions}",
        gives=f"procedure_id | complication | day\nP1 | {gives}",
    )


def test_a_stud_taken_out_can_come_first() -> None:
    studs_out("F1 | P1 | 9\nF2 | P1 | 7", "", "stud_out | 7")
    studs_out("F1 | P1 | 7", "R1 | P1 | tear | 8", "stud_out | 7")
    studs_out("F1 | P1 | 7", "R1 | P1 | faint | 0", "stud_out | 7")


@pytest.mark.parametrize("kind", ["tear", "lost_stud"])
def test_one_taken_out_for_a_complication_or_lost_counts_as_that(kind: str) -> None:
    studs_out("F1 | P1 | 7", f"R1 | P1 | {kind} | 7", f"{kind} | 7")
    studs_out("F1 | P1 | 7", f"R1 | P1 | {kind} | 3", f"{kind} | 3")


@pytest.mark.parametrize("day", ["", "-1", "31"], ids=["not taken out", "before", "too late"])
def test_a_stud_that_does_not_count_as_taken_out(day: str) -> None:
    studs_out(f"F1 | P1 | {day}", "", " | 30")


def test_piercings_by_what_they_met_first() -> None:
    check_file(
        "first_onsets",
        first_met="""
        procedure_id | complication | day
        P1           | infection    | 4
        P2           | infection    | 4
        P3           | tear         | 4
        P4           |              | 4
        """,
        gives="""
        complication | day | piercings
        infection    | 4   | 2
        tear         | 4   | 1
                     | 4   | 1
        """,
    )


def test_materials_by_site_group() -> None:
    check_file(
        "material_sites",
        piercings="""
        procedure_id | material | site_group
        P1           | titanium | lobe
        P2           | titanium | lobe
        P3           |          | other
        P4           | titanium | lobe
        """,
        watched_piercings="""
        complication    | procedure_id | is_reached | is_event
        infection       | P1           | true       | true
        infection       | P2           | false      | true
        infection       | P3           | true       | false
        contact_allergy | P4           | true       | true
        contact_allergy | P1           | false      | false
        """,
        gives="""
        complication    | material  | site_group | procedures | events | reached | events_reached
        infection       | titanium  | lobe       | 2          | 2      | 1       | 1
        infection       | (missing) | other      | 1          | 0      | 1       | 0
        contact_allergy | titanium  | lobe       | 2          | 1      | 1       | 1
        """,
    )


def test_clients_by_their_piercings_and_events() -> None:
    # C1 has two piercings in two visits, one infected; of nobody's piercings each visit is a client of its own.
    check_file(
        "client_counts",
        piercings_of_clients="""
        complication    | procedure_id | client_key | visit_id | is_event
        infection       | P1           | C1         |          | true
        infection       | P2           | C1         |          | false
        infection       | P3           |            | V3       | false
        infection       | P4           |            | V4       | true
        infection       | P5           |            | V4       | true
        contact_allergy | P5           |            | V4       | true
        embedded_stud   | P5           |            | V4       | false
        """,
        gives="""
        complication    | procedures | events | clients
        infection       | 2          | 1      | 1
        infection       | 2          | 2      | 1
        infection       | 1          | 0      | 1
        contact_allergy | 1          | 1      | 1
        embedded_stud   | 1          | 0      | 1
        """,
    )
