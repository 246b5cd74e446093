"""JSON Lines become the text CSV of the same rows has, each record on its line; what cannot be read is refused."""

import csv
import gzip
import io
import json
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake import jsonlines
from pipeline.intake.csvfile import read_csv
from pipeline.intake.jsonlines import read_jsonlines
from pipeline.intake.records import Block, BrokenCell, Records, Refused, UnreadableError


def read(content: str | bytes, encoding: str = "utf-8-sig") -> list[tuple[int, list[str]] | Refused]:
    file = io.BytesIO(content.encode() if isinstance(content, str) else content)
    found = []
    for record in read_jsonlines(file, encoding):
        assert not isinstance(record, Block)
        found.append(record)
    assert not file.closed
    return found


def cell(written: str) -> str:
    """The cell of a value as it is written, told to be broken by a question mark before it."""
    ((_, (found,)),) = (record for record in read(f'{{"it": {written}}}')[1:] if isinstance(record, tuple))
    return f"?{found}" if isinstance(found, BrokenCell) else found


def refusal(line: str) -> str:
    """Why a line is refused between two good ones, which it does not harm."""
    _, before, refused, after = read(f'{{"a": 1}}\n{line}\n{{"a": 3}}\n')
    assert (before, after) == ((1, ["1"]), (3, ["3"]))
    assert isinstance(refused, Refused)
    assert (refused.line, refused.rule) == (2, "row.json")
    return refused.detail


def failure(content: str | bytes, encoding: str = "utf-8-sig") -> tuple[str, str]:
    with pytest.raises(UnreadableError) as caught:
        read(content, encoding)
    return caught.value.rule, caught.value.detail


def test_names_stand_in_the_order_they_first_appear() -> None:
    text = '{"b": "1", "a": "2"}\n{"c": "3", "a": "4"}\n{}\n'
    assert read(text) == [(0, ["b", "a", "c"]), (1, ["1", "2", ""]), (2, ["", "4", "3"]), (3, ["", "", ""])]


def test_the_line_of_a_record_is_its_line_in_the_file() -> None:
    text = '\n{"a": 1}\n\n \t\r\n{"a": 2}\nnone\n{"a": 3}'
    assert [found.line if isinstance(found, Refused) else found[0] for found in read(text)[1:]] == [2, 5, 6, 7]


def test_lines_may_end_with_cr_lf_and_the_last_needs_no_end() -> None:
    assert read('{"a": "x"}\r\n{"a": "y"}') == [(0, ["a"]), (1, ["x"]), (2, ["y"])]


def test_a_line_separator_inside_a_text_ends_no_line() -> None:
    assert read('{"a": "x\u2028\x85\u2029y"}\n{"a": "z"}\n')[1:] == [(1, ["x\u2028\x85\u2029y"]), (2, ["z"])]


def test_space_around_an_object_is_no_part_of_it() -> None:
    assert read(' \t{ "a" : "x" } \n') == [(0, ["a"]), (1, ["x"])]


def test_a_byte_order_mark_is_no_part_of_the_first_line() -> None:
    assert read(b'\xef\xbb\xbf{"a": "x"}\n') == read('{"a": "x"}\n')


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-16-le", "latin-1"])
def test_a_declared_encoding_is_read(encoding: str) -> None:
    assert read('{"a": "Müller"}\n{"a": "x"}\n'.encode(encoding), encoding)[1:] == [(1, ["Müller"]), (2, ["x"])]


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ('"flat"', "flat"),
        ('""', ""),
        ('" a "', " a "),
        ('"007"', "007"),
        ('"a\\nb\\"\\\\\\u00e9\\ud83d\\ude42"', 'a\nb"\\é🙂'),
        ("null", ""),
        ("true", "true"),
        ("false", "false"),
        ("16", "16"),
        ("-0", "-0"),
        ("16.0", "16.0"),
        ("9.50", "9.50"),
        ("1e3", "1e3"),
        ("0.1000000000000000055511151231257827", "0.1000000000000000055511151231257827"),
        ("123456789012345678901234567890", "123456789012345678901234567890"),
        ("9" * 5000, "9" * 5000),
        ("NaN", "?NaN"),
        ("Infinity", "?Infinity"),
        ("-Infinity", "?-Infinity"),
        ("[]", "?array"),
        ('["lobe"]', "?array"),
        ("{}", "?object"),
        ('{"b": 1}', "?object"),
        ('"\\ud83d"', "?half a character"),
        ('"\\ude42\\ud83d"', "?half a character"),
    ],
)
def test_every_kind_of_value_has_its_text(written: str, expected: str) -> None:
    assert cell(written) == expected


