"""Sources: which files of the inbox a source writes, how they are written, and what their names and words mean."""

import fnmatch
import re
from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Literal, TypeAlias, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from pipeline.contract.columns import FALSE_WORDS, TRUE_WORDS, Column, Kind, Table
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.contract.timezones import known_zones

FAULTS = "faults"
"""Type of the pydantic error that carries several faults of one setting: `ctx["faults"]` has a way and a text each."""

Fault: TypeAlias = tuple[tuple[str | int, ...], str]
"""The way from a setting to what is wrong within it, and what is wrong there."""

MUST_BE_TEXT = "must be text, in quotation marks"
MUST_BE_PAIRS = 'must be pairs in braces, such as { "one" = "other" }'

_T = TypeVar("_T")
_MOST_SKIPPED = 1000
"""Lines above a header at most: a report's title block is short, and a slip here would swallow the file's rows."""
CLOCKS = ("HH:mm", "HH:mm:ss", "hh:mm AM")
JOINTS = (", ", " ", "T")
"""What may stand between the date and the clock of a time format."""
_FORMAT_PARTS = {
    "YYYY": r"(?P<year>[0-9]{4})",
    "MM": r"(?P<month>[0-9]{2})",
    "M": r"(?P<month>[0-9]{1,2})",
    "DD": r"(?P<day>[0-9]{2})",
    "D": r"(?P<day>[0-9]{1,2})",
    "HH": r"(?P<hour>[0-9]{1,2})",
    "hh": r"(?P<hour>[0-9]{1,2})",
    "mm": r"(?P<minute>[0-9]{2})",
    "ss": r"(?P<second>[0-9]{2})",
    "AM": r"(?P<half>[AaPp][Mm])",
}
_FORMAT_PART = re.compile("|".join(_FORMAT_PARTS))


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The nearest known name, as a question in brackets after a space; empty where none is near."""
    near = get_close_matches(name, sorted(known), n=1) or get_close_matches(name.lower(), sorted(known), n=1)
    return f" (did you mean {near[0]}?)" if near else ""


def known_zone(name: str) -> str:
    """The name itself where it is a time zone's; else `ValueError`."""
    if name not in known_zones():
        raise ValueError("must be a name from the IANA time zone list, such as UTC" + did_you_mean(name, known_zones()))
    return name


def format_pattern(form: str) -> str:
    """A date or time format as a regular expression with groups year, month, day, hour, minute, second and half (AM).

    D, M, HH and hh stand for one or two digits; DD, MM, mm and ss for two. `ValueError` where it is no such format.
    """
    for clock in CLOCKS:
        for joint in JOINTS:
            form_of_date = form.removesuffix(joint + clock)
            if form_of_date != form:
                return _date_pattern(form_of_date) + re.escape(joint) + _pattern(clock)
    return _date_pattern(form)


def _date_pattern(form: str) -> str:
    parts = re.findall("D+|M+|Y+", form)
    is_spaced = re.fullmatch(r"[DMY]+([./\- ]{1,2}[DMY]+){2}", form)
    is_packed = re.fullmatch("(DD|MM|YYYY){3}", form)
    if sorted(part[0] for part in parts) != ["D", "M", "Y"] or not set(parts) <= set(_FORMAT_PARTS):
        raise ValueError("must name D or DD, M or MM, and YYYY once each: a year of two digits could be of any century")
    if not (is_spaced or is_packed):
        raise ValueError("must have a point, slash, hyphen or space between its parts, such as DD.MM.YYYY")
    if form.startswith("YYYY-D"):
        raise ValueError("must not put the day first behind the year: YYYY-MM-DD may always stand in a file")
    return _pattern(form)


def _pattern(form: str) -> str:
    places = re.split(f"({_FORMAT_PART.pattern})", form)
    return "".join(_FORMAT_PARTS.get(place) or re.escape(place) for place in places)


def _date_format(form: str) -> str:
    if form.endswith(CLOCKS):
        raise ValueError("must be a date only; a date with a time of day is a time_format")
    format_pattern(form)
    return form


def _time_format(form: str) -> str:
    if not form.endswith(CLOCKS):
        raise ValueError(f'must be a date and then, behind a space, T or ", ", one of {", ".join(CLOCKS)}')
    format_pattern(form)
    return form


def _files(pattern: str) -> str:
    if not pattern or "\\" in pattern or pattern.startswith(("/", "./", "../")):
        raise ValueError("must be a pattern of paths within the inbox, with / between folders, such as till/*.csv")
    return pattern


def _delimiter(value: Any) -> Any:
    return "\t" if value == "tab" else value


