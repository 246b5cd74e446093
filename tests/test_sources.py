"""Sources: which files they fit, what they may say, and how formats read."""

import fnmatch
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.contract.columns import Kind
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.errors import UsageError
from pipeline.settings import Settings, read_settings, source_for
from pipeline.sources import CLOCKS, FAULTS, JOINTS, Source, did_you_mean, format_pattern

DATE_FORMATS = ["YYYY-MM-DD", "DD.MM.YYYY", "D.M.YYYY", "MM/DD/YYYY", "D. M. YYYY", "YYYY M D", "YYYYMMDD", "DDMMYYYY"]
untimed = settings(deadline=None)


def faults(**said: Any) -> list[str]:
    """The faults of a source, each as the way to it within the source and what is said."""
    with pytest.raises(ValidationError) as caught:
        Source.model_validate(said)
    found = []
    for error in caught.value.errors():
        within = error["ctx"][FAULTS] if error["type"] == FAULTS else [((), error["msg"])]
        found += [f"{'.'.join(map(str, (*error['loc'], *way)))} {text}" for way, text in within]
    return found


def test_a_source_that_says_nothing_reads_the_plain_case() -> None:
    source = Source()
    assert (source.encoding, source.delimiter, source.quote, source.decimal_mark) == ("utf-8", ",", '"', ".")
    assert (source.table, source.sheet, source.thousands_mark, source.date_format) == (None, None, None, None)
    assert (source.time_format, source.serial_dates, source.timezone, source.split) == (None, None, None, None)
    assert (source.skip_lines, source.columns, source.values, source.constants) == (0, {}, {}, {})
    assert source.fits("procedures.csv")
    assert source.fits("a/b/procedures.csv.gz")


@pytest.mark.parametrize(
    ("files", "fitting", "others"),
    [
        ("till/*.csv", ["till/a.csv", "till/.csv"], ["till/a/b.csv", "a/till/b.csv", "till/a.csv.gz", "till/a.CSV"]),
        ("**/*.csv", ["a.csv", "a/b.csv", "a/b/c.csv"], ["a.csv/b", "a.xlsx"]),
        ("**/a.csv", ["a.csv", "b/a.csv"], ["ba.csv", "b/ba.csv"]),
        ("**", ["a\nb.csv", "a/b"], []),
        ("till/**", ["till/a", "till/a/b.csv"], ["till", "tills/a"]),
        ("a**z", ["az", "a/b/z"], ["a/b"]),
        ("sales_?.csv", ["sales_1.csv"], ["sales_.csv", "sales_12.csv", "sales_/.csv"]),
        ("B[1-3]/*", ["B1/x", "B3/x"], ["B4/x", "B1/x/y"]),
        ("B[!1]/*", ["B2/x"], ["B1/x", "B//x"]),
        ("a[[]1].csv", ["a[1].csv"], ["a1.csv"]),
        ("a[1.csv", ["a[1.csv"], ["a1.csv"]),
        ("a+b.csv", ["a+b.csv"], ["aab.csv"]),
        ("*\n*.csv", ["a\nb.csv"], ["ab.csv"]),
    ],
)
def test_a_pattern_fits_whole_paths(files: str, fitting: list[str], others: list[str]) -> None:
    source = Source(files=files)
    assert [path for path in (*fitting, *others) if source.fits(path)] == fitting


@untimed
@given(st.text("ab*?[]!-", min_size=1, max_size=8), st.text("ab[]!-", max_size=8))
def test_within_one_folder_a_pattern_fits_as_the_shell_s_does(files: str, path: str) -> None:
    assert Source(files=files).fits(path) == fnmatch.fnmatchcase(path, re.sub(r"\*+", "*", files))


def test_the_first_source_that_fits_holds() -> None:
    settings = Settings(sources=(Source(files="a/*", delimiter=";"), Source(files="a/b*"), Source(files="b*")))
    assert source_for(settings, "a/b.csv") is settings.sources[0]
    assert source_for(settings, "b.csv") is settings.sources[2]
    assert source_for(settings, "c.csv") == Source()


def test_a_tab_may_be_a_word() -> None:
    assert Source(delimiter="tab").delimiter == Source(delimiter="\t").delimiter == "\t"


