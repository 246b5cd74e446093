"""The text tables that the tests of this folder are written in: what they read, and that a difference is seen."""

import pytest

from support.texttables import check_file, read_text_table

PIERCINGS = "procedure_id | performed_on\nP1 | 2031-01-01\nP2 | 2031-01-03"


def test_an_empty_cell_is_none() -> None:
    table = read_text_table("""
        a | b
          | x y
        1 |
    """)
    assert table.columns == ("a", "b")
    assert table.rows == ((None, "x y"), ("1", None))


def test_a_column_of_one_empty_cell() -> None:
    assert read_text_table("a\n|\n1").rows == ((None,), ("1",))


def test_a_row_must_fit_its_columns() -> None:
    with pytest.raises(ValueError, match="3 cells under 2 names"):
        read_text_table("a | b\n1 | 2 | 3")


@pytest.mark.parametrize(
    "gives",
    [
        "piercings\n1",
        "piercings",
        "piercings\n2\n2",
        "data_from | piercings\n2031-01-03 | 2",
        "data_from | piercings\n | 2",
    ],
)
def test_a_difference_is_seen(gives: str) -> None:
    with pytest.raises(AssertionError, match="data_span: - expected"):
        check_file("data_span", piercings=PIERCINGS, gives=gives)


def test_the_order_of_rows_and_what_is_not_named_do_not_matter() -> None:
    check_file(
        "mature_piercings",
        params={"as_of": "2031-02-20"},
        piercings=PIERCINGS,
        gives="procedure_id\nP2\nP1",
    )


def test_rows_of_a_condition_alone_are_compared() -> None:
    check_file(
        "mature_piercings",
        params={"as_of": "2031-02-20"},
        piercings=PIERCINGS,
        where="procedure_id = 'P1'",
        gives="procedure_id\nP1",
    )


def test_a_table_not_read_or_a_column_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="data_span does not read visits"):
        check_file("data_span", visits="visit_id\nV1", gives="piercings\n0")
    with pytest.raises(ValueError, match="piercings has no column shoe_size"):
        check_file("data_span", piercings="shoe_size\n42", gives="piercings\n1")
