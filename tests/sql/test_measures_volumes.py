"""What each file brought: the place of every version, and its rows by branch and day of record."""

from support.texttables import check_file

FILES = """
file_id | path    | table_name | sha256 | loaded_at
1       | a.csv   | procedures | aa     | 2031-02-01 03:00:00
2       | b.csv   | procedures | bb     | 2031-02-02 03:00:00
3       | b.csv   | sales      | cc     | 2031-02-02 03:00:00
4       | c.csv   | revisits   | dd     | 2031-02-02 03:00:00
5       | d.csv   | follow_ups | ee     | 2031-02-02 03:00:00
"""


def test_the_file_and_line_of_every_version() -> None:
    # Numbers of versions are a table's own.
    check_file(
        "stg_file_rows",
        raw_procedures="seq | run_id | file_id | line\n1 | 1 | 7 | 2\n2 | 2 | 8 | 3",
        raw_follow_ups="seq | run_id | file_id | line\n1 | 1 | 3 | 2",
        raw_revisits="seq | run_id | file_id | line\n1 | 1 | 4 | 2",
        raw_sales="seq | run_id | file_id | line\n1 | 1 | 5 | 2",
        gives="""
        table_name | seq | file_id | line
        procedures | 1   | 7       | 2
        procedures | 2   | 8       | 3
        follow_ups | 1   | 3       | 2
        revisits   | 1   | 4       | 2
        sales      | 1   | 5       | 2
        """,
    )


def test_rows_by_file_branch_and_day_of_record() -> None:
    # The revisit starts, and the piercing 3 was performed, on other days; every version counts.
    check_file(
        "file_branch_days",
        file=FILES,
        stg_file_rows="""
        table_name | seq | file_id
        procedures | 1   | 1
        procedures | 2   | 1
        procedures | 3   | 1
        procedures | 4   | 1
        procedures | 5   | 2
        sales      | 1   | 3
        revisits   | 1   | 4
        """,
        stg_procedures="""
        seq | procedure_id | branch_id | performed_on | recorded_on
        1   | P1           | B1        | 2031-01-31   | 2031-01-31
        2   | P2           | B1        | 2031-01-31   | 2031-01-31
        3   | P1           | B1        | 2031-01-30   | 2031-01-31
        4   | P4           | B2        | 2031-01-31   | 2031-02-01
        5   | P5           | B1        | 2031-01-31   | 2031-01-31
        """,
        stg_sales="seq | branch_id | recorded_on\n1 | B1 | 2031-02-01",
        stg_revisits="seq | branch_id | starts_on | recorded_on\n1 | B2 | 2031-03-01 | 2031-02-01",
        gives="""
        file_id | file  | table_name | sha256 | loaded_at           | branch_id | recorded_on | rows
        1       | a.csv | procedures | aa     | 2031-02-01 03:00:00 | B1        | 2031-01-31  | 3
        1       | a.csv | procedures | aa     | 2031-02-01 03:00:00 | B2        | 2031-02-01  | 1
        2       | b.csv | procedures | bb     | 2031-02-02 03:00:00 | B1        | 2031-01-31  | 1
        3       | b.csv | sales      | cc     | 2031-02-02 03:00:00 | B1        | 2031-02-01  | 1
        4       | c.csv | revisits   | dd     | 2031-02-02 03:00:00 | B2        | 2031-02-01  | 1
        """,
    )


def test_follow_ups_are_their_visits_branchs() -> None:
    # Both versions of F1 go by the visit it now belongs to; that of F2 is not known, and F3 belongs to none.
    check_file(
        "file_branch_days",
        file=FILES,
        stg_file_rows="table_name | seq | file_id\n" + "\n".join(f"follow_ups | {seq} | 5" for seq in (1, 2, 3, 4)),
        stg_follow_ups="""
        seq | follow_up_id | visit_id | recorded_on
        1   | F1           | V9       | 2031-02-01
        2   | F1           | V1       | 2031-02-01
        3   | F2           | V9       | 2031-02-01
        4   | F3           |          | 2031-02-01
        """,
        follow_ups="follow_up_id | visit_id\nF1 | V1\nF2 | V9\nF3 |",
        visits="visit_id | branch_id\nV1 | B2",
        gives="file_id | branch_id | recorded_on | rows\n5 | B2 | 2031-02-01 | 2",
    )


def test_what_was_recorded_by_the_as_of_date_counts() -> None:
    check_file(
        "file_branch_days",
        params={"as_of": "2031-02-01"},
        file=FILES,
        stg_file_rows="table_name | seq | file_id\nsales | 1 | 3\nsales | 2 | 3",
        stg_sales="seq | branch_id | recorded_on\n1 | B1 | 2031-02-01\n2 | B1 | 2031-02-02",
        gives="file_id | branch_id | recorded_on | rows\n3 | B1 | 2031-02-01 | 1",
    )
