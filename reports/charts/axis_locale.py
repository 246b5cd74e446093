"""The locale of charts' axes: the same marks and months as on the pages, in the form the drawing library asks for."""

from functools import cache
from typing import Any

from pipeline.contract.locales import locale_named
from reports import locales


@cache
def axis_locale(name: str) -> dict[str, Any]:
    """`format_locale` and `time_format_locale` of a locale, for a drawing function of vl_convert."""
    return {"format_locale": _numbers(name), "time_format_locale": _times(name)}


def _numbers(name: str) -> dict[str, Any]:
    """A locale of d3-format. It has no currency, as no axis is of money."""
    locale = locale_named(name)
    marks = locale.number_symbols[locales.DIGITS]
    last, others = locale.decimal_formats[None].grouping
    return {
        "decimal": marks["decimal"],
        "thousands": marks["group"],
        "grouping": [last, *[others] * 6],  # the last of them does not repeat
        "currency": ["", ""],
        "minus": marks["minusSign"],
    }


def _times(name: str) -> dict[str, Any]:
    """A locale of d3-time-format, of which axes use months alone: whole days are as in ISO 8601."""
    names = locales.names_of(name)
    days = names.days["stand-alone"]
    months = names.months["stand-alone"]
    return {
        "dateTime": "%Y-%m-%dT%H:%M:%S",
        "date": "%Y-%m-%d",
        "time": "%H:%M:%S",
        "periods": ["AM", "PM"],
        "days": [days["wide"][(at - 1) % 7] for at in range(7)],  # d3 begins with Sunday, Babel with Monday
        "shortDays": [days["abbreviated"][(at - 1) % 7] for at in range(7)],
        "months": [months["wide"][at] for at in range(1, 13)],
        "shortMonths": [months["abbreviated"][at] for at in range(1, 13)],
    }
