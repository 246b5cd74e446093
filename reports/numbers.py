"""Numbers, days and names as readers meet them: one way to write each, in the locale in force (`reports.locales`).

What texts show here is of the default locale, en-GB.
"""

import hashlib
import math
import re
from datetime import date, timedelta
from decimal import Decimal
from urllib.parse import quote

from reports import locales

NONE = "–"
"""What stands where there is no figure."""
_PERCENT = "\u00a0%"
"""Percent sign behind a space that does not break."""
_TO = "\u00a0to\u00a0"
_PAGE_NAME_BYTES = 200
_ROUNDING = 1e-9
"""What is nearer to nought or all than this is there but for rounding."""


def _decimal(value: float, places: int) -> str:
    return locales.number(f"{value:.{places}f}")


def count(value: int | float | None) -> str:
    """A whole number with thousands separated: 1,234."""
    return NONE if value is None else _decimal(value, 0)


def count_range(low: int, high: int) -> str:
    """Limits of a count: 11 to 38."""
    return f"{count(low)}{_TO}{count(high)}"


def tenth(value: float | None) -> str:
    """A number with one decimal, such as expected cases: 13.2."""
    return NONE if value is None else _decimal(value, 1)


def plain(value: float) -> str:
    """A number with the decimals it has, six digits at most: 4, 0.5."""
    return locales.number(f"{value:g}")


def decimals_in(sentence: str) -> str:
    """A sentence of a result, whose decimals have points as in its file, as pages write it."""
    return re.sub(r"(?<![\w.])\d+\.\d+(?![\w.])", lambda found: locales.number(found[0]), sentence)


def share(value: float | None) -> str:
    """A share in percent: 46 %, 2.5 %, 0.04 %, 99.7 %; enough digits that some never reads as none, nor most as all."""
    return NONE if value is None else percent(value, _places(value))


def percent(value: float, places: int) -> str:
    """A share in percent with so many decimals: 0.135 %."""
    return f"{_decimal(100 * value, places)}{_PERCENT}"


def share_range(low: float | None, high: float | None) -> str:
    """An interval of shares: 1.9 to 3.2 %."""
    if low is None or high is None:
        return NONE
    places = _places(high)
    return f"{_decimal(100 * low, places)}{_TO}{percent(high, places)}"


def _places(value: float) -> int:
    """Decimals of a share in percent: from a tenth on they would feign precision, unless it would read as all."""
    edge = min(value, 1 - value)
    if 0.1 <= value < 0.995 or edge < _ROUNDING:
        return 0
    return max(1, math.ceil(-math.log10(edge)) - 2)


def share_of(events: int, n: int, rate: float | None, low: float | None, high: float | None) -> str:
    """A share that never reads as certain: `0 of 14; could be up to about 22 %`, `12 of 600: 2.0 % (1.2 to 3.5 %)`."""
    if n == 0:
        return "none to count"
    if events == 0:
        return f"0 of {count(n)}; could be up to about {share(high)}"
    return f"{count(events)} of {count(n)}: {share(rate)} ({share_range(low, high)})"


def ratio(value: float | None) -> str:
    """A ratio of observed to expected: 3.10."""
    return NONE if value is None else _decimal(value, 2)


def ratio_range(low: float | None, high: float | None) -> str:
    """An interval of ratios: 2.2 to 4.1."""
    return NONE if low is None or high is None else f"{tenth(low)}{_TO}{tenth(high)}"


def money(value: Decimal | float | None, currency: str | None = None) -> str:
    """An amount in its currency by ISO 4217: €1,234.50; where that is not known, without: 1,234.50."""
    return NONE if value is None else locales.amount(value, currency)


def day(value: date | None) -> str:
    """A day: 27 September 2026."""
    return NONE if value is None else locales.day(value, "long")


def short_day(value: date | None) -> str:
    """A day for tables: 27 Sep 2026."""
    return NONE if value is None else locales.day(value, "medium")


def week(monday: date) -> str:
    """A week by its first and last day: 21 to 27 September 2026."""
    sunday = monday + timedelta(days=6)
    if monday.year != sunday.year:
        return f"{day(monday)} to {day(sunday)}"
    if locales.does_year_lead():
        return f"{day(monday)} to {locales.day(sunday, 'MMMMd')}"
    is_one_month = monday.month == sunday.month
    begins = (is_one_month and locales.day_alone(monday)) or locales.day(monday, "MMMMd")
    return f"{begins} to {day(sunday)}"


def months(first: date, last: date) -> str:
    """The months of a year from one day's to another's: January to March 2031."""
    if locales.does_year_lead():
        return f"{locales.day(first, 'yMMMM')} to {locales.day(last, 'LLLL')}"
    return f"{locales.day(first, 'LLLL')} to {locales.day(last, 'yMMMM')}"


def change(now: float | None, before: float | None) -> str:
    """How a count stands beside an earlier one: `4 % more than`, `the same as`."""
    if now is None or not before:
        return NONE
    hundredths = 100 * (now - before) / before
    if abs(hundredths) < 0.5:
        return "the same as"
    return f"{_decimal(abs(hundredths), 0)}{_PERCENT} {'more' if hundredths > 0 else 'fewer'} than"


def page_name(identifier: str) -> str:
    """The file name of an id's page: all but A-Z a-z 0-9 _ - percent-encoded; over 200 bytes cut, ending in a hash."""
    name = "".join(
        chr(byte) if chr(byte).isascii() and (chr(byte).isalnum() or chr(byte) in "_-") else f"%{byte:02X}"
        for byte in identifier.encode("utf-8", "surrogatepass")
    )
    if len(name) > _PAGE_NAME_BYTES:
        digest = hashlib.sha256(identifier.encode("utf-8", "surrogatepass")).hexdigest()[:16]
        cut = re.sub("%.?$", "", name[: _PAGE_NAME_BYTES - len(digest) - 1])  # not amid an encoded byte
        name = f"{cut}-{digest}"
    return f"{name}.html"


def page_link(identifier: str) -> str:
    """What a link to an id's page says: its file name, its percent signs encoded once more."""
    return quote(page_name(identifier))
