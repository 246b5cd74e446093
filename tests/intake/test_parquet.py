"""Parquet becomes the text CSV of the same rows has, each row on its line; what cannot be read is refused whole."""

import csv
import gzip
import io
import os
import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Literal

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake import parquet
from pipeline.intake.csvfile import read_csv
from pipeline.intake.parquet import read_parquet
from pipeline.intake.records import Block, BrokenCell, Records, Refused, UnreadableError

TimeUnit = Literal["ms", "us", "ns"]

Cells = list[tuple[int, list[str]]]


def written(frame: pl.DataFrame, **options: object) -> bytes:
    file = io.BytesIO()
    frame.write_parquet(file, **options)  # type: ignore[arg-type]
    return file.getvalue()


def records(content: bytes) -> Cells:
    found = []
    for record in read_parquet(io.BytesIO(content)):
        assert isinstance(record, tuple)
        found.append(record)
    return found


def cells(series: pl.Series) -> list[str]:
    """The cells of a column, told to be broken by a question mark before them."""
    found = records(written(pl.DataFrame({"it": series})))[1:]
    return [f"?{cell}" if isinstance(cell, BrokenCell) else cell for _, (cell,) in found]


def failure(content: bytes) -> tuple[str, str]:
    with pytest.raises(UnreadableError) as caught:
        records(content)
    return caught.value.rule, caught.value.detail


def test_the_line_of_a_row_is_its_number_and_one() -> None:
    frame = pl.DataFrame({"article_id": ["K1", "K2"], "clasp": ["flat", None]})
    assert records(written(frame)) == [(1, ["article_id", "clasp"]), (2, ["K1", "flat"]), (3, ["K2", ""])]


def test_rows_stay_in_order_over_groups_and_batches() -> None:
    frame = pl.DataFrame({"it": range(50_001)})
    found = records(written(frame, row_group_size=7_000))
    assert found[1:] == [(number + 2, [str(number)]) for number in range(50_001)]


def test_a_file_of_columns_alone_has_no_rows() -> None:
    assert records(written(pl.DataFrame({"a": [], "b": []}))) == [(1, ["a", "b"])]


def test_names_are_kept_as_written() -> None:
    names = ["a", "A", " a", 'q"uote', "", "select", "a_1", "x.y", "c0"]
    assert records(written(pl.DataFrame({name: [name] for name in names}))) == [(1, names), (2, names)]


def test_a_name_that_stands_twice_is_given_twice() -> None:
    content = written(pl.DataFrame({"name_a": ["1"], "name_b": ["2"]}))
    assert records(content.replace(b"name_b", b"name_a")) == [(1, ["name_a", "name_a"]), (2, ["1", "2"])]


def test_names_inside_a_nested_column_are_no_columns() -> None:
    frame = pl.DataFrame({"a": [{"b": [{"c": 1}], "d": 2}], "e": ["x"]})
    assert records(written(frame)) == [(1, ["a", "e"]), (2, ["struct", "x"])]


@pytest.mark.parametrize("compression", ["zstd", "snappy", "gzip", "lz4", "brotli", "uncompressed"])
def test_every_usual_compression_reads(compression: str) -> None:
    frame = pl.DataFrame({"it": ["a", "b"]})
    assert records(written(frame, compression=compression))[1:] == [(2, ["a"]), (3, ["b"])]


def test_text_is_as_it_stands() -> None:
    texts = ["007", " a ", "1.50", 'a"b', "a,b\nc", "Müller 🙂", "nan", "2031-05-04 10:00", "", None, "a\0b"]
    assert cells(pl.Series(texts)) == [text or "" for text in texts]


def test_words_of_a_list_are_text() -> None:
    words = ["lobe", None, "helix"]
    assert cells(pl.Series(words, dtype=pl.Categorical)) == ["lobe", "", "helix"]
    assert cells(pl.Series(words, dtype=pl.Enum(["helix", "lobe"]))) == ["lobe", "", "helix"]


def test_true_and_false_are_words() -> None:
    assert cells(pl.Series([True, False, None])) == ["true", "false", ""]


