"""What a spreadsheet cell says, as text: numbers, typed dates, escapes, and which number formats make a date.

Sections are of ECMA-376, Office Open XML, part 1: number formats 18.8.30 and 18.8.31, date systems 18.17.4, escapes in
text 22.9.2.19.
"""

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from enum import IntEnum

from pipeline.intake.records import BrokenCell, NumberCell


class DateStyle(IntEnum):
    """What a cell's number format makes of its number: no date, a date, or a date whose hours are shown."""

    NONE = 0
    DATE = 1
    HOURS = 2


_DATE_FORMATS = frozenset((*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)))
"""Built-in number formats that show a date or a time in at least one language (18.8.30)."""
_HOUR_FORMATS = frozenset((18, 19, 20, 21, 22, 32, 33, 46))
"""Those of them that show hours in every language."""
_LITERAL = re.compile(r'"[^"]*"?|[\\_*].?|\[(?!(?:h+|m+|s+)\])[^\]]*\]?|general|standard', re.I | re.S)
"""What stands in a format code without being a place for a value: quoted and escaped text, colours, conditions."""

_EXACT = re.compile(r"0|-?[1-9][0-9]{0,16}")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LONGEST_NUMBER = 500
"""Characters of a written number; a double's exact value takes some 330 without an exponent."""
_ISO = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:T([0-9]{2}:[0-9]{2})(?::([0-9]{2})(\.[0-9]+)?)?(Z|[+-][0-9]{2}:[0-9]{2})?)?"
)
_ESCAPE = re.compile(r"_x(?![Dd][89A-Fa-f])([0-9A-Fa-f]{4})_")
"""An escaped character; halves of a pair are no characters and stay as written."""

_DAY_SECONDS = 86_400
_FALSE_LEAP_DAY = 60
"""The serial of 29 February 1900, a day that never was; those above it are one too high (18.17.4.1)."""


def date_style(format_id: int, code: str | None) -> DateStyle:
    """What a number format makes of a number, by its own code, else by its built-in number."""
    if code is None:
        if format_id not in _DATE_FORMATS:
            return DateStyle.NONE
        return DateStyle.HOURS if format_id in _HOUR_FORMATS else DateStyle.DATE
    places = _LITERAL.sub("", code).lower()
    if "h" in places:
        return DateStyle.HOURS
    return DateStyle.DATE if any(letter in places for letter in "dmys") else DateStyle.NONE


def plain_text(written: str) -> str:
    """Text with its escapes `_xHHHH_` as the characters they stand for."""
    return _ESCAPE.sub(lambda found: chr(int(found[1], 16)), written) if "_x" in written else written


def number_text(written: str) -> str:
    """The shortest text without an exponent that reads back to the same number; whole numbers have no point.

    Whole numbers up to 17 digits, which may be ids, stay exactly as written.
    """
    if _EXACT.fullmatch(written):
        return written
    number = _number(written)
    if number is None:
        return BrokenCell("a number that cannot be read")
    text = format(Decimal(repr(number)), "f")
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return NumberCell("0" if text == "-0" else text)


def date_text(written: str, style: DateStyle, *, is_1904: bool) -> str:
    """A serial number's day, with its time to the nearest second where it has one or its format shows hours."""
    serial = _number(written)
    if serial is None:
        return BrokenCell("a number that cannot be read")
    if serial < 1:
        return BrokenCell("a time without a date" if serial >= 0 else "a date before all dates")
    if not is_1904 and _FALSE_LEAP_DAY <= serial < _FALSE_LEAP_DAY + 1:
        return BrokenCell("29 February 1900, which is no day")
    return _moment_text(lambda: _epoch(serial, is_1904) + timedelta(seconds=round(serial * _DAY_SECONDS)), style)


def iso_text(written: str, style: DateStyle) -> str:
    """A date or time written in ISO 8601 (cells of type d), in the same form as `date_text` gives, offset kept."""
    found = _ISO.fullmatch(written.strip())
    if found is None:
        return BrokenCell("a date that cannot be read")
    day, minute, second, fraction, offset = found.groups()
    return _moment_text(
        lambda: (
            datetime.fromisoformat(f"{day}T{minute or '00:00'}:{second or '00'}")
            + timedelta(seconds=round(float(fraction or 0)))
        ),
        DateStyle.HOURS if offset else style,
        offset or "",
    )


def _number(written: str) -> float | None:
    """A finite number, else None: `float` alone would also take underscores, words and other scripts' digits."""
    written = written.strip()
    if len(written) > _LONGEST_NUMBER or not _NUMBER.fullmatch(written):
        return None
    number = float(written)
    return number if abs(number) < float("inf") else None


def _epoch(serial: float, is_1904: bool) -> datetime:
    if is_1904:
        return datetime(1904, 1, 1)
    return datetime(1899, 12, 31 if serial < _FALSE_LEAP_DAY else 30)


def _moment_text(moment: Callable[[], datetime], style: DateStyle, offset: str = "") -> str:
    try:
        found = moment()
    except (ValueError, OverflowError):
        return BrokenCell("a date that is in no calendar")
    is_midnight = (found.hour, found.minute, found.second) == (0, 0, 0)
    if is_midnight and style is not DateStyle.HOURS:
        return found.date().isoformat()
    return found.isoformat(timespec="seconds") + offset
