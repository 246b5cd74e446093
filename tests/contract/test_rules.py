"""Which rules a row breaks: every one of them is named, with a remedy and no more than the shape of the value."""

import re
from collections.abc import Callable
from typing import Any

import pytest

from pipeline.contract.checks import row_rules
from pipeline.contract.columns import Column, Table
from pipeline.contract.rules import RULES, remedy
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from support.exports import Nights, csv_text, row

Reads = Callable[..., dict[str, Any]]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_required_value_may_not_be_missing_and_any_other_may(nights: Nights, table: Table) -> None:
    kept = {*table.required_columns, *table.one_of[:1]}
    least = {column: row(table.name).get(column, "") if column in kept else "" for column in table.column_names}
    rows = [least, *({**row(table.name), column: " "} for column in table.required_columns)]
    nights.take({f"{table.name}.csv": csv_text(rows)})
    expected = [(line, column, "value.missing") for line, column in enumerate(table.required_columns, start=3)]
    assert nights.refused(f"{table.name}.csv") == expected
    assert nights.counts(f"{table.name}.csv") == (len(rows), 1, len(rows) - 1, 0, 0)


def test_a_follow_up_says_whom_it_is_about_in_one_way_at_least(nights: Nights) -> None:
    nobody = row("follow_ups", visit_id="", procedure_id="", client_key="")
    ways = [{**nobody, column: "x", "follow_up_id": column} for column in ("visit_id", "procedure_id", "client_key")]
    nights.take({"follow_ups.csv": csv_text([nobody, *ways])})
    assert nights.refused("follow_ups.csv") == [(2, "visit_id", "link.missing")]
    assert nights.counts("follow_ups.csv") == (4, 3, 1, 0, 0)


def test_ages_lie_between_0_and_120(reads: Reads) -> None:
    expected = {"0": 0, "120": 120, "-1": {"number.range"}, "121": {"number.range"}, "": None}
    assert reads("procedures", "age_years", *expected) == expected


def test_severities_lie_between_0_and_4(reads: Reads) -> None:
    expected = {"0": 0, "4": 4, "-1": {"number.range"}, "5": {"number.range"}, "": None}
    assert reads("follow_ups", "severity", *expected) == expected


def test_every_broken_rule_of_a_row_is_named(nights: Nights) -> None:
    bad = {
        "procedure_id": "P:1",
        "visit_id": "",
        "performed_at": "2033-01-01T10:00",
        "site": "nose",
        "ear": "both",
        "pack_expiry": "soon",
        "post_length_mm": "8mm",
        "age_years": "130",
        "recorded_at": "yesterday",
    }
    nights.take({"procedures.csv": csv_text([row("procedures", **bad)])})
    assert {column: rule for _, column, rule in nights.refused("procedures.csv")} == {
        "procedure_id": "id.form",
        "visit_id": "value.missing",
        "performed_at": "time.future",
        "site": "word.allowed",
        "ear": "word.allowed",
        "pack_expiry": "date.form",
        "post_length_mm": "decimal.form",
        "age_years": "number.range",
        "recorded_at": "time.form",
    }


def test_a_bad_row_takes_no_good_one_with_it(nights: Nights) -> None:
    rows = [row("articles", article_id=f"K{at}", material="wood" if at % 2 else "gold") for at in range(6)]
    nights.take({"articles.csv": csv_text(rows)})
    assert nights.values("articles", "article_id") == [("K0",), ("K2",), ("K4",)]


def test_a_reference_that_is_not_known_rejects_nothing(nights: Nights) -> None:
    stray = row("procedures", branch_id="B9", practitioner_id="W9", article_id="K9", lot_no="L9")
    sale = row("sales", branch_id="B9", product_id="Q9", visit_id="V9", refund_of="S9", batch_no="A9")
    report = row("follow_ups", visit_id="V9", procedure_id="P9")
    files = {"procedures": stray, "sales": sale, "follow_ups": report, "revisits": row("revisits", visit_id="V9")}
    nights.take({f"{table}.csv": csv_text([one]) for table, one in files.items()})
    assert [nights.counts(f"{table}.csv") for table in files] == [(1, 1, 0, 0, 0)] * 4


def test_an_unknown_time_zone_rejects_the_branch_and_not_its_piercings(nights: Nights) -> None:
    files = {"branches": row("branches", timezone="Mars/Olympus"), "procedures": row("procedures")}
    nights.take({f"{table}.csv": csv_text([one]) for table, one in files.items()})
    assert nights.refused("branches.csv") == [(2, "timezone", "zone.unknown")]
    assert nights.counts("procedures.csv") == (1, 1, 0, 0, 0)


@pytest.mark.parametrize(
    ("value", "shape"),
    [
        ("Anna-Maria 07700 900123", "aaaa-aaaaa 99999 999999"),
        ("Zoë Ωmega ж 日本", "aaa aaaaa a aa"),
        ("٣४５ Ⅷ½", "999 99"),
        ("x" * 39 + "12345", "a" * 39 + "9"),
    ],
)
def test_a_refused_value_shows_its_shape_only(nights: Nights, value: str, shape: str) -> None:
    nights.take({"articles.csv": csv_text([row("articles", material=value)])})
    assert nights.con.execute("select value_shape from rejection").fetchall() == [(shape,)]


PLACES = [(table, name, rule) for table in TABLES for name, rule, _ in row_rules(table, may_misfit=True)]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_rule_of_a_row_has_a_remedy_that_names_its_column_s_own_words(table: Table) -> None:
    columns = {column.name: column for column in table.columns}
    for place, name, rule in PLACES:
        if place is table:
            assert_is_a_remedy(remedy(rule, table, name, "detail"), columns[name], rule)


def assert_is_a_remedy(told: str, column: Column, rule: str) -> None:
    assert re.fullmatch(r"[A-Z].+[^.]\.", told), told
    assert not re.search(r"[{}]|None", told), told
    if rule in ("word.allowed", "sites.allowed"):
        assert all(word in told for word in column.words)
    elif rule == "number.range":
        assert column.bounds
        assert {str(bound) for bound in column.bounds} <= set(re.findall(r"-?\d+", told))
    elif rule != "link.missing" and rule not in ("zone.unknown",):
        assert column.name in told


@pytest.mark.parametrize("rule", [name for name in RULES if name.startswith(("file.", "row."))])
def test_every_rule_of_a_file_or_record_has_a_remedy_that_tells_its_detail(rule: str) -> None:
    told = remedy(rule, TABLE_BY_NAME["procedures"], "", "the detail {x}")
    assert told.count("the detail {x}") == RULES[rule].remedy.count("{detail}")
    assert re.match(r"[A-Z]", told)
    assert RULES[rule].says.endswith(".")


def test_every_rule_that_a_row_can_break_is_described() -> None:
    assert {rule for _, _, rule in PLACES} <= RULES.keys()
    assert {rule for rule in RULES if not rule.startswith(("file.", "row."))} == {rule for _, _, rule in PLACES}
