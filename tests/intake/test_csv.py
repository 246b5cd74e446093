"""CSV as RFC 4180 has it becomes records with the line each began on; what cannot be read is refused whole."""

import gzip
import io
from dataclasses import dataclass
from typing import BinaryIO, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.intake import csvfile
from pipeline.intake.batches import Batch, batches, read_header, text_frame
from pipeline.intake.csvfile import read_csv
from pipeline.intake.records import UnreadableError
from pipeline.sources import Source
from support.exports import record_lines

ARTICLES = TABLE_BY_NAME["articles"]
HEAD = "article_id,clasp\n"


@dataclass(frozen=True)
class Read:
    """What reading an articles file gave: its records as (line, article_id, clasp), and lines of misshapen ones."""

    records: list[tuple[int, str | None, str | None]]
    misshapen: list[int]
    undeclared: tuple[str, ...]


def opened(content: str | bytes, *, gzipped: bool = False) -> BinaryIO:
    file = io.BytesIO(content.encode() if isinstance(content, str) else content)
    return cast("BinaryIO", gzip.GzipFile(fileobj=file)) if gzipped else file


def read(content: str | bytes, *, gzipped: bool = False) -> Read:
    rows = read_csv(opened(content, gzipped=gzipped))
    header = read_header(rows, ARTICLES, Source())
    found = list(batches(rows, header))
    frames = [text_frame(batch, ARTICLES).select("line", "article_id", "clasp") for batch in found]
    misshapen = [refused.line for batch in found for refused in batch.refused]
    return Read([row for frame in frames for row in frame.rows()], misshapen, header.undeclared)


def records(content: str | bytes) -> list[tuple[int, str | None, str | None]]:
    return read(content).records


def failure(content: str | bytes, *, gzipped: bool = False, table: str = "articles") -> tuple[str, str]:
    """Which rule a file that cannot be read breaks, and the detail told."""
    with pytest.raises(UnreadableError) as caught:
        rows = read_csv(opened(content, gzipped=gzipped))
        list(batches(rows, read_header(rows, TABLE_BY_NAME[table], Source())))
    return caught.value.rule, caught.value.detail


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_may_end_with_lf_cr_lf_or_cr(end: str) -> None:
    assert records(end.join(["article_id,clasp", "K1,flat", "K2,ball", ""])) == [(2, "K1", "flat"), (3, "K2", "ball")]


def test_line_ends_may_be_mixed() -> None:
    assert records("article_id,clasp\r\nK1,a\nK2,b\rK3,c\r\n") == [(2, "K1", "a"), (3, "K2", "b"), (4, "K3", "c")]


def test_the_last_line_needs_no_end() -> None:
    assert records(f"{HEAD}K1,flat") == records(f"{HEAD}K1,flat\n") == [(2, "K1", "flat")]


def test_a_quoted_last_field_needs_no_end() -> None:
    assert records(f'{HEAD}K1,"flat"') == [(2, "K1", "flat")]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_quoted_field_keeps_its_line_ends_separators_and_quotes(end: str) -> None:
    text = f'{HEAD}"K1","a{end}b, ""c"""{end}K2,d{end}'
    assert records(text) == [(2, "K1", f'a{end}b, "c"'), (4, "K2", "d")]


def test_a_record_s_line_is_the_one_it_begins_on() -> None:
    text = f'\n{HEAD}\n\nK1,"1\n2\n3"\n \nK2,x\n'
    assert records(text) == [(5, "K1", "1\n2\n3"), (9, "K2", "x")]


@pytest.mark.parametrize("blank", ["", " ", "\t  ", "\u00a0"])
def test_blank_lines_are_no_records(blank: str) -> None:
    assert records(f"{HEAD}{blank}\nK1,a\n{blank}\n{blank}") == [(3, "K1", "a")]


def test_a_quoted_nothing_is_a_record() -> None:
    assert records('article_id\nK1\n""\nK2\n') == [(2, "K1", None), (3, None, None), (4, "K2", None)]


def test_a_quoted_line_end_is_a_record() -> None:
    assert records('article_id\nK1\n"\n"\nK2\n') == [(2, "K1", None), (3, None, None), (5, "K2", None)]


def test_a_line_of_separators_is_a_record() -> None:
    assert records(f"{HEAD},\n") == [(2, None, None)]


def test_a_byte_order_mark_is_no_part_of_the_first_name() -> None:
    assert records("\ufeff" + HEAD + "K1,a\n") == [(2, "K1", "a")]
    assert records('\ufeff"article_id",clasp\nK1,a\n') == [(2, "K1", "a")]


