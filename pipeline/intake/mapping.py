"""A frame of text as the contract has it: a source's own words, numbers, dates and rows put into the plain form.

Nothing is guessed: a value that does not fit what the source declares gets the mark `MISFIT` in front, which the rules
know, and its row is rejected. Dates and times may always be written as the contract has them.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contract.columns import BROKEN, MISFIT, Column, Kind, Table
from pipeline.sources import Source, Split, format_pattern

_ISO_DATE = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
_ISO_TIME = "^[0-9]{4}-[0-9]{2}-[0-9]{2}T"
_WALL_TIME = "^[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-9]{2}(:[0-9]{2}([.,][0-9]+)?)?$"
_DAY_ZERO = {1900: date(1899, 12, 30), 1904: date(1904, 1, 1)}
"""The day that a spreadsheet's serial number counts from."""
_FIRST_SERIAL = {1900: 61, 1904: 0}
"""Below 61 the system of 1900 counts a 29 February that never was: no such number is a day without doubt."""

_SPELLINGS = {" ": ("\u00a0", "\u202f"), "'": ("\u2019",)}
"""Other ways in which a mark between thousands is written: spaces that do not break, an apostrophe that is curved."""


def as_declared(frame: pl.DataFrame, table: Table, source: Source) -> pl.DataFrame:
    """A frame of text (`line` and the table's columns) as the contract has it, with `part` of the record besides.

    `part` is 0 but where the source splits records: there it counts them from 1.
    """
    frame = frame.with_columns(_as_plain(column, source) for column in table.columns)
    frame = frame.with_columns(_filled(column, source.constants) for column in table.columns)
    if source.timezone is not None:
        times = [column.name for column in table.columns if column.kind is Kind.TIME]
        frame = frame.with_columns(_in_utc(frame[name], ZoneInfo(source.timezone)) for name in times)
    frame = frame.with_columns(pl.lit(0, dtype=pl.Int16).alias("part"))
    return _split(frame, table, source.split) if source.split else frame


def _as_plain(column: Column, source: Source) -> pl.Expr:
    """A column's text with its words, numbers, dates and times as the contract writes them.

    The meaning of a word is in the contract's own form already.
    """
    text = pl.col(column.name)
    plain = _form(column.kind, text, source)
    read = text if plain is None else _unless_broken(text, plain)
    words = {word.strip().lower(): _word(column, to) for word, to in source.values.get(column.name, {}).items()}
    if words:
        meanings = pl.Series([meaning or None for meaning in words.values()], dtype=pl.String)
        meaning = text.str.to_lowercase().replace_strict(pl.Series(list(words)), meanings, default=None)
        read = pl.when(text.str.to_lowercase().is_in(list(words))).then(meaning).otherwise(read)
    return read.alias(column.name)


def _word(column: Column, word: str) -> str:
    """A word from the settings as a frame of text has it: trimmed, a code in upper case."""
    return word.strip().upper() if column.kind is Kind.CODE else word.strip()


def _unless_broken(text: pl.Expr, plain: pl.Expr) -> pl.Expr:
    """The plain form where there is one; else the text under the mark. Broken cells and empty ones stay as they are."""
    is_kept = text.is_null() | text.str.starts_with(BROKEN)
    return pl.when(is_kept).then(text).when(plain.is_not_null()).then(plain).otherwise(pl.lit(MISFIT) + text)


def _form(kind: Kind, text: pl.Expr, source: Source) -> pl.Expr | None:
    """The plain form of a column's text, NULL where it does not fit; None where the source declares nothing of it."""
    if kind in (Kind.WHOLE, Kind.DECIMAL) and (source.decimal_mark, source.thousands_mark) != (".", None):
        return _number(text, source.decimal_mark, source.thousands_mark or "")
    if kind is Kind.DATE and (source.date_format or source.serial_dates):
        return pl.coalesce(*_dates(text, source), _if(text, _ISO_DATE))
    if kind is Kind.TIME and (source.time_format or source.serial_dates):
        return pl.coalesce(*_times(text, source), _if(text, _ISO_TIME))
    return None


def _if(text: pl.Expr, pattern: str) -> pl.Expr:
    return pl.when(text.str.contains(pattern)).then(text)


def _number(text: pl.Expr, decimal_mark: str, thousands_mark: str) -> pl.Expr:
    """A number with a decimal point and no marks between its groups of digits.

    No group begins with a nought: `0,125` with marks between thousands is no 125.
    """
    decimals = f"([{decimal_mark}][0-9]+)?"
    for spelling in _SPELLINGS.get(thousands_mark, ()):
        text = text.str.replace_all(spelling, thousands_mark, literal=True)
    grouped = f"|[1-9][0-9]{{0,2}}([{thousands_mark}][0-9]{{3}})+" if thousands_mark else ""
    fits = text.str.contains(f"^-?([0-9]+{grouped}){decimals}$")
    plain = text.str.replace_all(thousands_mark, "", literal=True) if thousands_mark else text
    return pl.when(fits).then(plain.str.replace(decimal_mark, ".", literal=True))


