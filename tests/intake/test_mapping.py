"""What a source declares of words, numbers, dates and times: put into the contract's form, or marked as a misfit."""

import re
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contract.columns import BROKEN, MISFIT
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.intake.mapping import as_declared
from pipeline.sources import CLOCKS, JOINTS, Source

untimed = settings(deadline=None)

Texts = list[str | None]


def frame(table: str, **columns: Texts) -> pl.DataFrame:
    """A frame of text, a row on each line from 2; columns not named are empty."""
    n_rows = max(len(texts) for texts in columns.values())
    names = TABLE_BY_NAME[table].column_names
    return pl.DataFrame(
        {"line": range(2, 2 + n_rows)} | {name: columns.get(name, [None] * n_rows) for name in names},
        schema={"line": pl.Int64} | dict.fromkeys(names, pl.String),
    )


def declared(table: str, column: str, texts: Texts, **said: Any) -> Texts:
    """A column's texts as the contract has them; a misfit is told by a question mark before it."""
    found = as_declared(frame(table, **{column: texts}), TABLE_BY_NAME[table], Source.model_validate(said))
    return [text.replace(MISFIT, "?") if text else text for text in found[column].to_list()]


def amounts(*texts: str, **said: Any) -> Texts:
    return declared("sales", "net_amount", list(texts), **said)


def dates(*texts: str, **said: Any) -> Texts:
    return declared("procedures", "pack_expiry", list(texts), **said)


def times(*texts: str, **said: Any) -> Texts:
    return declared("procedures", "performed_at", list(texts), **said)


def test_a_source_that_declares_nothing_changes_nothing() -> None:
    texts: Texts = ["1,5", "04.05.2031", "", None, f"{BROKEN}#REF!"]
    for column in TABLE_BY_NAME["procedures"].column_names:
        assert declared("procedures", column, texts) == texts


@pytest.mark.parametrize(
    ("decimal", "thousands", "written"),
    [
        (",", None, {"1,5": "1.5", "-1,5": "-1.5", "15": "15", "1.5": "?1.5", "1.234,5": "?1.234,5", ",5": "?,5"}),
        (",", ".", {"1.234,50": "1234.50", "1234,5": "1234.5", "1.234": "1234", "1.5": "?1.5", "1,234.5": "?1,234.5"}),
        (",", ".", {"12.34.567": "?12.34.567", "1234.567": "?1234.567", ".123": "?.123", "1..234": "?1..234"}),
        (".", ",", {"12,34,567": "?12,34,567", "1,234,567.25": "1234567.25", "1,5": "?1,5", "1,2345": "?1,2345"}),
        (
            ".",
            ",",
            {"0,125": "?0,125", "-0,125": "?-0,125", "012,345": "?012,345", "0.125": "0.125", "100,000": "100000"},
        ),
        (",", " ", {"1 234,50": "1234.50", "12 34": "?12 34", "1  234": "?1  234"}),
        (",", " ", {"1\u00a0234,50": "1234.50", "1\u202f234\u202f567": "1234567", "1\u2009234": "?1\u2009234"}),
        (".", "'", {"1\u2019234.50": "1234.50", "1\u2018234": "?1\u2018234"}),
        (".", "'", {"1'234.50": "1234.50", "-1'234": "-1234", "1'23": "?1'23"}),
        (",", ".", {"1,5 EUR": "?1,5 EUR", "\N{EURO SIGN}1,5": "?\N{EURO SIGN}1,5", "1,5-": "?1,5-", "+1,5": "?+1,5"}),
        (",", ".", {"1,": "?1,", "-": "?-", "\N{ARABIC-INDIC DIGIT ONE},5": "?\N{ARABIC-INDIC DIGIT ONE},5"}),
    ],
)
def test_numbers_are_read_by_their_marks_or_not_at_all(
    decimal: str, thousands: str | None, written: dict[str, str]
) -> None:
    assert amounts(*written, decimal_mark=decimal, thousands_mark=thousands) == list(written.values())


def test_whole_numbers_follow_the_same_marks_and_ids_do_not() -> None:
    marks = {"decimal_mark": ",", "thousands_mark": "."}
    assert declared("sales", "quantity", ["1.000", "2,0", "1.0"], **marks) == ["1000", "2.0", "?1.0"]
    assert declared("sales", "sale_id", ["1.000", "2,0"], **marks) == ["1.000", "2,0"]


MARKS = [(decimal, mark) for decimal in ".," for mark in (None, ".", ",", " ", "'") if mark != decimal]


