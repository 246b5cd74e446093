"""Counts behind the trade figures: attachment, revisits, the week's visits and money, the days of a branch."""

from support.texttables import check_file

# placed_visits: "By all and branch for each week and 52w; by practitioner for 52w."


def test_visits_stand_by_level_and_period() -> None:
    check_file(
        "placed_visits",
        visits="""
        visit_id | branch_id | visited_on | week       | practitioner_id
        V1       | B1        | 2031-01-06 | 2031-01-06 | P-1
        V2       | B2        | 2031-01-13 | 2031-01-13 |
        """,
        aftercare_of_visits="""
        visit_id | is_attached | is_provided | is_linked
        V1       | true        | true        | true
        V2       | false       | false       | true
        """,
        gives="""
        dimension    | level     | period          | visit_id | is_attached | is_provided | is_linked
        all          | all       | week:2031-01-06 | V1       | true        | true        | true
        all          | all       | week:2031-01-13 | V2       | false       | false       | true
        branch       | B1        | week:2031-01-06 | V1       | true        | true        | true
        branch       | B2        | week:2031-01-13 | V2       | false       | false       | true
        all          | all       | 52w             | V1       | true        | true        | true
        all          | all       | 52w             | V2       | false       | false       | true
        branch       | B1        | 52w             | V1       | true        | true        | true
        branch       | B2        | 52w             | V2       | false       | false       | true
        practitioner | P-1       | 52w             | V1       | true        | true        | true
        practitioner | (missing) | 52w             | V2       | false       | false       | true
        """,
    )


def test_the_year_of_visits_is_the_364_days_that_end_on_the_as_of_date() -> None:
    check_file(
        "placed_visits",
        params={"as_of": "2031-02-14"},
        visits="""
        visit_id | branch_id | visited_on | week
        V1       | B1        | 2030-02-15 | 2030-02-11
        V2       | B2        | 2030-02-16 | 2030-02-11
        V3       | B3        | 2031-02-14 | 2031-02-10
        V4       | B4        | 2031-02-15 | 2031-02-10
        """,
        aftercare_of_visits="visit_id\nV1\nV2\nV3\nV4",
        where="period = '52w'",
        gives="""
        dimension    | level     | visit_id
        all          | all       | V2
        all          | all       | V3
        branch       | B2        | V2
        branch       | B3        | V3
        practitioner | (missing) | V2
        practitioner | (missing) | V3
        """,
    )


# attach_counts


def test_visits_and_aftercare_are_counted_by_level_and_period() -> None:
    check_file(
        "attach_counts",
        placed_visits="""
        dimension | level | period          | visit_id | is_attached | is_provided | is_linked
        all       | all   | week:2031-01-06 | V1       | true        | true        | true
        all       | all   | week:2031-01-06 | V2       | false       | true        | true
        all       | all   | week:2031-01-06 | V3       | false       | false       | true
        all       | all   | week:2031-01-13 | V4       | false       | false       | false
        branch    | B1    | week:2031-01-06 | V1       | true        | true        | true
        branch    | B1    | 52w             | V1       | true        | true        | true
        """,
        gives="""
        dimension | level | period          | eligible_visits | attached_visits | provided_visits | linked_visits
        all       | all   | week:2031-01-06 | 3               | 1               | 2               | 3
        all       | all   | week:2031-01-13 | 1               | 0               | 0               | 0
        branch    | B1    | week:2031-01-06 | 1               | 1               | 1               | 1
        branch    | B1    | 52w             | 1               | 1               | 1               | 1
        """,
    )


# placed_revisits


def test_revisits_stand_by_level_and_period() -> None:
    check_file(
        "placed_revisits",
        due_revisits="""
        revisit_id | thread_id | branch_id | starts_on  | week       | status   | is_kept_in_the_end
        R1         | T1        | B1        | 2031-01-06 | 2031-01-06 | attended | true
        """,
        gives="""
        dimension | level | period          | revisit_id | status   | thread_id | is_kept_in_the_end
        all       | all   | week:2031-01-06 | R1         | attended | T1        | true
        branch    | B1    | week:2031-01-06 | R1         | attended | T1        | true
        all       | all   | 52w             | R1         | attended | T1        | true
        branch    | B1    | 52w             | R1         | attended | T1        | true
        """,
    )


