"""The data dictionary: what exports may hold, and the rules rows and files must keep, from the contract itself."""

from dataclasses import dataclass

from pipeline.contract.columns import Column, Kind
from pipeline.contract.columns import Table as ExportTable
from pipeline.contract.rules import RULES
from pipeline.contract.tables import TABLES
from reports.parts import Table

READS = ()

_KINDS = {
    Kind.ID: "id",
    Kind.CODE: "id, in upper case",
    Kind.CLIENT: "text, hashed at the door",
    Kind.TEXT: "text",
    Kind.WORD: "word from a list",
    Kind.SITES: "sites, separated by ;",
    Kind.ZONE: "time zone",
    Kind.WHOLE: "whole number",
    Kind.DECIMAL: "decimal number",
    Kind.DATE: "date, YYYY-MM-DD",
    Kind.TIME: "time, YYYY-MM-DDTHH:MM",
    Kind.FLAG: "yes or no",
}


@dataclass(frozen=True)
class Described:
    """A table of the exports, described."""

    name: str
    meaning: str
    columns: Table


@dataclass(frozen=True)
class Context:
    """The page's content."""

    tables: tuple[Described, ...]
    rules: Table


def build() -> Context:
    """The dictionary; it is the same in every edition."""
    rules = tuple((rule.name, rule.says) for rule in RULES.values())
    return Context(
        tables=tuple(_described(table) for table in TABLES),
        rules=Table("Rules of rows and files", ("Rule", "What it asks"), rules, n_text=2),
    )


def _described(table: ExportTable) -> Described:
    rows = tuple(
        (column.name, column.meaning, _kind(column), "yes" if column.required else "") for column in table.columns
    )
    heads = ("Column", "Meaning", "Reads as", "Required")
    caption = f"Key: {', '.join(table.key)}"
    return Described(table.name, f"{table.meaning.capitalize()}.", Table(caption, heads, rows, n_text=4))


def _kind(column: Column) -> str:
    text = _KINDS[column.kind]
    if column.words and column.kind is Kind.WORD:
        text = f"one of {', '.join(column.words)}"
    if column.low is not None:
        text += f", {column.low} to {column.high}"
    return text + ("; not in the future" if column.past else "")