@untimed
@given(
    number=st.decimals(-(10**12), 10**12, allow_nan=False, places=3) | st.integers(-(10**12), 10**12).map(Decimal),
    marks=st.sampled_from(MARKS),
    is_grouped=st.booleans(),
)
def test_a_number_in_any_declared_form_is_the_same_number(
    number: Decimal, marks: tuple[str, str | None], is_grouped: bool
) -> None:
    decimal, thousands = marks
    plain = format(number, "f")
    written = format(number, ",f") if is_grouped and thousands else plain
    written = written.translate({ord(","): thousands, ord("."): decimal})
    (read,) = amounts(written, decimal_mark=decimal, thousands_mark=thousands)
    assert read == plain


@untimed
@given(text=st.text("0123456789.,' -", max_size=12), marks=st.sampled_from(MARKS))
def test_a_number_is_read_only_where_its_digits_and_marks_stand_as_declared(
    text: str, marks: tuple[str, str | None]
) -> None:
    decimal, thousands = marks
    if (decimal, thousands) == (".", None):
        return
    (read,) = amounts(text, decimal_mark=decimal, thousands_mark=thousands)
    assert read == (expected_number(text, decimal, thousands) or f"?{text}")


def expected_number(text: str, decimal: str, thousands: str | None) -> str | None:
    """The plain form, told by cutting the text at its marks instead of a pattern."""
    sign, digits = ("-", text[1:]) if text.startswith("-") else ("", text)
    whole, *fraction = digits.split(decimal)
    groups = whole.split(thousands) if thousands else [whole]
    is_grouped = len(groups) > 1
    if is_grouped and (groups[0][:1] == "0" or len(groups[0]) > 3 or any(len(group) != 3 for group in groups[1:])):
        return None
    if len(fraction) > 1 or not all(part.isdecimal() for part in (*groups, *fraction)):
        return None
    return sign + ".".join(["".join(groups), *fraction])


@pytest.mark.parametrize(
    ("form", "written"),
    [
        ("DD.MM.YYYY", {"04.05.2031": "2031-05-04", "4.5.2031": "?4.5.2031", "04.05.31": "?04.05.31"}),
        ("D.M.YYYY", {"4.5.2031": "2031-05-04", "04.05.2031": "2031-05-04", "04/05/2031": "?04/05/2031"}),
        ("MM/DD/YYYY", {"05/04/2031": "2031-05-04", "04.05.2031": "?04.05.2031"}),
        ("M/D/YYYY", {"5/4/2031": "2031-05-04", "5/4/2031 10:00": "?5/4/2031 10:00", "x5/4/2031": "?x5/4/2031"}),
        ("YYYYMMDD", {"20310504": "2031-05-04", "2031504": "?2031504"}),
        ("D. M. YYYY", {"4. 5. 2031": "2031-05-04", "4.5.2031": "?4.5.2031"}),
    ],
)
def test_dates_are_read_by_their_format_or_not_at_all(form: str, written: dict[str, str]) -> None:
    iso = {"2031-05-04": "2031-05-04", "2031-5-4": "?2031-5-4"}
    written = iso | written
    assert dates(*written, date_format=form) == list(written.values())


@pytest.mark.parametrize(
    ("form", "written"),
    [
        ("DD.MM.YYYY HH:mm", {"04.05.2031 09:30": "2031-05-04T09:30:00", "04.05.2031 9:30": "2031-05-04T09:30:00"}),
        ("DD.MM.YYYY HH:mm", {"04.05.2031 09:30:07": "?04.05.2031 09:30:07", "04.05.2031": "?04.05.2031"}),
        (
            "M/D/YYYY, HH:mm:ss",
            {"5/4/2031, 23:59:07": "2031-05-04T23:59:07", "5/4/2031 23:59": "?5/4/2031 23:59"},
        ),
        ("YYYY-MM-DDThh:mm AM", {"2031-05-04T9:30 pm": "2031-05-04T21:30:00"}),
        ("D.M.YYYYTHH:mm", {"4.5.2031T09:30": "2031-05-04T09:30:00", "4.5.2031 09:30": "?4.5.2031 09:30"}),
        ("D/M/YYYY hh:mm AM", {"4/5/2031 12:00 AM": "2031-05-04T00:00:00", "4/5/2031 12:30 pm": "2031-05-04T12:30:00"}),
        ("D/M/YYYY hh:mm AM", {"4/5/2031 1:05 Pm": "2031-05-04T13:05:00", "4/5/2031 11:59 am": "2031-05-04T11:59:00"}),
        ("D/M/YYYY hh:mm AM", {"4/5/2031 13:05 PM": "?4/5/2031 13:05 PM", "4/5/2031 0:05 AM": "?4/5/2031 0:05 AM"}),
        ("D/M/YYYY hh:mm AM", {"4/5/2031 11:59": "?4/5/2031 11:59", "4/5/2031 1:05 p.m.": "?4/5/2031 1:05 p.m."}),
    ],
)
def test_times_are_read_by_their_format_or_not_at_all(form: str, written: dict[str, str]) -> None:
    iso = {text: text for text in ("2031-05-04T09:30", "2031-05-04T09:30:07.5+02:00", "2031-05-04T09:30Z")}
    written = iso | written
    assert times(*written, time_format=form) == list(written.values())


