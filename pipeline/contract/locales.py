"""The locales that settings may name: how numbers, days and amounts are written, as CLDR has it, by Babel."""

import re
from functools import cache

from babel import Locale, UnknownLocaleError, localedata

DEFAULT_LOCALE = "en-GB"


@cache
def known_locales() -> frozenset[str]:
    """Names such as `de-CH`: of a language alone, or with its script, its region or both."""
    return frozenset(name.replace("_", "-") for name in localedata.locale_identifiers() if name != "root")


@cache
def locale_named(name: str) -> Locale:
    """The locale of a name such as `de-CH` or `de_CH`; `ValueError` where CLDR has none of that language and region."""
    subtags = re.split("[-_]", name)
    try:
        if all(part.isalnum() for part in subtags):
            found = Locale.parse("_".join(subtags))
            if found.language == subtags[0].lower() != "root":  # Babel takes other names for a locale too, such as C
                return found
    except (UnknownLocaleError, ValueError):
        pass
    raise ValueError(f"no locale is called {name}")
