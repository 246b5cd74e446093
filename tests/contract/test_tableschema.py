"""The Table Schema files say what the contract says, as far as they can."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from pipeline.contract.columns import Column, Kind, Table
from pipeline.contract.tables import TABLES
from pipeline.contract.tableschema import table_schema, write_schemas

TYPES = {"string", "number", "integer", "boolean", "date"}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("schemas") / "new"
    write_schemas(folder)
    return folder


def test_there_is_one_file_of_valid_json_for_each_table(written: Path) -> None:
    assert {path.name for path in written.iterdir()} == {f"{table.name}.schema.json" for table in TABLES}
    for table in TABLES:
        assert json.loads((written / f"{table.name}.schema.json").read_text("utf-8")) == table_schema(table)


def test_the_names_written_are_told(tmp_path: Path) -> None:
    assert write_schemas(tmp_path) == [str(tmp_path / f"{table.name}.schema.json") for table in TABLES]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_schema_s_fields_are_the_table_s_columns(table: Table) -> None:
    schema = table_schema(table)
    assert tuple(field["name"] for field in schema["fields"]) == table.column_names
    assert {field["type"] for field in schema["fields"]} <= TYPES
    required = [field["name"] for field in schema["fields"] if field.get("constraints", {}).get("required")]
    assert tuple(required) == table.required_columns
    assert schema["primaryKey"] == list(table.key)
    assert schema["missingValues"] == [""]


def patterns(kind: Kind) -> list[tuple[Column, str]]:
    found = [
        (column, field["constraints"]["pattern"])
        for table in TABLES
        for column, field in zip(table.columns, table_schema(table)["fields"], strict=True)
        if column.kind is kind
    ]
    assert found
    return found


@pytest.mark.parametrize(
    ("kind", "good", "bad"),
    [
        (Kind.ID, ["P-1", "x y", "ü"], ["P:1", "a\tb", "a\x85"]),
        (Kind.CODE, ["AB-7"], ["A:7"]),
        (Kind.TIME, ["2031-05-04T10:00", "2031-05-04T10:00:07,5+0130"], ["2031-05-04", "2031-05-04 10:00", "noon"]),
        (Kind.SITES, ["lobe", "Lobe;HELIX"], ["nose", "lobe,helix"]),
    ],
)
def test_a_pattern_agrees_with_the_contract(kind: Kind, good: list[str], bad: list[str]) -> None:
    for column, pattern in patterns(kind):
        assert [text for text in [*good, *bad] if re.fullmatch(pattern, text)] == good, column.name


def test_a_pattern_of_words_allows_them_in_any_case_and_no_other() -> None:
    for column, pattern in patterns(Kind.WORD):
        good = [*column.words, *(word.upper() for word in column.words)]
        assert all(re.fullmatch(pattern, word) for word in good)
        assert not any(re.fullmatch(pattern, word) for word in ("nose", f"{column.words[0]}s", ""))


def fields(kind: Kind) -> list[dict[str, Any]]:
    return [
        field
        for table in TABLES
        for column, field in zip(table.columns, table_schema(table)["fields"], strict=True)
        if column.kind is kind
    ]


def test_flags_name_their_words() -> None:
    for field in fields(Kind.FLAG):
        assert {"true", "TRUE", "yes", "Yes", "1"} <= set(field["trueValues"])
        assert {"false", "FALSE", "no", "No", "0"} <= set(field["falseValues"])


def test_ages_have_their_bounds() -> None:
    bounds = [field["constraints"] for field in fields(Kind.WHOLE) if field["name"] == "age_years"]
    assert bounds == [{"minimum": 0, "maximum": 120}]
