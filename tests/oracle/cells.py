"""One cell of an export: from text to a value, or the name of the rule it breaks."""

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from .words import SITE

WHOLE = re.compile(r"(-?[0-9]+)(?:\.0+)?")
DECIMAL = re.compile(r"-?[0-9]+(?:\.[0-9]+)?")
DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
TIME = re.compile(
    r"(?P<day>[0-9]{4}-[0-9]{2}-[0-9]{2})T(?P<hour>[0-9]{2}):(?P<minute>[0-9]{2})"
    r"(?::(?P<second>[0-9]{2})(?:[.,](?P<fraction>[0-9]+))?)?"
    r"(?P<offset>Z|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


class BrokenRuleError(Exception):
    """A cell does not read as its kind; the only argument is the rule's name."""


def read_cell(kind: str | tuple[str, ...], text: str) -> Any:
    """Give the value of a stripped, non-empty cell; raises BrokenRuleError."""
    if isinstance(kind, tuple):
        return read_word(kind, text)
    return READERS[kind](text)


def read_word(allowed: tuple[str, ...], text: str) -> str:
    if text.lower() not in allowed:
        raise BrokenRuleError("word.allowed")
    return text.lower()


def read_id(text: str) -> str:
    if len(text) > 200 or ":" in text or CONTROL.search(text):
        raise BrokenRuleError("id.form")
    return text


def read_lot(text: str) -> str:
    return read_id(text).upper()


def read_whole(text: str) -> int:
    match = WHOLE.fullmatch(text)
    if match is None:
        raise BrokenRuleError("whole.form")
    return int(match[1])


def read_decimal(text: str) -> Decimal:
    if DECIMAL.fullmatch(text) is None:
        raise BrokenRuleError("decimal.form")
    return Decimal(text)


@cache
def read_date(text: str) -> date:
    if DATE.fullmatch(text) is None:
        raise BrokenRuleError("date.form")
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BrokenRuleError("date.form") from None


def read_time(text: str) -> datetime:
    """Give a time in UTC where the text has an offset, else a wall time without a zone."""
    match = TIME.fullmatch(text)
    if match is None:
        raise BrokenRuleError("time.form")
    microsecond = int(((match["fraction"] or "") + "000000")[:6])
    try:
        wall = datetime.fromisoformat(match["day"]).replace(
            hour=int(match["hour"]),
            minute=int(match["minute"]),
            second=int(match["second"] or 0),
            microsecond=microsecond,
        )
        if match["offset"] is None:
            return wall
        return wall.replace(tzinfo=read_offset(match["offset"])).astimezone(UTC)
    except (ValueError, OverflowError):
        raise BrokenRuleError("time.form") from None


def read_offset(text: str) -> timezone:
    if text == "Z":
        return UTC
    hours, minutes = int(text[1:3]), int(text[3:].lstrip(":") or 0)
    if minutes > 59:
        raise ValueError(text)
    size = timedelta(hours=hours, minutes=minutes)
    return timezone(-size if text[0] == "-" else size)


def read_flag(text: str) -> bool:
    if text.lower() not in FLAGS:
        raise BrokenRuleError("flag.form")
    return FLAGS[text.lower()]


def read_sites(text: str) -> tuple[str, ...]:
    sites = tuple(part.strip().lower() for part in text.split(";") if part.strip())
    if not all(site in SITE for site in sites):
        raise BrokenRuleError("sites.allowed")
    return sites


def read_zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (ValueError, OSError, KeyError):  # ZoneInfoNotFoundError is a KeyError
        raise BrokenRuleError("zone.unknown") from None
    return text


READERS: dict[str, Callable[[str], Any]] = {
    "id": read_id,
    "lot": read_lot,
    "client": str,
    "text": str,
    "whole": read_whole,
    "decimal": read_decimal,
    "date": read_date,
    "time": read_time,
    "flag": read_flag,
    "sites": read_sites,
    "zone": read_zone,
}


def shape(text: str) -> str:
    """Show a value's shape only: letters as a, digits as 9, at most 40 characters."""
    return "".join("a" if c.isalpha() else "9" if c.isdigit() else c for c in text[:40])
