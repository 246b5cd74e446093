"""What is met first after a piercing, and how materials fare by site: as of 2031-02-14, known about to 2031-01-31."""

import pytest

from support.texttables import check_file

FOLLOWED = "procedure_id | performed_on\nP1 | 2031-01-01"


def test_the_first_complication_counts_on_its_day_and_the_others_to_the_last_day_known_about() -> None:
    # P1 and P2 are known about for 30 days, P3 for the 90 that a curve is long.
    check_file(
        "first_onsets",
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
        complication | day | piercings
        infection    | 4   | 1
                     | 30  | 1
                     | 90  | 1
        """,
    )


def test_of_two_on_one_day_the_first_in_the_list_counts() -> None:
    check_file(
        "first_onsets",
        piercings=FOLLOWED,
        reports="""
        report_id | procedure_id | kind               | onset_day
        R1        | P1           | lost_stud          | 4
        R2        | P1           | systemic_infection | 4
        R3        | P1           | contact_allergy    | 4
        """,
        gives="complication | day | piercings\ninfection | 4 | 1",
    )


@pytest.mark.parametrize(
    ("kind", "day"), [("faint", 0), ("tear", -1), ("tear", 31)], ids=["fainting", "before", "too late"]
)
def test_what_does_not_count(kind: str, day: int) -> None:
    """A report of the 31st day has had no time to come in from everyone."""
    check_file(
        "first_onsets",
        piercings=FOLLOWED,
        reports=f"report_id | procedure_id | kind | onset_day\nR1 | P1 | {kind} | {day}",
        gives="complication | day | piercings\n | 30 | 1",
    )


@pytest.mark.parametrize(("kind", "day"), [("tear", 0), ("tear", 30)], ids=["the same day", "the last day"])
def test_the_ends_count(kind: str, day: int) -> None:
    check_file(
        "first_onsets",
        piercings=FOLLOWED,
        reports=f"report_id | procedure_id | kind | onset_day\nR1 | P1 | {kind} | {day}",
        gives=f"complication | day | piercings\n{kind} | {day} | 1",
    )


@pytest.mark.parametrize(
    ("performed_on", "day"),
    [("2031-01-31", 0), ("2031-02-01", None), ("2029-11-04", 90), ("2029-11-03", None)],
    ids=["known about for no day yet", "not at all", "the oldest", "too old"],
)
def test_which_piercings_are_followed(performed_on: str, day: int | None) -> None:
    row = "" if day is None else f"\n | {day} | 1"
    check_file(
        "first_onsets",
        piercings=f"procedure_id | performed_on\nP1 | {performed_on}",
        gives=f"complication | day | piercings{row}",
    )


def test_materials_by_site_group() -> None:
    # P3's tear is not watched; P4 is mature for the allergy alone.
    check_file(
        "material_sites",
        piercings="""
        procedure_id | material | site_group
        P1           | titanium | lobe
        P2           | titanium | lobe
        P3           |          | other
        P4           | titanium | lobe
        """,
        mature_piercings="""
        procedure_id | window_days | is_reached
        P1           | 30          | true
        P2           | 30          | false
        P3           | 30          | true
        P4           | 90          | true
        """,
        events="""
        procedure_id | complication
        P1           | infection
        P2           | infection
        P3           | tear
        P4           | contact_allergy
        P4           | infection
        """,
        gives="""
        complication    | material  | site_group | procedures | events | reached | events_reached
        infection       | titanium  | lobe       | 2          | 2      | 1       | 1
        infection       | (missing) | other      | 1          | 0      | 1       | 0
        excess_bleeding | titanium  | lobe       | 2          | 0      | 1       | 0
        excess_bleeding | (missing) | other      | 1          | 0      | 1       | 0
        contact_allergy | titanium  | lobe       | 1          | 1      | 1       | 1
        embedded_stud   | titanium  | lobe       | 1          | 0      | 1       | 0
        """,
    )


def test_clients_by_their_piercings_and_events() -> None:
    # C1 has two piercings in two visits, one infected; of nobody's piercings each visit is a client of its own.
    check_file(
        "client_counts",
        piercings="""
        procedure_id | visit_id | client_key
        P1           | V1       | C1
        P2           | V2       | C1
        P3           | V3       |
        P4           | V4       |
        P5           | V4       |
        """,
        mature_piercings="""
        procedure_id | window_days | is_reached
        P1           | 30          | true
        P2           | 30          | true
        P3           | 30          | true
        P4           | 30          | true
        P5           | 30          | true
        P5           | 90          | true
        """,
        events="""
        procedure_id | complication
        P1           | infection
        P4           | infection
        P5           | infection
        P5           | contact_allergy
        P5           | tear
        """,
        gives="""
        complication    | procedures | events | clients
        infection       | 2          | 1      | 1
        infection       | 2          | 2      | 1
        infection       | 1          | 0      | 1
        excess_bleeding | 2          | 0      | 2
        excess_bleeding | 1          | 0      | 1
        contact_allergy | 1          | 1      | 1
        embedded_stud   | 1          | 0      | 1
        """,
    )