def test_names_inside_a_nested_value_are_no_columns() -> None:
    assert read('{"a": {"b": 1, "b": 2}}')[0] == (0, ["a"])


@pytest.mark.parametrize(
    ("line", "detail"),
    [
        ("phone", "it is no JSON."),
        ('{"a": 1', "it is no JSON."),
        ('{"a": 1}}', "something follows its value."),
        ('{"a": 1} {"a": 2}', "something follows its value."),
        ('{"a": 1}\u00a0', "something follows its value."),
        ("{'a': 1}", "it is no JSON."),
        ('{"a": 01}', "it is no JSON."),
        ('{"a": "tab\there"}', "it is no JSON."),
        ('{"a": 1,}', "it is no JSON."),
        ('{"a":' + "[" * 100_000, "it is no JSON."),
        ('{"a":' * 100_000 + "1" + "}" * 100_000, "it is no JSON."),
        ("[" * 100_000 + "]" * 100_000, "it is no JSON."),
        ("[1, 2]", "it is no object."),
        ('"a"', "it is no object."),
        ("1", "it is no object."),
        ("null", "it is no object."),
        ("NaN", "it is no object."),
        ('{"a": 1, "a": 1}', "it names something twice."),
        ('{"a": 1, "\\u0061": 2}', "it names something twice."),
        ('{"\\ud83d": 1}', "a name in it is no text."),
    ],
    ids=range(20),
)
def test_a_line_that_is_no_object_is_refused_alone(line: str, detail: str) -> None:
    assert refusal(line) == detail


def test_a_refused_line_names_no_column() -> None:
    assert read('{"b": 1, "b": 2}\n{"a": 1}\n')[0] == (0, ["a"])


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "file.empty"),
        (b"\xef\xbb\xbf", "file.header"),
        (b"\n \n", "file.header"),
        (b"{}\n{}\n", "file.header"),
        (b"a,b\n1,2\n", "file.header"),
        (b'{"a": "\xfc"}\n', "file.encoding"),
        (b'{"a": 1}\n\xff\n', "file.encoding"),
        ('{"a": 1}\n'.encode("utf-16"), "file.encoding"),
    ],
    ids=["nothing", "mark", "blank", "no names", "csv", "cp1252", "late", "utf-16"],
)
def test_a_file_without_names_or_of_other_bytes_is_unreadable(content: bytes, rule: str) -> None:
    assert failure(content)[0] == rule


def test_what_does_not_decode_is_told_as_a_byte_only() -> None:
    assert failure(b'{"a": "M\xfcller"}\n') == ("file.encoding", "byte 0xfc is no utf-8.")


def test_utf_16_without_its_mark_is_unreadable_as_such() -> None:
    assert failure("{}\n".encode("utf-16-be"), "utf-16")[0] in ("file.encoding", "file.header")


def test_compression_around_it_reads_and_is_told_where_it_breaks() -> None:
    content = gzip.compress(b'{"a": 1}\n' * 1000)
    with gzip.open(io.BytesIO(content)) as file:
        assert sum(1 for _ in read_jsonlines(file)) == 1001  # type: ignore[arg-type]
    with gzip.open(io.BytesIO(content[:-5])) as file, pytest.raises(UnreadableError) as caught:
        list(read_jsonlines(file))  # type: ignore[arg-type]
    assert caught.value.rule == "file.container"


