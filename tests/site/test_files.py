"""The published folder: every page and table of the contract, small, and closed to others."""

import json
import stat
from datetime import date, datetime
from pathlib import Path

import pytest
from pagehtml import pages_of

from reports.numbers import page_name
from support.editions import Published

PAGES = ("index.html", "safety.html", "compare.html", "intake.html", "methods.html")
TABLES = (
    *("complication_rates", "attach", "revisits", "weekly", "control_charts"),
    *("comparison", "signals", "record_gaps", "intake", "rejected_rows"),
)
MOST_BYTES = 1_000_000


def test_every_page_and_table_of_the_contract_is_there(any_site: Published) -> None:
    assert [name for name in PAGES if not (any_site.site / name).is_file()] == []
    assert [name for name in TABLES if not (any_site.site / "tables" / f"{name}.csv").is_file()] == []
    assert (any_site.site / "summary.json").is_file()


def test_every_branch_has_its_page_and_no_other_is_there(any_site: Published) -> None:
    named = {page_name(branch_id) for branch_id in any_site.edition.results["branches"]["branch_id"]}
    assert {path.name for path in (any_site.site / "branch").iterdir()} == named


def test_no_page_is_over_a_megabyte(any_site: Published) -> None:
    assert [path.name for path in pages_of(any_site.site) if path.stat().st_size > MOST_BYTES] == []


def test_the_folder_is_closed_to_others(any_site: Published) -> None:
    folder = any_site.site.resolve()
    folders = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
    assert {stat.S_IMODE(path.stat().st_mode) for path in folders} == {0o700}


def test_nothing_but_pages_tables_and_the_summary_is_published(any_site: Published) -> None:
    files = [path.relative_to(any_site.site.resolve()) for path in any_site.site.resolve().rglob("*") if path.is_file()]
    kinds = {(str(path.parent), path.suffix) for path in files}
    assert kinds <= {(".", ".html"), (".", ".json"), ("branch", ".html"), ("tables", ".csv")}


SUMMARY = {"as_of", "run", "counts", "headline", "open_signals"}
FATES = {"rows", "accepted", "rejected", "duplicate", "superseded"}


def test_the_summary_holds_what_the_contract_asks(any_site: Published) -> None:
    summary = json.loads((any_site.site / "summary.json").read_text(encoding="utf-8"), parse_constant=pytest.fail)
    edition = any_site.edition
    assert set(summary) >= SUMMARY
    assert summary["as_of"] == (str(edition.as_of) if edition.as_of else None)
    assert set(summary["counts"]) >= FATES
    assert summary["counts"]["rows"] == sum(summary["counts"][name] for name in FATES - {"rows"})
    assert set(summary["headline"]) == {"infection", "attach", "revisits"}


def test_the_summary_lists_every_open_signal(sample: Published) -> None:
    summary = json.loads((sample.site / "summary.json").read_text(encoding="utf-8"))
    signals = sample.edition.results["signals"]
    assert [row["signal_id"] for row in summary["open_signals"]] == signals["signal_id"].to_list() != []
    assert set(summary["open_signals"][0]) == set(signals.columns)
    for row in summary["open_signals"]:
        date.fromisoformat(row["raised_on"])


def test_the_summary_tells_the_run(sample: Published) -> None:
    run = json.loads((sample.site / "summary.json").read_text(encoding="utf-8"))["run"]
    assert run["run_id"] == 1
    for name in ("started_at", "finished_at"):
        assert run[name].endswith("Z")
        datetime.fromisoformat(run[name])


def test_an_empty_inbox_has_no_headline(nothing: Published) -> None:
    summary = json.loads((nothing.site / "summary.json").read_text(encoding="utf-8"))
    assert (summary["as_of"], summary["run"], summary["open_signals"]) == (None, {}, [])
    assert summary["headline"] == {"infection": None, "attach": None, "revisits": None}


def test_the_site_is_a_link_to_a_folder_beside_it(any_site: Published) -> None:
    assert any_site.site.is_symlink()
    assert any_site.site.resolve().parent == Path(any_site.site).parent.resolve()
