"""A sample of the hostile files and good chains of `tests/hostile_files.py`, and proof that their checks can fail."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import duckdb
import pytest

from hostile_files import Verdict, differing_tables, hostile, reference, verdict
from pipeline.intake.csvfile import read_csv
from pipeline.intake.records import Block


def test_hostile_files_are_read_as_independent_readers_say_or_refused_whole(
    shared_store: duckdb.DuckDBPyConnection,
) -> None:
    found = [verdict(shared_store, hostile(number)) for number in range(24)]
    assert [one for one in found if one.faults] == []
    for form in (found[::2], found[1::2]):
        assert {"taken in", "rows rejected"} < {one.outcome for one in form}
        assert any(one.is_counted for one in form)


@pytest.mark.parametrize("number", range(3))
def test_a_good_chain_is_kept_the_same_in_whatever_way_it_is_written(
    shared_store: duckdb.DuckDBPyConnection, number: int
) -> None:
    assert differing_tables(shared_store, number) == []


def _without_last(block: Block) -> Block:
    return replace(block, cells=block.cells.head(block.cells.height - 1))


def _one_line_late(block: Block) -> Block:
    return replace(block, first_line=block.first_line + 1)


def _upside_down(block: Block) -> Block:
    return replace(block, cells=block.cells.reverse())


@pytest.mark.parametrize(
    ("harm", "told"),
    [(_without_last, "an independent reader counts"), (_one_line_late, "harmed"), (_upside_down, "harmed")],
)
def test_a_reader_that_loses_or_moves_rows_is_found_out(
    shared_store: duckdb.DuckDBPyConnection,
    monkeypatch: pytest.MonkeyPatch,
    harm: Callable[[Block], Block],
    told: str,
) -> None:
    def harmed(*arguments: Any) -> Any:
        return (harm(item) if isinstance(item, Block) else item for item in read_csv(*arguments))

    made = [hostile(number) for number in range(0, 16, 2)]
    for one in made:
        reference(shared_store, one.base)
    monkeypatch.setattr("pipeline.intake.reading.read_csv", harmed)
    found: list[Verdict] = [verdict(shared_store, one) for one in made]
    assert any(told in fault for one in found for fault in one.faults)