def test_a_line_without_end_is_refused_before_it_is_read_whole() -> None:
    file = io.BytesIO(b'{"a": "' + b"x" * 50_000_000 + b'"}')
    tracemalloc.start()
    with pytest.raises(UnreadableError) as caught:
        list(read_jsonlines(file))
    assert tracemalloc.get_traced_memory()[1] < 40_000_000
    tracemalloc.stop()
    assert (caught.value.rule, caught.value.detail) == ("file.size", "line 1 is over 4,194,304 characters.")


def test_a_million_names_are_refused() -> None:
    lines = (json.dumps({f"n{at}": 1 for at in range(start, start + 1000)}) for start in range(0, 1_000_000, 1000))
    assert failure("\n".join(lines)) == ("file.size", "its objects have over 1,000 names.")


@pytest.mark.parametrize(
    ("limit", "most"), [("_MOST_LINES", 10), ("_MOST_NAMES", 2), ("_MOST_CELLS", 20), ("_TEXT_LIMIT", 180)]
)
def test_a_file_beyond_a_limit_is_refused(monkeypatch: pytest.MonkeyPatch, limit: str, most: int) -> None:
    content = '{"a": 1, "b": 22}\n' * 10
    monkeypatch.setattr(jsonlines, limit, most)
    assert len(read(content)) == 11
    monkeypatch.setattr(jsonlines, limit, most - 1)
    assert failure(content)[0] == "file.size"


def test_a_large_file_needs_little_memory() -> None:
    file = io.BytesIO(b'{"a": "a rather long text for a cell", "b": 12345}\n' * 30_000)
    tracemalloc.start()
    n_records = sum(1 for _ in read_jsonlines(file))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert n_records == 30_001
    assert peak < 500_000


JSON_CHARACTERS = st.text(alphabet='{}[]",:\\ud8a1eE.-ntrfls \r\n\ufeffé', max_size=60)


@given(content=st.one_of(st.binary(max_size=100), JSON_CHARACTERS.map(lambda text: f'{{"a":1}}\n{text}'.encode())))
@settings(deadline=None, max_examples=300)
def test_any_bytes_are_unreadable_or_have_a_record_for_each_line(content: bytes) -> None:
    try:
        found = read(content)
    except UnreadableError as error:
        assert error.rule in {"file.empty", "file.header", "file.encoding"}
        return
    lines = content.decode("utf-8-sig").split("\n")
    expected = [number for number, line in enumerate(lines, 1) if line.strip()]
    assert [record.line if isinstance(record, Refused) else record[0] for record in found[1:]] == expected


NAMES = st.sampled_from("abc")
OBJECTS = st.dictionaries(NAMES, st.one_of(st.text(max_size=6), st.none(), st.booleans(), st.integers()), min_size=1)


@given(rows=st.lists(OBJECTS, min_size=1, max_size=6), is_ascii=st.booleans())
@settings(deadline=None, max_examples=200)
def test_the_same_rows_read_the_same_from_csv(rows: list[dict[str, object]], is_ascii: bool) -> None:
    names = list(dict.fromkeys(name for row in rows for name in row))
    words = {None: "", True: "true", False: "false"}
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_ALL)
    writer.writerow(names)
    for row in rows:
        values = [row.get(name) for name in names]
        writer.writerow([words[it] if it is None or isinstance(it, bool) else it for it in values])
    lines = "".join(json.dumps(row, ensure_ascii=is_ascii) + "\n" for row in rows)
    assert flat(read_jsonlines(io.BytesIO(lines.encode()))) == flat(read_csv(io.BytesIO(text.getvalue().encode())))


def flat(found: Records) -> list[list[str]]:
    rows: list[list[str]] = []
    for record in found:
        assert not isinstance(record, Refused)
        if isinstance(record, Block):
            rows += [[cell or "" for cell in row] for row in record.cells.rows()]
        else:
            rows.append(record[1])
    return rows