def test_records_with_more_or_fewer_fields_are_set_apart_and_harm_no_neighbour() -> None:
    text = f"{HEAD}K1,a\nK2\nK3,a,b\nK4,b,\n\nK5,c\n"
    assert read(text).records == [(2, "K1", "a"), (7, "K5", "c")]
    assert read(text).misshapen == [3, 4, 5]


def test_columns_are_found_by_name_in_any_order() -> None:
    assert records("clasp,note, article_id \na,x,K1\n") == [(2, "K1", "a")]


def test_an_optional_column_may_be_missing() -> None:
    assert records("article_id\nK1\n") == [(2, "K1", None)]


def test_names_are_those_of_the_contract_letter_for_letter() -> None:
    assert failure("Article_ID,clasp\nK1,a\n") == ("file.column_missing", "article_id")


def test_undeclared_columns_are_named_once_each_and_dropped() -> None:
    found = read("phone,article_id,phone,,notes\n1,K1,2,3,4\n")
    assert found.undeclared == ("phone", "notes")
    assert found.records == [(2, "K1", None)]


def test_a_file_without_a_header_names_no_column() -> None:
    rule, detail = failure("Anna Example,07700 900123\n")
    assert (rule, detail) == ("file.column_missing", "article_id")


def test_every_missing_required_column_is_told() -> None:
    rule, detail = failure("procedure_id,site,phone\n", table="procedures")
    assert (rule, detail) == ("file.column_missing", "visit_id, branch_id, performed_at")


def test_a_declared_column_may_not_stand_twice() -> None:
    assert failure("article_id,clasp,article_id\nK1,a,K2\n") == ("file.column_twice", "article_id")


def test_nothing_of_a_file_counts_where_a_quote_never_closes() -> None:
    assert failure(f'{HEAD}K1,a\nK2,"b\nK3,c\n') == ("file.quote_open", "3")
    assert failure(f'{HEAD}K1,a\nK2,"b') == ("file.quote_open", "3")
    assert failure(f'{HEAD}K1,a\n"') == ("file.quote_open", "3")
    assert failure('article_id,"clasp\nK1,a\n') == ("file.quote_open", "1")


def test_no_text_of_a_file_can_end_it_early() -> None:
    text = f"{HEAD}K1,a\n\ue000end of file\ue000\nK2,b\n"
    assert read(text).records == [(2, "K1", "a"), (4, "K2", "b")]
    assert read(text).misshapen == [3]


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "utf-16"])
@pytest.mark.parametrize("text", [f"{HEAD}K1,Müller\n", f"{HEAD}K1,a\n{'K2,b' * 5000}\nK3,é"])
def test_bytes_that_are_no_utf_8_are_refused(encoding: str, text: str) -> None:
    assert failure(text.encode(encoding))[0] == "file.encoding"


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32"])
def test_undeclared_utf_16_is_refused_with_and_without_a_mark(encoding: str) -> None:
    assert failure(f"{HEAD}K1,a\n".encode(encoding))[0] in ("file.encoding", "file.column_missing")


@pytest.mark.parametrize("cut", [b"\xc3", b"\xe2\x82", b"\xf0\x9f\x99"])
def test_a_character_cut_short_at_the_file_s_end_is_refused(cut: bytes) -> None:
    assert failure(HEAD.encode() + b"K1,a" + cut)[0] == "file.encoding"


def test_what_does_not_decode_is_told_as_a_byte_only() -> None:
    assert failure(f"{HEAD}K1,Müller\n".encode("cp1252")) == ("file.encoding", "byte 0xfc is no utf-8.")


@pytest.mark.parametrize("gzipped", [False, True])
def test_no_bytes_are_unreadable(gzipped: bool) -> None:
    assert failure(b"", gzipped=gzipped)[0] == "file.empty"


def test_compressed_nothing_is_unreadable() -> None:
    assert failure(gzip.compress(b""), gzipped=True)[0] == "file.empty"


@pytest.mark.parametrize("content", ["\n\n \n", "\ufeff\n"])
def test_a_file_of_blank_lines_has_no_header(content: str) -> None:
    assert failure(content)[0] == "file.header"


@pytest.mark.parametrize("head", [HEAD, HEAD.strip(), f"{HEAD}\n \n"])
def test_a_header_alone_is_no_rows(head: str) -> None:
    assert read(head) == Read([], [], ())


def test_compressed_files_read_as_plain_ones() -> None:
    text = f'{HEAD}K1,"a\nb"\nK2,c\n'
    assert read(gzip.compress(text.encode()), gzipped=True) == read(text)


