"""A week's business figures against the weeks before and the same week a year ago."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from reports import numbers
from reports.business import (
    BOUGHT,
    PROVIDED,
    VISITS,
    Line,
    branch_aftercare,
    branch_visits,
    last_complete_week,
    lines_of,
    week_table,
)
from reports.edition import Edition
from reports.pages import index
from reports.parts import Cell
from support.editions import AS_OF, MONDAY, written

from .rows import attach, mondays, plain_week, together, week


def line(*values: float | None, is_count: bool = True) -> Line:
    """A line of values, the newest week first; None leaves a week out."""
    by_week = {monday: value for monday, value in zip(mondays(len(values)), values, strict=True) if value is not None}
    return Line("Visits", by_week, numbers.count, {}, is_count=is_count)


def lines(edition: Edition, dimension: str = "all", level: str = "all") -> dict[str, Line]:
    return {one.name: one for one in lines_of(edition, dimension, level)}


def text(cell: Cell | str) -> str:
    return (cell if isinstance(cell, str) else cell.text).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("as_of", "data_from", "monday"),
    [
        (date(2031, 2, 16), date(2031, 1, 1), date(2031, 2, 10)),
        (date(2031, 2, 15), date(2031, 1, 1), date(2031, 2, 3)),
        (date(2031, 2, 10), date(2031, 1, 1), date(2031, 2, 3)),
        (date(2031, 2, 16), date(2031, 2, 16), date(2031, 2, 10)),
        (date(2031, 2, 15), date(2031, 2, 10), None),
        (date(2031, 2, 15), date(2031, 2, 9), date(2031, 2, 3)),
        (date(2031, 2, 16), None, None),
        (None, None, None),
    ],
)
def test_the_last_whole_week_that_the_data_covers(
    as_of: date | None, data_from: date | None, monday: date | None
) -> None:
    assert last_complete_week(written(as_of=as_of, data_from=data_from)) == monday


def test_less_than_a_week_of_data_has_no_week() -> None:
    page = index.build(written(as_of=date(2031, 2, 13), data_from=date(2031, 2, 10), results=plain_week()))
    assert page.not_yet == "There is not yet a whole week of data. The page fills as exports arrive."
    assert (page.sentences, page.figures, page.healing, page.branches) == ((), None, None, None)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([11, 5, 6, 7, 8, 9, 10, 4, 3], "more than in any of the 8 weeks before"),
        ([2, 5, 6, 7, 8, 9, 10, 4, 3], "fewer than in any of the 8 weeks before"),
        ([10, 5, 6, 7, 8, 9, 10, 4, 3], "as in the 8 weeks before"),
        ([3, 5, 6, 7, 8, 9, 10, 4, 3], "as in the 8 weeks before"),
        ([9, 5, 6, 7, 8, 9, 7, 4, 3, 99], "as in the 8 weeks before"),
        ([10, 5, 6, 7, 8, 9, 7, 4, 3, 99], "more than in any of the 8 weeks before"),
        ([11, 5, 6, 7, 8, 9, 10, 4], "too few weeks before it to say"),
        ([11, 5, 6, 7, None, 9, 10, 4, 3], "too few weeks before it to say"),
        ([11], "too few weeks before it to say"),
        ([None, 5, 6, 7, 8, 9, 10, 4, 3], "too few weeks before it to say"),
        ([0, 0, 0, 0, 0, 0, 0, 0, 0], "as in the 8 weeks before"),
    ],
)
def test_where_a_week_stands_among_the_eight_before(values: list[float | None], words: str) -> None:
    assert line(*values).in_words(MONDAY) == words


def test_a_share_is_higher_or_lower_not_more_or_fewer() -> None:
    assert line(9, *[5] * 8, is_count=False).in_words(MONDAY) == "higher than in any of the 8 weeks before"
    assert line(1, *[5] * 8, is_count=False).in_words(MONDAY) == "lower than in any of the 8 weeks before"


def test_the_eight_weeks_before_are_the_eight_next_to_it() -> None:
    assert line(*range(12)).before(MONDAY) == [1, 2, 3, 4, 5, 6, 7, 8]
    assert line(0, 1, None, 3).before(MONDAY) == [1, 3]


def test_a_week_in_the_table() -> None:
    table = week_table([line(*range(20, 80))], MONDAY, "weekly.csv")
    assert table.heads[1:] == ("This week", "Week before", "8 weeks before", "Same week a year ago", "In words")
    assert [text(cell) for cell in table.rows[0]] == [
        *("Visits", "20", "21", "21 to 28", "72"),
        "fewer than in any of the 8 weeks before",
    ]


def test_the_first_week_in_the_table() -> None:
    table = week_table([line(20)], MONDAY, "weekly.csv")
    assert [text(cell) for cell in table.rows[0]] == ["Visits", "20", "–", "–", "–", "too few weeks before it to say"]


def test_a_year_ago_is_364_days_ago() -> None:
    edition = written(results={"weekly": [week(), week(MONDAY - timedelta(days=364), visits=77)]})
    table = week_table(list(lines(edition).values()), MONDAY, "weekly.csv")
    assert text(table.rows[0][4]) == "77"
    for near in (357, 371):
        other = written(results={"weekly": [week(), week(MONDAY - timedelta(days=near), visits=77)]})
        assert text(week_table(list(lines(other).values()), MONDAY, "weekly.csv").rows[0][4]) == "–"


def takings(*rows: tuple[str | None, str, str]) -> Edition:
    """An edition of a week's amounts: currency, aftercare and jewellery."""
    first, *others = rows
    whole = [week(currency=first[0], aftercare_net=Decimal(first[1]), jewellery_net=Decimal(first[2]))]
    whole += [
        week(
            currency=currency, aftercare_net=Decimal(aftercare), jewellery_net=Decimal(jewellery),
            visits=None, procedures=None, infections_observed=None, infections_expected=None,
        )
        for currency, aftercare, jewellery in others
    ]  # fmt: skip
    return written(results={"weekly": whole})


