"""What stands behind a figure, row by row, and the records that goes by."""

from support.texttables import check_file


def test_piercings_behind_a_rate() -> None:
    # P1 is an event known only by attribution, P2 one that was reached; P3 is of another window alone.
    check_file(
        "complication_rates_rows",
        piercing_levels="""
        procedure_id | dimension | level
        P1           | branch    | B1
        P2           | branch    | B1
        P3           | branch    | B1
        P4           | branch    | B1
        """,
        mature_piercings="""
        procedure_id | window_days | is_reached
        P1           | 30          | false
        P2           | 30          | true
        P3           | 90          | true
        """,
        events="""
        procedure_id | complication | is_attributed
        P1           | infection    | true
        P2           | infection    | false
        P4           | infection    | false
        """,
        where="complication = 'infection'",
        gives="""
        dimension | level | item     | id | in_procedures | in_events | in_reached | in_events_reached | in_attributed
        branch    | B1    | piercing | P1 | true          | true      | false      | false             | true
        branch    | B1    | piercing | P2 | true          | true      | true       | true              | false
        """,
    )


WATCHED = """
complication    | procedure_id | is_reached | is_event
infection       | P1           | true       | true
contact_allergy | P2           | true       | false
"""


def test_piercings_behind_a_material_and_site() -> None:
    check_file(
        "material_sites_rows",
        piercings="procedure_id | material | site_group\nP1 | gold | lobe\nP2 | | lobe",
        watched_piercings=WATCHED,
        gives="""
        complication    | material  | site_group | id | in_procedures | in_events | in_reached | in_events_reached
        infection       | gold      | lobe       | P1 | true          | true      | true       | true
        contact_allergy | (missing) | lobe       | P2 | true          | false     | true       | false
        """,
    )


def test_piercings_behind_a_practitioner() -> None:
    # "infections": P2 is watched for another complication.
    check_file(
        "branch_practitioners_rows",
        piercings="procedure_id | branch_id | practitioner_id | site_group\nP1 | B1 | | lobe\nP2 | B1 | W1 | lobe",
        watched_piercings=WATCHED,
        gives="""
        branch_id | practitioner_id | site_group | id | in_procedures | in_events | in_reached
        B1        | (missing)       | lobe       | P1 | true          | true      | true
        """,
    )


def test_piercings_behind_a_comparison() -> None:
    check_file(
        "comparison_rows",
        piercings="procedure_id | branch_id\nP1 | B1\nP2 | B2\nP3 | B1",
        mature_piercings="""
        procedure_id | window_days | is_reached
        P1           | 30          | false
        P2           | 30          | true
        P3           | 90          | true
        """,
        events="procedure_id | complication\nP1 | infection\nP2 | tear\nP3 | infection",
        where="complication = 'infection'",
        gives="""
        branch_id | item     | id | in_procedures | in_observed | in_reached
        B1        | piercing | P1 | true          | true        | false
        B2        | piercing | P2 | true          | false       | true
        """,
    )


def test_piercings_behind_a_possible_cause() -> None:
    check_file(
        "exposures_rows",
        exposed_piercings="""
        complication    | procedure_id | is_event
        infection       | P1           | true
        contact_allergy | P1           | false
        infection       | P2           | true
        """,
        exposure_levels="procedure_id | dimension | level\nP1 | lot | L1\nP1 | branch | B1",
        gives="""
        complication    | dimension | level | item     | id | in_procedures | in_observed
        infection       | lot       | L1    | piercing | P1 | true          | true
        infection       | branch    | B1    | piercing | P1 | true          | true
        contact_allergy | lot       | L1    | piercing | P1 | true          | false
        contact_allergy | branch    | B1    | piercing | P1 | true          | false
        """,
    )


