"""What is declared is the contract: its tables, keys, words and windows, as the oracle tells them a second time."""

import pytest

from oracle import words
from pipeline.contract import vocabulary
from pipeline.contract.columns import Column, Kind, Table
from pipeline.contract.tables import TABLE_BY_NAME, TABLES

KINDS = {Kind.CODE: "lot"}
"""The oracle's names of kinds that differ from ours."""


def kind(column: Column) -> str | tuple[str, ...]:
    return column.words if column.kind is Kind.WORD else KINDS.get(column.kind, column.kind.value)


def test_every_table_of_the_contract_is_declared_and_no_other() -> None:
    assert set(TABLE_BY_NAME) == set(words.TABLES)
    assert len(TABLES) == len(TABLE_BY_NAME)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_table_has_the_contract_s_columns_kinds_and_key(table: Table) -> None:
    told = words.TABLES[table.name]
    assert {column.name: kind(column) for column in table.columns} == told.columns
    assert table.key == told.key
    assert table.required_columns == told.required


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_table_has_the_contract_s_bounds_pasts_and_version_times(table: Table) -> None:
    bounds = {column.name: (column.low, column.high) for column in table.columns if column.low is not None}
    assert bounds == {name: bound for name, bound in words.RANGES.items() if name in table.column_names}
    past = tuple(column.name for column in table.columns if column.past)
    assert sorted(past) == sorted(words.NOT_AFTER_NOW.get(table.name, ()))
    events = words.EVENT_TIMES.get(table.name)
    assert table.version_times == (("recorded_at", *events) if events else ())


def test_groups_and_windows_are_the_contract_s() -> None:
    assert vocabulary.SITE_GROUPS == words.SITE_GROUP
    assert {one.name: one.window_days for one in vocabulary.COMPLICATIONS} == words.WINDOW_OF
    assert {one.name: one.members for one in vocabulary.COMPLICATIONS} == words.MEMBERS


def test_age_bands_cover_every_age_once() -> None:
    ages = [age for _, low, high in vocabulary.AGE_BANDS for age in range(low, high + 1)]
    assert ages == list(range(121))
    assert [name for name, *_ in vocabulary.AGE_BANDS] == ["0-4", "5-10", "11-15", "16-17", "18+"]
