"""Receipt lines as known by the as-of date, and the visits they belong to."""

from support.texttables import check_file

VISITS = """
visit_id | client_key | branch_id | visited_on
V1       | c1         | B1        | 2031-01-10
V3       | c2         | B1        | 2031-01-10
V2       | c2         | B1        | 2031-01-10
V4       |            | B1        | 2031-01-10
"""

# receipt_lines


def test_a_line_belongs_to_the_visit_it_names() -> None:
    check_file(
        "receipt_lines",
        visits=VISITS,
        stg_sales="""
        sale_id | line_no | visit_id  | client_key | branch_id | sold_on    | recorded_on | line_type
        S1      | 1       | V1        |            | B9        | 2031-01-12 | 2031-01-12  | sale
        S2      | 1       | V-UNKNOWN | c1         | B1        | 2031-01-10 | 2031-01-12  | sale
        S3      | 1       | V1        | c2         | B1        | 2031-01-10 | 2031-01-12  | sale
        """,
        gives="sale_id | visit_id\nS1 | V1\nS2 |\nS3 | V1",
    )


def test_a_line_without_one_goes_by_client_branch_and_day() -> None:
    # S2: "the first visit_id in text order, if several".
    check_file(
        "receipt_lines",
        visits=VISITS,
        stg_sales="""
        sale_id | line_no | client_key | branch_id | sold_on    | recorded_on | line_type
        S1      | 1       | c1         | B1        | 2031-01-10 | 2031-01-12  | sale
        S2      | 1       | c2         | B1        | 2031-01-10 | 2031-01-12  | sale
        S3      | 1       | c1         | B2        | 2031-01-10 | 2031-01-12  | sale
        S4      | 1       | c1         | B1        | 2031-01-11 | 2031-01-12  | sale
        S5      | 1       | c-unknown  | B1        | 2031-01-10 | 2031-01-12  | sale
        S6      | 1       |            | B1        | 2031-01-10 | 2031-01-12  | sale
        """,
        gives="sale_id | visit_id\nS1 | V1\nS2 | V2\nS3 |\nS4 |\nS5 |\nS6 |",
    )


def test_a_sale_with_a_void_line_is_no_sale() -> None:
    check_file(
        "receipt_lines",
        stg_sales="""
        sale_id | line_no | line_type | recorded_on
        S1      | 1       | sale      | 2031-01-10
        S1      | 2       | void      | 2031-01-10
        S2      | 1       | sale      | 2031-01-10
        """,
        gives="sale_id | line_no\nS2 | 1",
    )


def test_a_void_counts_from_the_day_it_is_known() -> None:
    # S1 is voided after A. S2: its void line was recorded by mistake and corrected by A.
    check_file(
        "receipt_lines",
        params={"as_of": "2031-01-20"},
        stg_sales="""
        seq | sale_id | line_no | line_type | recorded_at         | recorded_on
        1   | S1      | 1       | sale      | 2031-01-10 10:00:00 | 2031-01-10
        2   | S1      | 2       | void      | 2031-01-21 10:00:00 | 2031-01-21
        3   | S2      | 1       | void      | 2031-01-10 10:00:00 | 2031-01-10
        4   | S2      | 1       | sale      | 2031-01-20 10:00:00 | 2031-01-20
        5   | S3      | 1       | sale      | 2031-01-10 10:00:00 | 2031-01-10
        6   | S3      | 1       | void      | 2031-01-20 10:00:00 | 2031-01-20
        """,
        gives="sale_id | line_no | line_type\nS1 | 1 | sale\nS2 | 1 | sale",
    )


def test_the_newest_version_of_a_line_recorded_by_the_as_of_date_counts() -> None:
    # The key is sale_id + line_no.
    check_file(
        "receipt_lines",
        params={"as_of": "2031-01-20"},
        stg_sales="""
        seq | sale_id | line_no | quantity | line_type | recorded_at         | recorded_on
        1   | S1      | 1       | 1        | sale      | 2031-01-20 10:00:00 | 2031-01-20
        2   | S1      | 1       | 2        | sale      | 2031-01-20 10:00:00 | 2031-01-20
        3   | S1      | 1       | 3        | sale      | 2031-01-19 10:00:00 | 2031-01-19
        4   | S1      | 1       | 4        | sale      | 2031-01-21 10:00:00 | 2031-01-21
        5   | S1      | 2       | 5        | sale      | 2031-01-10 10:00:00 | 2031-01-10
        6   | S2      | 1       | 6        | sale      | 2031-01-10 10:00:00 | 2031-01-10
        """,
        gives="sale_id | line_no | quantity\nS1 | 1 | 2\nS1 | 2 | 5\nS2 | 1 | 6",
    )


def test_a_line_keeps_what_its_record_says() -> None:
    head = "sale_id | line_no | branch_id | sold_on | product_id | batch_no | line_type"
    row = "S1 | 1 | B1 | 2031-01-05 | X1 | BA | refund"
    more_head, more_row = "quantity | net_amount | currency | refund_of", "-2 | -7.35 | EUR | S0"
    check_file(
        "receipt_lines",
        stg_sales=f"{head} | {more_head} | recorded_on\n{row} | {more_row} | 2031-01-06",
        gives=f"{head} | {more_head}\n{row} | {more_row}",
    )


def test_a_line_has_its_products_category_and_its_week() -> None:
    check_file(
        "receipt_lines",
        stg_products="product_id | category\nX1 | aftercare",
        stg_sales="""
        sale_id | line_no | product_id | sold_on    | line_type | recorded_on
        S1      | 1       | X1         | 2031-01-05 | sale      | 2031-01-10
        S1      | 2       | X-UNKNOWN  | 2031-01-06 | sale      | 2031-01-10
        """,
        gives="""
        line_no | category  | week
        1       | aftercare | 2030-12-30
        2       |           | 2031-01-06
        """,
    )