def test_piercings_behind_clients_count_each_client_once() -> None:
    # Of C1 the first piercing counts the client, the first infected one the affected; of nobody's the visit does.
    check_file(
        "client_shares_rows",
        piercings_of_clients="""
        complication    | procedure_id | client_key | visit_id | is_event
        infection       | P3           | C1         |          | true
        infection       | P2           | C1         |          | true
        infection       | P1           | C1         |          | false
        infection       | P4           |            | V4       | false
        infection       | P5           |            | V4       | false
        contact_allergy | P3           | C1         |          | false
        """,
        gives="""
        complication    | item     | id | in_procedures | in_events | in_clients | in_clients_with
        infection       | piercing | P1 | true          | false     | true       | false
        infection       | piercing | P2 | true          | true      | false      | true
        infection       | piercing | P3 | true          | true      | false      | false
        infection       | piercing | P4 | true          | false     | true       | false
        infection       | piercing | P5 | true          | false     | false      | false
        contact_allergy | piercing | P3 | true          | false     | true       | false
        """,
    )


def test_piercings_behind_an_onset_are_those_that_had_met_nothing_before() -> None:
    check_file(
        "onsets_rows",
        first_met="""
        procedure_id | complication | day
        P1           | infection    | 4
        P2           | tear         | 9
        P3           |              | 4
        P4           |              | 3
        """,
        gives="""
        complication | day | item     | id | in_at_risk | in_onsets
        infection    | 4   | piercing | P1 | true       | true
        infection    | 4   | piercing | P2 | true       | false
        infection    | 4   | piercing | P3 | true       | false
        tear         | 9   | piercing | P2 | true       | true
        """,
    )


def test_piercings_behind_a_week_that_is_completed() -> None:
    check_file(
        "completion_rows",
        piercings="procedure_id | week\nP1 | 2031-01-06\nP2 | 2031-01-06",
        piercing_levels="""
        procedure_id | dimension | level
        P1           | all       | all
        P1           | branch    | B1
        P1           | site      | helix
        P2           | branch    | B2
        """,
        events="procedure_id | complication\nP1 | infection\nP2 | tear",
        gives="""
        dimension | level | week       | item     | id | in_procedures | in_seen
        all       | all   | 2031-01-06 | piercing | P1 | true          | true
        branch    | B1    | 2031-01-06 | piercing | P1 | true          | true
        branch    | B2    | 2031-01-06 | piercing | P2 | true          | false
        """,
    )


def test_piercings_behind_coverage_are_reached_within_the_window_of_infection() -> None:
    check_file(
        "coverage_rows",
        piercings="procedure_id | week | branch_id\nP1 | 2031-01-06 | B1\nP2 | 2031-01-06 | B1",
        reached="procedure_id | window_days\nP1 | 30\nP1 | 90\nP2 | 90",
        gives="""
        week       | branch_id | item     | id | in_procedures | in_reached
        2031-01-06 | B1        | piercing | P1 | true          | true
        2031-01-06 | B1        | piercing | P2 | true          | false
        """,
    )


def test_visits_behind_aftercare() -> None:
    check_file(
        "attach_rows",
        placed_visits="""
        dimension | level | period | visit_id | is_attached | is_provided | is_linked
        branch    | B1    | 52w    | V1       | false       | true        | true
        """,
        gives="""
        level | id | in_eligible_visits | in_attached_visits | in_provided_visits | in_linked_visits
        B1    | V1 | true               | false              | true               | true
        """,
    )


def test_revisits_behind_a_figure_count_their_thread_once() -> None:
    check_file(
        "revisits_rows",
        placed_revisits="""
        dimension | level | period | revisit_id | status         | thread_id | is_kept_in_the_end
        branch    | B1    | 52w    | R2         | attended       | T1        | true
        branch    | B1    | 52w    | R1         | no_show        | T1        | true
        branch    | B1    | 52w    | R3         | cancelled_late | T2        | false
        branch    | B2    | 52w    | R4         | unknown        | T1        | true
        """,
        gives="""
        id | in_due | in_attended | in_no_show | in_cancelled_late | in_unknown | in_threads | in_kept_in_the_end
        R1 | true   | false       | true       | false             | false      | true       | true
        R2 | true   | true        | false      | false             | false      | false      | false
        R3 | true   | false       | false      | true              | false      | true       | false
        R4 | true   | false       | false      | false             | true       | true       | true
        """,
    )