def test_the_year_of_revisits_is_the_364_days_that_end_on_the_as_of_date() -> None:
    check_file(
        "placed_revisits",
        params={"as_of": "2031-02-14"},
        due_revisits="""
        revisit_id | thread_id | branch_id | starts_on  | week       | status
        R1         | R1        | B1        | 2030-02-15 | 2030-02-11 | attended
        R2         | R2        | B2        | 2030-02-16 | 2030-02-11 | attended
        R3         | R3        | B3        | 2031-02-14 | 2031-02-10 | attended
        """,
        where="period = '52w'",
        gives="""
        dimension | level | revisit_id
        all       | all   | R2
        all       | all   | R3
        branch    | B2    | R2
        branch    | B3    | R3
        """,
    )


# revisit_counts: "Attended + no_show + cancelled_late + unknown = due"


def test_revisits_are_counted_by_what_became_of_them() -> None:
    check_file(
        "revisit_counts",
        placed_revisits="""
        dimension | level | period | revisit_id | thread_id | status         | is_kept_in_the_end
        all       | all   | 52w    | R1         | R1        | attended       | true
        all       | all   | 52w    | R2         | R2        | no_show        | false
        all       | all   | 52w    | R3         | R3        | cancelled_late | false
        all       | all   | 52w    | R4         | R4        | unknown        | false
        branch    | B1    | 52w    | R1         | R1        | attended       | true
        """,
        gives="""
        dimension | level | due | attended | no_show | cancelled_late | unknown | threads | kept_in_the_end
        all       | all   | 4   | 1        | 1       | 1              | 1       | 4       | 1
        branch    | B1    | 1   | 1        | 0       | 0              | 0       | 1       | 1
        """,
    )


def test_a_thread_counts_once_in_every_period_with_a_due_revisit_and_as_kept_in_each() -> None:
    # Missed twice in the first week, kept at another branch in the second: "threads with a due revisit, and
    # kept_in_the_end, those of them with an attended one by A".
    check_file(
        "revisit_counts",
        placed_revisits="""
        dimension | level | period          | revisit_id | thread_id | status   | is_kept_in_the_end
        branch    | B1    | week:2031-01-06 | R1         | T1        | no_show  | true
        branch    | B1    | week:2031-01-06 | R2         | T1        | no_show  | true
        branch    | B1    | week:2031-01-06 | R4         | T2        | no_show  | false
        branch    | B2    | week:2031-01-13 | R3         | T1        | attended | true
        """,
        gives="""
        dimension | level | period          | due | attended | no_show | threads | kept_in_the_end
        branch    | B1    | week:2031-01-06 | 3   | 0        | 3       | 2       | 1
        branch    | B2    | week:2031-01-13 | 1   | 1        | 0       | 1       | 1
        """,
    )


# weekly_counts


def test_each_thing_stands_in_its_own_week() -> None:
    # The visit began on Sunday, its second piercing came after midnight; the sale is of the week after, at B2.
    check_file(
        "weekly_counts",
        visits="visit_id | week | branch_id\nV1 | 2030-12-30 | B1",
        piercings="""
        procedure_id | week       | branch_id
        P1           | 2030-12-30 | B1
        P2           | 2031-01-06 | B1
        """,
        events="procedure_id | complication\nP2 | infection\nP2 | any\nP1 | tear",
        week_takings="""
        week       | branch_id | currency | aftercare_net | jewellery_net | place
        2031-01-13 | B2        | EUR      | 12.50         | 0             | 1
        """,
        gives="""
        week       | branch_id | currency | visits | procedures | infections | aftercare_net | jewellery_net
        2030-12-30 | B1        |          | 1      | 1          | 0          | 0             | 0
        2031-01-06 | B1        |          | 0      | 1          | 1          | 0             | 0
        2031-01-13 | B2        | EUR      | 0      | 0          | 0          | 12.5          | 0
        """,
    )


def test_the_counts_of_a_week_in_several_currencies_stand_in_one_row() -> None:
    # "a column `currency` then splits the rows": or the counts would be added twice.
    check_file(
        "weekly_counts",
        visits="visit_id | week | branch_id\nV1 | 2031-01-06 | B1",
        piercings="procedure_id | week | branch_id\nP1 | 2031-01-06 | B1\nP2 | 2031-01-06 | B1",
        week_takings="""
        week       | branch_id | currency | aftercare_net | jewellery_net | place
        2031-01-06 | B1        | EUR      | 2             | 4             | 1
        2031-01-06 | B1        | GBP      | 1             | 0             | 2
        2031-01-13 | B1        | GBP      | 32            | 0             | 1
        """,
        gives="""
        week       | branch_id | currency | visits | procedures | infections | aftercare_net | jewellery_net
        2031-01-06 | B1        | EUR      | 1      | 2          | 0          | 2             | 4
        2031-01-06 | B1        | GBP      |        |            |            | 1             | 0
        2031-01-13 | B1        | GBP      | 0      | 0          | 0          | 32            | 0
        """,
    )