ORDERS = ["{D}{s}{M}{s}{Y}", "{M}{s}{D}{s}{Y}", "{Y}{s}{M}{s}{D}"]


@st.composite
def written_dates(draw: st.DrawFn, day: date) -> tuple[str, str]:
    """A date format, and a day written in it."""
    order, s = draw(st.sampled_from(ORDERS)), draw(st.sampled_from([".", "/", "-", " ", ". "]))
    is_wide = draw(st.booleans())
    form = order.format(D="DD" if is_wide else "D", M="MM" if is_wide else "M", Y="YYYY", s=s)
    width = "02" if is_wide or draw(st.booleans()) else ""
    return form, order.format(D=f"{day.day:{width}}", M=f"{day.month:{width}}", Y=f"{day.year:04}", s=s)


@untimed
@given(st.data(), st.dates())
def test_a_date_in_any_declared_form_is_the_same_day(data: st.DataObject, day: date) -> None:
    form, written = data.draw(written_dates(day))
    assert dates(written, date_format=form) == [day.isoformat()]


@untimed
@given(data=st.data(), moment=st.datetimes(), clock=st.sampled_from(CLOCKS), joint=st.sampled_from(JOINTS))
def test_a_time_in_any_declared_form_is_the_same_time(
    data: st.DataObject, moment: datetime, clock: str, joint: str
) -> None:
    form, day = data.draw(written_dates(moment.date()))
    second = moment.second if "ss" in clock else 0
    hour = f"{moment.hour % 12 or 12}" if "AM" in clock else f"{moment.hour:02}"
    tail = {"HH:mm": "", "HH:mm:ss": f":{second:02}", "hh:mm AM": " pm" if moment.hour >= 12 else " am"}[clock]
    written = f"{day}{joint}{hour}:{moment.minute:02}{tail}"
    (read,) = times(written, time_format=f"{form}{joint}{clock}")
    assert read == moment.replace(second=second, microsecond=0).isoformat()


# Serial numbers and their days are those of ECMA-376 part 1, section 18.17.4.1, where it names them (1 is 1 January of
# 1900 or, counted from 0, of 1904); the days of 61 and above follow from the day numbers of the calendar.


@pytest.mark.parametrize(
    ("system", "written"),
    [
        (1900, {"61": "1900-03-01", "45000": "2023-03-15", "45000.0": "2023-03-15", "45000.5": "?45000.5"}),
        (1900, {"60": "?60", "59": "?59", "1": "?1", "0": "?0", "-1": "?-1", "12345678": "?12345678"}),
        (1904, {"0": "1904-01-01", "1": "1904-01-02", "60": "1904-03-01", "43538": "2023-03-15", "-1": "?-1"}),
    ],
)
def test_serial_numbers_are_days_where_they_are_declared(system: int, written: dict[str, str]) -> None:
    assert dates(*written, serial_dates=system) == list(written.values())


@pytest.mark.parametrize(
    ("system", "written"),
    [
        (1900, {"45000": "2023-03-15T00:00:00", "45000.4375": "2023-03-15T10:30:00", "60.9": "?60.9"}),
        (1900, {"45000.43749999999": "2023-03-15T10:30:00", "45000.999999": "2023-03-16T00:00:00"}),
        (1904, {"0.5": "1904-01-01T12:00:00", "43538.4375": "2023-03-15T10:30:00", "0,5": "?0,5"}),
    ],
)
def test_fractions_of_serial_numbers_are_times_to_the_second(system: int, written: dict[str, str]) -> None:
    assert times(*written, serial_dates=system) == list(written.values())


def test_serial_numbers_have_their_decimals_behind_the_source_s_mark_or_a_point() -> None:
    comma = {"serial_dates": 1900, "decimal_mark": ","}
    assert times("45000,4375", "45000.4375", **comma) == ["2023-03-15T10:30:00"] * 2
    assert times("45.000", "45000.4375", **comma, thousands_mark=".") == ["?45.000", "?45000.4375"]