@pytest.mark.parametrize(
    ("kind", "numbers"),
    [
        (pl.Int8, [-128, 0, 127]),
        (pl.Int16, [-32768, 32767]),
        (pl.Int32, [-(2**31), 2**31 - 1]),
        (pl.Int64, [-(2**63), 10, 2**63 - 1]),
        (pl.UInt8, [255]),
        (pl.UInt16, [65535]),
        (pl.UInt32, [2**32 - 1]),
        (pl.UInt64, [0, 2**64 - 1]),
    ],
)
def test_whole_numbers_are_digits(kind: pl.DataType, numbers: list[int]) -> None:
    assert cells(pl.Series([*numbers, None], dtype=kind)) == [*map(str, numbers), ""]


def test_floating_numbers_are_short_and_have_no_exponent() -> None:
    numbers = [16.0, 0.1, -2.5, 1e16, 1.5e-7, 123456789.125, 1e300, 100.0, 5e-324, None]
    expected = ["16", "0.1", "-2.5", "10000000000000000", "0.00000015", "123456789.125", "1" + "0" * 300, "100"]
    assert cells(pl.Series(numbers)) == [*expected, f"0.{'0' * 323}5", ""]


def test_single_precision_is_as_short_as_it_was_written() -> None:
    numbers = pl.Series([0.1, 16777216.0, 1e20, None], dtype=pl.Float32)
    assert cells(numbers) == ["0.1", "16777216", "100000000000000000000", ""]


@given(number=st.floats(allow_nan=False, allow_infinity=False))
@settings(deadline=None, max_examples=30)
def test_no_floating_number_loses_a_digit(number: float) -> None:
    (text,) = cells(pl.Series([number]))
    assert float(text) == number
    assert set(text) <= set("-.0123456789")
    assert not text.endswith(".0")


def test_what_is_no_number_is_broken() -> None:
    assert cells(pl.Series([float("nan"), float("inf"), float("-inf"), 1.0])) == ["?nan", "?inf", "?-inf", "1"]


def test_decimals_have_no_idle_zeros() -> None:
    amounts = ["9.50", "-100.00", "0.00", "0.05", "123456789012345678901234567890.12", None]
    series = pl.Series([amount and Decimal(amount) for amount in amounts], dtype=pl.Decimal(38, 2))
    assert cells(series) == ["9.5", "-100", "0", "0.05", "123456789012345678901234567890.12", ""]
    assert cells(pl.Series([Decimal(100)], dtype=pl.Decimal(10, 0))) == ["100"]


def test_dates_are_iso_dates() -> None:
    days = [date(2031, 5, 4), date(1, 1, 1), date(9999, 12, 31), None]
    assert cells(pl.Series(days)) == ["2031-05-04", "0001-01-01", "9999-12-31", ""]


def test_days_beyond_the_calendar_are_broken() -> None:
    days = pl.Series([2_932_896, 2_932_897, -719_162, -719_163, 2**31 - 1, -(2**31)], dtype=pl.Int32)
    found = cells(days.cast(pl.Date))
    assert [found[0], found[2]] == ["9999-12-31", "0001-01-01"]
    assert all(found[at].startswith("?") for at in (1, 3, 4, 5))


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
def test_times_are_iso_times(unit: TimeUnit) -> None:
    times = [datetime(2031, 5, 4, 10), datetime(1969, 12, 31, 23, 59, 59, 500_000), None]
    assert cells(pl.Series(times, dtype=pl.Datetime(unit))) == ["2031-05-04T10:00:00", "1969-12-31T23:59:59.5", ""]


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
def test_times_with_a_zone_are_told_in_utc(unit: TimeUnit) -> None:
    times = pl.Series([datetime(2031, 7, 4, 0, 30, tzinfo=timezone(timedelta(hours=2)))])
    assert cells(times.cast(pl.Datetime(unit, "Europe/Berlin"))) == ["2031-07-03T22:30:00Z"]
    assert cells(pl.Series([datetime(2031, 7, 4, tzinfo=UTC), None])) == ["2031-07-04T00:00:00Z", ""]


def test_microseconds_are_kept() -> None:
    assert cells(pl.Series([datetime(2031, 5, 4, 10, 0, 0, 123_456)])) == ["2031-05-04T10:00:00.123456"]


