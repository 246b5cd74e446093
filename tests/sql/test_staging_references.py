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
        seq | lot_no | branch_id | received_on | article_id | quantity | expires_on
        1   | L1     | B1        | 2030-01-01  | K1         | 40       | 2031-01-01
        2   | L1     | B1        | 2030-01-01  | K2         | 50       | 2032-01-01
        3   | L1     | B1        | 2030-01-02  | K1         | 60       | 2033-01-01
        4   | L1     | B2        | 2030-01-01  | K1         |          | 2034-01-01
        5   | L1     |           |             | K1         | 80       | 2035-01-01
        6   | L1     |           |             | K1         | 90       | 2036-01-01
        7   | L2     | B1        | 2030-01-01  | K1         | 70       | 2037-01-01
        """,
        gives="""
        lot_no | branch_id | received_on | article_id | quantity | expires_on
        L1     | B1        | 2030-01-01  | K2         | 50       | 2032-01-01
        L1     | B1        | 2030-01-02  | K1         | 60       | 2033-01-01
        L1     | B2        | 2030-01-01  | K1         |          | 2034-01-01
        L1     |           |             | K1         | 90       | 2036-01-01
        L2     | B1        | 2030-01-01  | K1         | 70       | 2037-01-01
        """,
    )


def test_a_stock_count_as_last_taken_in_with_the_day_of_its_branch() -> None:
    # 23:30 UTC is the next day in Tokyo; a wall time there is the same instant as one in UTC nine hours earlier.
    check_file(
        "stg_stock_counts",
        stg_branches="branch_id | zone\nB1 | Asia/Tokyo",
        raw_stock_counts="""
        seq | branch_id | lot_no | counted_at           | on_hand | spoiled
        1   | B1        | L1     | 2031-01-15T23:30:00Z | 12      | 1
        2   | B1        | L1     | 2031-01-16T08:30:00  | 13      | 0
        3   | B2        | L1     | 2031-01-15T23:30:00  | 14.0    |
        4   | B1        | L2     | 2031-01-15T10:00:00Z | 15      | 2
        """,
        gives="""
        branch_id | lot_no | counted_at          | counted_on | on_hand | spoiled
        B1        | L1     | 2031-01-15 23:30:00 | 2031-01-16 | 13      | 0
        B2        | L1     | 2031-01-15 23:30:00 | 2031-01-15 | 14      |
        B1        | L2     | 2031-01-15 10:00:00 | 2031-01-15 | 15      | 2
        """,
    )


def test_a_stock_count_that_is_no_whole_number_is_unknown() -> None:
    # The contract has these as text: "about 40" is allowed, and says nothing that can be reckoned with.
    counts = ("about 40", "-3", "1.5", "12 packs", "", "12", "12.00", "99999999999999999999")
    rows = "\n".join(f"{at} | B{at} | L1 | 2031-01-15T10:00:00 | {count} | {count}" for at, count in enumerate(counts))
    known = {5: "12", 6: "12"}
    gives = "\n".join(f"B{at} | {known.get(at, '')} | {known.get(at, '')}" for at in range(len(counts)))
    check_file(
        "stg_stock_counts",
        raw_stock_counts=f"seq | branch_id | lot_no | counted_at | on_hand | spoiled\n{rows}",
        gives=f"branch_id | on_hand | spoiled\n{gives}",
    )
