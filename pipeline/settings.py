"""Settings: a TOML file becomes one frozen, typed object; unknown keys are refused with the nearest known one."""

import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.contract.vocabulary import SITE_GROUPS
from pipeline.errors import UsageError
from pipeline.sources import FAULTS, MUST_BE_PAIRS, MUST_BE_TEXT, Source, Split, did_you_mean, known_zone

SETTINGS_NAME = "scapha.toml"

Way: TypeAlias = tuple[str | int, ...]
"""The way to a setting: names, and places in a list counted from 0."""

_SAYS = {
    "string_type": MUST_BE_TEXT,
    "int_type": "must be a whole number, without quotation marks",
    "tuple_type": "must be a list, in square brackets",
    "dict_type": MUST_BE_PAIRS.replace("{", "{{").replace("}", "}}"),
    "model_type": MUST_BE_PAIRS.replace("{", "{{").replace("}", "}}"),
    "missing": "is missing",
    "literal_error": "must be one of {expected}",
    "greater_than_equal": "must be {ge} or more",
    "less_than_equal": "must be {le} or less",
    "string_too_long": "must have {max_length} characters at most",
    "string_too_short": "must not be empty",
    "too_short": "must have at least {min_length} entries",
    "value_error": "{error}",
}
"""What is said of a fault, by its pydantic type."""


class Settings(BaseModel):
    """What a chain may set. The defaults hold where nothing is set."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    chain_name: str = Field(default="", max_length=80, description="what the pages call the business")
    timezone: Annotated[str, AfterValidator(known_zone)] = Field(
        default="UTC", description="time zone of branches that have none"
    )
    adult_age: int = Field(default=18, ge=0, le=120, description="age from which no guardian is needed")
    allowed_site_groups: tuple[str, ...] = Field(
        default=("lobe", "upper_cartilage"), strict=False, description="site groups the local rules allow"
    )
    # A rate needs its window, 14 days and 364 days of data. Two years hold these for windows of 30 and 90 days; one of
    # 365 days (scars, migration) needs 743 days, so the default is three. Over 100 years is a slip of the finger.
    keep_years: int = Field(
        default=3, ge=2, le=100, description="years records are kept; under 3 no rates of scars and migration"
    )
    sources: tuple[Source, ...] = Field(
        default=(), strict=False, description="how exports are written that are not the plain case; the first fit holds"
    )

    @field_validator("allowed_site_groups")
    @classmethod
    def _known_groups(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        known = sorted(set(SITE_GROUPS.values()))
        if not set(value) <= set(known):
            raise ValueError(f"must be any of {', '.join(known)}")
        return value


def source_for(settings: Settings, path_name: str) -> Source:
    """The source of a file, named by its path relative to the inbox: the first that fits, else the plain case."""
    return next((source for source in settings.sources if source.fits(path_name)), Source())


def find_settings(inbox: Path | None) -> Path | None:
    """The settings file that holds where none is named: in the inbox, else in the current folder."""
    places = [inbox / SETTINGS_NAME] if inbox else []
    return next((place for place in [*places, Path(SETTINGS_NAME)] if place.is_file()), None)


def read_settings(path: Path | None) -> Settings:
    """Read a settings file; without one the defaults hold. `UsageError` names every fault at once, with its line."""
    if path is None:
        return Settings()
    text = _text(path)
    try:
        found = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"The settings {path} are no TOML: {error}.") from None
    try:
        return Settings.model_validate(found)
    except ValidationError as error:
        lines = _lines_of(text)
        faults = "; ".join(told for fault in error.errors() for told in _told(fault, lines))
        raise UsageError(f"The settings {path} do not hold: {faults}.") from None


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")  # editors that are no programmer's begin a file with a mark
    except OSError as error:
        raise UsageError(f"The settings {path} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise UsageError(f"The settings {path} are no TOML: {error}.") from None


def shown(settings: Settings, path: Path | None) -> list[tuple[str, str, str]]:
    """Every setting that holds: its name, its value as TOML, and where it is from.

    `path` is the file the settings were read from. Without one, what is no default is kept from the last night.
    """
    lines = _lines_of(_text(path)) if path else {}
    defaults = dict(_leaves(Settings()))
    rows = []
    for way, value in _leaves(settings):
        origin = "default" if path or value == defaults.get(way) else "kept from the last night"
        rows.append((_name(way), toml_value(value), f"{path}, line {lines[way]}" if way in lines else origin))
    return rows


def as_toml(settings: Settings) -> str:
    """The settings as TOML that reads back equal."""
    lines = []
    source: str | int = -1
    for way, value in _leaves(settings):
        in_source = way[0] == "sources" and len(way) > 1
        if in_source and way[1] != source:
            lines += ["", "[[sources]]"]
            source = way[1]
        lines.append(f"{_name(way[2:] if in_source else way)} = {toml_value(value)}")
    return "\n".join(lines) + "\n"


def _leaves(settings: Settings) -> Iterator[tuple[Way, Any]]:
    """Every setting's way and value; within a source, each pair of `columns`, `values` and `constants` is one."""
    found = settings.model_dump(exclude_none=True)
    sources = found.pop("sources")
    yield from (((name,), value) for name, value in found.items())
    if not sources:
        yield ("sources",), ()
    for at, source in enumerate(sources):
        for name, value in source.items():
            if name in ("columns", "values", "constants"):
                yield from ((("sources", at, name, key), inner) for key, inner in value.items())
            else:
                yield ("sources", at, name), value


