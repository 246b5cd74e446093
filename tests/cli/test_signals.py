"""`scapha signals`, `signals note` and `replay`, on a chain that used a bad lot, night by night."""

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import chdir
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import Result

from pipeline import nightly
from pipeline import replay as replaying
from pipeline.count import count
from pipeline.history import MEASURES
from pipeline.nightly import Outcome, run_night
from pipeline.notes import Note, seal_of, write_note
from pipeline.results import RESULT_BY_NAME
from pipeline.settings import Settings
from pipeline.signals import signal_rows
from pipeline.store.database import read_store
from pipeline.watch.night import Memory, watch
from support.exports import Row, export, fill

from .conftest import Scapha, run
from .documents import document

DAY_0, DAYS = date(2024, 5, 1), 11
FIRST_NIGHT = 6
"""The day on which the first night takes in what came before it too."""
CLIENT = "Cordelia Quillfeather"
COLUMNS = (
    *("signal_id", "raised_on", "complication", "dimension", "level", "method", "started_on", "observed", "expected"),
    *("ratio", "ratio_low", "ratio_high", "statistic", "threshold", "state"),
)
"""Of signals.csv, as the contract has them."""

Rows = list[dict[str, Any]]


def day(number: int) -> date:
    return DAY_0 + timedelta(days=number)


LAST = day(DAYS - 1)


def pierced(number: int, at: int) -> Row:
    """One of a day's piercings; from the third day on some are of the bad lot, from the first night on of a new one."""
    lot = "BAD" if number >= 2 and at < 4 else "NEW" if number >= FIRST_NIGHT and at == 11 else f"L{at % 2}"
    key = f"{number}-{at}"
    return {
        "procedure_id": f"P{key}",
        "visit_id": f"V{key}",
        "client_key": f"{CLIENT} {key}",
        "performed_at": f"{day(number)}T{9 + at // 2:02d}:00",
        "lot_no": lot,
    }


def told(number: int, at: int) -> Row:
    """What a client of the bad lot tells three days after the piercing."""
    key = f"{number - 3}-{at}"
    contact = {"follow_up_id": f"F{key}", "visit_id": f"V{key}", "contacted_at": f"{day(number)}T18:00"}
    return contact | {"outcome": "complication", "complication": "minor_infection", "channel": "walk_in"}


def exports_of(number: int) -> dict[str, str]:
    """A day's files: few piercings on the first two days, then twelve; from the first night on somebody comes back."""
    n = 4 if number < 2 else 12
    files = {f"procedures_{day(number)}.csv": export("procedures", *(pierced(number, at) for at in range(n)))}
    if number >= FIRST_NIGHT:
        files[f"follow_ups_{day(number)}.csv"] = export(
            "follow_ups", *(told(number, at) for at in range(3 - number % 3))
        )
    return files


def corrected(number: int) -> dict[str, str]:
    """A day's files on a chain that records late: voids, corrections and reports of days before."""
    late = {"recorded_at": f"{day(number)}T20:00"}
    rows: dict[int, dict[str, list[Row]]] = {
        6: {"procedures": [pierced(3, 1) | {"status": "void"}], "follow_ups": [told(6, 3)]},
        7: {
            "procedures": [pierced(2, 1) | {"lot_no": "L1"}, pierced(4, 13) | {"lot_no": "BAD"}],
            "follow_ups": [told(6, 0) | {"outcome": "well", "complication": ""}, told(7, 13)],
        },
        8: {
            "procedures": [pierced(6, 11) | {"site": "helix", "visit_id": "V6-10"}],
            "follow_ups": [told(8, 3) | {"visit_id": "", "client_key": f"{CLIENT} 5-2"}],
        },
        9: {
            "procedures": [pierced(3, 1), pierced(5, 0) | {"performed_at": f"{day(7)}T09:00"}],
            "revisits": [{"visit_id": "V2-2", "starts_at": f"{day(8)}T10:00"}],
            "sales": [{"visit_id": "V4-1", "sold_at": f"{day(4)}T12:00", "batch_no": "X1"}],
        },
    }
    late = {"recorded_at": f"{day(number)}T20:00"}
    return exports_of(number) | {
        f"{table}_late_{day(number)}.csv": export(table, *(change | late for change in changes))
        for table, changes in rows.get(number, {}).items()
    }


def spend_night(folder: Path, number: int, exports: Callable[[int], dict[str, str]] = exports_of) -> Outcome:
    """Take in what the days until then brought, at three in the night after the last of them."""
    for brought in range(min(number + 1, DAYS)):
        fill(folder / "inbox", exports(brought))
    return run_night(
        folder / "inbox",
        store=folder / "scapha.duckdb",
        site=folder / "site",
        settings=Settings(),
        as_of=None,
        clock=lambda: datetime(2024, 5, 2, 3, tzinfo=UTC) + timedelta(days=number),
        progress=lambda _: None,
    )