@pytest.mark.parametrize(
    "said",
    [
        {"files": ""},
        {"files": "/a"},
        {"files": "a\\b"},
        {"files": "../a"},
        {"table": "sale"},
        {"sheet": ""},
        {"encoding": "utf8"},
        {"delimiter": ""},
        {"delimiter": ";;"},
        {"delimiter": "a"},
        {"delimiter": "\n"},
        {"delimiter": "\N{SECTION SIGN}"},
        {"quote": "q"},
        {"quote": "'", "delimiter": "'"},
        {"skip_lines": -1},
        {"skip_lines": 1001},
        {"skip_lines": True},
        {"decimal_mark": ";"},
        {"thousands_mark": "_"},
        {"thousands_mark": "."},
        {"thousands_mark": ",", "decimal_mark": ","},
        {"serial_dates": 1901},
        {"serial_dates": "1900"},
        {"timezone": "Mars"},
        {"columns": {"site": ""}},
        {"columns": {"site": " Stelle"}},
        {"columns": []},
        {"unheard": 1},
    ],
)
def test_what_cannot_be_read_by_is_refused(said: dict[str, Any]) -> None:
    assert len(faults(**said)) == 1


def test_an_unknown_column_is_refused_with_the_nearest_of_its_table() -> None:
    (told,) = faults(table="sales", columns={"sale_idd": "Bon"})
    assert told == "columns.sale_idd is no column of sales (did you mean sale_id?)"
    (told,) = faults(table="lots", columns={"sale_id": "Bon"})
    assert told.startswith("columns.sale_id is no column of lots")


def test_without_a_table_the_columns_of_every_table_are_known() -> None:
    names = {column.name: f"header {column.name}" for table in TABLES for column in table.columns}
    assert Source(columns=names).columns == names
    assert faults(columns={"sale_idd": "Bon"}) == ["columns.sale_idd is no column of any table (did you mean sale_id?)"]


def test_words_lead_to_words_of_the_list_only() -> None:
    for table in TABLES:
        for column in table.columns:
            if column.kind is Kind.WORD:
                words = {f"word {word}": word for word in column.words}
                assert Source(table=table.name, values={column.name: words}).values[column.name] == words
                assert column.words[0] in faults(table=table.name, values={column.name: {"x": "xyzzy"}})[0]
    assert Source(table="procedures", values={"site": {"Ohr": "LOBE"}})
    assert faults(table="procedures", values={"status": {"x": "attended"}})
    assert Source(values={"status": {"x": "attended"}})  # revisits know it, and no table is named


@pytest.mark.parametrize(
    ("table", "column", "word", "is_allowed"),
    [
        ("follow_ups", "clinician_seen", "yes", True),
        ("follow_ups", "clinician_seen", "ja", False),
        ("practitioners", "trained_sites", "lobe; helix", True),
        ("practitioners", "trained_sites", "lobe; nose", False),
        ("branches", "timezone", "Europe/Oslo", True),
        ("branches", "timezone", "europe/oslo", False),
        ("sales", "branch_id", "B01", True),
        ("follow_ups", "complication", "", True),
        ("follow_ups", "outcome", "", False),
        ("sales", "client_key", "anyone", False),
    ],
)
def test_a_word_must_read_as_its_column(table: str, column: str, word: str, is_allowed: bool) -> None:
    if is_allowed:
        assert Source(table=table, values={column: {"their word": word}})
    else:
        assert len(faults(table=table, values={column: {"their word": word}})) == 1


def test_a_word_stands_once_whatever_its_case() -> None:
    told = faults(table="procedures", values={"ear": {"Links": "left", "links ": "right"}})
    assert [fault.split(" stands")[0] for fault in told] == ["values.ear.Links", "values.ear.links "]


@pytest.mark.parametrize(
    "constants",
    [{"branch_id": ""}, {"branch_id": 1}, {"ear": "both"}, {"client_key": "x"}, {"nothing": "x"}, {"site": "lobe"}],
)
def test_a_constant_must_suit_its_column(constants: dict[str, Any]) -> None:
    assert len(faults(table="procedures", columns={"site": "Stelle"}, constants=constants)) == 1


def test_a_split_makes_words_of_the_list() -> None:
    split = {"column": "ear", "value": "both", "into": ["left", "right"]}
    source = Source.model_validate({"table": "procedures", "split": split})
    assert source.split is not None
    assert source.split.into == ("left", "right")


@pytest.mark.parametrize(
    "change",
    [
        {"column": "age_years"},
        {"column": "eer"},
        {"into": ["left", "both"]},
        {"into": ["left"]},
        {"into": ["left", "LEFT"]},
        {"into": "left"},
        {"value": ""},
        {"value": "beide"},
        {"other": "x"},
    ],
)
def test_a_split_that_cannot_be_is_refused(change: Mapping[str, Any]) -> None:
    split = {"column": "ear", "value": "both", "into": ["left", "right"], **change}
    assert len(faults(table="procedures", values={"ear": {"Beide": "left"}}, split=split)) == 1