def _dates(text: pl.Expr, source: Source) -> Iterable[pl.Expr]:
    if source.date_format:
        yield _iso_date(text.str.extract_groups(f"^{format_pattern(source.date_format)}$"))
    if source.serial_dates:
        number = _serial(text, source.serial_dates, source)
        day = pl.lit(_DAY_ZERO[source.serial_dates]) + pl.duration(days=number.floor())
        yield pl.when(number == number.floor()).then(day.dt.to_string("%Y-%m-%d"))


def _times(text: pl.Expr, source: Source) -> Iterable[pl.Expr]:
    if source.time_format:
        parts = text.str.extract_groups(f"^{format_pattern(source.time_format)}$")
        second = parts.struct.field("second").str.zfill(2) if ":ss" in source.time_format else pl.lit("00")
        clock = [_hour(parts, source.time_format), parts.struct.field("minute"), second]
        yield pl.concat_str(_iso_date(parts), pl.lit("T"), pl.concat_str(clock, separator=":"))
    if source.serial_dates:
        number = _serial(text, source.serial_dates, source)
        seconds = pl.duration(seconds=(number * 86_400).round())
        moment = pl.lit(datetime.combine(_DAY_ZERO[source.serial_dates], datetime.min.time())) + seconds
        yield moment.dt.to_string("%Y-%m-%dT%H:%M:%S")


def _iso_date(parts: pl.Expr) -> pl.Expr:
    month, day = (parts.struct.field(name).str.zfill(2) for name in ("month", "day"))
    return pl.concat_str(parts.struct.field("year"), month, day, separator="-")


def _hour(parts: pl.Expr, form: str) -> pl.Expr:
    """The hour in two digits; of a clock with AM and PM 12 comes before 1."""
    hour = parts.struct.field("hour")
    if not form.endswith("AM"):
        return hour.str.zfill(2)
    number = hour.cast(pl.Int32, strict=False)
    is_afternoon = parts.struct.field("half").str.to_lowercase() == "pm"
    of_day = pl.when(number.is_between(1, 12)).then(number % 12 + 12 * is_afternoon.cast(pl.Int32))
    return of_day.cast(pl.String).str.zfill(2)


def _serial(text: pl.Expr, system: int, source: Source) -> pl.Expr:
    """A serial number, its decimals behind the source's mark, or behind a point as in a workbook's own numbers."""
    marks = "".join({".", source.decimal_mark} - {source.thousands_mark})
    number = _if(text, f"^[0-9]{{1,7}}([{marks}][0-9]+)?$").str.replace(",", ".", literal=True)
    number = number.cast(pl.Float64, strict=False)
    return pl.when(number >= _FIRST_SERIAL[system]).then(number)


def _filled(column: Column, constants: dict[str, str]) -> pl.Expr:
    """A column with its constant where the file leaves it empty; a value that says otherwise is a misfit."""
    text = pl.col(column.name)
    if column.name not in constants:
        return text
    constant = _word(column, constants[column.name])
    same = text.str.to_lowercase() == constant.lower()
    filled = pl.when(text.is_null() | same).then(pl.lit(constant))
    marked = pl.when(text.str.starts_with(BROKEN) | text.str.starts_with(MISFIT)).then(text)
    return filled.otherwise(marked.otherwise(pl.lit(MISFIT) + text)).alias(column.name)


def _in_utc(texts: pl.Series, zone: ZoneInfo) -> pl.Series:
    """Wall times of a zone as UTC; a skipped time moves forward, a repeated one is the first, as the contract says."""
    walls = texts.filter(texts.str.contains(_WALL_TIME).fill_null(value=False)).unique()
    moments = pl.Series([_utc(wall, zone) for wall in walls], dtype=pl.String)
    return texts.replace_strict(walls, moments, default=texts) if len(walls) else texts


def _utc(wall: str, zone: ZoneInfo) -> str:
    try:
        moment = datetime.fromisoformat(wall).replace(tzinfo=zone).astimezone(UTC)
    except (ValueError, OverflowError):  # no time at all: the rule for times will say so
        return wall
    whole = moment.replace(tzinfo=None).isoformat(timespec="seconds" if not moment.microsecond else "microseconds")
    return f"{whole}Z"


def _split(frame: pl.DataFrame, table: Table, split: Split) -> pl.DataFrame:
    """Rows that say the split's value as one row for each of its words; their ids end in the word."""
    if split.column not in table.column_names:
        return frame
    is_split = (pl.col(split.column).str.to_lowercase() == split.value.strip().lower()).fill_null(value=False)
    whole = frame.filter(is_split)
    key = pl.col(table.key[0])
    parts = [
        whole.with_columns(
            pl.lit(word).alias(split.column),
            (key + f"-{word}").alias(table.key[0]),
            pl.lit(part, dtype=pl.Int16).alias("part"),
        )
        for part, word in enumerate(split.into, start=1)
    ]
    return pl.concat([frame.filter(~is_split), *parts]).sort("line", "part")
