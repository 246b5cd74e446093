"""Counts of whole quarters, by site group and complication, within the window of infection whatever the kind."""

from support.texttables import check_file

PIERCINGS = """
procedure_id | performed_on | site_group
P1           | 2030-01-01   | lobe
P2           | 2030-03-31   | lobe
P3           | 2030-04-01   | lobe
P4           | 2030-02-10   | upper_cartilage
"""


def test_a_piercing_stands_in_the_quarter_of_its_day() -> None:
    check_file(
        "quarter_counts",
        piercings=PIERCINGS,
        reached="procedure_id | window_days\nP1 | 30\nP2 | 90\nP4 | 365",
        where="complication = 'any'",
        gives="""
        quarter    | site_group      | complication | procedures | reached | events
        2030-01-01 | lobe            | any          | 2          | 1       | 0
        2030-01-01 | upper_cartilage | any          | 1          | 0       | 0
        2030-04-01 | lobe            | any          | 1          | 0       | 0
        """,
    )


def test_every_kind_counts_within_30_days_and_a_piercing_once() -> None:
    # A keloid's own window is 365 days and an allergy's 90; here both must have begun within 30 to be known in time.
    check_file(
        "quarter_counts",
        piercings=PIERCINGS,
        reports="""
        procedure_id | kind            | onset_day
        P1           | minor_infection | 3
        P1           | minor_infection | 9
        P1           | perichondritis  | 20
        P2           | keloid          | 31
        P2           | contact_allergy | 30
        P2           | faint           | 0
        P4           | minor_infection | -1
        """,
        where="quarter = '2030-01-01' and events > 0",
        gives="""
        quarter    | site_group | complication    | procedures | reached | events
        2030-01-01 | lobe       | any             | 2          | 0       | 2
        2030-01-01 | lobe       | infection       | 2          | 0       | 1
        2030-01-01 | lobe       | minor_infection | 2          | 0       | 1
        2030-01-01 | lobe       | perichondritis  | 2          | 0       | 1
        2030-01-01 | lobe       | contact_allergy | 2          | 0       | 1
        2030-01-01 | lobe       | faint           | 2          | 0       | 1
        """,
    )
