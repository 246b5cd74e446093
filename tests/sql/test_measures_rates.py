"""Counts behind the rates: mature piercings, events and the reached, by level and by stratum."""

from support.texttables import check_file

COMPLICATIONS = (
    *("minor_infection", "perichondritis", "systemic_infection", "contact_allergy", "embedded_stud", "excess_bleeding"),
    *("hypertrophic_scar", "keloid", "tear", "migration", "misplacement", "lost_stud", "faint", "other"),
    *("infection", "any"),
)
WINDOWS = {
    **dict.fromkeys(COMPLICATIONS, 30),
    **dict.fromkeys(("contact_allergy", "embedded_stud"), 90),
    **dict.fromkeys(("hypertrophic_scar", "keloid", "migration"), 365),
}


def test_a_level_with_piercings_has_a_row_for_every_complication_and_group() -> None:
    # "zero or not": the one piercing is not even mature.
    check_file(
        "complication_counts",
        piercing_levels="procedure_id | dimension | level\nP1 | branch | B1",
        gives="level | complication | window_days | procedures | events | reached | events_reached | attributed\n"
        + "\n".join(f"B1 | {name} | {WINDOWS[name]} | 0 | 0 | 0 | 0 | 0" for name in COMPLICATIONS),
    )


def test_the_period_of_each_window() -> None:
    # It ends on A − w − 14 and has 364 days.
    check_file(
        "complication_counts",
        params={"as_of": "2031-02-14"},
        piercing_levels="procedure_id | dimension | level\nP1 | all | all",
        where="complication in ('any', 'contact_allergy', 'keloid')",
        gives="""
        complication    | window_days | period_start | period_end
        any             | 30          | 2030-01-03   | 2031-01-01
        contact_allergy | 90          | 2029-11-04   | 2030-11-02
        keloid          | 365         | 2029-02-02   | 2030-01-31
        """,
    )


def test_a_level_counts_its_own_mature_piercings_and_their_events() -> None:
    # P3 is mature for 30 days only, P4 for none: its event does not count. P1 is reached for 30 days, P2 for 90.
    check_file(
        "complication_counts",
        piercing_levels="""
        procedure_id | dimension | level
        P1           | all       | all
        P2           | all       | all
        P3           | all       | all
        P4           | all       | all
        P1           | lot       | L1
        P2           | lot       | L2
        P3           | lot       | L1
        P4           | lot       | L1
        """,
        mature_piercings="""
        procedure_id | window_days | is_reached
        P1           | 30          | true
        P2           | 30          | false
        P3           | 30          | false
        P1           | 90          | false
        P2           | 90          | true
        """,
        events="""
        procedure_id | complication    | is_attributed
        P1           | tear            | true
        P2           | tear            | false
        P4           | tear            | false
        P2           | contact_allergy | false
        P3           | contact_allergy | false
        """,
        where="complication in ('tear', 'contact_allergy')",
        gives="""
        dimension | level | complication    | procedures | events | reached | events_reached | attributed
        all       | all   | tear            | 3          | 2      | 1       | 1              | 1
        all       | all   | contact_allergy | 2          | 1      | 1       | 1              | 0
        lot       | L1    | tear            | 2          | 1      | 1       | 1              | 1
        lot       | L1    | contact_allergy | 1          | 0      | 0       | 0              | 0
        lot       | L2    | tear            | 1          | 1      | 0       | 0              | 0
        lot       | L2    | contact_allergy | 1          | 1      | 1       | 1              | 0
        """,
    )


STRATA = """
procedure_id | branch_id | practitioner_id | site_group      | age_band
P1           | B1        | P-1             | lobe            | 18+
P2           | B1        | P-1             | lobe            | 18+
P3           | B1        | P-1             | upper_cartilage | 18+
P4           | B1        |                 | lobe            |
P5           | B2        | P-1             | lobe            | 18+
P6           | B2        | P-1             | lobe            | 18+
"""
MATURE = """
procedure_id | window_days | is_reached
P1           | 30          | true
P2           | 30          | false
P3           | 30          | false
P4           | 30          | true
P5           | 30          | true
P1           | 90          | true
"""
EVENTS = """
procedure_id | complication
P1           | infection
P2           | tear
P4           | infection
P6           | infection
P1           | embedded_stud
P2           | embedded_stud
"""


def test_branches_by_stratum() -> None:
    check_file(
        "branch_strata",
        piercings=STRATA,
        mature_piercings=MATURE,
        events=EVENTS,
        where="complication in ('infection', 'embedded_stud', 'keloid')",
        gives="""
        branch_id | complication  | site_group      | age_band  | procedures | events
        B1        | infection     | lobe            | 18+       | 2          | 1
        B1        | infection     | upper_cartilage | 18+       | 1          | 0
        B1        | infection     | lobe            | (missing) | 1          | 1
        B2        | infection     | lobe            | 18+       | 1          | 0
        B1        | embedded_stud | lobe            | 18+       | 1          | 1
        """,
    )


def test_every_complication_has_its_strata() -> None:
    check_file(
        "branch_strata",
        piercings="procedure_id | branch_id | site_group | age_band\nP1 | B1 | lobe | 18+",
        mature_piercings="procedure_id | window_days\nP1 | 30\nP1 | 90\nP1 | 365",
        gives="complication | procedures | events\n" + "\n".join(f"{name} | 1 | 0" for name in COMPLICATIONS),
    )


def test_practitioners_of_a_branch() -> None:
    check_file(
        "branch_practitioners",
        piercings=STRATA,
        mature_piercings=MATURE,
        events=EVENTS,
        gives="""
        branch_id | practitioner_id | site_group      | procedures | events | reached
        B1        | P-1             | lobe            | 2          | 1      | 1
        B1        | P-1             | upper_cartilage | 1          | 0      | 0
        B1        | (missing)       | lobe            | 1          | 1      | 1
        B2        | P-1             | lobe            | 1          | 0      | 1
        """,
    )


def test_coverage_of_a_week_and_branch() -> None:
    # Reached within the 30-day window; one reached for a longer window alone is not.
    check_file(
        "coverage_weeks",
        piercings="""
        procedure_id | week       | branch_id
        P1           | 2031-01-06 | B1
        P2           | 2031-01-06 | B1
        P3           | 2031-01-06 | B2
        P4           | 2031-01-13 | B1
        """,
        reached="procedure_id | window_days\nP1 | 30\nP1 | 90\nP2 | 90\nP4 | 30",
        gives="""
        week       | branch_id | procedures | reached
        2031-01-06 | B1        | 2          | 1
        2031-01-06 | B2        | 1          | 0
        2031-01-13 | B1        | 1          | 1
        """,
    )


def test_the_days_the_data_covers() -> None:
    check_file(
        "data_span",
        piercings="procedure_id | performed_on\nP1 | 2030-05-02\nP2 | 2029-04-01\nP3 | 2030-04-30",
        gives="data_from | last_piercing_on | piercings\n2029-04-01 | 2030-05-02 | 3",
    )


def test_no_days_without_a_completed_piercing() -> None:
    check_file("data_span", gives="data_from | last_piercing_on | piercings\n | | 0")
