"""The reader's locale: its marks in numbers, its amounts and days, as CLDR has them (by Babel).

Words stay English and digits 0 to 9 whatever the locale: ids, ISO 8601 days and commands beside them have these digits
too, and one page must not count in two scripts. A locale is in force within `written_in`, else the default is.
Babel's data are used rather than its formatting of numbers, which loses apostrophes between groups (de-CH) where there
are two of them, and writes a hyphen for every minus sign.
"""

import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date
from decimal import Decimal
from functools import cache, lru_cache

from babel import Locale
from babel.core import get_global
from babel.dates import format_date
from babel.numbers import get_currency_precision, get_currency_symbol

from pipeline.contract.locales import DEFAULT_LOCALE, locale_named

DIGITS = "latn"
"""The numbering system: 0 to 9."""
_CACHED = 1 << 14
"""Texts kept, since pages write the same small numbers and few days over and over."""
_TURNS = {"R", "AL", "AN", "RLE", "RLO", "RLI", "LRE", "LRO"}
"""Classes of characters that turn the text beside them round (Unicode Standard Annex 9)."""
_ANY_CURRENCY = 2
"""Decimals of an amount in no known currency."""

_in_force: ContextVar[str] = ContextVar("locale", default=DEFAULT_LOCALE)


@contextmanager
def written_in(name: str) -> Iterator[None]:
    """Within it, figures are written in the locale of that name."""
    before = _in_force.set(name)
    try:
        yield
    finally:
        _in_force.reset(before)


def in_force() -> str:
    """The name of the locale that figures are written in."""
    return _in_force.get()


def number(digits: str) -> str:
    """A number from plain digits such as -1234.50: its groups, its decimal mark, its minus sign."""
    return _number(in_force(), digits)


@lru_cache(_CACHED)
def _number(name: str, digits: str) -> str:
    locale = locale_named(name)
    marks = locale.number_symbols[DIGITS]
    whole, _, part = digits.removeprefix("-").partition(".")
    sign = marks["minusSign"] if digits.startswith("-") else ""
    groups = marks["group"].join(_groups(whole, *locale.decimal_formats[None].grouping))
    return f"{sign}{groups}{marks['decimal']}{part}" if part else f"{sign}{groups}"


def _groups(whole: str, last: int, others: int) -> list[str]:
    """Digits in groups, of so many digits the last and the others before it: 12, 34, 567."""
    groups = [whole[-last:]]
    rest = whole[:-last]
    while rest:
        groups.insert(0, rest[-others:])
        rest = rest[:-others]
    return groups


def amount(value: Decimal | float, currency: str | None) -> str:
    """An amount of money with its currency's sign and decimals; without a currency of ISO 4217, a plain decimal."""
    decimals = _decimals(currency)
    if currency is None or decimals is None:
        return number(f"{value:.{_ANY_CURRENCY}f}")
    return _amount(in_force(), f"{value:.{decimals}f}", currency)


@cache
def _decimals(currency: str | None) -> int | None:
    return get_currency_precision(currency) if currency and currency in get_global("all_currencies") else None


@lru_cache(_CACHED)
def _amount(name: str, digits: str, currency: str) -> str:
    locale = locale_named(name)
    is_negative = digits.startswith("-")
    pattern = locale.currency_formats["standard"]
    symbol = get_currency_symbol(currency, locale)
    minus = locale.number_symbols[DIGITS]["minusSign"]
    before, after = (part[is_negative].replace("-", minus) for part in (pattern.prefix, pattern.suffix))
    if before.endswith("¤") and symbol[-1].isalpha():  # CLDR's spacing of codes, which Babel leaves out
        before += "\u00a0"
    if after.startswith("¤") and symbol[0].isalpha():
        after = f"\u00a0{after}"
    return isolated(f"{before}{_number(name, digits.removeprefix('-'))}{after}".replace("¤", symbol))


def day(value: date, form: str) -> str:
    """A day in one of CLDR's forms.

    `long` is 27 September 2026, `medium` 27 Sep 2026, `MMMMd` 27 September, `yMMMM` September 2026, `LLLL` September.
    """
    return _day(in_force(), form, value)


@lru_cache(_CACHED)
def _day(name: str, form: str, value: date) -> str:
    return isolated(format_date(value, _pattern(name, form), locale=names_of(name)))


@cache
def _pattern(name: str, form: str) -> str:
    """A form's pattern, such as d MMMM y."""
    locale = locale_named(name)
    known = {**locale.datetime_skeletons, **locale.date_formats}
    return str(known[form].pattern) if form in known else form


@cache
def names_of(name: str) -> Locale:
    """The locale that months are named in; English ones have three letters (CLDR's Sept of en-GB stands alone)."""
    locale = locale_named(name)
    return Locale("en") if locale.language == "en" else locale


def day_alone(value: date) -> str:
    """A day's number as days begin with it (`21`, `21.`); empty in a locale whose days begin with month or year."""
    begins = re.match(r"d+\.?", _order(in_force()))
    return re.sub("d+", str(value.day), begins[0]) if begins else ""


def does_year_lead() -> bool:
    """Whether days begin with their year."""
    return _order(in_force()).startswith(("y", "G"))


@cache
def _order(name: str) -> str:
    """A whole day's pattern without the words in it."""
    return re.sub(r"'[^']*'|^\W+", "", _pattern(name, "long")).strip()


def isolated(text: str) -> str:
    """Text that may stand in a sentence: what is written from right to left is kept from turning its neighbours."""
    if text.isascii() or not any(unicodedata.bidirectional(letter) in _TURNS for letter in text):
        return text
    return f"\u2068{text}\u2069"