@pytest.mark.parametrize("zone", [None, "UTC"])
def test_times_beyond_the_calendar_are_broken(zone: str | None) -> None:
    found = cells(pl.Series([2**62, -(2**62), -62_135_596_800_000_001, 0]).cast(pl.Datetime("us", zone)))
    assert [cell[:1] for cell in found] == ["?", "?", "?", "1"]


def test_times_beyond_the_database_s_calendar_make_a_file_unreadable() -> None:
    times = pl.Series([2**62, 0]).cast(pl.Datetime("ms"))
    assert failure(written(pl.DataFrame({"it": times}))) == ("file.container", "it holds a time that no calendar has.")


@pytest.mark.parametrize(
    ("series", "said"),
    [
        (pl.Series([b"lobe", None]), "blob"),
        (pl.Series([["lobe"], None]), "list"),
        (pl.Series([{"site": "lobe"}, None]), "struct"),
        (pl.Series([time(10, 0), None]), "time"),
    ],
    ids=["bytes", "list", "struct", "time"],
)
def test_what_no_export_can_write_is_broken_and_its_absence_is_empty(series: pl.Series, said: str) -> None:
    found = cells(series)
    assert found[0].startswith(f"?{said}")
    assert found[1] == ""


def test_a_column_of_nothing_is_empty() -> None:
    assert cells(pl.Series([None, None])) == ["", ""]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "file.empty"),
        (b"PAR1", "file.container"),
        (b"article_id,clasp\nK1,flat\n", "file.container"),
        (written(pl.DataFrame({"a": ["x"] * 100}))[:-1], "file.container"),
        (written(pl.DataFrame({"a": ["x"] * 100}))[:-9], "file.container"),
        (written(pl.DataFrame({"a": ["x"]}))[:-4] + b"PARE", "file.container"),
    ],
    ids=["nothing", "mark", "csv", "cut", "no footer", "encrypted"],
)
def test_what_is_no_parquet_is_unreadable(content: bytes, rule: str) -> None:
    assert failure(content)[0] == rule


def test_a_file_without_columns_has_no_header() -> None:
    assert failure(written(pl.DataFrame({})))[0] == "file.header"


def test_compression_around_it_that_breaks_is_told_as_such() -> None:
    cut = gzip.compress(written(pl.DataFrame({"a": ["x"]})))[:-5]
    with gzip.open(io.BytesIO(cut)) as file, pytest.raises(UnreadableError) as caught:
        list(read_parquet(file))  # type: ignore[arg-type]
    assert caught.value.rule == "file.container"


def test_many_rows_of_nothing_are_refused_before_they_are_read() -> None:
    content = written(pl.DataFrame({"a": pl.repeat(0, 10_000_001, dtype=pl.Int8, eager=True)}))
    assert len(content) < 1_000_000
    assert failure(content) == ("file.size", "it has over 10,000,000 rows.")


@pytest.mark.parametrize(
    ("limit", "most"), [("_ROW_LIMIT", 9), ("_CELL_LIMIT", 19), ("_TEXT_LIMIT", 59), ("_VECTOR_TEXT_LIMIT", 59)]
)
def test_a_file_beyond_a_limit_is_refused(monkeypatch: pytest.MonkeyPatch, limit: str, most: int) -> None:
    content = written(pl.DataFrame({"a": ["x"] * 10, "b": ["12345"] * 10}))
    monkeypatch.setattr(parquet, limit, most + 1)
    assert len(records(content)) == 11
    monkeypatch.setattr(parquet, limit, most)
    assert failure(content)[0] == "file.size"


def test_a_file_of_too_many_bytes_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    content = written(pl.DataFrame({"a": ["x"]}))
    monkeypatch.setattr(parquet, "_FILE_LIMIT", len(content))
    assert len(records(content)) == 2
    monkeypatch.setattr(parquet, "_FILE_LIMIT", len(content) - 1)
    assert failure(content)[0] == "file.size"


def test_one_long_text_in_many_rows_is_refused() -> None:
    content = written(pl.DataFrame({"a": ["x" * 5_000_000] * 20}))
    assert len(content) < 10_000
    assert failure(content) == ("file.size", "2048 rows of it have over 64 MiB.")


