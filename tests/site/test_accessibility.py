"""Pages under an automated check of accessibility, in both schemes: no violation."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from browsing import DESK, PHONE, SCHEMES, Scheme, Size, Tab
from test_browser import KINDS

from support.editions import Published

ROWS = 8

pytestmark = pytest.mark.browser


def violations(tab: Tab, path: Path, size: Size = DESK, scheme: Scheme = "light") -> list[str]:
    """Rules a page breaks with all its tables open, each with the first element that does.

    Of long tables the first rows stand for all, since one template writes them.
    """
    page = tab.open(path, size, scheme)
    page.evaluate(
        """rows => {
            document.querySelectorAll('details').forEach(e => { e.open = true })
            document.querySelectorAll('tbody').forEach(e => [...e.rows].slice(rows).forEach(row => row.remove()))
        }""",
        ROWS,
    )
    found = Axe().run(page).response["violations"]
    return [f"{rule['id']} ({len(rule['nodes'])}): {rule['nodes'][0]['html'][:120]}" for rule in found]


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", KINDS)
def test_a_page_breaks_no_rule(free_tab: Tab, sample: Published, name: str, scheme: Scheme) -> None:
    assert violations(free_tab, sample.site.resolve() / name, DESK, scheme) == []


@pytest.mark.parametrize("name", ["index.html", "branch/B01.html"])
def test_a_page_on_a_phone_breaks_no_rule(free_tab: Tab, sample: Published, name: str) -> None:
    assert violations(free_tab, sample.site.resolve() / name, PHONE) == []


@pytest.mark.parametrize("name", ["index.html", "safety.html", "compare.html", "intake.html"])
def test_a_page_of_no_data_breaks_no_rule(free_tab: Tab, nothing: Published, name: str) -> None:
    assert violations(free_tab, nothing.site.resolve() / name) == []
