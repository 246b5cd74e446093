"""Numbers, days and names as readers meet them."""

import re
from datetime import date, timedelta
from decimal import Decimal
from urllib.parse import unquote

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from reports import numbers

NBSP = "\u00a0"


def plain(text: str) -> str:
    """Text with plain spaces in place of those that do not break."""
    return text.replace(NBSP, " ")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0 %"),
        (0.00004, "0.004 %"),
        (0.0004, "0.04 %"),
        (0.004, "0.4 %"),
        (0.0251, "2.5 %"),
        (0.0999, "10.0 %"),
        (0.1, "10 %"),
        (0.455, "46 %"),
        (1, "100 %"),
        (None, "–"),
    ],
)
def test_a_share_has_the_digits_it_needs(value: float | None, text: str) -> None:
    assert plain(numbers.share(value)) == text


@given(st.integers(1, 1_000_000))
@example(300_000)
def test_one_of_many_never_reads_as_none(n: int) -> None:
    assert re.search("[1-9]", numbers.share(1 / n))


@given(st.integers(2, 10_000))
@example(300)
def test_all_but_one_of_many_never_read_as_all(n: int) -> None:
    assert not numbers.share((n - 1) / n).startswith("100")


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.0188, 0.0321, "1.9 to 3.2 %"),
        (0, 0.22, "0 to 22 %"),
        (0, 0.0004, "0.00 to 0.04 %"),
        (0.012, 0.35, "1 to 35 %"),
        (0.78, 1, "78 to 100 %"),
        (None, 0.2, "–"),
        (0.1, None, "–"),
    ],
)
def test_a_range_has_the_digits_of_its_upper_end(low: float | None, high: float | None, text: str) -> None:
    assert plain(numbers.share_range(low, high)) == text


def test_figures_do_not_break_at_the_end_of_a_line() -> None:
    texts = (
        numbers.share(0.5),
        numbers.share_range(0.1, 0.2),
        numbers.ratio_range(1, 2),
        numbers.change(12, 10).removesuffix(" more than"),
    )
    assert [text for text in texts if " " in text] == []


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ((0, 14, 0.0, 0.0, 0.2153), "0 of 14; could be up to about 22 %"),
        ((12, 600, 0.02, 0.0119, 0.0346), "12 of 600: 2.0 % (1.2 to 3.5 %)"),
        ((1234, 5678, 0.2173, 0.2068, 0.2282), "1,234 of 5,678: 22 % (21 to 23 %)"),
        ((5, 5, 1.0, 0.5655, 1.0), "5 of 5: 100 % (57 to 100 %)"),
        ((0, 0, None, None, None), "none to count"),
    ],
)
def test_a_share_of_few_never_reads_as_certain(
    arguments: tuple[int, int, float | None, float | None, float | None], text: str
) -> None:
    assert plain(numbers.share_of(*arguments)) == text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (numbers.count(None), "–"),
        (numbers.count(0), "0"),
        (numbers.count(1234567), "1,234,567"),
        (numbers.tenth(None), "–"),
        (numbers.tenth(13.24), "13.2"),
        (numbers.tenth(1013.25), "1,013.2"),
        (numbers.ratio(None), "–"),
        (numbers.ratio(3.1), "3.10"),
        (plain(numbers.ratio_range(2.2, 4.08)), "2.2 to 4.1"),
        (numbers.ratio_range(None, 4.1), "–"),
        (numbers.money(None), "–"),
        (numbers.money(Decimal("1234.5")), "1,234.50"),
        (numbers.money(-3.0), "-3.00"),
        (numbers.day(None), "–"),
        (numbers.day(date(2026, 9, 7)), "7 September 2026"),
        (numbers.short_day(date(2026, 9, 27)), "27 Sep 2026"),
        (numbers.short_day(None), "–"),
    ],
)
def test_counts_ratios_amounts_and_days(text: str, expected: str) -> None:
    assert text == expected


@pytest.mark.parametrize(
    ("monday", "text"),
    [
        (date(2026, 9, 21), "21 to 27 September 2026"),
        (date(2026, 9, 28), "28 September to 4 October 2026"),
        (date(2026, 12, 28), "28 December 2026 to 3 January 2027"),
        (date(2024, 2, 26), "26 February to 3 March 2024"),
    ],
)
def test_a_week_across_months_and_years(monday: date, text: str) -> None:
    assert numbers.week(monday) == text


def test_every_month_has_its_name() -> None:
    firsts = [date(2031, month, 1) for month in range(1, 13)]
    assert [numbers.day(day) for day in firsts] == [f"{day.day} {day:%B %Y}" for day in firsts]
    assert [numbers.short_day(day) for day in firsts] == [f"{day.day} {day:%b %Y}" for day in firsts]


@pytest.mark.parametrize(
    ("now", "before", "text"),
    [
        (309, 280, "10 % more than"),
        (280, 309, "9 % fewer than"),
        (100, 100, "the same as"),
        (1003, 1000, "the same as"),
        (0, 10, "100 % fewer than"),
        (30, 10, "200 % more than"),
        (5, 0, "–"),
        (5, None, "–"),
        (None, 5, "–"),
    ],
)
def test_a_change_against_an_earlier_count(now: float | None, before: float | None, text: str) -> None:
    assert plain(numbers.change(now, before)) == text


@pytest.mark.parametrize(
    ("identifier", "name"),
    [
        ("B01", "B01.html"),
        ("Az_-09", "Az_-09.html"),
        ("100%", "100%25.html"),
        ("a/b", "a%2Fb.html"),
        ("../../etc", "%2E%2E%2F%2E%2E%2Fetc.html"),
        (".", "%2E.html"),
        ("old town", "old%20town.html"),
        ("Köln", "K%C3%B6ln.html"),
        ("%41", "%2541.html"),
        ("\ud800", "%ED%A0%80.html"),
    ],
)
def test_a_page_name_encodes_all_but_letters_digits_and_two_marks(identifier: str, name: str) -> None:
    assert numbers.page_name(identifier) == name


def test_a_page_name_of_up_to_200_bytes_stands_whole() -> None:
    assert numbers.page_name("b" * 200) == f"{'b' * 200}.html"


@pytest.mark.parametrize("identifier", ["b" * 201, "b" * 300, "ö" * 150, "/" * 100])
def test_a_longer_page_name_is_cut_and_ends_in_a_hash(identifier: str) -> None:
    name = numbers.page_name(identifier)
    assert len(name.encode()) <= 205
    assert re.fullmatch(r"[A-Za-z0-9_%-]+-[0-9a-f]{16}\.html", name)
    assert name != numbers.page_name(identifier[:-1] + "x")


@given(st.text(min_size=1, max_size=40), st.text(min_size=1, max_size=40))
def test_two_ids_have_two_page_names(one: str, other: str) -> None:
    assert (numbers.page_name(one) == numbers.page_name(other)) == (one == other)


@given(st.text(min_size=1, max_size=300))
def test_a_page_link_leads_to_its_page(identifier: str) -> None:
    link = numbers.page_link(identifier)
    assert re.fullmatch(r"[A-Za-z0-9_.%-]+", link)
    assert unquote(link) == numbers.page_name(identifier)


@given(st.dates(min_value=date(1990, 1, 1), max_value=date(2090, 1, 1)))
def test_a_week_names_its_first_and_last_day(day: date) -> None:
    monday = day - timedelta(days=day.weekday())
    sunday = monday + timedelta(days=6)
    text = numbers.week(monday)
    assert text.startswith(f"{monday.day} ")
    assert text.endswith(f"to {numbers.day(sunday)}")
