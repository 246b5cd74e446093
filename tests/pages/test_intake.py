"""What came in and what was refused: every row is one of four fates, and every rule has its remedy."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from pipeline.contract.rules import RULES
from pipeline.contract.tables import TABLES
from pipeline.judge import volumes
from reports.edition import Edition
from reports.pages import dictionary, index, intake, methods
from reports.parts import Cell
from support.editions import AS_OF, MONDAY, written

from .rows import Row, branch, plain_week, together


def file(name: str, **changes: Any) -> Row:
    good: Row = {
        "file": name, "table": "sales", "sha256": "f" * 64, "rows": 10, "accepted": 6, "rejected": 1, "duplicate": 2,
        "superseded": 1, "loaded_at": datetime(2031, 2, 17, 3, 0), "readable": True, "undeclared": None,
    }  # fmt: skip
    return good | changes


def refusal(name: str, line: int, rule: str = "decimal.form", column: str | None = "net_amount") -> Row:
    return {
        "file": name, "table": "sales", "sha256": "f" * 64, "line": line, "rule": rule, "column": column,
        "value": "9,99", "remedy": f"Mend {column}.",
    }  # fmt: skip


def page(**results: list[Row]) -> intake.Context:
    return intake.build(written(results={"branches": [branch()], **results}))


def test_the_fates_of_all_rows_add_up() -> None:
    built = page(intake=[file("a.csv"), file("b.csv", sha256="e" * 64)], rejected_rows=[refusal("a.csv", 7)])
    assert built.lead[0].startswith(
        "2 files ever taken in, 20 rows: 12 accepted + 2 rejected + 4 duplicate + 2 superseded."
    )
    assert built.tables.rows == (("sales", "2", "20", "12", "2", "4", "2"),)


def test_rows_refused_today_are_told_apart_from_those_at_first_load() -> None:
    built = page(intake=[file("a.csv", rejected=5)], rejected_rows=[refusal("a.csv", 7), refusal("a.csv", 9)])
    assert built.lead[1].startswith("2 rows or files stand refused today.")
    assert built.refused.rows == ((Cell("a.csv"), "10", "6", "2"),)


def test_a_row_that_breaks_two_rules_is_one_row() -> None:
    rows = [refusal("a.csv", 7), refusal("a.csv", 7, "time.form", "sold_at")]
    built = page(intake=[file("a.csv")], rejected_rows=rows)
    assert built.lead[1].startswith("1 row or file stands refused today.")
    assert len(built.rules.rows) == 2


def test_rules_stand_most_often_broken_first_with_what_to_do() -> None:
    rows = [refusal("b.csv", 3, "time.form", "sold_at"), refusal("a.csv", 7), refusal("a.csv", 9)]
    built = page(intake=[file("a.csv")], rejected_rows=rows)
    assert built.rules.rows[0] == (
        Cell("decimal.form", RULES["decimal.form"].says),
        "sales, net_amount",
        Cell("Mend net_amount.", "first: a.csv, line 7"),
        "2",
    )
    assert [row[-1] for row in built.rules.rows] == ["2", "1"]


def test_a_file_that_could_not_be_read_is_told() -> None:
    unread = file("a.csv", readable=False, rows=0, accepted=0, rejected=0, duplicate=0, superseded=0)
    results = {"intake": [unread], "rejected_rows": [refusal("a.csv", 0, "file.empty", None)]}
    built = page(**results)
    assert built.lead[-1] == "1 file could not be read at all."
    assert built.refused.rows[0][0] == Cell("a.csv", "could not be read")
    items = index.build(written(results=together(plain_week(), results))).to_do
    assert ("Have 1 file sent again that could not be read.", "a.csv") in [(item.text, item.note) for item in items]


def test_a_file_that_was_sent_again_and_read_needs_no_doing() -> None:
    unread = file("a.csv", readable=False, rows=0, accepted=0, rejected=0, duplicate=0, superseded=0)
    again = file("a.csv", sha256="e" * 64, rejected=0, rows=9)
    results = together(plain_week(), {"intake": [unread, again]})
    assert [item.text for item in index.build(written(results=results)).to_do if "sent again" in item.text] == []


def test_columns_dropped_are_named_with_their_files() -> None:
    rows = [file("a.csv", undeclared="notes; phone"), file("b.csv", sha256="e" * 64, undeclared="phone")]
    assert page(intake=rows).dropped.rows == (("sales", "notes", "1"), ("sales", "phone", "2"))


LOADED_AT = datetime(2031, 2, 17, 3, 0)


def volume(name: str, flag: str | None = "few", told_to: date = AS_OF, **changes: Any) -> Row:
    """A row of file_volumes: a night's file of 4 rows where 60 are usual."""
    good: Row = {
        "file": name, "table": "follow_ups", "sha256": "f" * 64, "branch_id": "B3", "rows": 4, "days": 1, "usual": 60.4,
        "flag": flag, "told_from": told_to, "told_to": told_to, "loaded_at": LOADED_AT,
    }  # fmt: skip
    return good | changes


def asked(*rows: Row, loaded_at: datetime = LOADED_AT) -> list[tuple[str, str]]:
    """What the owner is asked to ask about files of unusual size, when the last file was taken in at a time."""
    results = {"intake": [file("last.csv", loaded_at=loaded_at)], "file_volumes": list(rows)}
    items = index.build(written(results=together(plain_week(), results))).to_do
    return [(item.text, item.note) for item in items if item.link == "intake.html#volumes"]


