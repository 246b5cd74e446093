"""Records of the two last whole weeks, each with the day it was first recorded."""

from support.texttables import check_file

# The as-of date is Friday 2031-02-14: the last whole weeks are those of 2031-01-27 and 2031-02-03.


def test_visits_piercings_infections_and_receipt_lines_of_the_two_last_whole_weeks() -> None:
    check_file(
        "week_records",
        visits="""
        visit_id | branch_id | week
        V1       | B1        | 2031-01-20
        V2       | B1        | 2031-01-27
        V3       | B2        | 2031-02-03
        V4       | B2        | 2031-02-10
        """,
        piercings="""
        procedure_id | branch_id | week
        P1           | B1        | 2031-01-27
        P2           | B1        | 2031-01-27
        P3           | B2        | 2031-02-10
        """,
        events="""
        procedure_id | complication | recorded_on
        P1           | infection    | 2031-02-05
        P2           | migration    | 2031-02-06
        P3           | infection    | 2031-02-12
        """,
        stg_procedures="""
        seq | procedure_id | visit_id | recorded_on
        1   | P1           | V2       | 2031-01-28
        2   | P1           | V2       | 2031-01-30
        3   | P2           | V2       | 2031-01-29
        4   | P3           | V3       | 2031-02-04
        5   | P3           | V4       | 2031-02-10
        """,
        takings="""
        sale_id | line_no | week       | branch_id | currency | aftercare_net | jewellery_net
        S1      | 1       | 2031-02-03 | B1        | EUR      | 9.5           | 0
        S1      | 2       | 2031-02-03 | B1        | EUR      | 0             | -4.25
        S2      | 1       | 2031-01-20 | B1        | EUR      | 1             | 0
        """,
        stg_sales="""
        seq | sale_id | line_no | recorded_on
        1   | S1      | 1       | 2031-02-05
        2   | S1      | 1       | 2031-02-04
        3   | S1      | 2       | 2031-02-09
        4   | S2      | 1       | 2031-01-21
        """,
        gives="""
        week       | kind      | record | branch_id | currency | amount | first_recorded_on
        2031-01-27 | visit     | V2     | B1        |          | 1      | 2031-01-28
        2031-02-03 | visit     | V3     | B2        |          | 1      | 2031-02-04
        2031-01-27 | piercing  | P1     | B1        |          | 1      | 2031-01-28
        2031-01-27 | piercing  | P2     | B1        |          | 1      | 2031-01-29
        2031-01-27 | infection | P1     | B1        |          | 1      | 2031-02-05
        2031-02-03 | taking    | S1:1   | B1        | EUR      | 9.5    | 2031-02-04
        2031-02-03 | taking    | S1:2   | B1        | EUR      | -4.25  | 2031-02-09
        """,
    )


def test_a_week_is_whole_with_its_sunday() -> None:
    visits = "visit_id | branch_id | week\nV1 | B1 | 2031-01-27\nV2 | B1 | 2031-02-03\nV3 | B1 | 2031-02-10"
    seen = "seq | procedure_id | visit_id | recorded_on\n" + "\n".join(
        f"{at} | P{at} | V{at} | 2031-02-01" for at in (1, 2, 3)
    )
    for as_of, weeks in (("2031-02-15", ("V1", "V2")), ("2031-02-16", ("V2", "V3"))):
        gives = "record\n" + "\n".join(weeks)
        check_file("week_records", visits=visits, stg_procedures=seen, params={"as_of": as_of}, gives=gives)
