"""Who sees what is declared for every result, and nothing is seen that is not."""

from dataclasses import replace

import polars as pl
import pytest

from pipeline.results import QUARTERS, RESULTS
from reports.pages import branch, compare, index, outside
from reports.readers.declared import BRANCH, CHAIN, OUTSIDE, OWNER, QUALITY_LEAD, READERS, SEEN
from reports.readers.filtering import edition_for
from support.editions import written

SCHEMAS = {result.name: result.schema for result in (*RESULTS, *QUARTERS)}
PAGES = {"index.html": index, "compare.html": compare}


def test_every_result_says_who_sees_it() -> None:
    # A new result is seen by nobody until it is declared here who may.
    assert set(SEEN) == set(SCHEMAS)


@pytest.mark.parametrize("name", SEEN)
def test_columns_declared_are_columns_of_the_result(name: str) -> None:
    for seen in SEEN[name].values():
        assert set(seen.columns) | set(seen.emptied) <= set(SCHEMAS[name])
        assert not set(seen.columns) & set(seen.emptied)
        assert set(seen.counted_by) <= set(seen.columns)


def test_readers_outside_see_no_result_of_a_night_and_no_one_else_sees_theirs() -> None:
    assert {name for name, seen in SEEN.items() if OUTSIDE in seen} == {result.name for result in QUARTERS}
    assert all(set(SEEN[result.name]) == {OUTSIDE} for result in QUARTERS)


@pytest.mark.parametrize("reader", [OWNER, CHAIN])
def test_who_hears_of_no_one_sees_no_column_that_names_one(reader: object) -> None:
    naming = {"practitioner_id", "visit_id", "value", "sha256", "undeclared", "about", "others"}
    seen = {name: set(declared[reader].columns) for name, declared in SEEN.items() if reader in declared}
    assert {name for name, columns in seen.items() if columns & naming} == set()
    assert {name for name, columns in seen.items() if "procedure_id" in columns} == {"record_gaps"}  # told in counts
    assert SEEN["record_gaps"][reader].counted_by  # type: ignore[index]


@pytest.mark.parametrize("reader", [OWNER, CHAIN, BRANCH, OUTSIDE], ids=lambda reader: reader.name)
def test_a_page_of_an_edition_reads_what_its_reader_sees(reader: object) -> None:
    seen = {name for name, declared in SEEN.items() if reader in declared}
    pages = {OWNER: (index, compare), CHAIN: (compare,), BRANCH: (branch,), OUTSIDE: (outside,)}[reader]  # type: ignore[index]
    for page in pages:
        assert set(page.READS) <= seen


def test_what_is_not_declared_is_gone() -> None:
    edition = written()
    further = replace(edition, results=edition.results | {"diary": pl.DataFrame({"name": ["Quillfeather"]})})
    for reader in READERS.values():
        assert "diary" not in edition_for(further, reader).results
    assert "diary" in edition_for(further, QUALITY_LEAD).results


def test_a_column_that_is_not_declared_is_gone() -> None:
    edition = written(results={"branches": [{"branch_id": "B1"}]})
    results = edition.results | {"branches": edition.results["branches"].with_columns(diary=pl.lit("Quillfeather"))}
    for reader in (OWNER, CHAIN, replace(BRANCH, branch_id="B1")):
        left = edition_for(replace(edition, results=results), reader).results["branches"]
        assert left.columns == edition.results["branches"].columns
        assert left.height == 1