def test_a_file_compressed_in_parts_reads_whole() -> None:
    parts = gzip.compress(HEAD.encode()) + gzip.compress(b"K1,a\n") + gzip.compress(b"K2,b\n")
    assert read(parts, gzipped=True).records == [(2, "K1", "a"), (3, "K2", "b")]


WHOLE = gzip.compress((HEAD + "".join(f"K{at},{at * 7919 % 1009}\n" for at in range(5000))).encode())


@pytest.mark.parametrize(
    "content",
    [WHOLE[:-1], WHOLE[:-8], WHOLE[: len(WHOLE) // 2], WHOLE[:12], WHOLE[:5]],
    ids=["trailer", "checksum", "half", "header", "start"],
)
def test_a_compressed_file_cut_short_is_unreadable(content: bytes) -> None:
    assert failure(content, gzipped=True)[0] == "file.container"


@pytest.mark.parametrize("at", [20, len(WHOLE) // 2, -6])
def test_a_compressed_file_with_a_flipped_bit_is_unreadable(at: int) -> None:
    damaged = bytearray(WHOLE)
    damaged[at] ^= 0b100
    assert failure(bytes(damaged), gzipped=True)[0] in ("file.container", "file.encoding")


def test_what_is_not_compressed_is_unreadable_as_such() -> None:
    assert failure(f"{HEAD}K1,a\n", gzipped=True)[0] == "file.container"
    assert failure(WHOLE)[0] == "file.encoding"


def test_a_cell_of_ten_megabytes_is_a_cell() -> None:
    long = "x" * 10_000_000
    ((line, name, clasp),) = records(f'{HEAD}K1,"{long}"\n')
    assert (line, name) == (2, "K1")
    assert clasp == long


def test_a_file_longer_than_a_batch_reads_whole() -> None:
    found = records(HEAD + "".join(f"K{at},\n" for at in range(100_001)))
    assert len(found) == 100_001
    assert found[-1] == (100_002, "K100000", None)


CHARACTERS = st.text(alphabet='ab,"\n\r \u00a0é\0', max_size=60)


@settings(deadline=None, max_examples=300)
@given(body=CHARACTERS)
def test_every_record_is_read_or_set_apart_on_the_line_an_independent_reader_finds_it(body: str) -> None:
    text = HEAD + body
    try:
        found = read(text)
    except UnreadableError as error:
        assert error.rule == "file.quote_open"
        assert is_quote_open(text)
        return
    assert not is_quote_open(text)
    assert sorted([line for line, *_ in found.records] + found.misshapen) == record_lines(text)[1:]


def is_quote_open(text: str) -> bool:
    """Whether a line put behind a text becomes part of its last record."""
    return len(record_lines(f"{text}\nx")) == len(record_lines(text))


@pytest.mark.parametrize(
    "body",
    [b"x" * (17 << 20), b'"' + b"x" * (17 << 20), b'"' + b"x\n" * (9 << 20)],
    ids=["a line", "a quoted cell", "a quote that never closes"],
)
def test_a_record_without_end_is_refused_for_its_size(body: bytes) -> None:
    assert failure(HEAD.encode() + b"K1," + body)[0] == "file.size"


def test_more_lines_than_a_file_may_have_are_refused_for_their_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csvfile, "_MOST_LINES", 1000)
    assert failure(HEAD + "\n" * 1001)[0] == "file.size"
    assert records(HEAD + "K1,a\n" * 900)[-1] == (901, "K1", "a")


@pytest.mark.parametrize("space", [" ", "\t", "\v", "\f", "\u00a0", "\u2003", "\u3000", "  \t"])
@pytest.mark.parametrize("note", ["", "é"])
def test_space_around_a_cell_is_no_part_of_it(space: str, note: str) -> None:
    text = f"article_id,clasp,note\nK1{space},{space}flat,{note}\n{space}K 2,{space},{note}\n,b,{space}\n"
    assert records(text) == [(2, "K1", "flat"), (3, "K 2", None), (4, None, "b")]


def test_cells_without_any_space_are_not_looked_at() -> None:
    texts = ("K1,a\n,b\n", "K1,a b\n", "K1,é\n", 'K1,"a"\n')
    assert [[batch.is_trim for batch in _batches(text)] for text in texts] == [[True], [False], [False], [False]]


def _batches(text: str) -> list[Batch]:
    rows = read_csv(opened(HEAD + text))
    return list(batches(rows, read_header(rows, ARTICLES, Source())))
