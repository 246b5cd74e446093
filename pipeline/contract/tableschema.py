"""The contract as Frictionless Table Schema files, for whoever sets up an export or checks one with other tools.

Table Schema v1 (specs of the Frictionless Data project) cannot say everything the contract does: that words ignore
case, that a time may lack its offset, that one of several columns is needed, that what happened is past. Where it
cannot, a pattern and the description come as near as they can.
"""

import json
from pathlib import Path
from typing import Any

from pipeline.contract.columns import FALSE_WORDS, ID_LENGTH, TRUE_WORDS, Column, Kind, Table
from pipeline.contract.tables import TABLES

_TYPES = {
    Kind.WHOLE: "integer",
    Kind.DECIMAL: "number",
    Kind.DATE: "date",
    Kind.FLAG: "boolean",
}
_TIME_PATTERN = r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}([.,]\d{1,9})?)?(Z|[+-]\d{2}(:?\d{2})?)?"


def table_schema(table: Table) -> dict[str, Any]:
    """A table's schema as a Table Schema descriptor."""
    return {
        "description": table.meaning,
        "fields": [_field(column) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": [""],
    }


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES.get(column.kind, "string"),
        "description": column.meaning,
    }
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    match column.kind:
        case Kind.WORD:
            constraints["pattern"] = f"(?i)({'|'.join(column.words)})"
            field["description"] += f"; one of {', '.join(column.words)}"
        case Kind.SITES:
            constraints["pattern"] = f"(?i)({'|'.join(column.words)})(;({'|'.join(column.words)}))*"
        case Kind.TIME:
            constraints["pattern"] = _TIME_PATTERN
        case Kind.ID | Kind.CODE:
            constraints["maxLength"] = ID_LENGTH
            constraints["pattern"] = r"[^:\x00-\x1f\x7f-\x9f]*"
        case Kind.FLAG:
            field |= {"trueValues": _cases(TRUE_WORDS), "falseValues": _cases(FALSE_WORDS)}
    if column.bounds:
        constraints |= dict(zip(("minimum", "maximum"), column.bounds, strict=True))
    return field | ({"constraints": constraints} if constraints else {})


def _cases(words: tuple[str, ...]) -> list[str]:
    """The spellings of words that most tools write: Table Schema knows no ignoring of case."""
    return list(dict.fromkeys(spelling for word in words for spelling in (word, word.upper(), word.capitalize())))


def write_schemas(directory: Path) -> list[str]:
    """Write `<table>.schema.json` for each table; returns the names written."""
    directory.mkdir(parents=True, exist_ok=True)
    names = []
    for table in TABLES:
        path = directory / f"{table.name}.schema.json"
        path.write_text(json.dumps(table_schema(table), indent=2) + "\n", encoding="utf-8")
        names.append(str(path))
    return names