# takings


def test_taken_are_sales_gifts_and_bundle_parts_less_refunds() -> None:
    # "Refund quantities and amounts count as absolute values, to be taken off", whatever their sign in the export.
    check_file(
        "takings",
        receipt_lines="""
        sale_id | line_no | currency | category  | line_type   | net_amount
        S1      | 1       | EUR      | aftercare | sale        | 10.10
        S1      | 2       | EUR      | aftercare | gift        | 0.20
        S1      | 3       | EUR      | aftercare | bundle_part | 3.00
        S1      | 4       | EUR      | aftercare | refund      | -4.00
        S1      | 5       | EUR      | aftercare | refund      | 1.00
        S1      | 6       | EUR      | jewellery | sale        | 50
        S1      | 7       | EUR      | service   | sale        | 700
        S1      | 8       | EUR      | other     | sale        | 700
        S1      | 9       | EUR      |           | sale        | 700
        S1      | 10      | EUR      | aftercare | void        | 700
        S2      | 1       | GBP      | jewellery | refund      | 60
        """,
        gives="""
        sale_id | line_no | currency | aftercare_net | jewellery_net
        S1      | 1       | EUR      | 10.10         | 0
        S1      | 2       | EUR      | 0.20          | 0
        S1      | 3       | EUR      | 3             | 0
        S1      | 4       | EUR      | -4            | 0
        S1      | 5       | EUR      | -1            | 0
        S1      | 6       | EUR      | 0             | 50
        S2      | 1       | GBP      | 0             | -60
        """,
    )


# week_takings


def test_amounts_of_two_currencies_are_never_added() -> None:
    check_file(
        "week_takings",
        takings="""
        week       | branch_id | currency | aftercare_net | jewellery_net
        2031-01-06 | B1        | GBP      | 1             | 0
        2031-01-06 | B1        | EUR      | 2             | 0
        2031-01-06 | B1        | EUR      | -1            | 4
        2031-01-06 | B2        |          | 8             | 0
        2031-01-06 | B2        | EUR      | 16            | 0
        2031-01-13 | B1        | GBP      | 32            | 0
        """,
        gives="""
        week       | branch_id | currency | aftercare_net | jewellery_net | place
        2031-01-06 | B1        | EUR      | 1             | 4             | 1
        2031-01-06 | B1        | GBP      | 1             | 0             | 2
        2031-01-06 | B2        |          | 8             | 0             | 1
        2031-01-06 | B2        | EUR      | 16            | 0             | 2
        2031-01-13 | B1        | GBP      | 32            | 0             | 1
        """,
    )


# branch_days


def test_the_days_of_which_a_branch_tells() -> None:
    # A day may come from any of its tables, known by A; B2 only has its reference row, the others none.
    check_file(
        "branch_days",
        params={"as_of": "2031-02-14"},
        stg_branches="""
        branch_id | name  | premises | region | follow_up_policy | opened_on
        B1        | First | salon    | West   | active           | 2030-01-01
        B2        | Empty |          |        |                  |
        """,
        stg_procedures="""
        branch_id | performed_on | recorded_on
        B1        | 2031-01-10   | 2031-01-10
        B1        | 2031-01-01   | 2031-02-15
        B3        | 2031-01-12   | 2031-01-12
        B4        | 2031-01-12   | 2031-02-14
        """,
        stg_sales="""
        branch_id | sold_on    | recorded_on
        B1        | 2031-01-08 | 2031-01-09
        B1        | 2031-01-02 | 2031-02-15
        B5        | 2031-01-13 | 2031-02-14
        """,
        stg_revisits="""
        branch_id | starts_on  | recorded_on
        B1        | 2031-06-01 | 2031-01-20
        B1        | 2031-06-01 | 2031-02-15
        B6        | 2031-06-01 | 2031-02-14
        """,
        gives="""
        branch_id | name  | premises | region | follow_up_policy | opened_on  | is_known | data_from  | data_through
        B1        | First | salon    | West   | active           | 2030-01-01 | true     | 2031-01-08 | 2031-01-20
        B2        | Empty |          |        |                  |            | true     |            |
        B3        |       |          |        |                  |            | false    | 2031-01-12 | 2031-01-12
        B4        |       |          |        |                  |            | false    | 2031-01-12 | 2031-01-12
        B5        |       |          |        |                  |            | false    | 2031-01-13 | 2031-01-13
        B6        |       |          |        |                  |            | false    | 2031-02-14 | 2031-02-14
        """,
    )
