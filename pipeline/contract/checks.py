"""The contract as SQL: how each column's text reads as its kind, and the rules a row breaks.

Everything is derived from the declared tables, so a new column or rule needs no SQL of its own. Identifiers come from
the contract only; no value of an export ever becomes SQL.
"""

from pipeline.contract.columns import (
    BROKEN,
    FALSE_WORDS,
    ID_LENGTH,
    MISFIT,
    ODD_IN_ID,
    PLAIN_TIME,
    TRUE_WORDS,
    Column,
    Kind,
    Table,
)
from pipeline.contract.rules import form_rule

_TIME_PATTERN = (
    "[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-9]{2}(:[0-9]{2}([.,][0-9]{1,9})?)?"
    "(Z|[+-]([01][0-9]|2[0-3])(:?[0-5][0-9])?)?"
)
_OFFSET_PATTERN = "(Z|[+-][0-9]{2}:?([0-9]{2})?)$"
_LONGEST_STEP = 3
"""Hours by which any zone's clock is set back at most."""
_DAYS_APART = 2
"""Days by which no two zones' clocks are apart."""
_ID_FORM = "id.form"
_FUTURE = "time.future"
_VALUE_SHOWN = 40
"""Characters of a refused value whose shape is shown."""


def _words(words: tuple[str, ...]) -> str:
    return ", ".join(f"'{word}'" for word in words)


def _read_time(text: str, is_plain: str) -> str:
    """A time as canonical ISO text: wall time, or UTC with a Z where the text gives an offset."""
    offset = f"regexp_extract({text}, 'T.*?{_OFFSET_PATTERN}', 1)"
    wall = f"try_cast(replace(regexp_extract({text}, '^[0-9]{{4}}-[0-9-]*T[0-9:.,]*'), ',', '.') as timestamp)"
    minutes = (
        f"(case when left({offset}, 1) = '-' then -1 else 1 end"
        f" * (cast(substr({offset}, 2, 2) as integer) * 60"
        f" + coalesce(try_cast(right(replace({offset}, ':', ''), -3) as integer), 0)))"
    )
    utc = f"({wall} - to_minutes({minutes}))"
    iso = "replace(cast({} as varchar), ' ', 'T')".format
    # Most exports write plain wall times, and the reader saw it: what little is to do for these is done without taking
    # them apart. The year 1 in UTC bounds what the database writes as a plain year.
    return (
        f"case when {is_plain} or regexp_full_match({text}, '{PLAIN_TIME}') then "
        f"case when try_cast({text} as timestamp) is not null "
        f"then {text} || (case when length({text}) = 16 then ':00' else '' end) end "
        f"when regexp_full_match({text}, '{_TIME_PATTERN}') and left({text}, 4) <> '0000' then "
        f"case when {offset} = '' then {iso(wall)} "
        f"when {offset} = 'Z' then {iso(wall)} || 'Z' "
        f"when {utc} >= timestamp '0001-01-01' then {iso(utc)} || 'Z' end end"
    )


def _read_sites(text: str, sites: tuple[str, ...]) -> str:
    parts = f"list_transform(string_split(lower({text}), ';'), lambda s: trim(s))"
    return (
        f"case when list_has_all([{_words(sites)}], list_filter({parts}, lambda s: s <> '')) "
        f"then nullif(array_to_string(list_filter({parts}, lambda s: s <> ''), ';'), '') end"
    )


def read_expression(column: Column, text: str, is_plain: str = "false") -> str:
    """SQL that reads a column's trimmed text, NULL where empty, as its kind; NULL too where it does not read as it.

    `is_plain` is SQL for whether the text of a time is known to fit `PLAIN_TIME`.
    """
    match column.kind:
        case Kind.WORD:
            words = _words(column.words)  # most are written as declared, which spares looking for another spelling
            return f"case when {text} in ({words}) then {text} when lower({text}) in ({words}) then lower({text}) end"
        case Kind.SITES:
            return _read_sites(text, column.words)
        case Kind.ZONE:
            return f"case when {text} in (select zone from time_zone) then {text} end"
        case Kind.WHOLE:
            whole = f"try_cast(split_part({text}, '.', 1) as bigint)"
            plain = f"try_cast({text} as bigint)"  # most are written as the database writes them
            return (
                f"case when cast({plain} as varchar) = {text} then {plain}"
                f" when regexp_full_match({text}, '-?[0-9]+(\\.0+)?') then {whole} end"
            )
        case Kind.DECIMAL:
            return (
                f"case when regexp_full_match({text}, '-?[0-9]+(\\.[0-9]+)?')"
                f" then try_cast({text} as {column.sql_type}) end"
            )
        case Kind.DATE:
            day = f"try_cast({text} as date)"  # a day that is written back as it came is written as the contract has it
            return f"case when length({text}) = 10 and cast({day} as varchar) = {text} then {day} end"
        case Kind.TIME:
            return _read_time(text, is_plain)
        case Kind.FLAG:
            true, false = _words(TRUE_WORDS), _words(FALSE_WORDS)
            return f"case when lower({text}) in ({true}) then true when lower({text}) in ({false}) then false end"
    return text


