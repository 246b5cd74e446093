"""A chain whose every text is written to break a page: in a real browser's document it is text, and nothing else."""

import re
from pathlib import Path
from typing import Any

import pytest
from browsing import Tab
from hostile import ADDRESS, FORMULAS, IDS, IMAGE, QUOTE, SCRIPT, STYLE, TEXTS
from pagehtml import body_text, pages_of
from test_markup import ALLOWED

from support.editions import Published

browser = pytest.mark.browser

ATTRIBUTES = {
    *("aria-current", "aria-hidden", "aria-label", "aria-labelledby", "charset", "class", "colspan", "content", "href"),
    *("http-equiv", "id", "lang", "name", "role", "scope", "tabindex"),
}
DRAWING_ATTRIBUTES = {
    *("clip-path", "d", "display", "dy", "fill", "fill-opacity", "font-family", "font-size", "font-weight", "height"),
    *("opacity", "stroke", "stroke-dasharray", "stroke-miterlimit", "stroke-width", "text-anchor", "transform"),
    *("viewbox", "width", "x", "x1", "x2", "y", "y1", "y2"),
}
CLASSES = {
    "skip",
    "under",
    "three",
    "note",
    "scroll",
    "text",
    "head",
    "marked",
    "figures",
    "caution",
    "signal",
    "small",
    "source",
    "receipts",
    "",
}


def document(tab: Tab, path: Path) -> dict[str, Any]:
    """What a browser made of a page: its elements, their attributes, and what happened."""
    found: dict[str, Any] = tab.open(path).evaluate(
        """() => {
            const all = [...document.querySelectorAll('*')]
            const names = e => e.getAttributeNames().map(name => name.toLowerCase())
            return {
                tags: [...new Set(all.map(e => e.tagName.toLowerCase()))],
                attributes: [...new Set(all.filter(e => !e.closest('svg')).flatMap(names))],
                drawn: [...new Set(all.filter(e => e.closest('svg')).flatMap(names))],
                classes: [...new Set(all.map(e => e.getAttribute('class') || ''))],
                links: all.filter(e => e.hasAttribute('href')).map(e => e.href),
                counts: [document.scripts.length, document.images.length, document.styleSheets.length],
            }
        }"""
    )
    return found | {"messages": [*tab.messages], "requests": [*tab.requests]}


@browser
@pytest.mark.parametrize("which", ["tab", "free_tab"])
def test_no_element_no_attribute_and_no_event_came_of_any_text(
    request: pytest.FixtureRequest, hostile: Published, which: str
) -> None:
    tab: Tab = request.getfixturevalue(which)
    root = hostile.site.resolve()
    for path in pages_of(root):
        found = document(tab, path)
        assert set(found["tags"]) <= ALLOWED, path.name
        assert set(found["attributes"]) <= ATTRIBUTES, path.name
        assert set(found["drawn"]) <= ATTRIBUTES | DRAWING_ATTRIBUTES, path.name
        assert set(found["classes"]) <= CLASSES, path.name
        assert found["counts"] == [0, 0, 1], path.name
        assert (found["messages"], found["requests"]) == ([], [path.as_uri()]), path.name
        assert [link for link in found["links"] if not link.startswith(root.as_uri())] == [], path.name


def test_the_chain_is_as_hostile_as_it_should_be(hostile: Published) -> None:
    assert SCRIPT in (hostile.site.parent / "inbox" / "procedures.csv").read_text(encoding="utf-8")
    assert hostile.edition.results["branches"].height == len(IDS) + len(FORMULAS)
    over_the_year = hostile.edition.results["exposures"].filter("signal")
    assert set(over_the_year["dimension"]) == {"article", "batch", "lot", "practitioner"}
    assert hostile.edition.results["incidents"].height > 0


@browser
def test_an_attack_that_worked_would_be_heard(free_tab: Tab, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text(f"<!DOCTYPE html><title>x</title><p>{SCRIPT}<p y=\"{IMAGE}<p x='{QUOTE}'>")
    found = document(free_tab, path)
    assert "dialog: 1" in found["messages"]
    assert len(found["requests"]) > 1
    assert {"onmouseover", "onerror"} <= set(found["attributes"])
    assert found["counts"] == [1, 1, 0]


@browser
def test_every_text_is_read_as_it_was_written(tab: Tab, hostile: Published) -> None:
    page = tab.open(hostile.site.resolve() / "compare.html")
    links = page.locator("table").nth(2).locator("tbody th a").all_text_contents()
    assert set(links) == set(IDS)
    drawn = {text.removesuffix("…") for text in page.locator("svg text").all_text_contents()}  # long names are cut
    assert [name for name in IDS if not any(name.startswith(text) for text in drawn if len(text) > 8)] == []
    page = tab.open(hostile.site.resolve() / "index.html")
    names = page.locator("table").last.locator("tbody th a").all_text_contents()
    assert set(names) == set(TEXTS[1:]) | set(FORMULAS)
    assert page.title() == f"The week – {STYLE}{IMAGE}"


def test_texts_stand_on_the_pages_that_tell_of_them(hostile: Published) -> None:
    root = hostile.site.resolve()
    for page, texts in {
        "index.html": [SCRIPT, IMAGE, ADDRESS, f"in {SCRIPT}", f"lot {SCRIPT.upper()}", f"article {IMAGE}"],
        "safety.html": [f"practitioner {QUOTE}", f"aftercare batch {STYLE.upper()}", *IDS],
        "compare.html": list(IDS),
        "intake.html": [*IDS, f"sales_{IMAGE}.csv", "sales_<script>alert(1)<.csv", f"{ADDRESS}0"],
    }.items():
        text = body_text(root / page)
        assert [one for one in texts if one not in text] == [], page


def test_no_template_was_run(hostile: Published) -> None:
    for path in pages_of(hostile.site):
        assert not re.search(r"\b49\{%|^49$", body_text(path)), path.name
    assert "{{7*7}}{% raw %}" in body_text(hostile.site.resolve() / "compare.html")


def test_a_hostile_branch_has_its_page_inside_the_folder(hostile: Published) -> None:
    root = hostile.site.resolve()
    names = {path.name for path in (root / "branch").iterdir()}
    assert len(names) == len(IDS) + len(FORMULAS)
    assert all(re.fullmatch(r"[A-Za-z0-9_%-]+\.html", name) and len(name.encode()) <= 205 for name in names)
    assert {path.parent for path in pages_of(root)} == {root, root / "branch"}