@pytest.fixture(scope="module")
def quick() -> Iterator[None]:
    """Let sites be quick to build, and a replay begin some days before its first night: half a year takes long."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", lambda _, folder: (folder / "index.html").write_text("<p>built</p>"))
        patch.setattr(replaying, "LONGEST", FIRST_NIGHT)
        yield


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, quick: None) -> tuple[Path, dict[date, Rows]]:
    """A folder after all nights, and the signals as each left them."""
    assert quick is None
    folder, left = tmp_path_factory.mktemp("watched"), {}
    for number in range(FIRST_NIGHT, DAYS):
        spend_night(folder, number)
        left[day(number)] = document(run("signals", "--store", folder / "scapha.duckdb", "--json"))["signals"]
    return folder, left


@pytest.fixture
def there(shop: tuple[Path, dict[date, Rows]]) -> Iterator[Path]:
    with chdir(shop[0]):
        yield shop[0]


@pytest.fixture
def copied(shop: tuple[Path, dict[date, Rows]], here: Path) -> Path:
    """The current folder of a test that changes the store."""
    shutil.copytree(shop[0], here, symlinks=True, dirs_exist_ok=True)
    return here


@cache
def listed() -> Result:
    return run("signals", "--json")


def watched_again(first: date, last: date) -> Rows:
    result = run("replay", "--from", str(first), "--to", str(last), "--json", "--quiet")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert isinstance(found, list)
    return found


# signals


@pytest.mark.usefixtures("there")
def test_signals_are_listed_with_their_columns() -> None:
    found = document(listed())
    assert listed().exit_code == 0
    assert (found["notes"], found["altered_note"], found["seal"]) == ([], None, "")
    for row in found["signals"]:
        assert tuple(row)[: len(COLUMNS)] == COLUMNS
        assert tuple(row) == tuple(RESULT_BY_NAME["signals"].schema)
    first = found["signals"][0]
    assert ("lot", "BAD") in {(row["dimension"], row["level"]) for row in found["signals"]}
    assert first["signal_id"].startswith("S-")
    assert first["incident_id"].startswith("I-")
    assert date.fromisoformat(first["raised_on"]) < LAST


@pytest.mark.usefixtures("there")
def test_lines_tell_each_signal_and_end_in_the_cautions() -> None:
    text = run("signals").stdout
    assert text.splitlines()[0].split()[:4] == ["signal", "state", "complication", "slice"]
    assert all(row["signal_id"] in text for row in document(listed())["signals"])
    assert "lot:BAD" in text
    assert "medical care today" in text


@pytest.mark.usefixtures("there")
def test_listing_changes_nothing() -> None:
    before = Path("scapha.duckdb").read_bytes()
    run("signals")
    run("replay", "--from", "2024-05-01", "--to", "2024-05-01")
    assert Path("scapha.duckdb").read_bytes() == before


def test_where_none_was_raised_it_says_so(scapha: Scapha, after: Path) -> None:
    assert after.is_dir()
    assert scapha("signals").stdout == "No signal has been raised.\n"
    assert document(scapha("signals", "--json"))["signals"] == []
    result = scapha("replay", "--from", "2024-05-01", "--to", "2024-05-02", "--json", "--quiet")
    assert (result.exit_code, json.loads(result.stdout)) == (0, [])


@pytest.mark.parametrize(
    "command",
    [
        ["signals"],
        ["signals", "note", "S-0", "--state", "chance"],
        ["replay", "--from", "2024-05-01", "--to", "2024-05-02"],
    ],
    ids=" ".join,
)
def test_without_a_store_they_exit_1_and_make_nothing(scapha: Scapha, here: Path, command: list[str]) -> None:
    result = scapha(*command, "--json")
    assert result.exit_code == document(result)["exit_code"] == 1
    assert list(here.iterdir()) == []


@pytest.mark.parametrize(
    "command",
    [
        ["signals"],
        ["signals", "note", "S-0", "--state", "chance"],
        ["replay", "--from", "2024-05-01", "--to", "2024-05-02"],
    ],
    ids=" ".join,
)
def test_without_its_key_they_exit_1(scapha: Scapha, after: Path, command: list[str]) -> None:
    (after / "scapha.key").unlink()
    result = scapha(*command, "--json")
    assert result.exit_code == document(result)["exit_code"] == 1
    assert "scapha.key" in result.stderr


# signals note


def incident() -> tuple[str, str]:
    """The open incident of the bad lot, and its first signal."""
    rows = document(run("signals", "--json"))["signals"]
    found = next(row for row in rows if row["level"] == "BAD")
    return found["incident_id"], found["signal_id"]


def test_a_note_is_kept_sealed_and_told(copied: Path) -> None:
    assert copied.is_dir()
    incident_id, signal_id = incident()
    first = document(run("signals", "note", signal_id, "--state", "looked_into", "--by", "QL", "--json"))
    assert (first["incident_id"], first["state"], first["previous"]) == (incident_id, "looked_into", "")
    why = "the seals were torn"
    result = run("signals", "note", incident_id, "--state", "explained", "--cause", "lot:BAD", "--why", why)
    assert (result.exit_code, result.stdout.split(";")[0]) == (0, f"{incident_id} is explained")
    found = document(run("signals", "--json"))
    assert [note["state"] for note in found["notes"]] == ["looked_into", "explained"]
    second = found["notes"][1]
    assert second["previous"] == first["seal"]
    assert second["seal"] == found["seal"] == seal_of(second)
    assert (second["cause_dimension"], second["cause_level"]) == ("lot", "BAD")
    states = {row["state"] for row in found["signals"] if row["incident_id"] == incident_id}
    assert (states, found["altered_note"]) == ({"explained"}, None)
    assert why in run("signals").stdout


def test_notes_stand_in_the_journal_and_in_a_store_made_again(copied: Path) -> None:
    run("signals", "note", incident()[0], "--state", "chance", "--why", "größe")
    held = document(run("signals", "--json"))
    (copied / "scapha.duckdb").unlink()
    assert run("rebuild", "--quiet").exit_code == 0
    assert document(run("signals", "--json")) == held


def test_an_altered_note_is_told(copied: Path) -> None:
    for state in ("looked_into", "chance"):
        run("signals", "note", incident()[0], "--state", state, "--why", "as it was")
    with duckdb.connect(copied / "scapha.duckdb") as con:
        con.execute("update watch_memory set entry = replace(entry, 'as it was', 'as it is') where id = '000001'")
    assert document(run("signals", "--json"))["altered_note"] == 1
    assert run("signals").stdout.startswith("Note 1 is not as it was written.")


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["S-unknown", "--state", "chance"], "S-unknown"),
        (["ID", "--state", "forgotten"], "forgotten"),
        (["ID", "--state", "faded"], "faded"),
        (["ID"], "--state"),
        ([], "ID"),
        (["ID", "--state", "chance", "--why", "x" * 501], "--why"),
        (["ID", "--state", "chance", "--cause", "x" * 501], "--cause"),
    ],
)
@pytest.mark.usefixtures("there")
def test_a_note_of_nothing_known_exits_2_and_is_not_kept(arguments: list[str], named: str) -> None:
    before = {path.name: path.read_bytes() for path in Path().glob("scapha.[dkj]*")}
    known = [incident()[0] if word == "ID" else word for word in arguments]
    result = run("signals", "note", *known, "--json")
    assert result.exit_code == document(result)["exit_code"] == 2
    assert named in result.stderr
    assert {path.name: path.read_bytes() for path in Path().glob("scapha.[dkj]*")} == before


def test_after_a_note_the_incident_is_closed_and_its_slice_begins_anew(copied: Path, quick: None) -> None:
    assert quick is None
    incident_id, signal_id = incident()
    note = Note(state="explained", cause="lot:BAD", by="QL", why="the seals were torn")
    write_note(copied / "scapha.duckdb", signal_id, note, now=datetime.combine(LAST, datetime.min.time()))
    outcome = spend_night(copied, DAYS)
    assert outcome.new_signals == ()
    rows = document(run("signals", "--json"))["signals"]
    assert {row["state"] for row in rows if row["incident_id"] == incident_id} == {"explained"}
    with duckdb.connect(copied / "scapha.duckdb", read_only=True) as con:
        open_now = con.execute("select level from result_incidents where incident_id = ?", [incident_id]).fetchall()
        assert open_now == []


# replay


@pytest.mark.parametrize("last", [day(8), LAST], ids=str)
def test_a_replay_is_what_the_nights_left(
    shop: tuple[Path, dict[date, Rows]], last: date, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(shop[0])
    assert by_id(watched_again(day(FIRST_NIGHT), last)) == by_id(shop[1][last])


def by_id(rows: Rows) -> dict[str, dict[str, Any]]:
    return {row["signal_id"]: row for row in rows}


def test_a_replay_knows_what_its_nights_knew_of_late_records_corrections_and_notes(
    shop: tuple[Path, dict[date, Rows]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    left: dict[date, Rows] = {}
    for number in range(FIRST_NIGHT, DAYS):
        assert spend_night(tmp_path, number, corrected).n_rejected == 0
        left[day(number)] = document(run("signals", "--json"))["signals"]
        if number == 8:
            note = Note(state="explained", cause="lot:BAD", by="QL", why="the seals were torn")
            write_note(tmp_path / "scapha.duckdb", incident()[1], note, now=datetime.combine(day(9), time()))
    for night, rows in left.items():
        assert by_id(watched_again(day(FIRST_NIGHT), night)) == by_id(rows)
        assert by_id(rows) != by_id(shop[1][night])  # the records that came late count
    assert "explained" in {row["state"] for row in left[LAST]}


@pytest.mark.parametrize("budget", [2.0, 40.0])
def test_a_replay_for_another_budget_is_that_of_nights_that_had_it(copied: Path, budget: float) -> None:
    (copied / "other.toml").write_text(f"false_alarms_a_year = {budget}\n")
    memory = Memory()
    with read_store(copied / "scapha.duckdb") as con:
        for number in range(DAYS):
            _, measures = count(con, Settings(), day(number), MEASURES)
            left = watch(measures, day(number), memory, budget)
            memory = replace(memory, signals=left["signals"], thresholds=left["thresholds"])
    found = run("replay", "--from", str(DAY_0), "--to", str(LAST), "--settings", "other.toml", "--json", "--quiet")
    assert by_id(json.loads(found.stdout)) == by_id(signal_rows(memory.signals))


def test_something_was_raised_on_several_nights(shop: tuple[Path, dict[date, Rows]]) -> None:
    raised = {row["raised_on"] for row in shop[1][LAST]}
    assert len(raised) > 1
    assert len({len(rows) for rows in shop[1].values()}) > 1


@pytest.mark.usefixtures("there")
def test_what_stood_on_the_first_night_has_the_day_it_was_raised(shop: tuple[Path, dict[date, Rows]]) -> None:
    found = watched_again(LAST, LAST)
    assert by_id(found) == by_id(shop[1][LAST])
    assert any(row["raised_on"] < str(LAST) for row in found)
    assert all(tuple(row)[: len(COLUMNS)] == COLUMNS for row in found)


def test_thresholds_of_a_replay_are_those_in_force_on_its_nights(copied: Path) -> None:
    """Those that the first night set hold on it, whatever sets the replay makes for the smaller chain before it."""
    held = (
        "update watch_memory set entry = regexp_replace(entry, '\"threshold\": [0-9.]+', '\"threshold\": 6.125', 'g')"
    )
    with duckdb.connect(copied / "scapha.duckdb") as con:
        con.execute(f"{held} where kind = 'thresholds'")
    first = watched_again(day(FIRST_NIGHT), day(FIRST_NIGHT))
    assert {row["threshold"] for row in first} == {6.125}


@pytest.mark.usefixtures("there")
def test_a_replay_for_people_has_a_line_for_each() -> None:
    assert again_for_people().exit_code == 0
    assert "lot:BAD" in again_for_people().stdout


@cache
def again_for_people() -> Result:
    return run("replay", "--from", str(LAST), "--to", str(LAST), "--quiet")


def test_a_replay_goes_by_the_settings_it_is_given(copied: Path) -> None:
    # A budget so small that no evidence is enough; thresholds of the nights were for another.
    (copied / "strict.toml").write_text("false_alarms_a_year = 1e-300\n")
    result = run("replay", "--from", str(LAST), "--to", str(LAST), "--settings", "strict.toml", "--json", "--quiet")
    assert (result.exit_code, json.loads(result.stdout)) == (0, [])


@pytest.mark.usefixtures("there")
@pytest.mark.parametrize(
    "arguments",
    [
        ["--from", "2024-05-02", "--to", "2024-05-01"],
        ["--from", "2024-05-02"],
        ["--to", "2024-05-02"],
        ["--from", "2024-05-32", "--to", "2024-06-02"],
        ["--from", "2024-05-01", "--to", "2024-05-02", "--settings", "missing.toml"],
    ],
    ids=" ".join,
)
def test_wrong_usage_exits_2(arguments: list[str]) -> None:
    result = run("replay", *arguments, "--json")
    assert result.exit_code == document(result)["exit_code"] == 2


@pytest.mark.usefixtures("there")
def test_no_output_tells_a_client() -> None:
    results = [*(run("signals", *option) for option in ([], ["--json"])), again_for_people()]
    assert all(CLIENT not in result.output and "BAD" in result.output for result in results)
