"""`scapha trace`: who was exposed, in lines, JSON and CSV; what is not known; exit codes."""

import csv
import json
import re
import stat
from collections.abc import Iterator
from contextlib import chdir
from functools import cache
from pathlib import Path

import pytest
from click.testing import Result

from support.exports import export, fill

from .conftest import Scapha, run
from .documents import document

AGE = "117"
FORMULA = "=1+1"
EXPORTS = {
    "branches.csv": export("branches", {}, {"branch_id": "B2"}),
    "procedures.csv": export(
        "procedures",
        {"lot_no": " lot-1 ", "age_years": AGE, "practitioner_id": "W1", "ear": "left", "article_id": FORMULA},
        {"procedure_id": "P2", "lot_no": "LOT-2", "ear": "right"},
        {"procedure_id": "P3", "visit_id": "V2", "branch_id": "B2", "lot_no": "LOT-1", "client_key": "client two"},
        {"procedure_id": "P4", "visit_id": "V3", "lot_no": "LOT-1", "status": "abandoned"},
        {"procedure_id": "P5", "visit_id": "V4", "lot_no": "LOT-1", "performed_at": "2024-06-20T10:00"},
        {"procedure_id": "P6", "visit_id": "V5", "lot_no": "LOT-I"},
    ),
    "follow_ups.csv": export(
        "follow_ups",
        {"outcome": "well", "initiated_by": "branch"},
        {
            "follow_up_id": "F2",
            "visit_id": "V2",
            "procedure_id": "P3",
            "outcome": "complication",
            "complication": "perichondritis",
            "onset_on": "2024-05-15",
            "severity": "3",
            "certainty": "probable",
            "clinician_seen": "yes",
            "initiated_by": "client",
            "recorded_at": "2024-05-21T09:00",
        },
    ),
    "sales.csv": export("sales", {"visit_id": "V1", "batch_no": "bt-9"}),
    "products.csv": export("products", {}),
    "lots.csv": export("lots", {"lot_no": "LOT-1", "quantity": "20"}, {"lot_no": "LOT-2"}),
    "stock_counts.csv": export("stock_counts", {"lot_no": "LOT-1", "spoiled": "1"}),
}
CLIENTS = ("client one", "client two")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store after a night."""
    folder = tmp_path_factory.mktemp("traced")
    fill(folder / "inbox", EXPORTS)
    with chdir(folder):
        assert run("nightly", "inbox", "--quiet").exit_code == 0
    return folder


@pytest.fixture
def there(shop: Path) -> Iterator[Path]:
    with chdir(shop):
        yield shop


@cache
def traced(*arguments: str) -> Result:
    """Run `scapha trace` there, once for each of the arguments: it changes nothing."""
    return run("trace", *arguments)


@pytest.mark.usefixtures("there")
def test_a_lot_is_traced_to_everyone_exposed() -> None:
    told = document(traced("--lot", "lot-1 ", "--json", "--quiet"))
    assert (told["dimension"], told["level"], told["as_of"]) == ("lot", "LOT-1", "2024-06-20")
    assert [line["procedure_id"] for line in told["exposed"]] == ["P1", "P5", "P3"]  # by branch, then day
    first, latest, reported = told["exposed"]
    assert (first["contact"], first["reached_on"], first["age_band"]) == ("reached", "2024-05-20", "18+")
    assert (latest["contact"], latest["reports"]) == ("not asked yet", [])  # pierced on the day itself
    (report,) = reported.pop("reports")
    assert reported["contact"] == "not asked yet"  # the client told unasked
    assert report == {
        "kind": "perichondritis",
        "onset_day": 12,
        "severity": 3,
        "certainty": "probable",
        "clinician_seen": True,
        "referred_same_day": None,
        "reported_on": "2024-05-20",
        "recorded_on": "2024-05-21",
        "is_attributed": False,
        "over_on": None,
    }
    assert told["not_asked"] == {"B1": ["V4"], "B2": ["V2"]}


@pytest.mark.usefixtures("there")
def test_its_head_counts_by_branch() -> None:
    told = document(traced("--lot", "LOT-1", "--json", "--quiet"))
    names = ("branch_id", "exposed", "reached", "not_asked", "infected", "with_complication", "mature")
    assert [[row[name] for name in names] for row in [*told["branches"], told["all"]]] == [
        ["B1", 2, 1, 1, 0, 0, 1],
        ["B2", 1, 0, 1, 1, 1, 1],
        [None, 3, 1, 2, 1, 1, 2],
    ]
    assert told["all"]["rate"] == 0.5


@pytest.mark.usefixtures("there")
def test_its_packs_are_reckoned_by_branch() -> None:
    told = document(traced("--lot", "LOT-1", "--json", "--quiet"))
    names = ("branch_id", "received", "used", "spoiled", "should_be", "on_hand", "used_since", "unexplained")
    # B1 received 20, used P1, P4 and, since the count of 1 June, P5, and threw one away: 17 - 1 were there.
    assert [[row[name] for name in names] for row in told["stock"]] == [
        ["B1", 20, 3, 1, 16, 12, 1, 5],
        ["B2", None, 1, None, None, None, None, None],
    ]
    text = traced("--lot", "LOT-1").stdout
    assert [line.split("  ")[0] for line in text.splitlines() if "not known" in line] == ["B2"]


@pytest.mark.usefixtures("there")
def test_a_batch_a_visit_and_a_piercing_are_traced_too() -> None:
    exposed = {}
    for option in ("--batch=BT-9", "--visit= V1 ", "--procedure=P2"):
        told = document(traced(option, "--json", "--quiet"))
        exposed[option] = [line["procedure_id"] for line in told["exposed"]]
        assert told["stock"] == []
        assert told["batches"] == ["BT-9"]
    assert exposed == {"--batch=BT-9": ["P1", "P2"], "--visit= V1 ": ["P1", "P2"], "--procedure=P2": ["P2"]}
    assert document(traced("--visit", "V1", "--json", "--quiet"))["lots"] == ["LOT-1", "LOT-2"]


@pytest.mark.usefixtures("there")
def test_lines_name_everyone_and_end_in_the_cautions() -> None:
    text = traced("--lot", "LOT-1").stdout
    assert text.startswith("Lot LOT-1, as known by 20 June 2024\n")
    assert "perichondritis (infected cartilage) from day 12, severity 3, probable, clinician seen" in text
    assert "Not asked yet, B2: V2" in text
    assert "Exposed to aftercare batches: BT-9" in text
    assert "medical care today" in text
    assert all(f" {name} " in text for name in ("P1", "P3", "P5"))
    assert "P4" not in text  # abandoned: no piercing, though it took a pack


@pytest.mark.usefixtures("there")
def test_what_may_be_a_slip_of_the_pen_for_the_lot_is_named() -> None:
    result = traced("--lot", "LOT-1")
    assert "no delivery names, perhaps the same: LOT-I" in result.stdout  # LOT-2 was delivered: another lot


@pytest.mark.usefixtures("there")
def test_of_a_name_nobody_knows_it_says_so_with_those_alike() -> None:
    result = traced("--lot", "LOT1", "--json")
    told = document(result)
    assert (result.exit_code, told["exposed"], told["branches"], told["stock"]) == (0, [], [], [])
    assert "No completed piercing is known of lot LOT1 by 2024-06-20" in result.stderr
    assert set(told["alike"]) == {"LOT-1", "LOT-2", "LOT-I"}
    assert "nearly that name: LOT-" in result.stderr
    unknown = traced("--visit", "nobody")
    assert unknown.exit_code == 0
    assert "is known of visit nobody" in unknown.stderr


@pytest.mark.usefixtures("there")
def test_as_of_a_past_day_it_tells_what_was_known_then() -> None:
    told = document(traced("--lot", "LOT-1", "--as-of", "2024-05-20", "--json"))
    assert [line["procedure_id"] for line in told["exposed"]] == ["P1", "P3"]
    assert [line["reports"] for line in told["exposed"]] == [[], []]  # recorded on the 21st
    assert (told["stock"][0]["used"], told["stock"][0]["counted_on"]) == (2, None)


@pytest.mark.usefixtures("there")
def test_no_output_tells_a_client_or_an_age(tmp_path: Path) -> None:
    file = tmp_path / "exposed.csv"
    results = [
        *(traced("--lot", "LOT-1", *options) for options in ([], ["--json", "--quiet"])),
        run("trace", "--lot", "LOT-1", "--csv", file),
    ]
    for text in (*(result.output for result in results), file.read_text()):
        assert not [word for word in (*CLIENTS, "client_key", "age_years") if word in text]
        assert not re.search(rf"(?<![\d.]){AGE}(?![\d.])", text)


@pytest.mark.usefixtures("there")
def test_the_line_list_as_csv_is_its_owner_s_alone_and_no_formula(tmp_path: Path) -> None:
    file = tmp_path / "lists" / "exposed.csv"
    for _ in range(2):  # one of that name goes, and with it rights that others had
        assert run("trace", "--lot", "LOT-1", "--csv", file).exit_code == 0
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        file.chmod(0o644)
    rows = list(csv.DictReader(file.read_text().splitlines()))
    assert [row["procedure_id"] for row in rows] == ["P1", "P5", "P3"]
    assert rows[0]["article_id"] == f"'{FORMULA}"
    assert rows[2]["reports"].startswith("perichondritis (infected cartilage) from day 12, severity 3")
    assert (rows[1]["reports"], rows[1]["contact"]) == ("", "not asked yet")
    assert [path.name for path in file.parent.iterdir()] == ["exposed.csv"]


@pytest.mark.usefixtures("there")
@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--lot", "L", "--batch", "B"],
        ["--lot", " "],
        ["--lot", "LOT-1", "--csv", "list.txt"],
        ["--as-of", "1900-01-01"],
    ],
    ids=" ".join,
)
def test_wrong_usage_exits_2(arguments: list[str]) -> None:
    result = traced(*arguments, "--json")
    assert result.exit_code == document(result)["exit_code"] == 2


def test_without_a_store_it_exits_1_and_makes_nothing(scapha: Scapha, here: Path) -> None:
    result = scapha("trace", "--lot", "L", "--json", "--csv", "list.csv")
    assert (result.exit_code, json.loads(result.stdout)["exit_code"]) == (1, 1)
    assert list(here.iterdir()) == []


@pytest.mark.usefixtures("inbox")
def test_in_a_store_without_rows_nothing_is_known_and_nobody_called(scapha: Scapha, here: Path) -> None:
    fill(here / "inbox", {"procedures.csv": "procedure_id,visit_id,branch_id,performed_at,site\n"})
    assert scapha("nightly", "inbox").exit_code == 0
    result = scapha("trace", "--visit", "V1")
    assert result.exit_code == 0
    assert "there is no data yet" in result.stderr
    called = scapha("calls", "--quiet")
    assert (called.exit_code, called.stdout.splitlines()[0]) == (0, "No call due, as there is no data yet")