def test_every_fault_of_every_source_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "scapha.toml"
    path.write_text(
        'keep_years = "3"\n[[sources]]\nfiles = "a/*"\n\n[[sources]]\ntable = "sales"\ndelimeter = ";"\n'
        'encoding = "utf8"\ncolumns = { "sale_idd" = "Bon", "sold_at" = 3, "site" = 4 }\n[sources.constants]\n'
        'currency = "EUR"\nline_type = "sold"\n',
        "utf-8",
    )
    with pytest.raises(UsageError) as caught:
        read_settings(path)
    told = caught.value.problem.rstrip(".").split(": ", 1)[1].split("; ")
    assert told == [
        "keep_years must be a whole number, without quotation marks, line 1",
        "sources[2].encoding must be one of 'utf-8', 'utf-16', 'cp1252' or 'latin-1', line 8",
        "sources[2].columns.sale_idd is no column of sales (did you mean sale_id?), line 9",
        "sources[2].columns.sold_at must be text, in quotation marks, line 9",
        "sources[2].columns.site is no column of sales, line 9",
        "sources[2].columns.site must be text, in quotation marks, line 9",
        "sources[2].constants.line_type must be one of sale, refund, void, gift, bundle_part, line 12",
        "sources[2].delimeter is no setting of a source (did you mean delimiter?), line 7",
    ]


def test_what_is_missing_is_told_with_the_line_of_where_it_should_stand(tmp_path: Path) -> None:
    path = tmp_path / "scapha.toml"
    path.write_text('[[sources]]\nsplit = { column = "ear", into = ["left", "right"] }\n', "utf-8")
    with pytest.raises(UsageError, match=r"sources\[1\]\.split\.value is missing, line 2\.$"):
        read_settings(path)


@pytest.mark.parametrize("form", DATE_FORMATS)
def test_a_date_format_reads_what_it_says(form: str) -> None:
    source = Source(date_format=form)
    assert source.date_format == form
    for day, month in ((4, 5), (23, 11)):
        text = form.replace("YYYY", "2031")
        text = text.replace("DD", f"{day:02}").replace("D", str(day)).replace("MM", f"{month:02}")
        found = re.fullmatch(format_pattern(form), text.replace("M", str(month)))
        assert found
        assert [int(found[name]) for name in ("year", "month", "day")] == [2031, month, day]


@pytest.mark.parametrize("joint", JOINTS)
@pytest.mark.parametrize(("clock", "written"), [*zip(CLOCKS, ("09:30", "09:30:07", "9:30 pm"), strict=True)])
def test_a_time_format_is_a_date_a_joint_and_a_clock(joint: str, clock: str, written: str) -> None:
    form = f"DD.MM.YYYY{joint}{clock}"
    assert Source(time_format=form).time_format == form
    found = re.fullmatch(format_pattern(form), f"04.05.2031{joint}{written}")
    assert found
    assert (found["day"], found["month"], int(found["hour"]), found["minute"]) == ("04", "05", 9, "30")
    assert found.groupdict().get("half", "") in ("", "pm")
    assert faults(date_format=form)


@pytest.mark.parametrize(
    "form",
    ["", "DD.MM.YY", "DD.MM", "DD.DD.YYYY", "DD.MM.YYYY.", "DD:MM:YYYY", "DMYYYY", "DDD.MM.YYYY", "dd.mm.yyyy", "YYYY"],
)
def test_a_format_that_leaves_the_day_open_is_refused(form: str) -> None:
    assert len(faults(date_format=form)) == 1
    assert len(faults(time_format=f"{form} HH:mm")) == 1


@pytest.mark.parametrize("form", ["DD.MM.YYYY", "HH:mm", "DD.MM.YYYY HH", "DD.MM.YYYY-HH:mm", "HH:mm DD.MM.YYYY"])
def test_a_time_format_without_both_parts_is_refused(form: str) -> None:
    assert len(faults(time_format=form)) == 1


def test_no_date_is_read_with_other_digits_or_marks() -> None:
    pattern = re.compile(format_pattern("DD.MM.YYYY"))
    assert pattern.fullmatch("04.05.2031")
    wrong = ["4.5.2031", "04.05.31", "04/05/2031", "04x05x2031", "\N{ARABIC-INDIC DIGIT FOUR}4.05.2031", "04.05.2031\n"]
    assert [text for text in wrong if pattern.fullmatch(text)] == []


def test_the_nearest_name_is_offered_and_a_far_one_is_not() -> None:
    assert did_you_mean("Sale_ID", TABLE_BY_NAME["sales"].column_names) == " (did you mean sale_id?)"
    assert did_you_mean("xyzzy", TABLE_BY_NAME["sales"].column_names) == ""