def _mark(value: str) -> str:
    """A character that separates or quotes: the readers look for it as a single byte."""
    if len(value) != 1 or not value.isascii() or value.isalnum() or not (value.isprintable() or value == "\t"):
        raise ValueError('must be one ASCII character that is no letter or digit, such as ";", or "tab"')
    return value


def _table(name: str) -> str:
    if name not in TABLE_BY_NAME:
        raise ValueError(f"must be one of {', '.join(TABLE_BY_NAME)}{did_you_mean(name, TABLE_BY_NAME)}")
    return name


class Split(BaseModel):
    """A word for which one row becomes several: where `column` says `value`, one row for each word of `into`."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    column: str
    value: str = Field(min_length=1)
    into: tuple[str, ...] = Field(strict=False, min_length=2)


class Source(BaseModel):
    """What one source of exports writes, and how. The defaults read what the contract calls the plain case."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    files: Annotated[str, AfterValidator(_files)] = Field(
        default="**", description="paths within the inbox; * stays within a folder, ** crosses folders"
    )
    table: Annotated[str, AfterValidator(_table)] | None = Field(
        default=None, description="table of the contract; without it the file's name tells"
    )
    sheet: str | None = Field(default=None, min_length=1, description="sheet of an XLSX file")
    encoding: Literal["utf-8", "utf-16", "cp1252", "latin-1"] = Field(default="utf-8", description="of its text")
    delimiter: Annotated[str, BeforeValidator(_delimiter), AfterValidator(_mark)] = Field(
        default=",", description="between cells: one character, or the word tab"
    )
    quote: Literal['"', "'", ""] = Field(default='"', description="around cells; empty where nothing is quoted")
    skip_lines: int = Field(default=0, ge=0, le=_MOST_SKIPPED, description="lines above the header, rows in a sheet")
    decimal_mark: Literal[".", ","] = Field(default=".", description="before the decimals of a number")
    thousands_mark: Literal[".", ",", " ", "'"] | None = Field(default=None, description="between groups of digits")
    date_format: Annotated[str, AfterValidator(_date_format)] | None = Field(
        default=None, description="such as DD.MM.YYYY; without it year-month-day"
    )
    time_format: Annotated[str, AfterValidator(_time_format)] | None = Field(
        default=None, description="such as DD.MM.YYYY HH:mm; without it ISO 8601"
    )
    serial_dates: Literal[1900, 1904] | None = Field(
        default=None, description="first year of a spreadsheet's bare day numbers, where dates are such numbers"
    )
    timezone: Annotated[str, AfterValidator(known_zone)] | None = Field(
        default=None, description="of times without an offset, instead of the branch's"
    )
    columns: dict[str, str] = Field(default={}, description="contract column = header in the file")
    values: dict[str, dict[str, str]] = Field(
        default={}, description="by contract column: word in the file = word of the contract; empty = not known"
    )
    constants: dict[str, str] = Field(default={}, description="contract column = value of every row")
    split: Split | None = Field(default=None, description="a word for which one row becomes several")

    @field_validator("quote")
    @classmethod
    def _quote_apart(cls, value: str, info: ValidationInfo) -> str:
        return _apart(value, info, "delimiter")

    @field_validator("thousands_mark")
    @classmethod
    def _thousands_mark_apart(cls, value: str | None, info: ValidationInfo) -> str | None:
        return _apart(value, info, "decimal_mark")

    @field_validator("columns", "values", "constants", mode="before")
    @classmethod
    def _known_to_the_contract(cls, value: Any, info: ValidationInfo) -> Any:
        """Before pydantic looks at the types, so that a value of a wrong type hides no other fault."""
        faults_of = {"columns": _column_faults, "values": _values_faults, "constants": _constant_faults}
        pairs = value.items() if isinstance(value, dict) else ()
        return _checked(value, (fault for pair in pairs for fault in faults_of[str(info.field_name)](info.data, *pair)))

    @field_validator("split")
    @classmethod
    def _possible_split(cls, value: Split | None, info: ValidationInfo) -> Split | None:
        return _checked(value, _split_faults(info.data, value) if value else ())

    def fits(self, path_name: str) -> bool:
        """Whether a file, named by its path relative to the inbox, is of this source."""
        return _path_pattern(self.files).fullmatch(path_name) is not None


@cache
def _path_pattern(files: str) -> re.Pattern[str]:
    """A pattern of paths as a regular expression: as in `fnmatch`, but only `**` crosses folders."""
    known = {"**/": "(?:.*/)?", "**": ".*", "*": "[^/]*", "?": "[^/]"}
    places = re.split(r"(\*\*/|\*\*|\*|\?|\[!?\]?[^/\]]*\])", files)
    return re.compile("".join(known.get(place) or _one_place(place) for place in places), re.DOTALL)


