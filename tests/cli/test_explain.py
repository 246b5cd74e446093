"""`scapha explain`: what stands behind a figure and why other records do not, in lines, JSON and CSV; exit codes."""

import csv
import json
import shutil
import stat
from collections.abc import Iterator
from contextlib import chdir
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import Result

from pipeline.receipts.figures import EXPLAINED
from support.exports import export, fill

from .conftest import CLIENT, Scapha, run
from .documents import document

PIERCED = {"performed_at": "2024-03-04T10:00", "practitioner_id": "W1"}
EXPORTS = {
    "branches.csv": export("branches", {}, {"branch_id": "B2"}),
    "products.csv": export("products", {}),
    "procedures_1.csv": export(
        "procedures",
        PIERCED,
        PIERCED | {"procedure_id": "P2", "visit_id": "V2"},
        PIERCED | {"procedure_id": "P3", "visit_id": "V3", "status": "abandoned"},
        PIERCED | {"procedure_id": "P4", "visit_id": "V4", "status": "void"},
        PIERCED | {"procedure_id": "P5", "visit_id": "V5", "performed_at": "2024-06-20T10:00"},
        PIERCED | {"procedure_id": "P6", "visit_id": "V6", "recorded_at": "2024-03-04T18:00"},
        PIERCED | {"procedure_id": "P7", "visit_id": "V7", "immediate_event": "excess_bleeding"},
        PIERCED | {"procedure_id": "P8", "visit_id": "V8", "site": CLIENT},
        PIERCED | {"procedure_id": "P9", "visit_id": "V9", "branch_id": "B2"},
    ),
    "procedures_2.csv": export(
        "procedures",
        PIERCED,
        PIERCED | {"procedure_id": "P6", "visit_id": "V6", "branch_id": "B2", "recorded_at": "2024-03-05T18:00"},
    ),
    "follow_ups.csv": export(
        "follow_ups",
        {"outcome": "complication", "complication": "minor_infection", "contacted_at": "2024-03-14T10:00"},
        {"follow_up_id": "F2", "channel": "phone", "contacted_at": "2024-03-16T10:00", "outcome": "well"},
        {"follow_up_id": "F3", "visit_id": "V2", "channel": "phone", "contacted_at": "2024-03-06T10:00"},
        {"follow_up_id": "F4", "visit_id": "V2", "complication": "perichondritis", "contacted_at": "2024-05-01T10:00"},
        {"follow_up_id": "F5", "visit_id": "V2", "complication": "tear", "contacted_at": "2024-03-07T10:00"},
        {"follow_up_id": "F6", "visit_id": "V7", "outcome": "no_answer", "contacted_at": "2024-03-20T10:00"},
    ),
    "revisits.csv": export(
        "revisits",
        {"starts_at": "2024-04-02T10:00", "thread_id": "T1", "status": "moved"},
        {"revisit_id": "R2", "starts_at": "2024-04-03T10:00", "thread_id": "T1", "status_at": "2024-04-03T11:00"},
        {"revisit_id": "R3", "visit_id": "V2", "starts_at": "2024-04-04T10:00", "status": "no_show"},
        {"revisit_id": "R4", "visit_id": "V2", "starts_at": "2024-04-05T10:00", "status": "cancelled_early"},
    ),
    "sales.csv": export(
        "sales",
        {"visit_id": "V1", "sold_at": "2024-03-04T10:30", "quantity": "2"},
        {"visit_id": "V1", "sold_at": "2024-03-04T10:30", "line_no": "2", "product_id": "Q2"},
        {"sale_id": "S2", "sold_at": "2024-03-05T10:30"},
        {"sale_id": "S3", "sold_at": "2024-03-05T10:30", "line_type": "void"},
        {"sale_id": "S4", "visit_id": "V1", "sold_at": "2024-03-06T10:30", "line_type": "refund"},
    ),
}
RATE = "complication_rates/dimension=branch,level=B1,complication=infection"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store after a night."""
    folder = tmp_path_factory.mktemp("explained")
    fill(folder / "inbox", EXPORTS)
    with chdir(folder):
        assert run("nightly", "inbox", "--quiet").exit_code == 0
    return folder


@pytest.fixture
def there(shop: Path) -> Iterator[Path]:
    with chdir(shop):
        yield shop


@cache
def explained(*arguments: str) -> Result:
    """Run `scapha explain` there, once for each of the arguments: it changes nothing."""
    return run("explain", *arguments)


def receipt(figure: str, *others: str) -> dict[str, Any]:
    return document(explained(figure, *others, "--json", "--quiet"))


def left_out(found: dict[str, Any]) -> list[tuple[str | None, str, str, str, int]]:
    return [(row["id"], row["reason"], row["detail"], row["file"], row["line"]) for row in found["left_out"]]


@pytest.mark.usefixtures("there")
def test_a_rate_names_its_piercings_their_reports_and_what_it_leaves_out() -> None:
    found = receipt(RATE)
    assert found["figure"] == RATE
    assert found["as_of"] == "2024-06-20"
    assert found["counts"] == {"procedures": 3, "events": 1, "reached": 1, "events_reached": 1, "attributed": 1}
    assert [(row["id"], row["counts_in"], row["file"], row["line"]) for row in found["counted"]] == [
        ("P1", list(found["counts"]), "procedures_1.csv", 2),
        ("P2", ["procedures"], "procedures_1.csv", 3),
        ("P7", ["procedures"], "procedures_1.csv", 8),
    ]
    assert left_out(found) == [
        ("P3", "abandoned", "", "procedures_1.csv", 4),
        ("P1", "duplicate", "", "procedures_2.csv", 2),
        ("P5", "not old enough", "performed after 2024-05-07", "procedures_1.csv", 6),
        (None, "rejected", "word.allowed (site)", "procedures_1.csv", 9),
        ("P6", "superseded", "by procedures_2.csv line 3: B2 on 2024-03-04", "procedures_1.csv", 7),
        ("P4", "void", "", "procedures_1.csv", 5),
    ]
    assert found["refused_of_no_known_place"] == 0


@pytest.mark.usefixtures("there")
def test_what_was_heard_says_whether_it_counts() -> None:
    said = {record["id"]: record for row in receipt(RATE)["counted"] for record in row["records"]}
    assert {name: record["says"] for name, record in said.items()} == {
        "F1": "minor infection from day 10, which names no piercing: an event; complication on day 10, told unasked: "
        "does not count as reached",
        "F2": "well on day 12, asked: reached",
        "F3": "well on day 2, asked: too early to vouch for the window",
        "F4": "perichondritis (infected cartilage) from day 58, which names no piercing: began after the window of 30 "
        "days; well on day 58, told unasked: does not count as reached",
        "F5": "tear from day 3, which names no piercing: another complication; well on day 3, told unasked: does not "
        "count as reached",
        "F6": "no answer on day 16",
        "P7": "excess bleeding from day 0, during the piercing: another complication",
        "R2": "attended on day 30, asked: reached",
    }
    assert (said["F4"]["file"], said["F4"]["line"]) == ("follow_ups.csv", 5)


@pytest.mark.usefixtures("there")
def test_visits_go_by_their_piercings_and_receipts() -> None:
    found = receipt("attach/dimension=branch,level=B1,period=week:2024-03-04")
    assert list(found["counts"].values()) == [3, 1, 1, 1]
    first = found["counted"][0]
    assert (first["id"], first["file"], first["counts_in"]) == ("V1", None, list(found["counts"]))
    assert [(record["id"], record["says"]) for record in first["records"]] == [
        ("P1", "completed"),
        ("S1", "aftercare sale, +2 aftercare"),
        ("S1", "sale"),
        ("S4", "aftercare refund, -1 aftercare"),
    ]
    assert [row[:2] for row in left_out(found) if str(row[0]).startswith("S")] == [
        ("S2", "belongs to no visit known"),
        ("S3", "void receipt"),
    ]


@pytest.mark.usefixtures("there")
def test_a_week_counts_visits_piercings_and_money() -> None:
    found = receipt("weekly/week=2024-03-04,branch_id=B1")
    assert found["counts"] == {
        "visits": 3, "procedures": 3, "infections_observed": 1, "aftercare_net": "9.5", "jewellery_net": "0"
    }  # fmt: skip
    sold = [(row["id"], row["amount"]) for row in found["counted"] if row["item"] == "receipt line"]
    assert sold == [("S1", "9.5"), ("S2", "9.5"), ("S4", "-9.5")]
    no_category = "its product has no category known"
    assert ("S1", "neither aftercare nor jewellery", no_category, "sales.csv", 3) in left_out(found)


@pytest.mark.usefixtures("there")
def test_revisits_name_the_one_that_was_kept_in_the_end() -> None:
    found = receipt("revisits/dimension=branch,level=B1,period=52w")
    assert list(found["counts"].values()) == [2, 1, 1, 0, 0, 2, 1]
    assert [row[:2] for row in left_out(found)] == [("R4", "cancelled early"), ("R1", "moved")]


@pytest.mark.usefixtures("there")
def test_onsets_count_what_had_met_nothing_before_and_say_when_each_began() -> None:
    found = receipt("onsets/complication=infection,day=10")
    assert found["counts"] == {"at_risk": 3, "onsets": 1}
    assert [(row["id"], row["counts_in"]) for row in found["counted"]] == [
        ("P1", ["at_risk", "onsets"]),
        ("P6", ["at_risk"]),
        ("P9", ["at_risk"]),
    ]
    said = {record["id"]: record["says"] for record in found["counted"][0]["records"]}
    assert (said["F1"], said["F2"]) == ("minor infection from day 10; complication on day 10", "well on day 12")
    assert {row[:3] for row in left_out(found)} >= {
        ("P2", "met something before", "tear, day 3"),
        ("P5", "not old enough", "performed after 2024-06-06"),
    }


@pytest.mark.usefixtures("there")
def test_a_client_is_counted_by_one_of_their_piercings_and_a_branch_by_its_own() -> None:
    found = receipt("client_shares/complication=infection")
    assert found["counts"] == {"procedures": 5, "events": 1, "clients": 1, "clients_with": 1}
    assert [row["id"] for row in found["counted"] if "clients" in row["counts_in"]] == ["P1"]
    compared = receipt("comparison/branch_id=B2,complication=infection")
    assert [row["id"] for row in compared["counted"]] == ["P6", "P9"]
    assert "count no records" in compared["definition"]


@pytest.mark.usefixtures("there")
def test_as_of_a_past_day_what_was_recorded_later_is_left_out_as_such() -> None:
    found = receipt("coverage/week=2024-03-04,branch_id=B1", "--as-of", "2024-03-04")
    assert found["counts"] == {"procedures": 4, "reached": 0}
    assert ("P6", "recorded after the as-of date", "", "procedures_2.csv", 3) in left_out(found)


@pytest.mark.usefixtures("there")
def test_the_lines_say_the_figure_its_definition_and_the_reasons() -> None:
    lines = explained(RATE).stdout.splitlines()
    assert lines[0] == f"{RATE}, as known by 20 June 2024"
    assert "More: methods.html#old-enough." in explained(RATE).stdout
    assert "procedures      3" in lines
    assert "Left out: abandoned 1; duplicate 1; not old enough 1; rejected 1; superseded 1; void 1" in lines
    assert any(
        line.split() == ["2024-03-04", "B1", "piercing", "P4", "void", "procedures_1.csv", "5"] for line in lines
    )


@pytest.mark.usefixtures("there")
def test_the_csv_is_its_owner_s_alone_and_tells_the_same(tmp_path: Path) -> None:
    file = tmp_path / "receipt.csv"
    assert run("explain", RATE, "--csv", file, "--quiet").exit_code == 0
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    rows = list(csv.DictReader(file.read_text().splitlines()))
    assert [row["of"] for row in rows if row["part"] == "counted"] == ["piercing P1", "piercing P2", "piercing P7"]
    assert [row["why"] for row in rows if row["id"] == "P4"] == ["void"]
    assert len([row for row in rows if row["part"] == "record"]) == 8
    assert all(row["file"] and row["line"] and len(row["sha256"]) == 64 for row in rows)


@pytest.mark.usefixtures("there")
def test_no_output_tells_a_client_a_refused_value_or_a_practitioner(tmp_path: Path) -> None:
    file = tmp_path / "receipt.csv"
    run("explain", RATE, "--csv", file, "--quiet")
    texts = [explained(RATE).output, explained(RATE, "--json", "--quiet").output, file.read_text()]
    with duckdb.connect("scapha.duckdb", read_only=True) as con:
        ((pseudonym,),) = con.execute("select distinct client_key from raw_procedures").fetchall()
    told = ("client one", CLIENT, pseudonym, "W1", "P8")
    assert [word for text in texts for word in told if word in text] == []


@pytest.mark.usefixtures("there")
def test_without_a_figure_it_lists_what_can_be_explained() -> None:
    listed = document(explained("--json"))["figures"]
    assert [one["table"] for one in listed] == [one.table for one in EXPLAINED]
    assert "coverage/week=…,branch_id=…" in explained().stdout


@pytest.mark.usefixtures("there")
@pytest.mark.parametrize(
    ("figure", "told"),
    [
        ("rates/level=B1", "Name one of complication_rates,"),
        ("coverages", "Nearest: coverage."),
        ("coverage/week", "coverage is not told apart by week."),
        ("coverage/weak=2024-03-04", "coverage is not told apart by weak. Nearest: week."),
        ("coverage/week=2024-03-04,week=2024-03-04", "week stands twice."),
        ("coverage/week=2024-03-05", "coverage has no week 2024-03-05, or not with what stands before it."),
        ("coverage/branch_id=B1", "2 figures of coverage are named so. Say week too."),
        ("complication_rates/dimension=branch,level=B1,complication=infections", "Nearest: infection"),
    ],
)
def test_a_figure_that_is_none_is_refused_with_what_there_is(figure: str, told: str) -> None:
    result = explained(figure, "--json", "--quiet")
    assert result.exit_code == document(result)["exit_code"] == 2
    assert told in result.stderr


@pytest.mark.usefixtures("there")
def test_a_part_may_be_left_out_as_long_as_one_figure_is_meant() -> None:
    found = receipt("complication_rates/dimension=all, complication = infection")
    assert found["key"] == {"dimension": "all", "level": "all", "complication": "infection"}


@pytest.mark.usefixtures("there")
def test_a_week_that_is_aged_out_is_refused(tmp_path: Path) -> None:
    shutil.copytree(".", tmp_path, dirs_exist_ok=True, symlinks=True)
    with duckdb.connect(tmp_path / "scapha.duckdb") as con:
        con.execute("insert into ageing values (date '2024-04-01', date '2024-04-29')")
    arguments = ("--store", str(tmp_path / "scapha.duckdb"), "--quiet")
    result = run("explain", "coverage/week=2024-03-04,branch_id=B1", *arguments)
    assert (result.exit_code, "aged out" in result.stderr) == (2, True)
    assert run("explain", "coverage/week=2024-06-17,branch_id=B1", *arguments).exit_code == 0


@pytest.mark.usefixtures("there")
def test_the_store_stays_as_it_is(shop: Path) -> None:
    before = (shop / "scapha.duckdb").read_bytes()
    assert run("explain", RATE, "--quiet").exit_code == 0
    assert (shop / "scapha.duckdb").read_bytes() == before


@pytest.mark.usefixtures("there")
@pytest.mark.parametrize("arguments", [["--as-of", "soon"], ["--csv", "receipt.txt"], [RATE, "B1"]], ids=" ".join)
def test_wrong_usage_exits_2(arguments: list[str]) -> None:
    result = explained(*([RATE] if len(arguments) == 2 and arguments[0] != RATE else []), *arguments, "--json")
    assert result.exit_code == document(result)["exit_code"] == 2


def test_without_a_store_it_exits_1_and_makes_nothing(scapha: Scapha, here: Path) -> None:
    result = scapha("explain", RATE, "--json", "--csv", "receipt.csv")
    assert (result.exit_code, json.loads(result.stdout)["exit_code"]) == (1, 1)
    assert list(here.iterdir()) == []
