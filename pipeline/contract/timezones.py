"""The time zones that exports and settings may name."""

from functools import cache
from zoneinfo import available_timezones


@cache
def known_zones() -> frozenset[str]:
    """Names of the IANA list; the database computes with every one of them."""
    return frozenset(available_timezones() - {"localtime"})  # the machine's own zone, no zone of the list