def _one_place(place: str) -> str:
    is_choice = len(place) > 2 and place.startswith("[") and place.endswith("]")
    return f"(?!/)(?:{fnmatch.translate(place)[:-2]})" if is_choice else re.escape(place)


def _apart(value: _T, info: ValidationInfo, other: str) -> _T:
    if value == info.data.get(other):
        raise ValueError(f"must not be the same as {other}")
    return value


def _checked(value: _T, faults: Iterable[Fault]) -> _T:
    """The value where there are no faults; else one error that carries them all."""
    found = list(faults)
    if found:
        said = "; ".join(f"{'.'.join(map(str, way))} {text}" for way, text in found)
        raise PydanticCustomError(FAULTS, "{said}", {FAULTS: found, "said": said})
    return value


# The functions below tell the faults of one pair, given the fields of the source that hold so far.


def _column_faults(source: dict[str, Any], name: str, header: Any) -> Iterator[Fault]:
    yield from _name_faults(source, name)
    if not isinstance(header, str):
        yield (name,), MUST_BE_TEXT
    elif not header or header != header.strip():
        yield (name,), "must be a column's name in the file's header, without space around it"


def _values_faults(source: dict[str, Any], name: str, words: Any) -> Iterator[Fault]:
    yield from _name_faults(source, name)
    if not isinstance(words, dict):
        yield (name,), MUST_BE_PAIRS
        return
    columns = _declared(source, name)
    plain = [word.strip().lower() for word in words]
    for word, meaning in words.items():
        is_unknown = meaning == "" and not any(column.required for column in columns)
        if not is_unknown:
            yield from (((name, word), text) for text in _word_faults(columns, meaning))
        if plain.count(word.strip().lower()) > 1:
            yield (name, word), "stands there twice: case and outer space do not count"


def _constant_faults(source: dict[str, Any], name: str, value: Any) -> Iterator[Fault]:
    yield from _name_faults(source, name)
    yield from (((name,), text) for text in _word_faults(_declared(source, name), value))
    if name in source.get("columns", {}):
        yield (name,), "stands under columns too: keep one of the two"


def _split_faults(source: dict[str, Any], split: Split) -> Iterator[Fault]:
    columns = _declared(source, split.column)
    yield from ((("column",), f"{split.column} {text}") for _, text in _name_faults(source, split.column))
    if columns and not any(column.kind is Kind.WORD for column in columns):
        yield ("column",), "must be a column whose words are a list, such as ear"
        return
    for at, word in enumerate(split.into):
        yield from ((("into", at), text) for text in _word_faults(columns, word))
    if len({word.lower() for word in split.into}) < len(split.into):
        yield ("into",), "must not name a word twice"
    if split.value.strip().lower() in (word.strip().lower() for word in source.get("values", {}).get(split.column, {})):
        yield ("value",), f"stands under values.{split.column} too: keep one of the two"


def _name_faults(source: dict[str, Any], name: str) -> Iterator[Fault]:
    if not _declared(source, name):
        near = did_you_mean(name, {known for table in _tables(source) for known in table.column_names})
        yield (name,), f"is no column of {source.get('table') or 'any table'}{near}"


def _word_faults(columns: list[Column], word: Any) -> Iterator[str]:
    """What is wrong with a word that the settings put into a column; any of the columns may allow it."""
    if any(column.kind is Kind.CLIENT for column in columns):
        yield "must not be set: keys of clients do not belong into settings"
    elif not isinstance(word, str):
        yield MUST_BE_TEXT
    elif not word.strip():
        yield "must not be empty"
    elif columns and not any(_allows(column, word) for column in columns):
        allowed = dict.fromkeys(known for column in columns for known in _words(column))
        yield f"must be one of {', '.join(allowed) or 'the IANA time zone names'}{did_you_mean(word, allowed)}"


def _tables(source: dict[str, Any]) -> tuple[Table, ...]:
    """The table a source names; all of them where it names none."""
    return (TABLE_BY_NAME[source["table"]],) if source.get("table") else TABLES


def _declared(source: dict[str, Any], name: str) -> list[Column]:
    return [column for table in _tables(source) for column in table.columns if column.name == name]


def _words(column: Column) -> tuple[str, ...]:
    """The words a column allows; none where it takes other text too."""
    return (*TRUE_WORDS, *FALSE_WORDS) if column.kind is Kind.FLAG else column.words


def _allows(column: Column, word: str) -> bool:
    if column.kind is Kind.ZONE:
        return word in known_zones()
    parts = [part.strip() for part in word.lower().split(";")] if column.kind is Kind.SITES else [word.lower()]
    return not _words(column) or all(part in _words(column) for part in parts)