def test_a_column_that_needs_more_memory_than_there_is_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    content = written(pl.DataFrame({"a": ["x" * 50_000_000]}), compression="zstd")
    assert len(content) < 100_000
    monkeypatch.setitem(parquet._CONFIG, "memory_limit", "20MB")
    assert failure(content)[0] == "file.size"


PEAK = """
import sys
from pathlib import Path
from pipeline.intake.parquet import read_parquet

def peak():
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) // 1024

before = peak()
with open(sys.argv[1], "rb") as file:
    n_records = sum(1 for _ in read_parquet(file))
print(n_records, peak() - before)
"""


def test_a_large_file_needs_little_memory(tmp_path: Path) -> None:
    n_rows = 1_000_000
    text = pl.int_range(n_rows, eager=True).cast(pl.String) + "-a rather long text for a cell"
    frame = pl.DataFrame({f"c{at}": text for at in range(4)})
    assert frame.estimated_size("mb") > 128
    frame.write_parquet(tmp_path / "large.parquet")
    script = tmp_path / "peak.py"  # a file, since the database shows its progress to who types commands
    script.write_text(PEAK)
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "large.parquet")],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": str(Path(parquet.__file__).parents[2])},
    )
    n_records, megabytes = map(int, done.stdout.split())
    assert n_records == n_rows + 1
    assert megabytes < 100


def seed_frame() -> pl.DataFrame:
    texts = ["a", "b", None, "dd"] * 5
    return pl.DataFrame({"s": texts, "n": range(20), "f": [1.5, None] * 10, "d": [date(2031, 5, 4)] * 20}).with_columns(
        pl.Series("t", [datetime(2031, 5, 4, 10, tzinfo=UTC), None] * 10), pl.Series("l", [[1], None] * 10)
    )


SEEDS = [written(seed_frame(), compression=how, row_group_size=7) for how in ("uncompressed", "zstd", "snappy")]
RULES = {"file.container", "file.size", "file.header"}


@given(seed=st.sampled_from(SEEDS), changes=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=5)), min_size=1))
@settings(deadline=None, max_examples=60)
def test_a_damaged_file_is_unreadable_or_has_all_its_rows(seed: bytes, changes: list[tuple[float, bytes]]) -> None:
    damaged = bytearray(seed)
    for where, put in changes[:4]:
        at = int(where * len(damaged))
        damaged[at : at + len(put)] = put
    try:
        found = records(bytes(damaged))
    except UnreadableError as error:
        assert error.rule in RULES
    else:
        assert [line for line, _ in found] == list(range(1, 22))


@pytest.mark.parametrize("said", [19, 21])
def test_a_file_that_says_another_number_of_rows_than_it_holds_is_unreadable(said: int) -> None:
    number = b"\x16%c"  # a 64-bit whole number of the footer, in Thrift's compact form: its double where positive
    (content,) = SEEDS[:1]
    assert content.count(number % 40) == 1
    changed = content.replace(number % 40, number % (2 * said))
    assert failure(changed) == ("file.container", "it has not as many rows as it says.")


@given(content=st.binary(min_size=1, max_size=200), is_framed=st.booleans())
@settings(deadline=None, max_examples=50)
def test_bytes_of_any_kind_are_unreadable(content: bytes, is_framed: bool) -> None:
    assert failure(b"PAR1" + content + b"PAR1" if is_framed else content)[0] in RULES


def flat(found: Records) -> list[list[str]]:
    rows: list[list[str]] = []
    for record in found:
        assert not isinstance(record, Refused)
        if isinstance(record, Block):
            rows += [[cell or "" for cell in row] for row in record.cells.rows()]
        else:
            rows.append(record[1])
    return rows


@given(rows=st.lists(st.tuples(st.text(max_size=6), st.text(max_size=6)), max_size=5))
@settings(deadline=None, max_examples=25)
def test_the_same_texts_read_the_same_from_csv(rows: list[tuple[str, str]]) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_ALL)
    writer.writerows([("a", "b"), *rows])
    frame = pl.DataFrame(rows, {"a": pl.String, "b": pl.String}, orient="row")
    from_csv = flat(read_csv(io.BytesIO(text.getvalue().encode())))
    assert flat(read_parquet(io.BytesIO(written(frame)))) == from_csv == [["a", "b"], *map(list, rows)]
