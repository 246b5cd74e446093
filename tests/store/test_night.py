"""A night happens whole or not at all, and one with nothing new changes nothing."""

import stat
from datetime import date, timedelta
from pathlib import Path

import duckdb
import pytest

from pipeline import nightly
from pipeline.errors import LockedError, StoreError, UsageError
from pipeline.store.database import hold_lock
from support.exports import NOW, export

from .conftest import FIRST, Shop

SECOND = {"procedures_2.csv": export("procedures", {"procedure_id": "P50", "visit_id": "V50"})}
TOMORROW = NOW + timedelta(days=1)


class BreakdownError(Exception):
    """A fault that no one foresaw."""


def breaks(*_: object, **__: object) -> None:
    raise BreakdownError


OWN_FILES = ("shop.duckdb", "scapha.key", "shop.duckdb.lock")

STEPS = ("take_in", "count", "judge", "build_site")


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("step", STEPS)
def test_a_first_night_that_fails_leaves_no_store_no_key_and_no_site(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    monkeypatch.setattr(nightly, step, breaks)
    with pytest.raises(BreakdownError):
        shop.night(FIRST)
    assert shop.state() == {}


@pytest.mark.usefixtures("quick")
def test_a_later_night_that_fails_leaves_store_key_and_site_as_they_were(
    open_shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = open_shop.state()
    for step in STEPS:
        with monkeypatch.context() as patch:
            patch.setattr(nightly, step, breaks)
            with pytest.raises(BreakdownError):
                open_shop.night(SECOND)
        assert open_shop.state() == before, step
    outcome = open_shop.night()
    assert outcome.taken is not None
    assert [load.path for load in outcome.taken.loads] == ["procedures_2.csv"]


@pytest.mark.usefixtures("quick")
def test_a_night_interrupted_while_it_publishes_is_mended_by_the_next(
    open_shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(nightly, "build_site", lambda _, folder: (folder / "index.html").write_text("<p>newer</p>"))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", breaks)
        with pytest.raises(BreakdownError):
            open_shop.night(SECOND)
    assert (open_shop.site / "index.html").read_text() == "<p>built</p>"
    assert open_shop.night().is_site_changed
    assert (open_shop.site / "index.html").read_text() == "<p>newer</p>"


def test_a_night_with_nothing_new_changes_no_byte_of_store_or_site(shop: Shop) -> None:
    assert shop.night(FIRST).is_site_changed
    before = shop.state()
    assert any(name.endswith("tables/intake.csv") for name in before)
    times = {path: path.stat().st_mtime_ns for path in shop.folder.glob("pages/**/*")}
    outcome = shop.night(now=NOW + timedelta(hours=1))
    assert shop.state() == before
    assert not outcome.is_site_changed
    assert {path: path.stat().st_mtime_ns for path in shop.folder.glob("pages/**/*")} == times


@pytest.mark.usefixtures("quick")
def test_a_night_with_something_new_is_seen_as_such(open_shop: Shop) -> None:
    before = open_shop.store.read_bytes()
    open_shop.night(SECOND)
    assert open_shop.store.read_bytes() != before


def files(site: Path) -> list[Path]:
    return [path for path in site.resolve().rglob("*") if path.is_file()]


def test_the_same_store_and_day_give_the_same_bytes_in_two_places(open_shop: Shop) -> None:
    here, there = open_shop.folder / "here", open_shop.folder / "elsewhere" / "there"
    for site in (here, there):
        open_shop.report(site, date(2024, 6, 1))
    found = [{path.relative_to(site.resolve()): path.read_bytes() for path in files(site)} for site in (here, there)]
    assert found[0] == found[1]
    assert {Path("index.html"), Path("tables/intake.csv"), Path("summary.json")} <= found[0].keys()


@pytest.mark.usefixtures("quick")
def test_a_report_changes_no_byte_of_the_store(open_shop: Shop) -> None:
    before = open_shop.store.read_bytes()
    open_shop.report(open_shop.folder / "again", date(2024, 5, 20))
    assert open_shop.store.read_bytes() == before


@pytest.mark.usefixtures("quick")
def test_a_night_as_of_a_day_takes_in_what_came_after_it_too(shop: Shop) -> None:
    outcome = shop.night(FIRST, as_of=date(2024, 5, 10))
    assert outcome.summary["as_of"] == "2024-05-10"
    assert outcome.taken is not None
    assert outcome.taken.counts.accepted == 1 + 28


@pytest.mark.usefixtures("quick")
def test_the_day_of_a_report_is_the_newest_any_accepted_row_tells_of(open_shop: Shop) -> None:
    assert open_shop.night().summary["as_of"] == "2024-05-28"
    assert open_shop.night(now=TOMORROW + timedelta(days=30)).summary["as_of"] == "2024-07-02"


@pytest.mark.usefixtures("quick")
def test_no_one_else_can_read_what_lies_beside_the_store_after_a_night(open_shop: Shop) -> None:
    kept = {**dict.fromkeys(OWN_FILES, 0o600), "shop.journal.jsonl": 0o600, "shop.originals": 0o700}
    assert modes(open_shop.store.parent) == kept
    assert set(modes(open_shop.store.parent / "shop.originals").values()) == {0o600}
    assert stat.S_IMODE(open_shop.site.resolve().stat().st_mode) == 0o700


@pytest.mark.usefixtures("quick")
def test_no_one_else_can_read_what_lies_beside_the_store_during_a_night(shop: Shop) -> None:
    seen: dict[str, int] = {}
    shop.night(FIRST, progress=lambda _: seen.update(modes(shop.store.parent)))
    assert "shop.duckdb" in seen
    assert {name: mode for name, mode in seen.items() if mode & 0o077} == {}


def modes(folder: Path) -> dict[str, int]:
    return {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}


@pytest.mark.usefixtures("quick")
def test_a_night_finds_the_store_held_and_leaves_it_alone(open_shop: Shop) -> None:
    before = open_shop.state()
    with hold_lock(open_shop.store), pytest.raises(LockedError):
        open_shop.night(SECOND)
    assert open_shop.state() == before


def lose_the_key(shop: Shop) -> None:
    shop.key.unlink()


def take_another_key(shop: Shop) -> None:
    shop.key.write_text("ab" * 32)
    shop.key.chmod(0o600)


def damage_the_store(shop: Shop) -> None:
    shop.store.write_bytes(b"\0" * 100_000)


@pytest.mark.usefixtures("quick")
def test_a_night_without_its_key_or_with_a_damaged_store_changes_nothing(open_shop: Shop) -> None:
    for spoil in (lose_the_key, take_another_key, damage_the_store):
        spoil(open_shop)
        before = open_shop.state()
        with pytest.raises(StoreError) as caught:
            open_shop.night(SECOND)
        assert caught.value.exit_code == 1
        assert open_shop.state() == before


@pytest.mark.usefixtures("quick")
def test_a_night_into_a_folder_that_is_not_ours_makes_nothing(shop: Shop) -> None:
    shop.site.mkdir(parents=True)
    (shop.site / "precious.txt").write_text("mine")
    before = shop.state()
    with pytest.raises(UsageError):
        shop.night(FIRST)
    assert shop.state() == before
    assert not shop.store.parent.exists()


def test_a_night_without_an_inbox_makes_nothing(shop: Shop) -> None:
    with pytest.raises(UsageError):
        shop.night()
    assert list(shop.folder.iterdir()) == []


@pytest.mark.usefixtures("quick")
def test_a_run_is_recorded_where_it_took_something_in_and_else_not(open_shop: Shop) -> None:
    open_shop.night()
    open_shop.night(SECOND)
    with duckdb.connect(str(open_shop.store), read_only=True) as con:
        runs = con.execute("select run_id, files, rows, accepted, rejected from run order by run_id").fetchall()
    assert runs == [(1, 2, 31, 29, 2), (2, 1, 1, 1, 0)]


ODD_DAYS = ("1999-12-31T23:59", "2024-02-29T10:00", "2024-07-01T11:59")


def test_a_row_of_any_day_that_reads_stops_no_night(shop: Shop) -> None:
    odd = [{"procedure_id": f"odd {day[:10]}", "visit_id": day[:10], "performed_at": day} for day in ODD_DAYS]
    booked = {"revisit_id": "R2", "visit_id": "V1", "starts_at": "9999-12-31T23:59-05:00", "status": "booked"}
    shop.night(FIRST | {"procedures_0.csv": export("procedures", *odd), "revisits.csv": export("revisits", booked)})
    assert (shop.site / "index.html").stat().st_size > 0