def test_what_stands_behind_a_week() -> None:
    # Counts stand in the row of the first currency, money in that of its own.
    check_file(
        "weekly_rows",
        visits="visit_id | week | branch_id\nV1 | 2031-01-06 | B1",
        piercings="procedure_id | week | branch_id\nP1 | 2031-01-06 | B1\nP2 | 2031-01-13 | B1",
        events="procedure_id | complication\nP1 | infection\nP2 | tear",
        takings="""
        sale_id | line_no | week       | branch_id | currency | aftercare_net | jewellery_net
        S1      | 1       | 2031-01-06 | B1        | GBP      | 4             | 0
        """,
        week_takings="""
        week       | branch_id | currency | place
        2031-01-06 | B1        | EUR      | 1
        2031-01-06 | B1        | GBP      | 2
        """,
        gives="""
        week       | currency | item         | id | line_no | in_visits | in_procedures | in_infections_observed
        2031-01-06 | EUR      | visit        | V1 |         | true      | false         | false
        2031-01-06 | EUR      | piercing     | P1 |         | false     | true          | true
        2031-01-13 |          | piercing     | P2 |         | false     | true          | false
        2031-01-06 | GBP      | receipt line | S1 | 1       | false     | false         | false
        """,
    )


def test_the_record_of_everything_that_is_counted() -> None:
    check_file(
        "items",
        piercings="procedure_id | visit_id | branch_id | performed_on\nP1 | V1 | B1 | 2031-01-06",
        visits="visit_id | branch_id | visited_on\nV1 | B1 | 2031-01-06",
        due_revisits="revisit_id | visit_id | branch_id | starts_on\nR1 | V1 | B2 | 2031-01-20",
        receipt_lines="sale_id | line_no | visit_id | branch_id | sold_on\nS1 | 2 | | B1 | 2031-01-07",
        gives="""
        item         | id | line_no | table_name | visit_id | branch_id | told_on
        piercing     | P1 |         | procedures | V1       | B1        | 2031-01-06
        visit        | V1 |         |            | V1       | B1        | 2031-01-06
        revisit      | R1 |         | revisits   | V1       | B2        | 2031-01-20
        receipt line | S1 | 2       | sales      |          | B1        | 2031-01-07
        """,
    )


def test_the_standing_of_every_version() -> None:
    # Of equal times the one taken in later counts; what was recorded after the as-of date is not known then.
    check_file(
        "record_versions",
        params={"as_of": "2031-01-10"},
        stg_procedures="""
        seq | procedure_id | branch_id | performed_on | status    | recorded_at         | recorded_on
        1   | P1           | B1        | 2031-01-06   | completed | 2031-01-06 10:00:00 | 2031-01-06
        2   | P1           | B1        | 2031-01-06   | void      | 2031-01-06 10:00:00 | 2031-01-06
        3   | P1           | B2        | 2031-01-06   | completed | 2031-01-11 10:00:00 | 2031-01-11
        """,
        stg_sales="""
        seq | sale_id | line_no | branch_id | sold_on    | line_type | recorded_at         | recorded_on
        1   | S1      | 1       | B1        | 2031-01-06 | sale      | 2031-01-06 10:00:00 | 2031-01-06
        2   | S1      | 2       | B1        | 2031-01-06 | gift      | 2031-01-06 10:00:00 | 2031-01-06
        """,
        stg_follow_ups="""
        seq | follow_up_id | visit_id | contacted_on | outcome | recorded_at         | recorded_on
        1   | P1           | V1       | 2031-01-08   | well    | 2031-01-08 10:00:00 | 2031-01-08
        """,
        stg_revisits="""
        seq | revisit_id | branch_id | starts_on  | status | recorded_at         | recorded_on
        1   | R1         | B1        | 2031-01-09 | booked | 2031-01-12 10:00:00 | 2031-01-12
        """,
        stg_file_rows="""
        table_name | seq | file_id | line
        procedures | 1   | 1       | 2
        procedures | 2   | 1       | 3
        procedures | 3   | 2       | 2
        sales      | 1   | 3       | 2
        sales      | 2   | 3       | 4
        follow_ups | 1   | 4       | 2
        revisits   | 1   | 5       | 2
        """,
        file="""
        file_id | run_id | path  | table_name | sha256
        1       | 1      | a.csv | procedures | aa
        2       | 2      | a.csv | procedures | bb
        3       | 2      | s.csv | sales      | cc
        4       | 2      | f.csv | follow_ups | dd
        5       | 2      | r.csv | revisits   | ee
        """,
        gives="""
        table_name | id | line_no | branch_id | told_on    | status    | standing   | file  | sha256 | line
        procedures | P1 |         | B1        | 2031-01-06 | completed | superseded | a.csv | aa     | 2
        procedures | P1 |         | B1        | 2031-01-06 | void      | known      | a.csv | aa     | 3
        procedures | P1 |         | B2        | 2031-01-06 | completed | later      | a.csv | bb     | 2
        sales      | S1 | 1       | B1        | 2031-01-06 | sale      | known      | s.csv | cc     | 2
        sales      | S1 | 2       | B1        | 2031-01-06 | gift      | known      | s.csv | cc     | 4
        follow_ups | P1 |         |           | 2031-01-08 | well      | known      | f.csv | dd     | 2
        revisits   | R1 |         | B1        | 2031-01-09 | booked    | later      | r.csv | ee     | 2
        """,
    )


