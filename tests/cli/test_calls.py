"""`scapha calls`: the follow-ups to make on a day, in lines, JSON and CSV; exit codes."""

import csv
import json
import stat
from collections.abc import Iterator
from contextlib import chdir
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import duckdb
import pytest
from click.testing import Result

from support.exports import Row, export, fill

from .conftest import Scapha, run
from .documents import document

AS_OF = date(2024, 6, 20)


def ago(days: int) -> str:
    return (AS_OF - timedelta(days=days)).isoformat()


def pierced(visit: str, days: int, **changes: str) -> Row:
    told = {"procedure_id": f"P-{visit}", "visit_id": visit, "client_key": f"client of {visit}"}
    return told | {"performed_at": f"{ago(days)}T10:00", "lot_no": f"lot-{visit}"} | changes


def told(visit: str, days: int, outcome: str, **changes: str) -> Row:
    at = {"follow_up_id": f"F-{visit}-{days}", "visit_id": visit, "contacted_at": f"{ago(days)}T10:00"}
    return at | {"outcome": outcome, "initiated_by": "branch"} | changes


EXPORTS = {
    "branches.csv": export("branches", {"follow_up_policy": "active"}, {"branch_id": "B2"}),
    "procedures.csv": export(
        "procedures",
        pierced("GRAVE", 30, branch_id="B2"),
        pierced("SEEN", 30),
        pierced("OPEN", 30),
        pierced("MISSED", 50),
        pierced("LATE", 15),
        pierced("ASKED", 15),
        pierced("TODAY", 0),
        pierced("EXPOSED", 5),
        pierced("DECLINED", 30),
    ),
    "follow_ups.csv": export(
        "follow_ups",
        told("GRAVE", 1, "complication", complication="embedded_stud", severity="2", channel="walk_in"),
        told("SEEN", 9, "complication", complication="embedded_stud", clinician_seen="yes", resolved_on=ago(8)),
        told("OPEN", 9, "complication", complication="minor_infection", severity="1"),
        told("MISSED", 40, "well"),
        told("ASKED", 10, "no_answer"),
        told("DECLINED", 20, "complication", complication="minor_infection"),
        told("DECLINED", 10, "declined"),
    ),
    "revisits.csv": export(
        "revisits",
        {"visit_id": "MISSED", "starts_at": f"{ago(20)}T10:00", "status": "no_show", "status_at": f"{ago(20)}T18:00"},
    ),
}
SIGNAL = "insert into result_signals by name select 'S-1' as signal_id, 'infection' as complication, 'lot' as dimension"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store after a night that kept an open signal of a lot and a closed one, and no other."""
    folder = tmp_path_factory.mktemp("called")
    fill(folder / "inbox", EXPORTS)
    with chdir(folder):
        assert run("nightly", "inbox", "--quiet").exit_code == 0
    with duckdb.connect(folder / "scapha.duckdb") as con:
        con.execute("delete from result_signals")
        for level, state in (("LOT-EXPOSED", "new"), ("LOT-TODAY", "closed")):
            days = f"date '{ago(40)}' as started_on, date '{ago(3)}' as raised_on"
            con.execute(f"{SIGNAL}, '{level}' as level, '{state}' as state, {days}")
    return folder


@pytest.fixture
def there(shop: Path) -> Iterator[Path]:
    with chdir(shop):
        yield shop


@cache
def called(*arguments: str) -> Result:
    """Run `scapha calls` there, once for each of the arguments: it changes nothing."""
    return run("calls", *arguments)


@pytest.mark.usefixtures("there")
def test_calls_come_with_why_since_when_and_by_when_the_most_urgent_first() -> None:
    found = document(called("--json", "--quiet"))
    names = ("visit_id", "branch_id", "urgency", "reason", "since", "due_on", "others")
    assert [tuple(call[name] for name in names) for call in found["calls"]] == [
        ("GRAVE", "B2", 1, "red_flag", ago(1), ago(0), []),  # though asked yesterday
        ("EXPOSED", "B1", 2, "signal", ago(3), ago(3), []),
        ("OPEN", "B1", 3, "unresolved", ago(9), ago(2), []),
        ("MISSED", "B1", 4, "missed_revisit", ago(20), ago(6), []),
        ("LATE", "B1", 5, "first_check", ago(15), ago(1), []),
    ]
    whys = [call["why"] for call in found["calls"]]
    assert whys[0] == "embedded stud or clasp, and no clinician is known to have seen it"
    assert whys[1] == "lot LOT-EXPOSED, looked into for infection"
    assert whys[2:] == ["minor infection", "did not come to the revisit", "not asked yet"]
    assert found["as_of"] == AS_OF.isoformat()
    assert found["counts"] == dict.fromkeys(("red_flag", "signal", "unresolved", "missed_revisit", "first_check"), 1)


@pytest.mark.usefixtures("there")
def test_lines_stand_by_reason_with_what_to_ask_and_the_cautions() -> None:
    text = called().stdout
    lines = text.splitlines()
    assert lines[0] == "5 calls due, as known by 20 June 2024"
    first = lines.index("Medical care today (1)")
    assert lines[first + 1] == "Has a clinician seen the ear? If not, send the client to medical care today."
    assert lines[first + 3].startswith("GRAVE  B2 ")
    assert "Fever or feeling unwell" in text


@pytest.mark.usefixtures("there")
def test_a_branch_has_its_own_calls() -> None:
    found = document(called("--branch", "B2", "--json", "--quiet"))
    assert [call["visit_id"] for call in found["calls"]] == ["GRAVE"]
    assert "1 call of B2 due" in called("--branch", "B2").stdout
    nowhere = called("--branch", "B9")
    assert (nowhere.exit_code, nowhere.stdout.splitlines()[0]) == (0, "No call of B9 due, as known by 20 June 2024")


@pytest.mark.usefixtures("there")
def test_as_of_a_past_day_calls_are_those_of_that_day() -> None:
    found = document(called("--as-of", ago(4), "--json", "--quiet"))
    # The stud was not told of yet, nor the signal raised; the complaint was five days old, other piercings eleven.
    assert [(call["visit_id"], call["reason"]) for call in found["calls"]] == [
        *(("MISSED", "missed_revisit"), ("GRAVE", "first_check"))
    ]


@pytest.mark.usefixtures("there")
def test_the_csv_is_its_owner_s_alone(tmp_path: Path) -> None:
    file = tmp_path / "calls.csv"
    assert run("calls", "--csv", file).exit_code == 0
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    rows = list(csv.DictReader(file.read_text().splitlines()))
    assert [row["visit_id"] for row in rows] == ["GRAVE", "EXPOSED", "OPEN", "MISSED", "LATE"]
    assert rows[0]["ask"].endswith("send the client to medical care today.")


@pytest.mark.usefixtures("there")
def test_no_output_tells_a_client(tmp_path: Path) -> None:
    file = tmp_path / "calls.csv"
    results = [called(), called("--json", "--quiet"), run("calls", "--csv", file)]
    assert not [text for text in (*(one.output for one in results), file.read_text()) if "client of" in text]


@pytest.mark.usefixtures("there")
def test_the_store_stays_as_it_is(shop: Path) -> None:
    before = (shop / "scapha.duckdb").read_bytes()
    assert run("calls", "--quiet").exit_code == 0
    assert (shop / "scapha.duckdb").read_bytes() == before


@pytest.mark.usefixtures("there")
@pytest.mark.parametrize("arguments", [["--as-of", "soon"], ["--csv", "calls.txt"], ["B1"]], ids=" ".join)
def test_wrong_usage_exits_2(arguments: list[str]) -> None:
    result = called(*arguments, "--json")
    assert result.exit_code == document(result)["exit_code"] == 2


def test_without_a_store_it_exits_1_and_makes_nothing(scapha: Scapha, here: Path) -> None:
    result = scapha("calls", "--json", "--csv", "calls.csv")
    assert (result.exit_code, json.loads(result.stdout)["exit_code"]) == (1, 1)
    assert list(here.iterdir()) == []
