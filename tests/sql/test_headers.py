"""Every SQL file is what its header says: what it reads, takes and gives, and where it stands among the layers."""

import re
from pathlib import Path

import pytest

from pipeline.store.sqlfiles import LAYERS, SQL_FOLDER, parse, sql_files
from support.texttables import column_types, empty_database, make_reads, make_result

from .syntax import params_in, tables_in, tree_of, unportable_in

FILES = tuple(sql_files())
PORTABLE = tuple(name for name, file in sql_files().items() if file.layer != "1_staging")
ONE_ROW_ALWAYS = ("data_span", "stg_newest_day")


def test_every_file_of_the_folders_is_found() -> None:
    paths = list(SQL_FOLDER.rglob("*.sql"))
    assert {path.parent.name for path in paths} == set(LAYERS)
    assert sorted(path.stem for path in paths) == sorted(FILES)


@pytest.mark.parametrize("name", FILES)
def test_the_header_parses(name: str) -> None:
    file = sql_files()[name]
    text = (SQL_FOLDER / file.layer / f"{name}.sql").read_text(encoding="utf-8")
    assert parse(text, name, file.layer) == file
    assert file.sentence.startswith("One row ")
    assert file.sentence.endswith(".")
    assert file.columns


@pytest.mark.parametrize(
    "text",
    [
        "-- One row.\n-- grain:\n-- reads:\n-- params:\nselect 1 as x",
        "-- grain:\n-- reads:\n-- params:\n-- columns:\nselect 1 as x".replace("-- grain", "-- One row.\n-- gain"),
        "-- One row.\n-- grain:\n-- reads:\n-- params:\n-- columns:\n--   x integer\nselect 1 as x",
    ],
    ids=["no columns", "no grain", "a column without meaning"],
)
def test_a_header_that_lacks_a_part_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"1_staging/x\.sql"):
        parse(text, "x", "1_staging")


@pytest.mark.parametrize("name", FILES)
def test_the_file_is_one_select(name: str) -> None:
    assert tree_of(sql_files()[name].query)["node"]


@pytest.mark.parametrize("name", FILES)
def test_reads_are_the_tables_read(name: str) -> None:
    file = sql_files()[name]
    assert tables_in(file.query) == set(file.reads)
    assert len(set(file.reads)) == len(file.reads)


@pytest.mark.parametrize("name", FILES)
def test_params_are_the_parameters_used(name: str) -> None:
    file = sql_files()[name]
    assert params_in(file.query) == set(file.params)
    assert len(set(file.params)) == len(file.params)


def _plain(type_name: str) -> str:
    return type_name.lower().replace(" ", "")


@pytest.mark.parametrize("name", FILES)
def test_columns_are_those_the_query_gives(name: str) -> None:
    # The table is made, not only described: DuckDB renames a column that stands twice.
    with empty_database() as con:
        make_reads(con, name, {})
        make_result(con, name, {})
        given = [(column, _plain(kind)) for column, kind, *_ in con.execute(f"describe {name}").fetchall()]
    assert given == [(column.name, _plain(column.type)) for column in sql_files()[name].columns]


@pytest.mark.parametrize("name", FILES)
def test_without_rows_it_gives_none(name: str) -> None:
    with empty_database() as con:
        make_reads(con, name, {})
        make_result(con, name, {})
        rows = con.execute(f"select count(*) from {name}").fetchall()
    assert rows == [(1 if name in ONE_ROW_ALWAYS else 0,)]


@pytest.mark.parametrize("name", FILES)
def test_the_grain_is_of_its_columns(name: str) -> None:
    file = sql_files()[name]
    assert set(file.grain) <= {column.name for column in file.columns}
    assert file.grain or name in ONE_ROW_ALWAYS


@pytest.mark.parametrize("name", FILES)
def test_it_reads_its_own_layer_or_lower_ones(name: str) -> None:
    files = sql_files()
    unknown = set(files[name].reads) - set(column_types())
    assert not unknown
    layers = {files[read].layer for read in files[name].reads if read in files}
    assert all(LAYERS.index(layer) <= LAYERS.index(files[name].layer) for layer in layers)


@pytest.mark.parametrize("name", FILES)
def test_staging_alone_reads_the_raw_tables(name: str) -> None:
    file = sql_files()[name]
    assert file.layer == "1_staging" or not [read for read in file.reads if read.startswith("raw_")]


@pytest.mark.parametrize("name", PORTABLE)
def test_it_keeps_to_portable_sql(name: str) -> None:
    assert unportable_in(sql_files()[name].query) == []


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("select a from t qualify row_number() over () = 1", "QUALIFY"),
        ("select * from t asof join u on t.a >= u.a", "ASOF JOIN"),
        ("select * from t positional join u", "POSITIONAL JOIN"),
        ("select * from t pivot (sum(a) for b in ('x', 'y'))", "PIVOT"),
        ("pivot t on b using sum(a)", "Only SELECT"),
        ("select list_sort(a) from t", "list_sort"),
        ("select [a, b] from t", "list_value"),
        ("select a[1] from t", "ARRAY_EXTRACT"),
        ("select array_length(a) from t", "array_length"),
        ("select list_filter(a, lambda x: x > 1) from t", "LAMBDA"),
        ("select quantile_cont(a, 0.5) from t", "quantile_cont"),
        ("select timezone('UTC', a) from t", "timezone"),
        ("select a at time zone 'UTC' from t", "timezone"),
        ("select instant(a, b) from t", "instant"),
        ("with c as (select local_day(a, b) as d from t) select d from c", "local_day"),
        ("select a / b from t", "/ without nullif"),
        ("select a // b from t", "// without nullif"),
        ("select a % (b + 1) from t", "% without nullif"),
    ],
)
def test_what_is_not_portable_is_seen(query: str, found: str) -> None:
    assert [part for part in unportable_in(query) if part.startswith(found)]


def test_portable_sql_is_let_pass() -> None:
    query = "select a / nullif(b, 0), 'timezone(x) / y', row_number() over (order by a) from t left join u using (a)"
    assert unportable_in(query) == []


@pytest.mark.parametrize("name", FILES)
def test_it_has_a_test_of_its_own(name: str) -> None:
    texts = [path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_*.py")]
    assert any(re.search(rf'\bcheck_file\(\s*"{name}"', text) for text in texts)