@untimed
@given(st.datetimes(datetime(1904, 1, 1), datetime(9999, 12, 31)), st.sampled_from([1900, 1904]))
def test_a_time_as_a_serial_number_is_the_same_time(moment: datetime, system: int) -> None:
    moment = moment.replace(microsecond=0)
    since = datetime(1904, 1, 1) - timedelta(days=1462 if system == 1900 else 0)  # the systems are 1,462 days apart
    serial = (moment - since) / timedelta(days=1)
    assert times(repr(serial), serial_dates=system) == [moment.isoformat()]
    assert dates(str((moment - since).days), serial_dates=system) == [moment.date().isoformat()]


def test_formats_and_serial_numbers_may_stand_in_one_file() -> None:
    said = {"date_format": "DDMMYYYY", "serial_dates": 1900}
    assert dates("04052031", "45000", "2031-05-04", **said) == ["2031-05-04", "2023-03-15", "2031-05-04"]


@pytest.mark.parametrize("form", ["YYYY-DD-MM", "YYYY-D-M"])
def test_no_format_may_give_the_contract_s_own_dates_another_meaning(form: str) -> None:
    with pytest.raises(ValueError, match="must not put the day first"):
        Source(date_format=form)
    with pytest.raises(ValueError, match="must not put the day first"):
        Source(time_format=f"{form}THH:mm")


ZONES = [
    "Europe/Berlin",
    "America/New_York",
    "America/Sao_Paulo",
    "America/St_Johns",
    "Africa/Casablanca",
    "Asia/Tehran",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "UTC",
]


def shown(instant: datetime, zone: ZoneInfo) -> datetime:
    """The wall clock of a zone at an instant in UTC."""
    return instant.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None)


def instant_of(wall: datetime, zone: ZoneInfo) -> datetime:
    """The first instant at which a zone's clock shows a time; for one it skips, the time by the offset before the gap.

    Only ever goes from UTC to the wall clock, by trying every offset the zone has within two days.
    """
    day = timedelta(days=1)
    near = [wall + timedelta(hours=step) for step in range(-48, 49, 2)]
    offsets = {shown(instant, zone) - instant for instant in near}
    fitting = [wall - offset for offset in offsets if shown(wall - offset, zone) == wall]
    before = wall - 2 * day
    return min(fitting) if fitting else wall - (shown(before, zone) - before)


def changes(zone: ZoneInfo) -> list[datetime]:
    """The ends of the quarters of days from 2009 to 2024 in which a zone's offset changes, in UTC."""
    hours = [datetime(2009, 1, 1) + timedelta(hours=hour) for hour in range(0, 16 * 8766, 6)]
    offsets = [shown(hour, zone) - hour for hour in hours]
    return [hours[at] for at in range(1, len(hours)) if offsets[at] != offsets[at - 1]]


@pytest.mark.parametrize("name", ZONES)
def test_times_of_a_declared_zone_are_those_instants_even_where_clocks_are_set(name: str) -> None:
    zone = ZoneInfo(name)
    walls = [
        shown(change, zone) + timedelta(minutes=10 * step)
        for change in changes(zone)[-4:] or [datetime(2024, 5, 3)]
        for step in range(-48, 25)
    ]
    if name == "Pacific/Apia":
        walls.append(datetime(2011, 12, 30, 12))  # the day the islands left out
    read = times(*(wall.isoformat() for wall in walls), timezone=name)
    assert read == [f"{instant_of(wall, zone).isoformat()}Z" for wall in walls]


def test_a_skipped_time_moves_forward_and_a_repeated_one_is_the_first() -> None:
    assert times("2024-03-31T02:30", "2024-10-27T02:30", timezone="Europe/Berlin") == [
        "2024-03-31T01:30:00Z",  # shown as 03:30
        "2024-10-27T00:30:00Z",  # still in summer time
    ]


def test_a_declared_zone_leaves_offsets_dates_and_what_is_no_time_alone() -> None:
    texts = ["2024-05-03T10:00Z", "2024-05-03T10:00+05:30", "2024-05-03T24:00", "2024-02-30T10:00", "soon"]
    assert times(*texts, timezone="Europe/Berlin") == texts
    assert dates("2024-05-03", timezone="Europe/Berlin") == ["2024-05-03"]
    assert times("2024-05-03T10:00:07,25", timezone="Europe/Berlin") == ["2024-05-03T08:00:07.250000Z"]


