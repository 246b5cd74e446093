"""Complication rates as tables: nothing reads as certain, and too little data gives `not yet`, not a rate."""

import re
from datetime import date, timedelta

import pytest

from reports import words
from reports.edition import Edition
from reports.pages import branch as branch_page
from reports.pages import compare, index, safety
from reports.parts import Cell, Figures, Table
from reports.sections.healing import complication_table, level_figure, level_table, rate_cells
from support.editions import AS_OF, DATA_FROM, frame, written

from .conftest import Drawn
from .rows import Row, branch, compared, plain_week, rate, together
from .specs import marks, rows_of

NEEDED_FROM = AS_OF - timedelta(days=44 + 363)


def cells(row: Row, data_from: date | None = DATA_FROM) -> list[tuple[str, str]]:
    """The rate's cells as text and note, with plain spaces."""
    whole = frame("complication_rates", [row]).row(0, named=True)
    found = rate_cells(written(data_from=data_from), whole)
    parts = [(cell.text, cell.note) if isinstance(cell, Cell) else (cell, "") for cell in found]
    return [(text.replace("\u00a0", " "), note.replace("\u00a0", " ")) for text, note in parts]


def test_a_rate_stands_with_its_count_its_range_and_those_reached() -> None:
    assert cells(rate()) == [("2.0 %", "12 of 600; 1.2 to 3.5 %"), ("3.0 %", "9 of 300; 1.6 to 5.6 %"), ("50 %", "")]


def test_no_event_is_no_bare_nought_percent() -> None:
    none = rate(events=0, events_reached=0, rate=0.0, rate_reached=0.0, wilson_high=0.0064, reached_high=0.0126)
    assert cells(none) == [
        ("0 of 600", "could be up to about 0.6 %"),
        ("0 of 300", "could be up to about 1.3 %"),
        ("50 %", ""),
    ]


def test_events_only_among_those_not_reached() -> None:
    unasked = rate(events_reached=0, rate_reached=0.0, reached_high=0.0126)
    assert cells(unasked)[1] == ("0 of 300", "could be up to about 1.3 %")


def test_nobody_reached() -> None:
    nobody = rate(reached=0, coverage=0.0, events_reached=0, rate_reached=None, reached_low=None, reached_high=None)
    assert cells(nobody)[1:] == [("none reached", ""), ("none", "")]


def test_no_piercing_old_enough() -> None:
    none = rate(procedures=0, events=0, rate=None, wilson_low=None, wilson_high=None, reached=0, coverage=None)
    assert cells(none) == [("none to count", ""), ("–", ""), ("–", "")]


@pytest.mark.parametrize("window_days", [30, 90, 365])
def test_not_yet_while_the_data_does_not_reach_back(window_days: int) -> None:
    # Window, 14 days for late reports, and the 364 days of the period, its first and last day inclusive.
    needed = AS_OF - timedelta(days=window_days + 14 + 363)
    row = rate(window_days=window_days)
    for data_from, is_told in (
        (needed - timedelta(days=1), True),
        (needed, True),
        (needed + timedelta(days=1), False),
        (AS_OF, False),
        (None, False),
    ):
        assert (cells(row, data_from)[0][0] != "not yet") == is_told


def test_not_yet_says_since_when_and_what_is_needed() -> None:
    assert cells(rate(), NEEDED_FROM + timedelta(days=9)) == [
        ("not yet", "data from 14 Jan 2030, needed from 5 Jan 2030"),
        ("–", ""),
        ("–", ""),
    ]


def early() -> dict[str, list[Row]]:
    """Results of a branch whose data does not reach back far enough for a rate."""
    rates = [rate(dimension=dimension, level=level) for dimension, level in (
        ("all", "all"), ("branch", "B1"), ("branch", "B2"), ("site_group", "lobe"), ("age_band", "18+"),
        ("material", "gold"),
    )]  # fmt: skip
    rates += [rate("contact_allergy", "article", "K1")]
    practitioner = {
        "branch_id": "B1", "practitioner_id": "W1", "site_group": "lobe", "procedures": 600, "events": 12,
        "reached": 300, "rate": 0.02, "wilson_low": 0.0119, "wilson_high": 0.0346,
    }  # fmt: skip
    return together(
        plain_week() | {"complication_rates": rates},
        {"branches": [branch("B2")], "comparison": [compared(), compared("B2")]},
        {"branch_practitioners": [practitioner]},
    )


RATE = re.compile(r"\b2\.0 %|1\.2 to 3\.5 %|\b3\.0 %|1\.6 to 5\.6 %|\b1\.10\b|\b1\.05\b")
"""The rates, ratios and ranges that the rows of `early` hold."""


def told(*tables: Table | None) -> str:
    """All text of tables."""
    parts = [cell for table in tables if table for row in table.rows for cell in row]
    return " | ".join(
        cell if isinstance(cell, str) else f"{cell.text} {cell.note}" for cell in parts
    ).replace("\u00a0", " ")  # fmt: skip


@pytest.fixture
def early_edition() -> Edition:
    return written(data_from=AS_OF - timedelta(days=200), results=early())


def test_no_rate_too_early_on_the_owners_page(early_edition: Edition, drawn: list[Drawn]) -> None:
    page = index.build(early_edition)
    assert "not yet" in told(page.healing)
    assert not RATE.search(told(page.healing, page.branches, *(figure.table for figure in drawn)))


