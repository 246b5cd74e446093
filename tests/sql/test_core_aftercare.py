"""Refunds in time, who left with aftercare, and the batches their piercings were exposed to."""

import pytest

from support.texttables import check_file

VISITS = "visit_id | visited_on\nV1 | 2031-01-10\nV2 | 2031-01-10\nV3 | 2031-01-10"

# refunds: "less refunds made 0 to 14 days after the sale they name in refund_of"


@pytest.mark.parametrize(
    ("refunded_on", "counts"),
    [
        ("2031-01-09", False),
        ("2031-01-10", True),  # day 0
        ("2031-01-24", True),  # day 14
        ("2031-01-25", False),  # day 15
    ],
)
@pytest.mark.parametrize("refund_of", ["S1", ""])
def test_days_in_which_a_refund_counts(refunded_on: str, counts: bool, refund_of: str) -> None:
    # "a refund that names none goes by its own visit, 0 to 14 days after its day".
    check_file(
        "refunds",
        visits=VISITS,
        receipt_lines=f"""
        sale_id | line_no | line_type | category  | quantity | sold_on       | visit_id | refund_of
        S1      | 1       | sale      | aftercare | 2        | 2031-01-10    | V1       |
        S2      | 1       | refund    | aftercare | -2       | {refunded_on} | V1       | {refund_of}
        """,
        gives="sale_id | line_no | visit_id | quantity" + ("\nS2 | 1 | V1 | 2" if counts else ""),
    )


def test_a_refund_counts_against_the_visit_of_the_sale_it_names_from_that_sales_day() -> None:
    # S1 was sold five days after the visit: day 14 of the sale is day 19 of the visit. The refund's own visit, or its
    # having none, does not matter.
    check_file(
        "refunds",
        visits=VISITS,
        receipt_lines="""
        sale_id | line_no | line_type | category  | quantity | sold_on    | visit_id | refund_of
        S1      | 1       | sale      | aftercare | 1        | 2031-01-15 | V1       |
        S2      | 1       | refund    | aftercare | 1        | 2031-01-29 |          | S1
        S3      | 1       | refund    | aftercare | 1        | 2031-01-29 | V3       | S1
        S4      | 1       | refund    | aftercare | 1        | 2031-01-29 | V1       |
        """,
        gives="sale_id | visit_id | quantity\nS2 | V1 | 1\nS3 | V1 | 1",
    )


def test_a_refund_of_a_receipt_with_lines_of_two_visits_goes_by_the_line_of_its_product() -> None:
    check_file(
        "refunds",
        receipt_lines="""
        sale_id | line_no | line_type | category  | product_id | quantity | sold_on    | visit_id | refund_of
        S1      | 1       | sale      | aftercare | X1         | 1        | 2031-01-10 | V1       |
        S1      | 2       | sale      | aftercare | X2         | 1        | 2031-01-10 | V2       |
        S2      | 1       | refund    | aftercare | X2         | 1        | 2031-01-11 |          | S1
        S2      | 2       | refund    | aftercare | X3         | 1        | 2031-01-11 |          | S1
        """,
        gives="sale_id | line_no | visit_id\nS2 | 1 | V2\nS2 | 2 | V1",
    )


def test_a_refund_of_a_sale_of_several_lines_counts_once() -> None:
    check_file(
        "refunds",
        receipt_lines="""
        sale_id | line_no | line_type | category  | product_id | quantity | sold_on    | visit_id | refund_of
        S1      | 1       | sale      | jewellery | X9         | 1        | 2031-01-10 | V1       |
        S1      | 2       | sale      | aftercare | X1         | 3        | 2031-01-10 | V1       |
        S1      | 3       | sale      | aftercare | X1         | 3        | 2031-01-10 | V1       |
        S2      | 1       | refund    | aftercare | X1         | 2        | 2031-01-11 |          | S1
        """,
        gives="sale_id | visit_id | quantity\nS2 | V1 | 2",
    )


