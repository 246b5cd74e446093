"""Reference rows: the last version taken in holds, for every date."""

from support.texttables import check_file


def test_an_article_as_last_taken_in() -> None:
    check_file(
        "stg_articles",
        raw_articles="""
        seq | article_id | material
        1   | K1         | implant_steel
        3   | K1         | niobium
        2   | K1         | gold
        4   | K2         |
        """,
        gives="""
        article_id | material
        K1         | niobium
        K2         |
        """,
    )


def test_a_practitioner_as_last_taken_in() -> None:
    # The alias was withdrawn by the later row: an empty value is a value of the version that holds.
    check_file(
        "stg_practitioners",
        raw_practitioners="""
        seq | practitioner_id | home_branch_id | alias_of
        1   | P-1             | B1             | P-2
        2   | P-1             | B2             |
        3   | P-2             | B1             |
        """,
        gives="""
        practitioner_id | home_branch_id | alias_of
        P-1             | B2             |
        P-2             | B1             |
        """,
    )


def test_a_product_as_last_taken_in() -> None:
    check_file(
        "stg_products",
        raw_products="""
        seq | product_id | category
        2   | X1         | aftercare
        1   | X1         | jewellery
        3   | X2         |
        """,
        gives="""
        product_id | category
        X1         | aftercare
        X2         |
        """,
    )


def test_a_branch_as_last_taken_in_with_its_zone_or_that_of_the_settings() -> None:
    check_file(
        "stg_branches",
        params={"timezone": "Europe/Paris"},
        raw_branches="""
        seq | branch_id | name  | region | premises | timezone      | opened_on  | follow_up_policy
        1   | B1        | Old   | West   | salon    | Asia/Tokyo    | 2030-01-01 | passive
        2   | B1        | New   | East   | studio   | Europe/London | 2030-02-01 | active
        3   | B2        | Other |        |          | Asia/Tokyo    |            |
        4   | B2        | Other |        |          |               |            |
        """,
        gives="""
        branch_id | name  | region | premises | zone          | opened_on  | follow_up_policy
        B1        | New   | East   | studio   | Europe/London | 2030-02-01 | active
        B2        | Other |        |          | Europe/Paris  |            |
        """,
    )


def test_a_lot_has_a_row_for_each_branch_and_day_of_delivery() -> None:
    # Key: lot_no + branch_id (empty: the whole chain) + received_on, and received_on may be empty too.
    check_file(
        "stg_lots",
        raw_lots="""
        seq | lot_no | branch_id | received_on | article_id | expires_on
        1   | L1     | B1        | 2030-01-01  | K1         | 2031-01-01
        2   | L1     | B1        | 2030-01-01  | K2         | 2032-01-01
        3   | L1     | B1        | 2030-01-02  | K1         | 2033-01-01
        4   | L1     | B2        | 2030-01-01  | K1         | 2034-01-01
        5   | L1     |           |             | K1         | 2035-01-01
        6   | L1     |           |             | K1         | 2036-01-01
        7   | L2     | B1        | 2030-01-01  | K1         | 2037-01-01
        """,
        gives="""
        lot_no | branch_id | received_on | article_id | expires_on
        L1     | B1        | 2030-01-01  | K2         | 2032-01-01
        L1     | B1        | 2030-01-02  | K1         | 2033-01-01
        L1     | B2        | 2030-01-01  | K1         | 2034-01-01
        L1     |           |             | K1         | 2036-01-01
        L2     | B1        | 2030-01-01  | K1         | 2037-01-01
        """,
    )
