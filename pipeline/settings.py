"""Settings: a TOML file becomes one frozen, typed object; unknown keys are refused with the nearest known one."""

import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Annotated, Any, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.addressees import MailSettings
from pipeline.contract.locales import DEFAULT_LOCALE, known_locales, locale_named
from pipeline.contract.vocabulary import SITE_GROUPS
from pipeline.errors import UsageError
from pipeline.sources import FAULTS, MUST_BE_PAIRS, MUST_BE_TEXT, Source, Split, did_you_mean, known_zone

SETTINGS_NAME = "scapha.toml"

Way: TypeAlias = tuple[str | int, ...]
"""The way to a setting: names, and places in a list counted from 0."""

LISTS = {"phases": "phase", "sources": "source"}
"""The settings that are lists of tables, and what one entry of each is."""

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
    "date_type": "must be a day such as 2031-05-04, without quotation marks and time",
    "value_error": "{error}",
}
"""What is said of a fault, by its pydantic type."""


def _not_blank(text: str) -> str:
    if not text.strip():
        raise ValueError("must say why the phase begins: a baseline is never changed in silence")
    return text


def _known_locale(name: str) -> str:
    try:
        locale_named(name)
    except ValueError:
        language = name.replace("_", "-").partition("-")[0].lower()
        meant = did_you_mean(name, (known for known in known_locales() if known.partition("-")[0] == language))
        raise ValueError(f"must be a language and region that CLDR knows, such as {DEFAULT_LOCALE}{meant}") from None
    return name


class DeclaredPhase(BaseModel):
    """A day from whose week on control charts have a new baseline, and why: of every chart, or of one branch's."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, serialize_by_alias=True)

    from_on: date = Field(alias="from", description="first day; the phase begins with its week")
    reason: Annotated[str, AfterValidator(_not_blank)] = Field(max_length=200, description="what changed on that day")
    branch: str | None = Field(default=None, min_length=1, description="its branch_id; without it every chart")


class Settings(BaseModel):
    """What a chain may set. The defaults hold where nothing is set."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    chain_name: str = Field(default="", max_length=80, description="what the pages call the business")
    timezone: Annotated[str, AfterValidator(known_zone)] = Field(
        default="UTC", description="time zone of branches that have none"
    )
    locale: Annotated[str, AfterValidator(_known_locale)] = Field(
        default=DEFAULT_LOCALE, description="how pages write numbers, days and amounts"
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
    phases: tuple[DeclaredPhase, ...] = Field(
        default=(), strict=False, description="days from which control charts have a new baseline, each with its reason"
    )
    false_alarms_a_year: float | None = Field(
        default=None,
        gt=0,
        le=52,
        description="false alarms of infection that are accepted; without it 4 for a chain, 0.5 for one branch",
    )
    small_count: int = Field(
        default=5, ge=2, le=100, description="smallest number of people, but none, told to readers outside the company"
    )
    mail: MailSettings | None = Field(default=None, description="mail that nights send; without it none is made")
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
    opened: Way = ()
    for way, value in _leaves(settings):
        in_list = way[0] in LISTS and len(way) > 1
        if in_list and way[:2] != opened:
            lines += ["", f"[[{way[0]}]]"]
            opened = way[:2]
        lines.append(f"{_name(way[2:] if in_list else way)} = {toml_value(value)}")
    return "\n".join(lines) + "\n"


def _leaves(settings: Settings) -> Iterator[tuple[Way, Any]]:
    """Every setting's way and value; within a source, each pair of `columns`, `values` and `constants` is one."""
    found = settings.model_dump(exclude_none=True, by_alias=True)
    lists = {name: found.pop(name) for name in LISTS}
    mail = found.pop("mail", {})
    yield from (((name,), value) for name, value in found.items())
    yield from ((("mail", name), value) for name, value in mail.items())
    yield from (((name,), ()) for name in LISTS if not lists[name])
    for name, entries in lists.items():
        for at, entry in enumerate(entries):
            for key, value in entry.items():
                if key in ("columns", "values", "constants"):
                    yield from (((name, at, key, inner_key), inner) for inner_key, inner in value.items())
                else:
                    yield (name, at, key), value


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
    elif len(way) == 1 and way[0] in LISTS and fault["type"] == "tuple_type":
        found = [(way, f"must begin with [[{way[0]}]], in two brackets, for each {LISTS[way[0]]}")]
    else:
        found = [(way, _SAYS.get(fault["type"], "{msg}").format(msg=fault["msg"], **fault.get("ctx", {})))]
    for way, text in found:
        line = next((lines[way[:end]] for end in range(len(way), 0, -1) if way[:end] in lines), None)
        yield f"{_name(way)} {text}" + (f", line {line}" if line else "")


def _unknown(way: Way) -> str:
    models: dict[int, tuple[type[BaseModel], str]] = {
        1: (Settings, ""),
        2: (MailSettings, " of mail"),
        3: (DeclaredPhase, " of a phase") if way[0] == "phases" else (Source, " of a source"),
        4: (Split, " of a split"),
    }
    model, of = models[len(way)]
    known = [field.alias or name for name, field in model.model_fields.items()]
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
