"""The rules a row or a file can break: what each says and what to do about it.

A rule's name is `kind.what`. `remedy` is a sentence for the person who made the export; it may name `{column}`, the
words allowed `{words}`, the bounds `{low}` and `{high}`, and a `{detail}` known only where the rule was broken.
"""

from dataclasses import dataclass

from pipeline.contract.columns import Column, Table


@dataclass(frozen=True)
class Rule:
    """A rule of the contract, its meaning for the data dictionary, and the remedy when it is broken."""

    name: str
    says: str
    remedy: str


_ROW_RULES = (
    Rule(
        "row.fields",
        "A record has as many fields as the header.",
        "Give the record {detail} fields, as the header has; look for a missing quote or a stray separator.",
    ),
    Rule(
        "row.forgotten",
        "A row is not about a client who asked to be forgotten.",
        "Take the row out of the export: its client asked to be forgotten.",
    ),
    Rule(
        "row.json",
        "A line of JSON Lines is one object that names no key twice.",
        "Write each line as one JSON object: {detail}",
    ),
    Rule(
        "cell.value",
        "A cell holds a value that can be read.",
        "Put a plain value into {column}: the cell holds an error, a formula without a value, or a list.",
    ),
    Rule(
        "source.form",
        "A value is written as the settings declare for its source.",
        "Write {column} as the settings declare for this file, or mend what they declare.",
    ),
    Rule(
        "value.missing",
        "A required value is there.",
        "Fill in {column}.",
    ),
    Rule(
        "link.missing",
        "At least one of the columns that say whom the row is about is there.",
        "Fill in one of visit_id, procedure_id or client_key.",
    ),
    Rule(
        "id.form",
        "An id has at most 200 characters, no colon and no control character.",
        "Shorten {column} to 200 characters and take out colons and control characters.",
    ),
    Rule(
        "word.allowed",
        "A value from a list is one of the list; case does not matter.",
        "Use one of: {words}.",
    ),
    Rule(
        "sites.allowed",
        "Every site of a list of sites is an allowed one.",
        "Use sites from this list, separated by semicolons: {words}.",
    ),
    Rule(
        "whole.form",
        "A whole number is written in digits, with a minus sign at most.",
        "Write {column} as a whole number in digits, such as 16.",
    ),
    Rule(
        "decimal.form",
        "A number is written in digits with a point before the decimals.",
        "Write {column} as digits with a decimal point, such as 12.50, without a currency sign or thousands separator; "
        "or declare decimal_mark and thousands_mark for this source in the settings.",
    ),
    Rule(
        "date.form",
        "A date is written year-month-day.",
        "Write {column} as YYYY-MM-DD, such as 2031-05-04; or declare date_format or serial_dates for this source in "
        "the settings.",
    ),
    Rule(
        "time.form",
        "A time has a date, a T, hour and minute, and may have an offset.",
        "Write {column} as YYYY-MM-DDTHH:MM, such as 2031-05-04T16:30; or declare time_format or serial_dates for this "
        "source in the settings.",
    ),
    Rule(
        "flag.form",
        "A yes-or-no value is true, false, yes, no, 1 or 0.",
        "Write {column} as yes or no.",
    ),
    Rule(
        "zone.unknown",
        "A time zone is a name in the IANA list.",
        "Use a name from the IANA time zone list, such as UTC.",
    ),
    Rule(
        "number.range",
        "A number lies within its bounds.",
        "Check {column}: it lies between {low} and {high}.",
    ),
    Rule(
        "time.future",
        "What has happened does not lie after the run's own clock.",
        "Check the date of {column} and the clock of the till: it lies in the future.",
    ),
)

_FILE_RULES = (
    Rule(
        "file.empty",
        "A file holds at least a header.",
        "Export the file again: it holds no bytes.",
    ),
    Rule(
        "file.encoding",
        "A file's bytes are text in the encoding declared for it, else UTF-8.",
        "Save the file in the declared encoding, or as UTF-8, and send it again: {detail}",
    ),
    Rule(
        "file.header",
        "The first record names the columns.",
        "Add the header line that names the columns: {detail}",
    ),
    Rule(
        "file.column_missing",
        "The header has every required column.",
        "Add what the header lacks: {detail}.",
    ),
    Rule(
        "file.column_twice",
        "The header names no declared column twice.",
        "Keep one of the columns the header names twice: {detail}.",
    ),
    Rule(
        "file.quote_open",
        "Every quote closes.",
        "Close the quotation mark opened in the record that begins on line {detail}.",
    ),
    Rule(
        "file.container",
        "A compressed file, a workbook or a Parquet file is whole.",
        "Export the file again and send it as it was written: {detail}",
    ),
    Rule(
        "file.sheet",
        "A workbook has the sheet its source names.",
        "Name the sheet in scapha.toml as the workbook does, or the sheet as scapha.toml does.",
    ),
    Rule(
        "file.size",
        "A file stays within the size limits.",
        "Send the file in smaller parts: {detail}",
    ),
    Rule(
        "file.format",
        "A file is in a form that can be read.",
        "Send the table as CSV: {detail}",
    ),
)

RULES: dict[str, Rule] = {rule.name: rule for rule in (*_ROW_RULES, *_FILE_RULES)}


def form_rule(column: Column) -> Rule | None:
    """The rule that a column's text breaks when it does not read as its kind; None where any text will do."""
    names = {
        "word": "word.allowed",
        "sites": "sites.allowed",
        "zone": "zone.unknown",
        "whole": "whole.form",
        "decimal": "decimal.form",
        "date": "date.form",
        "time": "time.form",
        "flag": "flag.form",
    }
    name = names.get(column.kind.value)
    return RULES[name] if name else None


def remedy(rule: str, table: Table, column_name: str, detail: str = "") -> str:
    """The remedy of a broken rule in the words of the column it was broken in."""
    column = next((column for column in table.columns if column.name == column_name), None)
    return RULES[rule].remedy.format(
        column=column_name,
        words=", ".join(column.words) if column else "",
        low=column.bounds[0] if column and column.bounds else "",
        high=column.bounds[1] if column and column.bounds else "",
        detail=detail,
    )
