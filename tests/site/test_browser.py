"""Pages in a real browser, from disk: they ask for nothing, fit a phone, print whole, and are used without a mouse."""

import csv
from pathlib import Path

import pytest
from browsing import A4, DESK, NARROW, PHONE, SCHEMES, Tab
from pagehtml import pages_of
from playwright.sync_api import Page

from reports.numbers import page_name
from support.editions import SAMPLE_EXPORTS, Published

pytestmark = pytest.mark.browser


def _sample_pages() -> list[str]:
    with (SAMPLE_EXPORTS / "1_history" / "branches.csv").open(encoding="utf-8", newline="") as file:
        branches = [f"branch/{page_name(row['branch_id'])}" for row in csv.DictReader(file)]
    kinds = ("index", "safety", "compare", "intake", "methods", "dictionary")
    return [*(f"{kind}.html" for kind in kinds), *branches]


SAMPLE_PAGES = _sample_pages()
KINDS = SAMPLE_PAGES[:7]
"""A page of each kind."""


def test_the_pages_opened_are_all_there_are(sample: Published) -> None:
    root = sample.site.resolve()
    assert {str(path.relative_to(root)) for path in pages_of(root)} == set(SAMPLE_PAGES)


@pytest.mark.parametrize("name", SAMPLE_PAGES)
def test_a_page_is_silent_and_asks_for_nothing(tab: Tab, sample: Published, name: str) -> None:
    path = sample.site.resolve() / name
    for size in (PHONE, DESK):
        for scheme in SCHEMES:
            tab.open(path, size, scheme)
            assert (tab.messages, tab.requests) == ([], [path.as_uri()])


def too_wide(page: Page) -> list[str]:
    """Where a document is wider than its window: the elements that reach past its edge."""
    found: list[str] = page.evaluate(
        """() => {
            const width = document.documentElement.clientWidth
            if (document.documentElement.scrollWidth <= width) return []
            return [...document.querySelectorAll('body *')]
                .filter(e => e.getBoundingClientRect().right > width + 1 && !e.closest('svg, .scroll'))
                .map(e => `${e.tagName}: ${e.textContent.trim().slice(0, 60)}`)
        }"""
    )
    return found


@pytest.mark.parametrize("name", SAMPLE_PAGES)
def test_a_page_does_not_scroll_sideways_at_320_pixels(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name, NARROW)
    assert too_wide(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= NARROW[0]


def test_a_hostile_chain_does_not_scroll_sideways(tab: Tab, hostile: Published) -> None:
    for path in pages_of(hostile.site):
        page = tab.open(path, NARROW)
        assert too_wide(page) == [], path.name


def test_small_sites_fit_a_phone_too(tab: Tab, nothing: Published, first_weeks: Published) -> None:
    for path in (*pages_of(nothing.site), *pages_of(first_weeks.site)):
        page = tab.open(path, NARROW)
        assert too_wide(page) == [], path.name
        assert tab.messages == []


def test_an_owner_reads_the_three_sentences_without_scrolling(tab: Tab, sample: Published) -> None:
    page = tab.open(sample.site.resolve() / "index.html", PHONE)
    sentences = page.locator(".three p")
    assert sentences.count() == 3
    lowest = [box["y"] + box["height"] for one in sentences.all() if (box := one.bounding_box())]
    through = page.get_by_text("Data through").first.bounding_box()
    assert max(lowest) <= PHONE[1]
    assert through is not None
    assert through["y"] + through["height"] <= PHONE[1]


def test_an_owner_reads_them_large_enough(tab: Tab, sample: Published) -> None:
    page = tab.open(sample.site.resolve() / "index.html", PHONE)
    size = page.locator(".three p").first.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
    assert size >= 16


@pytest.mark.parametrize("name", KINDS)
def test_text_of_charts_is_legible_on_a_phone(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name, PHONE)
    sizes = page.evaluate(
        """() => [...document.querySelectorAll('figure svg')].map(svg =>
            13 * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width)"""
    )
    assert [size for size in sizes if size < 8] == []


@pytest.mark.parametrize("name", KINDS)
def test_targets_are_large_enough_to_touch(tab: Tab, sample: Published, name: str) -> None:
    # WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels, links within a line of text apart.
    page = tab.open(sample.site.resolve() / name, PHONE)
    small = page.evaluate(
        """() => [...document.querySelectorAll('nav a, summary')]
            .filter(e => e.getBoundingClientRect().height < 24).map(e => e.textContent)"""
    )
    assert small == []


@pytest.mark.parametrize("name", KINDS)
def test_a_page_prints_on_a4_with_no_figure_split(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name, A4, printed=True)
    assert page.pdf(format="A4").startswith(b"%PDF-")
    split = page.evaluate(
        """() => [...document.querySelectorAll('figure, .signal')]
            .filter(e => getComputedStyle(e).breakInside !== 'avoid').length"""
    )
    heads = page.evaluate(
        """() => [...document.querySelectorAll('thead')]
            .filter(e => getComputedStyle(e).display !== 'table-header-group').length"""
    )
    assert (split, heads) == (0, 0)


@pytest.mark.parametrize("name", KINDS)
def test_no_printed_table_is_cut_at_the_edge(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name, A4, printed=True)
    cut = page.evaluate(
        """() => [...document.querySelectorAll('.scroll')]
            .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))"""
    )
    assert cut == []


@pytest.mark.parametrize("name", KINDS)
def test_a_figure_is_no_taller_than_a_printed_page(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name, A4, printed=True)
    tall = page.evaluate(
        """height => [...document.querySelectorAll('figure')]
            .filter(e => e.getBoundingClientRect().height > height)
            .map(e => e.querySelector('strong').textContent)""",
        A4[1],
    )
    assert tall == []


@pytest.mark.parametrize("name", KINDS)
def test_the_first_key_leads_past_the_navigation(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    box = page.locator(":focus").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    page.keyboard.press("Enter")
    assert page.url.endswith("#content")


@pytest.mark.parametrize("name", KINDS)
def test_tables_that_scroll_can_be_reached_by_keys_and_have_a_name(tab: Tab, sample: Published, name: str) -> None:
    page = tab.open(sample.site.resolve() / name)
    regions = page.evaluate(
        """() => [...document.querySelectorAll('.scroll')].map(e => [e.tabIndex, e.getAttribute('role'),
            (e.getAttribute('aria-label') || '').length > 0])"""
    )
    assert all(region == [0, "region", True] for region in regions)
    page.locator(".scroll:visible").first.focus()
    assert page.evaluate("document.activeElement.className") == "scroll"


def test_what_has_the_focus_is_seen(tab: Tab, sample: Published) -> None:
    page = tab.open(sample.site.resolve() / "index.html")
    for _ in range(3):
        page.keyboard.press("Tab")
    style = page.evaluate(
        "(s => [s.outlineStyle, parseFloat(s.outlineWidth)])(getComputedStyle(document.activeElement))"
    )
    assert style == ["solid", 3]


def test_a_site_is_opened_through_its_link(tab: Tab, sample: Published) -> None:
    path = Path(sample.site) / "index.html"
    page = tab.open(path)
    page.get_by_role("link", name="The watch").first.click()
    assert page.get_by_role("heading", level=1).inner_text() == "The watch over complications"
    assert tab.messages == []