def test_what_was_heard_of_a_piercing() -> None:
    # F1 reports of P1; F2 tells of the whole visit, asked; the revisit was an answer too; P2 fainted.
    check_file(
        "evidence",
        piercings="""
        procedure_id | visit_id | performed_on
        P1           | V1       | 2031-01-06
        P2           | V1       | 2031-01-06
        """,
        follow_ups="""
        follow_up_id | visit_id | contacted_on | outcome
        F1           | V1       | 2031-01-10   | complication
        F2           | V1       | 2031-01-20   | well
        """,
        reports="""
        report_id    | procedure_id | kind  | onset_day | is_attributed
        follow_up:F1 | P1           | tear  | 3         | true
        procedure:P2 | P2           | faint | 0         | false
        """,
        attributions="follow_up_id | procedure_id | stud_out_day\nF1 | P1 | 4",
        asked_answers="""
        table_name | id | visit_id | answered_on
        follow_ups | F2 | V1       | 2031-01-20
        revisits   | R1 | V1       | 2031-02-05
        """,
        where="item = 'piercing'",
        gives="""
        item_id | table_name | id | says                | is_answer | day | kind  | onset_day | is_attributed
        P1      | follow_ups | F1 | complication        | false     | 4   | tear  | 3         | true
        P1      | follow_ups | F2 | well                | true      | 14  |       |           |
        P1      | revisits   | R1 | attended            | true      | 30  |       |           |
        P2      | follow_ups | F1 | complication        | false     | 4   |       |           |
        P2      | follow_ups | F2 | well                | true      | 14  |       |           |
        P2      | revisits   | R1 | attended            | true      | 30  |       |           |
        P2      | procedures | P2 | during the piercing | false     | 0   | faint | 0         | false
        """,
    )


def test_the_records_of_a_visit_and_of_a_thread() -> None:
    # The refund S2 is of its own visit and counts against V1; S3 came too late to count.
    check_file(
        "evidence",
        piercings="procedure_id | visit_id\nP1 | V1",
        receipt_lines="""
        sale_id | line_no | visit_id | category  | line_type | quantity
        S1      | 1       | V1       | aftercare | sale      | 2
        S1      | 2       | V1       | jewellery | sale      | 1
        S1      | 3       |          | aftercare | sale      | 1
        S2      | 1       | V1       | aftercare | refund    | -1
        S3      | 1       | V1       | aftercare | refund    | 1
        S4      | 1       | V1       |           | sale      | 1
        """,
        refunds="sale_id | line_no | visit_id | quantity\nS2 | 1 | V1 | 1",
        due_revisits="""
        revisit_id | thread_id | status
        R1         | T1        | no_show
        R2         | T1        | attended
        R3         | T2        | attended
        """,
        gives="""
        item    | item_id | table_name | id | line_no | says             | quantity
        visit   | V1      | procedures | P1 |         | completed        |
        visit   | V1      | sales      | S1 | 1       | aftercare sale   | 2
        visit   | V1      | sales      | S1 | 2       | jewellery sale   | 0
        visit   | V1      | sales      | S2 | 1       | aftercare refund | -1
        visit   | V1      | sales      | S3 | 1       | aftercare refund | 0
        visit   | V1      | sales      | S4 | 1       | sale             | 0
        revisit | R1      | revisits   | R2 |         | attended         |
        """,
    )