def test_no_rate_too_early_on_the_watch(early_edition: Edition, drawn: list[Drawn]) -> None:
    page = safety.build(early_edition)
    assert "not yet" in told(page.complications)
    assert not RATE.search(told(page.complications, page.allergy, *(figure.table for figure in drawn)))
    assert page.levels == ()


def test_no_rate_too_early_by_practitioner(early_edition: Edition, drawn: list[Drawn]) -> None:
    assert drawn == []
    assert not RATE.search(told(safety.build(early_edition).practitioners))
    assert not RATE.search(told(branch_page.build(early_edition, "B1").practitioners))


def test_no_rate_too_early_on_a_branchs_page(early_edition: Edition, drawn: list[Drawn]) -> None:
    page = branch_page.build(early_edition, "B1")
    assert "not yet" in told(page.complications)
    assert not RATE.search(told(page.complications, *(figure.table for figure in drawn)))


def test_no_rate_too_early_side_by_side(early_edition: Edition, drawn: list[Drawn]) -> None:
    page = compare.build(early_edition)
    assert not RATE.search(told(page.infections, page.complications, *(figure.table for figure in drawn)))
    assert page.lead[0].startswith("Not yet: ")


def test_no_bare_nought_percent_side_by_side(drawn: list[Drawn]) -> None:
    none = {"events": 0, "rate": 0.0, "wilson_low": 0.0, "wilson_high": 0.0064} | {
        "events_reached": 0, "rate_reached": 0.0, "reached_low": 0.0, "reached_high": 0.0126,
    }  # fmt: skip
    results = {
        "branches": [branch(), branch("B2")],
        "comparison": [compared(observed=0, ratio=0.0), compared("B2")],
        "complication_rates": [rate(dimension="branch", level="B1") | none, rate(dimension="branch", level="B2")],
    }
    table = compare.build(written(results=results)).infections
    assert table is not None
    assert drawn
    shares = [cell.text for cell in table.rows[0][1:3] if isinstance(cell, Cell)]
    assert shares == ["0 of 600", "0 of 300"]


def test_complications_stand_with_the_groups_first_then_in_the_contracts_order() -> None:
    names = [name for name in words.COMPLICATION if name not in ("infection", "any")]
    rows = [rate(name, window_days=30) for name in reversed(words.COMPLICATION)]
    table = complication_table(written(results={"complication_rates": rows}), "all", "all", "all branches")
    heads = [row[0].text for row in table.rows if isinstance(row[0], Cell)]
    assert heads == [words.COMPLICATION[name].capitalize() for name in ("infection", "any", *names)]


def test_a_complication_tells_its_window() -> None:
    rows = [rate(), rate("keloid", window_days=365)]
    table = complication_table(written(results={"complication_rates": rows}), "all", "all", "all branches")
    assert [row[0].note for row in table.rows if isinstance(row[0], Cell)] == ["within 30 days", "within 365 days"]


def test_only_the_complications_asked_for() -> None:
    rows = [rate(), rate("tear"), rate("infection", "branch", "B1")]
    table = complication_table(written(results={"complication_rates": rows}), "all", "all", "all", only=("tear",))
    assert [row[0].text for row in table.rows if isinstance(row[0], Cell)] == ["Tear"]


@pytest.mark.parametrize(
    ("dimension", "levels"),
    [
        ("site_group", ["lobe", "upper_cartilage", "other_cartilage", "other", "(missing)"]),
        ("age_band", ["0-4", "5-10", "11-15", "16-17", "18+", "(missing)"]),
        ("article", ["(missing)", "K1", "K2"]),
    ],
)
def test_levels_stand_in_an_order_of_their_own_or_by_their_names(dimension: str, levels: list[str]) -> None:
    rows = [rate(dimension=dimension, level=level, procedures=at) for at, level in enumerate(levels, 1)]
    table = level_table(written(results={"complication_rates": rows[::-1]}), "infection", dimension, "By level")
    counts = [row[1].note for row in table.rows if isinstance(row[1], Cell)]
    assert counts == [f"12 of {at}; 1.2\u00a0to\u00a03.5\u00a0%" for at in range(1, len(levels) + 1)]


def test_names_of_levels_are_words() -> None:
    rows = [rate(dimension="material", level=level) for level in ("gold", "(missing)", "implant_titanium")]
    edition = written(results={"complication_rates": rows})
    assert [row[0] for row in level_table(edition, "infection", "material", "By material").rows] == [
        "(missing)",
        "gold",
        "implant titanium",
    ]


def test_a_figure_of_levels_leaves_out_those_with_nothing_to_count(drawn: list[Drawn]) -> None:
    rows = [rate(dimension="material", level=level, procedures=n) for level, n in (("gold", 600), ("niobium", 0))]
    assert level_figure(
        Figures(), written(results={"complication_rates": rows}), "infection", "material", "By material"
    )
    (dots,) = marks(drawn[0].spec, "point")
    assert [row["name"] for row in rows_of(drawn[0].spec, dots)] == ["gold (600)"]


@pytest.mark.parametrize(("n", "data_from"), [(0, DATA_FROM), (600, AS_OF), (600, None)])
def test_there_is_no_figure_of_levels_without_rates(drawn: list[Drawn], n: int, data_from: date | None) -> None:
    rows = [rate(dimension="material", level="gold", procedures=n)]
    edition = written(data_from=data_from, results={"complication_rates": rows})
    assert level_figure(Figures(), edition, "infection", "material", "By material") is None
    assert drawn == []