def test_what_is_no_refund_against_a_visit() -> None:
    # Of jewellery; of a sale that belongs to no visit, or is not known (a void one is not among the lines); of no sale
    # and no visit; no refund at all.
    check_file(
        "refunds",
        visits=VISITS,
        receipt_lines="""
        sale_id | line_no | line_type | category  | quantity | sold_on    | visit_id | refund_of
        S1      | 1       | sale      | aftercare | 1        | 2031-01-10 | V1       |
        S2      | 1       | sale      | aftercare | 1        | 2031-01-10 |          |
        S3      | 1       | refund    | jewellery | 1        | 2031-01-11 | V1       | S1
        S4      | 1       | refund    | aftercare | 1        | 2031-01-11 |          | S2
        S5      | 1       | refund    | aftercare | 1        | 2031-01-11 | V1       | S-VOID
        S6      | 1       | refund    | aftercare | 1        | 2031-01-11 |          |
        S7      | 1       | gift      | aftercare | 1        | 2031-01-11 | V1       | S1
        """,
        gives="sale_id",
    )


# aftercare_of_visits


SALE, GIFT, PART = "aftercare | sale | 1", "aftercare | gift | 1", "aftercare | bundle_part | 1"


@pytest.mark.parametrize(
    ("lines", "refunded", "left_with"),
    [
        ([], 0, "false | false | false"),
        ([SALE], 0, "true | true | true"),
        ([GIFT], 0, "false | true | true"),
        ([PART], 0, "false | true | true"),
        (["jewellery | sale | 1"], 0, "false | false | true"),
        ([" | sale | 1"], 0, "false | false | true"),  # a product not known
        (["aftercare | refund | 1"], 0, "false | false | true"),  # "Linked: any line at all"
        (["aftercare | sale | 0"], 0, "false | false | true"),
        (["aftercare | sale | 2"], 1, "true | true | true"),
        (["aftercare | sale | 2"], 2, "false | false | true"),  # "come to more than 0"
        ([SALE], 2, "false | false | true"),
        ([SALE, "jewellery | sale | 5"], 1, "false | false | true"),
        ([SALE, GIFT], 1, "false | true | true"),
        ([SALE, PART], 1, "false | true | true"),
        ([SALE, GIFT], 2, "false | false | true"),
    ],
)
def test_what_a_visits_client_left_with(lines: list[str], refunded: int, left_with: str) -> None:
    check_file(
        "aftercare_of_visits",
        visits="visit_id\nV1",
        receipt_lines="\n".join(["visit_id | category | line_type | quantity", *(f"V1 | {line}" for line in lines)]),
        refunds="visit_id | quantity" + (f"\nV1 | {refunded}" if refunded else ""),
        gives=f"visit_id | is_attached | is_provided | is_linked\nV1 | {left_with}",
    )


def test_quantities_of_all_lines_and_refunds_are_added() -> None:
    check_file(
        "aftercare_of_visits",
        visits="visit_id\nV1\nV2",
        receipt_lines="""
        visit_id | category  | line_type | quantity
        V1       | aftercare | sale      | 1
        V1       | aftercare | sale      | 2
        V2       | aftercare | sale      | 2
        V2       | aftercare | sale      | 1
                 | aftercare | sale      | 9
        """,
        refunds="visit_id | quantity\nV1 | 1\nV1 | 1\nV2 | 1\nV2 | 2",
        gives="visit_id | is_attached\nV1 | true\nV2 | false",
    )


# exposures: "its visit has a sale, gift or bundle_part line of an aftercare product of it"


def test_the_piercings_of_a_visit_are_exposed_to_the_batches_it_was_sold_or_given() -> None:
    check_file(
        "exposures",
        piercings="procedure_id | visit_id\nP1 | V1\nP2 | V1\nP3 | V2",
        receipt_lines="""
        visit_id | category  | line_type   | batch_no
        V1       | aftercare | sale        | BA
        V1       | aftercare | sale        | BA
        V1       | aftercare | gift        | BB
        V2       | aftercare | bundle_part | BC
        V2       | aftercare | refund      | BD
        V2       | jewellery | sale        | BE
        V2       |           | sale        | BF
        V2       | aftercare | sale        |
                 | aftercare | sale        | BG
        V9       | aftercare | sale        | BH
        """,
        gives="""
        procedure_id | batch_no
        P1           | BA
        P1           | BB
        P2           | BA
        P2           | BB
        P3           | BC
        """,
    )