def instant_expression(time: str, zone: str) -> str:
    """SQL for the UTC timestamp of a canonical time, whose wall time, if it is one, follows `zone`.

    A wall time that summer time skips moves forward, a repeated one is the first. The library takes the second; where
    the zone's clock was set back within hours before, the instant is taken that much earlier if it shows the same time.
    """
    wall = f"cast({time} as timestamp)"
    # In microseconds, since the calendar is what takes time; and named by a lambda, to ask for it once.
    second = f"epoch_us(timezone({zone}, {wall}))"

    def shown(hours_before: float) -> str:
        return f"timezone({zone}, make_timestamptz(second - {_microseconds(hours_before)}))"

    steady = f"when {shown(_LONGEST_STEP)} = {wall} - interval {_LONGEST_STEP} hour then second "
    repeated = "".join(
        f"when {shown(hours)} = {wall} then second - {_microseconds(hours)} " for hours in (_LONGEST_STEP, 2, 1, 0.5)
    )
    first = f"list_transform([{second}], lambda second: case {steady}{repeated}else second end)[1]"
    return f"case when right({time}, 1) = 'Z' then cast(left({time}, -1) as timestamp) else make_timestamp({first}) end"


def _microseconds(hours: float) -> str:
    return f"{hours * 3_600_000_000:.0f}"


def _future(column: Column, value: str) -> str:
    """SQL condition: the value lies after the run's clock, in the row's zone `clock_zone`."""
    if column.kind is Kind.DATE:
        return f"{value} > cast(timezone(clock_zone, timezone('UTC', $now)) as date)"
    return f"instant({value}, clock_zone) > $now"


def _not_long_past(column: Column) -> str:
    """SQL condition: the value does not lie so far before the run's clock that it is past in every zone."""
    day = f"cast($now as date) - {_DAYS_APART}"
    if column.kind is Kind.DATE:
        return f"{column.name} >= {day}"
    # As text; and a time of the year 9999 may lie in the next by UTC.
    return f"{column.name} >= cast({day} as varchar) or starts_with({column.name}, '10000-')"


def _bad_id(text: str) -> str:
    """SQL condition: the text of an id is too long, or has a colon or a control character."""
    return f"length({text}) > {ID_LENGTH} or regexp_matches({text}, '{ODD_IN_ID}')"


def _any_bad_id(texts: list[str]) -> str:
    """SQL condition: one of these ids is bad. None is looked at where the reader saw that all are sound."""
    each = " or ".join(f"coalesce({_bad_id(text)}, false)" for text in texts)
    return f"case when t.ids_are_sound then false else {each} end"


def row_rules(table: Table, *, may_misfit: bool = False) -> list[tuple[str, str, str]]:
    """Every rule of a table's rows: (column, rule, SQL condition for broken); with those of marked cells if asked for.

    The conditions name the text of a column `t.<column>`, its read value `v.<column>`, and the zone its clock is
    read in `clock_zone`.
    """
    rules: list[tuple[str, str, str]] = []
    for column in table.columns:
        text, value = f"t.{column.name}", f"v.{column.name}"
        if may_misfit:
            rules.append((column.name, "source.form", f"starts_with({text}, '{MISFIT}')"))
            rules.append((column.name, "cell.value", f"starts_with({text}, '{BROKEN}')"))
        if column.required:
            rules.append((column.name, "value.missing", f"{text} is null"))
        if column.kind in (Kind.ID, Kind.CODE):
            rules.append((column.name, _ID_FORM, _bad_id(text)))
        elif rule := form_rule(column):
            is_plain = f" and left({text}, 1) not in ('{MISFIT}', '{BROKEN}')" if may_misfit else ""
            rules.append((column.name, rule.name, f"{text} is not null and {value} is null{is_plain}"))
        if column.bounds:
            low, high = column.bounds
            rules.append((column.name, "number.range", f"{value} not between {low} and {high}"))
        if column.past:
            rules.append((column.name, _FUTURE, _future(column, value)))
    if table.one_of:
        filled = ", ".join(f"t.{name}" for name in table.one_of)
        rules.append((table.one_of[0], "link.missing", f"coalesce({filled}) is null"))
    return rules


def _shape(text: str) -> str:
    shown = f"substr(ltrim({text}, '{MISFIT}{BROKEN}'), 1, {_VALUE_SHOWN})"
    return f"regexp_replace(regexp_replace({shown}, '\\p{{L}}', 'a', 'g'), '\\p{{N}}', '9', 'g')"