def test_takings_are_those_of_aftercare_and_jewellery_together() -> None:
    found = lines(takings(("EUR", "12.50", "30.25")))
    assert found["Takings from aftercare and jewellery in EUR"].values == {MONDAY: 42.75}
    assert found["Takings per visit in EUR"].values == {MONDAY: 4.275}


def test_amounts_of_two_currencies_are_never_added() -> None:
    found = lines(takings(("EUR", "10", "0"), ("SEK", "100", "7"), (None, "3", "0")))
    amounts = {name: one.values[MONDAY] for name, one in found.items() if name.startswith("Takings from")}
    assert amounts == {
        "Takings from aftercare and jewellery": 3,
        "Takings from aftercare and jewellery in EUR": 10,
        "Takings from aftercare and jewellery in SEK": 107,
    }
    assert found[VISITS].values == {MONDAY: 10}


def test_without_amounts_there_are_no_takings() -> None:
    assert [name for name in lines(written(results=plain_week())) if name.startswith("Takings")] == []


def test_refunds_may_outweigh_sales() -> None:
    found = lines(takings(("EUR", "-12.50", "2.00")))
    assert found["Takings from aftercare and jewellery in EUR"].values == {MONDAY: -10.5}


def test_lines_of_a_branch_are_its_own() -> None:
    results = {
        "weekly": [week(visits=3), week(branch_id="B2", visits=4)],
        "attach": [attach(rate=0.4), attach(dimension="branch", level="B2", rate=0.1)],
    }
    found = lines(written(results=results), "branch", "B2")
    assert (found[VISITS].values, found[BOUGHT].values) == ({MONDAY: 4}, {MONDAY: 0.1})


def test_aftercare_is_told_with_counts_and_range() -> None:
    found = lines(written(results={"attach": [attach(period="52w", rate=0.9), attach()]}))
    assert found[BOUGHT].values == {MONDAY: 0.4}
    assert found[BOUGHT].notes[MONDAY].replace("\u00a0", " ") == "4 of 10; 17 to 69 %"
    assert found[PROVIDED].values == {MONDAY: 0.5}
    assert found[PROVIDED].notes == {MONDAY: "5 of 10"}


def test_revisits_tell_what_nobody_wrote_down() -> None:
    row = {
        "dimension": "all", "level": "all", "period": f"week:{MONDAY}", "due": 20, "attended": 12, "no_show": 4,
        "cancelled_late": 1, "unknown": 3, "no_show_rate": 0.2,
    }  # fmt: skip
    found = lines(written(results={"revisits": [row]}))
    assert (found["Revisits kept"].values, found["Revisits missed"].values) == ({MONDAY: 0.6}, {MONDAY: 0.2})
    assert found["Revisits kept"].notes == {MONDAY: "12 of 20 due"}
    assert found["Revisits missed"].notes == {MONDAY: "4 of 20; 3 with nothing written down"}


def test_a_branch_of_which_nothing_came_shows_no_figure() -> None:
    silent = {"branches": [{"branch_id": "B2", "known": True, "data_through": AS_OF - timedelta(days=20)}]}
    table = index.build(written(results=together(plain_week(), silent))).branches
    assert table is not None
    assert [text(cell) for cell in table.rows[1]][:2] == ["B2", "–"]


def test_of_all_branches_at_once_a_week_is_as_of_each(sample: Edition) -> None:
    monday = last_complete_week(sample)
    assert monday is not None
    visits_of, aftercare = branch_visits(sample, monday), branch_aftercare(sample, monday)
    branch_ids = sample.results["branches"]["branch_id"].to_list()
    assert set(aftercare) == set(branch_ids)
    for branch_id in branch_ids:
        named = {line.name: line for line in lines_of(sample, "branch", branch_id)}
        one, all_at_once = named[VISITS], visits_of(branch_id)
        assert (all_at_once.values[monday], all_at_once.in_words(monday)) == (one.values[monday], one.in_words(monday))
        assert aftercare[branch_id] == (named[BOUGHT].values[monday], named[PROVIDED].values[monday])
    assert visits_of("nowhere").values == {}
