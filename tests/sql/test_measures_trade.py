"""Counts behind the trade figures: attachment, revisits, the week's visits and money, the days of a branch."""

from support.texttables import check_file

# attach_counts: "By all and branch for each week and 52w; by practitioner for 52w."


def test_visits_and_aftercare_by_level_and_period() -> None:
    check_file(
        "attach_counts",
        visits="""
        visit_id | branch_id | visited_on | week       | practitioner_id
        V1       | B1        | 2031-01-06 | 2031-01-06 | P-1
        V2       | B1        | 2031-01-12 | 2031-01-06 | P-1
        V3       | B2        | 2031-01-06 | 2031-01-06 |
        V4       | B1        | 2031-01-13 | 2031-01-13 | P-2
        """,
        aftercare_of_visits="""
        visit_id | is_attached | is_provided | is_linked
        V1       | true        | true        | true
        V2       | false       | true        | true
        V3       | false       | false       | true
        V4       | false       | false       | false
        """,
        gives="""
        dimension    | level     | period          | eligible_visits | attached_visits | provided_visits | linked_visits
        all          | all       | week:2031-01-06 | 3               | 1               | 2               | 3
        all          | all       | week:2031-01-13 | 1               | 0               | 0               | 0
        branch       | B1        | week:2031-01-06 | 2               | 1               | 2               | 2
        branch       | B2        | week:2031-01-06 | 1               | 0               | 0               | 1
        branch       | B1        | week:2031-01-13 | 1               | 0               | 0               | 0
        all          | all       | 52w             | 4               | 1               | 2               | 3
        branch       | B1        | 52w             | 3               | 1               | 2               | 2
        branch       | B2        | 52w             | 1               | 0               | 0               | 1
        practitioner | P-1       | 52w             | 2               | 1               | 2               | 2
        practitioner | P-2       | 52w             | 1               | 0               | 0               | 0
        practitioner | (missing) | 52w             | 1               | 0               | 0               | 1
        """,
    )


