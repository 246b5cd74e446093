"""What the watch reads: exposures of mature piercings, and infections by day, delay and order."""

import pytest

from support.texttables import check_file

CAUSES = ("branch", "article", "material", "practitioner", "lot", "batch", "practitioner:site_group")


def test_a_mature_piercing_for_each_watched_complication() -> None:
    check_file(
        "exposed_piercings",
        piercings="""
        procedure_id | performed_on | site_group | age_band
        P1           | 2030-12-01   | lobe       | 18+
        P2           | 2030-10-01   | other      |
        P3           | 2031-02-01   | lobe       | 18+
        """,
        watched_piercings="""
        complication    | procedure_id | is_reached | is_event
        infection       | P1           | true       | true
        infection       | P2           | false      | false
        contact_allergy | P2           | true       | true
        """,
        gives="""
        complication    | procedure_id | performed_on | site_group | age_band  | is_reached | is_event
        infection       | P1           | 2030-12-01   | lobe       | 18+       | true       | true
        infection       | P2           | 2030-10-01   | other      | (missing) | false      | false
        contact_allergy | P2           | 2030-10-01   | other      | (missing) | true       | true
        """,
    )


@pytest.mark.parametrize("dimension", CAUSES)
def test_a_mature_piercing_and_its_possible_causes(dimension: str) -> None:
    check_file(
        "exposure_levels",
        piercing_levels=f"procedure_id | dimension | level\nP1 | {dimension} | X\nP2 | {dimension} | X",
        mature_piercings="procedure_id | window_days\nP1 | 30\nP1 | 90",
        gives=f"procedure_id | dimension | level\nP1 | {dimension} | X",
    )


@pytest.mark.parametrize("dimension", ["all", "site", "site_group", "ear", "age_band"])
def test_what_no_branch_can_act_on_is_no_cause(dimension: str) -> None:
    check_file(
        "exposure_levels",
        piercing_levels=f"procedure_id | dimension | level\nP1 | {dimension} | X",
        mature_piercings="procedure_id | window_days\nP1 | 30",
        gives="procedure_id",
    )


def test_a_missing_value_is_no_cause() -> None:
    check_file(
        "exposure_levels",
        piercing_levels="""
        procedure_id | dimension               | level
        P1           | lot                     | (missing)
        P1           | practitioner:site_group | (missing):lobe
        P1           | practitioner            | P-1
        """,
        mature_piercings="procedure_id | window_days\nP1 | 30",
        gives="dimension | level\npractitioner | P-1",
    )


def test_a_cause_at_each_branch() -> None:
    # Days of use count every piercing known: P4 is not mature, and there is none at B2 that is. P6 is of another lot.
    check_file(
        "cause_branches",
        piercings="""
        procedure_id | branch_id | performed_on
        P1           | B1        | 2030-11-10
        P2           | B1        | 2030-11-20
        P3           | B3        | 2030-11-15
        P4           | B1        | 2031-02-01
        P5           | B2        | 2031-02-02
        P6           | B1        | 2030-10-01
        """,
        piercing_levels="""
        procedure_id | dimension | level
        P6           | lot       | L2
        P1           | lot       | L1
        P2           | lot       | L1
        P3           | lot       | L1
        P4           | lot       | L1
        P5           | lot       | L1
        """,
        exposure_levels="""
        procedure_id | dimension | level
        P1           | lot       | L1
        P2           | lot       | L1
        P3           | lot       | L1
        """,
        exposed_piercings="""
        complication | procedure_id | is_event
        infection    | P1           | true
        infection    | P2           | false
        infection    | P3           | true
        tear         | P1           | false
        """,
        gives="""
        complication | dimension | level | branch_id | procedures | events | used_from  | used_to
        infection    | lot       | L1    | B1        | 2          | 1      | 2030-11-10 | 2031-02-01
        infection    | lot       | L1    | B3        | 1          | 1      | 2030-11-15 | 2030-11-15
        tear         | lot       | L1    | B1        | 1          | 0      | 2030-11-10 | 2031-02-01
        """,
    )


def test_infections_by_day_branch_and_stratum() -> None:
    check_file(
        "infection_days",
        piercings="""
        procedure_id | performed_on | week       | branch_id | site_group | age_band
        P1           | 2031-01-06   | 2031-01-06 | B1        | lobe       | 18+
        P2           | 2031-01-06   | 2031-01-06 | B1        | lobe       | 18+
        P3           | 2031-01-06   | 2031-01-06 | B1        | lobe       |
        P4           | 2031-01-07   | 2031-01-06 | B1        | lobe       | 18+
        P5           | 2031-01-06   | 2031-01-06 | B2        | lobe       | 18+
        """,
        events="""
        procedure_id | complication
        P1           | infection
        P1           | minor_infection
        P1           | any
        P4           | tear
        P5           | infection
        """,
        gives="""
        performed_on | week       | branch_id | site_group | age_band  | procedures | infections
        2031-01-06   | 2031-01-06 | B1        | lobe       | 18+       | 2          | 1
        2031-01-06   | 2031-01-06 | B1        | lobe       | (missing) | 1          | 0
        2031-01-07   | 2031-01-06 | B1        | lobe       | 18+       | 1          | 0
        2031-01-06   | 2031-01-06 | B2        | lobe       | 18+       | 1          | 1
        """,
    )


def test_delays_from_the_piercing_to_the_first_record() -> None:
    # P3: recorded on the day before by its own calendar counts as no delay. P5: performed after A, not seen yet.
    check_file(
        "infection_delays",
        params={"as_of": "2031-02-14"},
        piercings="""
        procedure_id | performed_on
        P1           | 2031-02-04
        P2           | 2031-02-04
        P3           | 2031-02-04
        P4           | 2031-02-14
        P5           | 2031-02-15
        """,
        events="""
        procedure_id | complication | recorded_on
        P1           | infection    | 2031-02-09
        P1           | any          | 2031-02-05
        P2           | infection    | 2031-02-09
        P3           | infection    | 2031-02-03
        P4           | infection    | 2031-02-14
        P5           | infection    | 2031-02-14
        """,
        gives="""
        delay_days | seen_days | infections
        5          | 10        | 2
        0          | 10        | 1
        0          | 0         | 1
        """,
    )


def test_piercings_in_order_with_their_infections() -> None:
    check_file(
        "infection_sequence",
        piercings="""
        procedure_id | branch_id | performed_at        | performed_on | week
        P1           | B1        | 2031-01-06 10:00:00 | 2031-01-06   | 2031-01-06
        P2           | B1        | 2031-01-06 10:05:00 | 2031-01-06   | 2031-01-06
        """,
        events="procedure_id | complication\nP1 | infection\nP1 | any\nP2 | any",
        gives="""
        procedure_id | branch_id | performed_at        | performed_on | week       | is_infected
        P1           | B1        | 2031-01-06 10:00:00 | 2031-01-06   | 2031-01-06 | true
        P2           | B1        | 2031-01-06 10:05:00 | 2031-01-06   | 2031-01-06 | false
        """,
    )