def test_a_declared_zone_holds_for_formats_serial_numbers_and_constants() -> None:
    said = {"time_format": "DD.MM.YYYY HH:mm", "serial_dates": 1900, "timezone": "Europe/Berlin"}
    assert times("03.05.2024 10:00", "45415.5", **said) == ["2024-05-03T08:00:00Z", "2024-05-03T10:00:00Z"]
    constants = {"recorded_at": "2024-05-03T10:00"}
    assert declared("sales", "recorded_at", [None], timezone="Asia/Tokyo", constants=constants) == [
        "2024-05-03T01:00:00Z"
    ]


def test_words_are_found_whatever_their_case_and_others_stay() -> None:
    values = {"ear": {" Links ": "left", "RECHTS": "right", "beide": ""}}
    texts: Texts = ["links", "LINKS", "Rechts", "Beide", "left", "oben", None]
    assert declared("procedures", "ear", texts, values=values) == ["left", "left", "right", None, "left", "oben", None]


def test_what_a_word_means_is_in_the_contract_s_form_whatever_the_file_s() -> None:
    said = {"decimal_mark": ",", "thousands_mark": ".", "values": {"net_amount": {"free": "0.00", "fee": "1.500"}}}
    assert amounts("FREE", "fee", "1.500", **said) == ["0.00", "1.500", "1500"]
    assert dates("never", date_format="D.M.YYYY", values={"pack_expiry": {"never": "2099-12-31"}}) == ["2099-12-31"]


def test_codes_from_the_settings_compare_in_upper_case_too() -> None:
    assert declared("procedures", "lot_no", ["OLD", "L2"], values={"lot_no": {"old": " l1 "}}) == ["L1", "L2"]
    assert declared("procedures", "lot_no", ["L1", None], constants={"lot_no": " l1 "}) == ["L1", "L1"]


def test_a_constant_fills_what_is_empty_and_meets_no_other_value() -> None:
    texts: Texts = [None, "eur", "EUR", "USD", f"{BROKEN}#REF!"]
    expected = ["EUR", "EUR", "EUR", "?USD", f"{BROKEN}#REF!"]
    assert declared("sales", "currency", texts, constants={"currency": "EUR"}) == expected


def test_a_constant_fills_what_a_word_leaves_unknown() -> None:
    said = {"values": {"ear": {"both": ""}}, "constants": {"ear": "left"}}
    assert declared("procedures", "ear", ["both", "left"], **said) == ["left", "left"]


@pytest.mark.parametrize("column", ["net_amount", "quantity", "sold_at"])
def test_broken_cells_stay_broken_whatever_is_declared(column: str) -> None:
    said = {"decimal_mark": ",", "serial_dates": 1900, "timezone": "Asia/Tokyo", "time_format": "D.M.YYYY HH:mm"}
    assert declared("sales", column, [f"{BROKEN}#REF!", None], **said) == [f"{BROKEN}#REF!", None]


SPLIT = {"column": "ear", "value": "Beide", "into": ["left", "right"]}


def test_a_row_that_says_both_becomes_a_row_for_each() -> None:
    rows = frame("procedures", procedure_id=["P1", "P2", None], ear=["BEIDE", "left", "beide"], site=["helix"] * 3)
    found = as_declared(rows, TABLE_BY_NAME["procedures"], Source.model_validate({"split": SPLIT}))
    assert found.select("line", "part", "procedure_id", "ear", "site").rows() == [
        (2, 1, "P1-left", "left", "helix"),
        (2, 2, "P1-right", "right", "helix"),
        (3, 0, "P2", "left", "helix"),
        (4, 1, None, "left", "helix"),
        (4, 2, None, "right", "helix"),
    ]


def test_a_table_without_the_split_s_column_stays_as_it_is() -> None:
    rows = frame("sales", sale_id=["S1"], line_no=["1"])
    found = as_declared(rows, TABLE_BY_NAME["sales"], Source.model_validate({"split": SPLIT}))
    assert found["part"].to_list() == [0]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.text(max_size=12), max_size=5))
def test_every_text_is_read_or_marked_and_none_is_lost(texts: list[str]) -> None:
    said = {
        "date_format": "D.M.YYYY",
        "time_format": "D.M.YYYY HH:mm",
        "serial_dates": 1900,
        "decimal_mark": ",",
        "thousands_mark": ".",
        "timezone": "Europe/Berlin",
    }
    for column in ("sold_at", "net_amount", "quantity", "recorded_at"):
        for text, read in zip(texts, declared("sales", column, list(texts), **said), strict=True):
            assert read == f"?{text}".replace(MISFIT, "?") or re.fullmatch(r"[-+0-9.,:TZ]+", read or "") or read == text