def test_files_of_unusual_size_stand_newest_first() -> None:
    rows = [
        volume("a.csv", told_to=AS_OF - timedelta(days=1)),
        volume("b.csv", None, rows=60),
        volume("c.csv", "many", rows=1200, days=2),
        volume("d.csv", "absent", rows=0),
    ]
    assert page(file_volumes=rows).volumes.rows == (
        (Cell("c.csv", "far more than usual"), "B3", "16 Feb 2031", "2", "1,200", "60"),
        (Cell("d.csv", "no row of this branch"), "B3", "16 Feb 2031", "1", "0", "60"),
        (Cell("a.csv", "far fewer than usual"), "B3", "15 Feb 2031", "1", "4", "60"),
    )


def test_the_owner_asks_about_files_of_unusual_size() -> None:
    whole, twice = "Ask branch B3 whether its follow-ups are whole.", "Ask branch B3 whether its sales hold rows twice."
    assert asked(volume("a.csv"), volume("b.csv", None)) == [
        (whole, "4 rows for 16 February 2031, where about 60 are usual.")
    ]
    assert asked(volume("a.csv", "absent", rows=0)) == [
        (whole, "0 rows for 16 February 2031, where about 60 are usual.")
    ]
    week_of_rows = volume("a.csv", "many", table="sales", rows=3000, usual=420.0, told_from=MONDAY)
    assert asked(week_of_rows) == [
        (twice, "3,000 rows for 10 February 2031 to 16 February 2031, where about 420 are usual.")
    ]


def test_the_owner_is_told_of_files_of_the_last_night_alone() -> None:
    assert asked(volume("a.csv"), loaded_at=LOADED_AT + timedelta(days=1)) == []


def test_of_many_files_of_unusual_size_the_owner_is_told_how_many() -> None:
    found = asked(*(volume(f"{number}.csv") for number in range(5)))
    assert len(found) == 4
    assert found[-1] == ("Ask about 2 further exports with far fewer or far more rows than usual.", "")


def test_what_is_unusual_is_said_as_it_is_judged() -> None:
    built = page()
    for said in (
        f"more than {volumes.FOLD} times",
        f"the last {volumes.USUAL_FILES}",
        f"at least {volumes.LEAST_DIFFERENCE} rows",
        f"fewer than {volumes.NEEDED_FILES} files",
    ):
        assert said in built.volumes_words
    assert f"last {volumes.LISTED_DAYS} days" in built.volumes.caption


def test_the_methods_say_it_too() -> None:
    [entry] = (entry for entry in methods._definitions(adult_age=18) if entry.identifier == "volumes")
    for number in (volumes.FOLD, volumes.USUAL_FILES, volumes.LEAST_DIFFERENCE, volumes.NEEDED_FILES):
        assert f" {number} " in entry.says


def test_ordinary_nights_of_the_sample_raise_no_flag(sample: Edition) -> None:
    found = sample.results["file_volumes"]
    assert found["usual"].is_not_null().sum() == found.height == 28  # seven branches' four last files
    assert found["flag"].is_null().all()
    assert intake.build(sample).volumes.rows == ()


@pytest.mark.parametrize(
    ("days_back", "note", "is_marked"),
    [(0, "", False), (2, "", False), (3, "no data since 13 February 2031", True)],
)
def test_a_branch_not_heard_of_is_marked(days_back: int, note: str, is_marked: bool) -> None:
    silent = branch("B2", name="Harbour", data_through=AS_OF - timedelta(days=days_back))
    through = page(branches=[branch(), silent]).branches.rows[1][2]
    assert isinstance(through, Cell)
    assert (through.note, through.is_marked) == (note, is_marked)


def test_a_branch_never_heard_of_has_no_day_to_tell() -> None:
    through = page(branches=[branch(), branch("B2", data_from=None, data_through=None)]).branches.rows[1][2]
    assert isinstance(through, Cell)
    assert "–" not in through.note


def gap(branch_id: str, kind: str = "lot_missing") -> Row:
    return {"procedure_id": f"P-{branch_id}-{kind}", "branch_id": branch_id, "performed_on": MONDAY, "gap": kind}


def test_gaps_stand_by_branch_in_the_order_of_their_weight() -> None:
    built = page(record_gaps=[gap("B2"), gap("B1"), gap("B1", "consent_missing")])
    assert built.gaps.heads == ("Gap", "B1", "B2")
    assert built.gaps.rows == (("Consent not recorded", "1", "0"), ("Lot not recorded", "1", "1"))


@pytest.mark.parametrize("name", ["gap", "values", "len", "branch_id"])
def test_a_branch_may_have_any_name(name: str) -> None:
    assert page(branches=[branch(name)], record_gaps=[gap(name), gap("B1")]).gaps.heads == (
        "Gap",
        *sorted(["B1", name]),
    )


def test_without_files_nothing_came_in(nothing: Edition) -> None:
    built = intake.build(nothing)
    assert (built.through, built.lead) == ("No data yet.", ("No file has come in yet.",))
    assert (built.rules.rows, built.refused.rows, built.gaps.rows) == ((), (), ())


def test_the_sample_tells_every_rule_it_breaks(sample: Edition) -> None:
    built = intake.build(sample)
    told = {row[0].text for row in built.rules.rows if isinstance(row[0], Cell)}
    assert told == set(sample.results["rejected_rows"]["rule"])
    assert all(row[2].text for row in built.rules.rows if isinstance(row[2], Cell))


def test_the_dictionary_has_every_table_column_and_rule() -> None:
    built = dictionary.build()
    assert [table.name for table in built.tables] == [table.name for table in TABLES]
    for described, declared in zip(built.tables, TABLES, strict=True):
        assert [row[0] for row in described.columns.rows] == [column.name for column in declared.columns]
        assert [row[3] for row in described.columns.rows] == [
            "yes" if column.required else "" for column in declared.columns
        ]
    assert [row[0] for row in built.rules.rows] == list(RULES)
