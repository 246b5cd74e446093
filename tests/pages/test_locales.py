"""Figures in the reader's locale: on pages and on charts' axes, and names that are written from right to left.

What is expected was read from the Common Locale Data Repository, version 49, as Babel 2.19 ships it: its latin digits'
symbols, its long and medium dates, the skeletons MMMMd and yMMMM, its standard currency pattern.
"""

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest
import vl_convert
from babel.numbers import parse_decimal
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from pipeline.contract.locales import DEFAULT_LOCALE, known_locales, locale_named
from pipeline.settings import Settings
from reports import locales, numbers
from reports.charts.axis_locale import axis_locale
from reports.charts.drawing import svg
from reports.charts.weekly_bars import weekly_bars
from reports.edition import Edition
from reports.pages import branch, compare, index, intake, outside, safety
from reports.parts import Figure, Figures
from reports.rendering import Setting, render
from reports.sections.steps import spread_sentence
from reports.site import build_site
from reports.week_words import what_to_do
from support.editions import AS_OF, frame, publish, sample_night, written

from .rows import branch as branch_row
from .rows import compared

NBSP, THIN = "\u00a0", "\u202f"
SEPTEMBER = date(2026, 9, 21)
"""A Monday whose week lies within the month."""
untimed = hypothesis_settings(deadline=None)  # the first use of a locale reads its file
LOCALES = st.sampled_from(sorted(known_locales()))
FIGURE = re.compile(r"\b[1-9]\d{0,2}(?:,\d{3})+\b|(?<![\d.])\d+\.\d{1,2}(?![\d.])")
"""A number with English groups, or with a decimal point; a German day and German groups are neither."""


@pytest.fixture(params=["de-DE", "fr-FR", "hi-IN", "ar-EG"])
def locale(request: pytest.FixtureRequest) -> Iterator[str]:
    with locales.written_in(request.param):
        yield request.param


@pytest.mark.parametrize(
    ("name", "large", "small", "share"),
    [
        ("en-GB", "12,345,678", "-1,234.5", "2.5"),
        ("de-DE", "12.345.678", "-1.234,5", "2,5"),
        ("de-CH", "12'345'678", "-1'234.5", "2.5"),
        ("fr-FR", f"12{THIN}345{THIN}678", f"-1{THIN}234,5", "2,5"),
        ("sv-SE", f"12{NBSP}345{NBSP}678", f"\u22121{NBSP}234,5", "2,5"),
        ("hi-IN", "1,23,45,678", "-1,234.5", "2.5"),
        ("ar-EG", "12,345,678", "\u200e-1,234.5", "2.5"),
        ("fa-IR", "12,345,678", "\u200e\u22121,234.5", "2.5"),
    ],
)
def test_a_locale_groups_digits_and_marks_decimals_and_minus(name: str, large: str, small: str, share: str) -> None:
    with locales.written_in(name):
        assert numbers.count(12345678) == large
        assert numbers.tenth(-1234.5) == small
        assert numbers.share(0.0251) == f"{share}{NBSP}%"
        assert numbers.share_range(0.0188, 0.0251) == f"1{share[1]}9{NBSP}to{NBSP}{share}{NBSP}%"


@pytest.mark.parametrize(
    ("name", "currency", "value", "text"),
    [
        ("en-GB", "EUR", "1234.5", "€1,234.50"),
        ("en-GB", "CHF", "-1234.5", f"-CHF{NBSP}1,234.50"),
        ("de-DE", "EUR", "1234.5", f"1.234,50{NBSP}€"),
        ("de-CH", "CHF", "1234567.5", f"CHF{NBSP}1'234'567.50"),
        ("fr-FR", "EUR", "-1234.5", f"-1{THIN}234,50{NBSP}€"),
        ("en-US", "JPY", "1234", "¥1,234"),
        ("en-US", "BHD", "1.5", f"BHD{NBSP}1.500"),
        ("de-DE", "shells", "1234.5", "1.234,50"),
        ("de-DE", None, "1234.5", "1.234,50"),
        ("he-IL", "ILS", "1234.5", "\u2068\u200f1,234.50\u00a0\u200f₪\u2069"),
    ],
)
def test_an_amount_has_its_currency_s_sign_and_decimals(name: str, currency: str | None, value: str, text: str) -> None:
    with locales.written_in(name):
        assert numbers.money(Decimal(value), currency) == text


@pytest.mark.parametrize(
    ("name", "day", "short"),
    [
        ("en-GB", "7 September 2026", "7 Sep 2026"),
        ("en-US", "September 7, 2026", "Sep 7, 2026"),
        ("de-DE", "7. September 2026", "07.09.2026"),
        ("fr-FR", "7 septembre 2026", "7 sept. 2026"),
        ("ja-JP", "2026年9月7日", "2026/09/07"),
        ("fa-IR", "\u20687 سپتامبر 2026\u2069", "\u20687 سپتامبر 2026\u2069"),
        ("ar-EG", "\u20687 سبتمبر 2026\u2069", "\u206807\u200f/09\u200f/2026\u2069"),
    ],
)
def test_a_day_has_the_locale_s_names_and_order(name: str, day: str, short: str) -> None:
    with locales.written_in(name):
        assert numbers.day(date(2026, 9, 7)) == day
        assert numbers.short_day(date(2026, 9, 7)) == short