def _zoned(table: Table, source: str, alias: str) -> tuple[str, str]:
    """FROM clause of a table's rows joined to what tells their zone, and SQL for that zone, NULL where nothing does.

    A row follows the branch it names; one that names none follows its visit's, else its procedure's, else its client's.
    """
    if table.zoned_by_branch:
        return f"{source} {alias} left join branch_zone using (branch_id)", "branch_zone.zone"
    if not table.zoned_by_links:
        return f"{source} {alias}", "null"
    joined = (
        f"{source} {alias} left join stg_visit_zones on stg_visit_zones.visit_id = {alias}.visit_id"
        f" left join stg_procedure_zones on stg_procedure_zones.procedure_id = {alias}.procedure_id"
        f" left join stg_client_zones on stg_client_zones.client_key = {alias}.client_key"
    )
    return joined, "coalesce(stg_visit_zones.zone, stg_procedure_zones.zone, stg_client_zones.zone)"


def _as_read(table: Table) -> str:
    """SELECT list of rows called `t`: their place, each row's text as struct `t`, its read values as struct `v`."""
    reads = ",\n    ".join(
        f"{c.name} := {read_expression(c, 't.' + c.name, 't.times_are_plain')}" for c in table.columns
    )
    return f"t.seq, t.file_id, t.line, t, struct_pack(\n    {reads}\n  ) as v"


def read_query(table: Table, source: str, *, may_misfit: bool = False) -> str:
    """SELECT that reads a table's rows from `source`, a table of their text.

    `source` has seq, file_id, line, the declared columns as trimmed text, and two columns that spare looking, false
    where nothing is known: `ids_are_sound` (no id of the row has a bad form) and `times_are_plain` (all its times fit
    `PLAIN_TIME`). The result has seq, file_id, line, the declared columns as read, and `is_broken`: whether a row
    breaks a rule other than that of the future, for which its zone must be known (`future_query`). Needs the table
    `time_zone`.
    """
    columns = ", ".join(f"v.{name}" for name in table.column_names)
    rules = row_rules(table, may_misfit=may_misfit)
    broken = [condition for _, rule, condition in rules if rule not in (_ID_FORM, _FUTURE)]
    ids = [f"t.{column}" for column, rule, _ in rules if rule == _ID_FORM]
    either = " or\n  ".join(f"({condition})" for condition in [*broken, _any_bad_id(ids)])
    return f"""
select seq, file_id, line, {columns}, coalesce(
  {either},
  false
) as is_broken
from (select {_as_read(table)} from {source} t)
"""


def recent_query(table: Table, source: str) -> str:
    """SELECT of the numbers `seq` of rows, as read, that may lie in the future.

    Parameter: `now`, the run's clock (UTC timestamp).
    """
    columns = [column for column in table.columns if column.past]
    return " union ".join(f"select seq from {source} where {_not_long_past(column)}" for column in columns)


def future_query(table: Table, source: str) -> str:
    """SELECT of the numbers `seq` of rows, as read, that lie in the future by the clock of their zone.

    Parameters: `now` and, where a row's branch is not known, the zone its clock is read in (`clock_zone`). Needs the
    macro `instant` and the tables of `pipeline.intake.zones`.
    """
    joined, zone = _zoned(table, source, "t")
    either = " or ".join(_future(column, f"v.{column.name}") for column in table.columns if column.past)
    return f"select seq from (select t.*, coalesce({zone}, $clock_zone) as clock_zone from {joined}) v where {either}"


def broken_query(table: Table, source: str, *, may_misfit: bool = False) -> str:
    """SELECT of every rule that the rows of `source` break: file_id, line, column_name, rule, value_shape.

    Takes the same `source` as `read_query`, and the parameters and tables of `future_query`. A value's shape shows
    letters as a and digits as 9.
    """
    joined, zone = _zoned(table, source, "t")
    broken = ",\n    ".join(
        f"case when {condition} then {{'column_name': '{column}', 'rule': '{rule}', 'text': t.{column}}} end"
        for column, rule, condition in row_rules(table, may_misfit=may_misfit)
    )
    return f"""
with as_read as materialized (  -- so that a value which many rules ask for is read once
  select {_as_read(table)}, coalesce({zone}, $clock_zone) as clock_zone
  from {joined}
),
named as (
  select file_id, line, unnest([
    {broken}
  ]) as broken
  from as_read
)
select file_id, line, broken.column_name, broken.rule, {_shape("broken.text")} as value_shape
from named
where broken is not null
"""


def versioned(table: Table, source: str, alias: str) -> tuple[str, str]:
    """FROM clause of a table's rows as read, and SQL for the instant (UTC) that orders their versions.

    NULL for a table without history. Parameter: `zone`, if dated, for rows whose branch is not known.
    """
    if not table.version_times:
        return f"{source} {alias}", "cast(null as timestamp)"
    time = f"coalesce({', '.join(f'{alias}.{name}' for name in table.version_times)})"
    joined, zone = _zoned(table, source, alias)
    return joined, f"instant({time}, coalesce({zone}, $zone))"
