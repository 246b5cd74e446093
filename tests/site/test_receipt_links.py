"""The commands that pages offer for a table's figures: each names one that is published, and methods say more."""

import re
import shlex
from html import unescape
from pathlib import Path

import polars as pl
import pytest

from pipeline.receipts.figures import EXPLAINED, read_name
from support.editions import Published, sample_night

COMMAND = re.compile(r"<code>(scapha explain [^<]+)</code>")
LINK = re.compile(r'href="([^"]*#receipts)"')


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Published:
    return sample_night(tmp_path_factory)


def commands(page: Path) -> list[str]:
    return [unescape(found) for found in COMMAND.findall(page.read_text())]


def test_every_command_names_one_published_figure_as_of_the_site_s_day(sample: Published) -> None:
    told = {command for page in sample.site.rglob("*.html") for command in commands(page)}
    tables = set()
    for command in told:
        program, name, figure, option, day = shlex.split(command)
        assert (program, name, option, day) == ("scapha", "explain", "--as-of", str(sample.edition.as_of))
        explained, parts = read_name(figure)
        rows = sample.edition.results[explained.table]
        assert rows.filter(pl.col(column).cast(pl.String) == value for column, value in parts.items()).height == 1
        tables.add(explained.table)
    assert tables == {one.table for one in EXPLAINED}


@pytest.mark.parametrize("page", ["index.html", "safety.html", "compare.html", "branch/B01.html"])
def test_main_pages_offer_them_with_a_link_to_what_they_are(sample: Published, page: str) -> None:
    path = sample.site / page
    assert commands(path)
    assert {(path.parent / link.partition("#")[0]).resolve().name for link in LINK.findall(path.read_text())} == {
        "methods.html"
    }
    assert 'id="receipts"' in (sample.site / "methods.html").read_text()


@pytest.mark.parametrize(
    ("page", "table"),
    [
        ("index.html", "weekly"),
        ("compare.html", "comparison"),
        ("safety.html", "exposures"),
        ("safety.html", "client_shares"),
        ("safety.html", "completion"),
        ("safety.html", "onsets"),
        ("safety.html", "branch_practitioners"),
    ],
)
def test_a_page_offers_one_of_its_main_tables(sample: Published, page: str, table: str) -> None:
    assert any(
        command.startswith(f"scapha explain '{table}/") or f" {table}/" in command
        for command in commands(sample.site / page)
    )


def test_a_branch_s_page_offers_those_of_its_own_week(sample: Published) -> None:
    offered = " ".join(commands(sample.site / "branch" / "B03.html"))
    assert "weekly/week=2026-09-21,branch_id=B03" in offered
    assert "attach/dimension=branch,level=B03,period=week:2026-09-21" in offered
    assert not re.search("B0[124567]", offered)