@pytest.mark.parametrize(
    ("name", "within", "across", "two_years"),
    [
        (
            "de-DE",
            "21. to 27. September 2026",
            "28. September to 4. Oktober 2026",
            "28. Dezember 2026 to 3. Januar 2027",
        ),
        (
            "en-US",
            "September 21 to September 27, 2026",
            "September 28 to October 4, 2026",
            "December 28, 2026 to January 3, 2027",
        ),
        (
            "es-ES",
            "21 to 27 de septiembre de 2026",
            "28 de septiembre to 4 de octubre de 2026",
            "28 de diciembre de 2026 to 3 de enero de 2027",
        ),
        ("ja-JP", "2026年9月21日 to 9月27日", "2026年9月28日 to 10月4日", "2026年12月28日 to 2027年1月3日"),
    ],
)
def test_a_week_keeps_its_words_in_the_locale_s_order(name: str, within: str, across: str, two_years: str) -> None:
    with locales.written_in(name):
        mondays = (SEPTEMBER, SEPTEMBER + timedelta(weeks=1), date(2026, 12, 28))
        assert [numbers.week(monday) for monday in mondays] == [within, across, two_years]


@pytest.mark.parametrize(
    ("name", "text"),
    [("en-GB", "January to March 2031"), ("pl-PL", "styczeń to marzec 2031"), ("hu-HU", "2031. január to március")],
)
def test_a_quarter_is_named_by_its_months(name: str, text: str) -> None:
    with locales.written_in(name):
        assert outside.quarter_name(date(2031, 1, 1)) == text


@untimed
@given(LOCALES, st.integers(0, 10**14))
def test_what_is_written_reads_back_as_the_same_number(name: str, cents: int) -> None:
    value = Decimal(cents) / 100
    with locales.written_in(name):
        assert parse_decimal(numbers.money(value), name.replace("-", "_")) == value


@untimed
@given(LOCALES, st.integers(0, 10**12), st.dates(date(1990, 1, 1), date(2090, 1, 1)))
def test_every_locale_writes_latin_digits_and_whole_isolates(name: str, value: int, day: date) -> None:
    monday = day - timedelta(days=day.weekday())
    with locales.written_in(name):
        texts = (numbers.count(value), numbers.money(-value, "EUR"), numbers.week(monday), numbers.short_day(day))
    for text in texts:
        assert text.count("\u2068") == text.count("\u2069")
    assert all(set(re.findall(r"\d", text)) <= set("0123456789") for text in texts[:2])
    assert re.sub(r"\D", "", texts[0]) == str(value)


def test_the_default_is_the_settings_the_editions_and_what_is_in_force() -> None:
    assert DEFAULT_LOCALE == Settings().locale == written().locale == locales.in_force() == "en-GB"


def test_a_locale_holds_within_and_no_longer(locale: str) -> None:
    assert locales.in_force() == locale
    with pytest.raises(KeyError), locales.written_in("ja-JP"):
        raise KeyError(locales.in_force())
    assert locales.in_force() == locale


def test_every_name_that_is_known_can_be_found() -> None:
    for name in known_locales():
        assert locale_named(name) == locale_named(name.replace("-", "_").lower())
    for name in ("", "C", "posix", "german", "de-", "de--CH", "de-XX", "de_DE.UTF-8", "eng", "d*", "root"):
        with pytest.raises(ValueError, match="no locale is called"):
            locale_named(name)


def labels(drawing: str) -> list[str]:
    return [html.unescape(text) for text in re.findall(r"<t(?:ext|span)[^>]*>([^<]+)<", drawing)]


def many_weeks() -> pl.DataFrame:
    """Weeks from October to March, with a million visits in each."""
    monday = date(2026, 10, 5)
    days = [monday + timedelta(weeks=at) for at in range(26)]
    return pl.DataFrame({"week": days, "value": [1_000_000.0] * 26, "is_told": [False] * 26})


@pytest.mark.parametrize(
    ("name", "million", "march"),
    [("en-GB", "1,000,000", "Mar"), ("de-CH", "1'000'000", "Mär"), ("hi-IN", "10,00,000", "मार्च")],
)
def test_axes_are_written_as_pages_are(name: str, million: str, march: str) -> None:
    with locales.written_in(name):
        drawn = labels(svg(weekly_bars(many_weeks(), unit="visits"), "figure1"))
        assert numbers.count(1_000_000) == million
    assert {million, march, "2027"} <= set(drawn)


def test_without_a_setting_axes_are_as_the_drawing_library_writes_them() -> None:
    chart = weekly_bars(many_weeks(), unit="visits").to_json(validate=False)
    own, ours = (vl_convert.vegalite_to_svg(chart, **more) for more in ({}, axis_locale(DEFAULT_LOCALE)))
    assert labels(ours) == labels(own)