def toml_value(value: Any) -> str:
    """Text, a number, a list or pairs as TOML on one line."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")  # JSON allows this one bare
    if isinstance(value, dict):
        pairs = ", ".join(f"{toml_key(key)} = {toml_value(inner)}" for key, inner in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    return str(value)


def toml_key(name: str) -> str:
    """A name as a TOML key, in quotation marks where it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)


def _name(way: Way) -> str:
    """A setting's name for people: entries of a list are counted from 1."""
    name = ""
    for part in way:
        name += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if name else ''}{toml_key(part)}"
    return name


def _told(fault: Any, lines: dict[Way, int]) -> Iterator[str]:
    """A pydantic fault in words, with the line it is on; one that carries several faults is told one by one."""
    way = fault["loc"]
    if fault["type"] == FAULTS:
        found = [((*way, *within), text) for within, text in fault["ctx"][FAULTS]]
    elif fault["type"] == "extra_forbidden":
        found = [(way, _unknown(way))]
    elif way == ("sources",) and fault["type"] == "tuple_type":
        found = [(way, "must begin with [[sources]], in two brackets, for each source")]
    else:
        found = [(way, _SAYS.get(fault["type"], "{msg}").format(msg=fault["msg"], **fault.get("ctx", {})))]
    for way, text in found:
        line = next((lines[way[:end]] for end in range(len(way), 0, -1) if way[:end] in lines), None)
        yield f"{_name(way)} {text}" + (f", line {line}" if line else "")


def _unknown(way: Way) -> str:
    known, of = {
        1: (Settings.model_fields, ""),
        3: (Source.model_fields, " of a source"),
        4: (Split.model_fields, " of a split"),
    }[len(way)]
    return f"is no setting{of}{did_you_mean(str(way[-1]), known)}"


def _lines_of(text: str) -> dict[Way, int]:
    """The line each setting of a TOML text begins on. The text is whole TOML: each statement is read by itself."""
    lines: dict[Way, int] = {}
    n_entries: Counter[Way] = Counter()
    table: Way = ()
    statement, begins = "", 1
    for number, line in enumerate(text.split("\n"), 1):
        statement += line + "\n"
        try:
            found = tomllib.loads(statement)
        except tomllib.TOMLDecodeError:
            continue  # a text or list over several lines
        if statement.lstrip().startswith("["):
            table = _table_of(found, n_entries)
            lines.setdefault(table, begins)
        else:
            for way in _ways(found, table):
                lines.setdefault(way, begins)
        statement, begins = "", number + 1
    return lines


def _table_of(header: Any, n_entries: Counter[Way]) -> Way:
    """The way to the table a header opens; in a list of tables it is the newest, or a new one."""
    way: Way = ()
    while header:
        name, header = next(iter(header.items()))
        way = (*way, name)
        if isinstance(header, list):
            n_entries[way] += 1
            header = header[0]
        if way in n_entries:
            way = (*way, n_entries[way] - 1)
    return way


def _ways(found: Any, way: Way) -> Iterator[Way]:
    """The ways to a value and to everything within it."""
    if way:
        yield way
    pairs = found.items() if isinstance(found, dict) else enumerate(found) if isinstance(found, list) else ()
    for key, inner in pairs:
        yield from _ways(inner, (*way, key))