def test_the_year_of_visits_is_the_364_days_that_end_on_the_as_of_date() -> None:
    check_file(
        "attach_counts",
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
        dimension    | level     | eligible_visits
        all          | all       | 2
        branch       | B2        | 1
        branch       | B3        | 1
        practitioner | (missing) | 2
        """,
    )


# revisit_counts: "Attended + no_show + cancelled_late + unknown = due"


def test_revisits_by_level_and_period() -> None:
    check_file(
        "revisit_counts",
        due_revisits="""
        revisit_id | thread_id | branch_id | starts_on  | week       | status         | is_kept_in_the_end
        R1         | R1        | B1        | 2031-01-06 | 2031-01-06 | attended       | true
        R2         | R2        | B1        | 2031-01-07 | 2031-01-06 | no_show        | false
        R3         | R3        | B1        | 2031-01-08 | 2031-01-06 | cancelled_late | false
        R4         | R4        | B2        | 2031-01-09 | 2031-01-06 | unknown        | false
        """,
        where="period = 'week:2031-01-06'",
        gives="""
        dimension | level | due | attended | no_show | cancelled_late | unknown | threads | kept_in_the_end
        all       | all   | 4   | 1        | 1       | 1              | 1       | 4       | 1
        branch    | B1    | 3   | 1        | 1       | 1              | 0       | 3       | 1
        branch    | B2    | 1   | 0        | 0       | 0              | 1       | 1       | 0
        """,
    )


def test_a_thread_counts_once_in_every_period_with_a_due_revisit_and_as_kept_in_each() -> None:
    # Missed twice in the first week, kept at another branch in the second: "threads with a due revisit, and
    # kept_in_the_end, those of them with an attended one by A".
    check_file(
        "revisit_counts",
        due_revisits="""
        revisit_id | thread_id | branch_id | starts_on  | week       | status   | is_kept_in_the_end
        R1         | T1        | B1        | 2031-01-06 | 2031-01-06 | no_show  | true
        R2         | T1        | B1        | 2031-01-08 | 2031-01-06 | no_show  | true
        R3         | T1        | B2        | 2031-01-13 | 2031-01-13 | attended | true
        R4         | T2        | B1        | 2031-01-06 | 2031-01-06 | no_show  | false
        """,
        gives="""
        dimension | level | period          | due | attended | no_show | threads | kept_in_the_end
        all       | all   | week:2031-01-06 | 3   | 0        | 3       | 2       | 1
        all       | all   | week:2031-01-13 | 1   | 1        | 0       | 1       | 1
        branch    | B1    | week:2031-01-06 | 3   | 0        | 3       | 2       | 1
        branch    | B2    | week:2031-01-13 | 1   | 1        | 0       | 1       | 1
        all       | all   | 52w             | 4   | 1        | 3       | 2       | 1
        branch    | B1    | 52w             | 3   | 0        | 3       | 2       | 1
        branch    | B2    | 52w             | 1   | 1        | 0       | 1       | 1
        """,
    )


def test_the_year_of_revisits_is_the_364_days_that_end_on_the_as_of_date() -> None:
    check_file(
        "revisit_counts",
        params={"as_of": "2031-02-14"},
        due_revisits="""
        revisit_id | thread_id | branch_id | starts_on  | week       | status
        R1         | R1        | B1        | 2030-02-15 | 2030-02-11 | attended
        R2         | R2        | B2        | 2030-02-16 | 2030-02-11 | attended
        R3         | R3        | B3        | 2031-02-14 | 2031-02-10 | attended
        """,
        where="period = '52w'",
        gives="dimension | level | due\nall | all | 2\nbranch | B2 | 1\nbranch | B3 | 1",
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
        receipt_lines="""
        week       | branch_id | currency | category  | line_type | net_amount
        2031-01-13 | B2        | EUR      | aftercare | sale      | 12.50
        """,
        gives="""
        week       | branch_id | currency | visits | procedures | infections | aftercare_net | jewellery_net
        2030-12-30 | B1        |          | 1      | 1          | 0          | 0             | 0
        2031-01-06 | B1        |          | 0      | 1          | 1          | 0             | 0
        2031-01-13 | B2        | EUR      | 0      | 0          | 0          | 12.5          | 0
        """,
    )


def test_net_is_sales_gifts_and_bundle_parts_less_refunds() -> None:
    # "Refund quantities and amounts count as absolute values, to be taken off", whatever their sign in the export.
    check_file(
        "weekly_counts",
        receipt_lines="""
        week       | branch_id | currency | category  | line_type   | net_amount
        2031-01-06 | B1        | EUR      | aftercare | sale        | 10.10
        2031-01-06 | B1        | EUR      | aftercare | gift        | 0.20
        2031-01-06 | B1        | EUR      | aftercare | bundle_part | 3.00
        2031-01-06 | B1        | EUR      | aftercare | refund      | -4.00
        2031-01-06 | B1        | EUR      | aftercare | refund      | 1.00
        2031-01-06 | B1        | EUR      | jewellery | sale        | 50
        2031-01-06 | B1        | EUR      | service   | sale        | 700
        2031-01-06 | B1        | EUR      | other     | sale        | 700
        2031-01-06 | B1        | EUR      |           | sale        | 700
        2031-01-06 | B1        | EUR      | aftercare | void        | 700
        2031-01-13 | B1        | EUR      | jewellery | refund      | 60
        """,
        gives="""
        week       | branch_id | currency | aftercare_net | jewellery_net
        2031-01-06 | B1        | EUR      | 8.30          | 50
        2031-01-13 | B1        | EUR      | 0             | -60
        """,
    )


def test_amounts_of_two_currencies_are_never_added() -> None:
    # "a column `currency` then splits the rows": the counts stand in one of them alone, or they would be added twice.
    check_file(
        "weekly_counts",
        visits="visit_id | week | branch_id\nV1 | 2031-01-06 | B1",
        piercings="procedure_id | week | branch_id\nP1 | 2031-01-06 | B1\nP2 | 2031-01-06 | B1",
        receipt_lines="""
        week       | branch_id | currency | category  | line_type | net_amount
        2031-01-06 | B1        | GBP      | aftercare | sale      | 1
        2031-01-06 | B1        | EUR      | aftercare | sale      | 2
        2031-01-06 | B1        | EUR      | jewellery | sale      | 4
        2031-01-06 | B2        |          | aftercare | sale      | 8
        2031-01-06 | B2        | EUR      | aftercare | sale      | 16
        2031-01-13 | B1        | GBP      | aftercare | sale      | 32
        """,
        gives="""
        week       | branch_id | currency | visits | procedures | infections | aftercare_net | jewellery_net
        2031-01-06 | B1        | EUR      | 1      | 2          | 0          | 2             | 4
        2031-01-06 | B1        | GBP      |        |            |            | 1             | 0
        2031-01-06 | B2        |          | 0      | 0          | 0          | 8             | 0
        2031-01-06 | B2        | EUR      |        |            |            | 16            | 0
        2031-01-13 | B1        | GBP      | 0      | 0          | 0          | 32            | 0
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
