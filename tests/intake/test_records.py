"""The tests' own record counter, by texts whose records are counted by hand (RFC 4180, section 2)."""

import pytest

from support.exports import record_lines


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("a,b\r\n1,2\r\n", [1, 2]),
        ("a,b\n1,2", [1, 2]),
        ("a\r1\r2\r", [1, 2, 3]),
        ("a\n\n  \n1\n", [1, 4]),
        ('a\n"1\n2"\n3\n', [1, 2, 4]),
        ('a\n"1\r\n2\r3"\r\n4', [1, 2, 5]),
        ('a\n"say ""hi""\n"\n4\n', [1, 2, 4]),
        ('a\n""\n""""\n', [1, 2, 3]),
        ('a\n"\n"\n', [1, 2]),
        ('a\n1"2\n3\n', [1, 2, 3]),
        ("a,b\n,\n", [1, 2]),
        ("", []),
        ("\n\r\n\r", []),
    ],
)
def test_records_begin_where_they_do(text: str, lines: list[int]) -> None:
    assert record_lines(text) == lines