def test_a_week_of_an_axis_begins_with_sunday() -> None:
    times = axis_locale("de-DE")["time_format_locale"]
    assert (times["days"][0], times["days"][6]) == ("Sonntag", "Samstag")


def texts(page: str) -> list[str]:
    """What a reader meets on a page, element by element; commands and the style sheet are left out."""
    page = re.sub(r"<(style|code)\b.*?</\1>", "", page, flags=re.S)
    return [text for one in re.split("<[^>]*>", page) if (text := html.unescape(one).strip())]


@pytest.fixture(scope="module")
def german(sample: Edition, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("german")
    build_site(replace(sample, locale="de-DE"), folder)
    return folder


def figures_of(site: Path, but: set[str]) -> list[str]:
    """Texts of pages with figures in which a number is written as in English. Methods and the dictionary have none:
    formulas, sources and the exports' own form of numbers stand there.
    """
    pages = [path for path in site.resolve().rglob("*.html") if path.name not in ("methods.html", "dictionary.html")]
    return [text for path in pages for text in texts(path.read_text()) if FIGURE.search(text) and text not in but]


def test_no_number_on_a_german_page_is_english(
    german: Path, sample: Edition, tmp_path_factory: pytest.TempPathFactory
) -> None:
    remedies = set(sample.results["rejected_rows"]["remedy"])  # say how exports write numbers
    assert figures_of(german, remedies) == []
    assert len(figures_of(sample_night(tmp_path_factory).site, remedies)) > 100
    index_page = texts((german / "index.html").read_text())
    assert "The week 21. to 27. September 2026" in index_page
    assert "3.449,00\u00a0€" in index_page
    assert 'lang="en"' in (german / "index.html").read_text()


def test_tables_and_summary_are_of_no_locale(german: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    english = sample_night(tmp_path_factory).site.resolve()
    for path in (english / "summary.json", *(english / "tables").iterdir()):
        assert (german / path.relative_to(english)).read_bytes() == path.read_bytes(), path.name


def test_a_night_writes_in_the_locale_of_its_settings(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    settings = Settings(locale="fr-FR")
    night = publish(tmp_path / "inbox", tmp_path, now=datetime(2026, 9, 28, 3), settings=settings)
    assert night.edition.locale == "fr-FR"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("B01", "B01"),
        ("Köln 1", "Köln 1"),
        ("סניף 12", "\u2068סניף 12\u2069"),
        ("فرع (3)", "\u2068فرع (3)\u2069"),
        ("B01 שוק", "\u2068B01 שוק\u2069"),
        ("x\u202ecba", "\u2068x\u202ecba\u2069"),
        ("", ""),
    ],
)
def test_only_what_turns_is_isolated(text: str, told: str) -> None:
    assert locales.isolated(text) == told


TURNED = "א"
"""A letter of a script that is written from right to left, at the end of every name."""
NAMES = r"(B0\d|P-\d{3}|K\d(?:-M\d\d-\d\d)?|(?:SPRAY|DROPS)[\w-]*)"


def test_names_written_from_right_to_left_do_not_turn_the_words_beside_them(
    sample: Edition, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Figures, "draw", lambda _, __, **words: Figure("figure", drawing="", **words))
    turned = {
        name: frame.with_columns(
            pl.col(pl.String).str.replace_all(rf"(^|:){NAMES}($|:)", f"${{1}}${{2}}{TURNED}${{3}}")
        )
        for name, frame in sample.results.items()
    }
    late = pl.col("data_through") - pl.duration(days=pl.int_range(pl.len()) * 9)
    turned["branches"] = turned["branches"].with_columns(late.alias("data_through"))
    edition = replace(sample, results=turned)
    pages = {
        "index.html": index.build(edition),
        "safety.html": safety.build(edition),
        "compare.html": compare.build(edition),
        "intake.html": intake.build(edition),
        "branch.html": branch.build(edition, f"B01{TURNED}"),
    }
    met = 0
    for page, context in pages.items():
        for text in texts(render(page, context, chain_name="", setting=Setting((), (), ""), here=page)):
            for name in re.finditer(rf"{NAMES}{TURNED}", text):
                met += 1
                is_alone = text in (name[0], f"▲ {name[0]}")
                assert is_alone or text[name.start() - 1] + text[name.end()] == "\u2068\u2069", (page, text)
    assert met > 100


def test_a_branch_that_is_named_in_a_sentence_does_not_turn_it() -> None:
    name, told = "סניף 12", "\u2068סניף 12\u2069"
    silent = written(results={"branches": [branch_row(name, data_through=AS_OF - timedelta(days=9))]})
    assert what_to_do(silent, 0).startswith(f"Ask {told} for its exports: ")
    beyond = [compared(name, tau2=0.04, ratio=2.3), compared(tau2=0.04)]
    assert f"With that allowed for, {told} still lies" in spread_sentence(frame("comparison", beyond))
