"""Pages as HTML: well formed, self-contained, under a policy that lets nothing run or load, and leading somewhere."""

import base64
import hashlib
import re
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from pagehtml import Element, pages_of, read_page

from support.editions import Published

ALLOWED = {
    *("html", "head", "meta", "title", "style", "body", "a", "header", "nav", "ul", "li", "main", "footer"),
    *("h1", "h2", "h3", "p", "div", "span", "section", "strong", "code", "dl", "dt", "dd"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "details", "summary"),
    *("svg", "g", "path", "line", "rect", "text", "tspan", "defs", "clippath"),
}
POLICY = "default-src 'none'; style-src 'sha256-{}'; img-src data:; base-uri 'none'; form-action 'none'"


@pytest.fixture
def pages(any_site: Published) -> dict[str, Element]:
    """Every page of a site by its path from the root; reading it checks that its elements nest."""
    root = any_site.site.resolve()
    return {str(path.relative_to(root)): read_page(path) for path in pages_of(root)}


def test_ids_are_unique_on_a_page(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        ids = [element.attributes["id"] for element in page.all() if "id" in element.attributes]
        assert len(ids) == len(set(ids)), name
        assert all(ids), name


def test_what_names_an_element_names_one_that_is_there(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        ids = {element.attributes.get("id") for element in page.all()}
        named = {
            element.attributes["aria-labelledby"] for element in page.all() if "aria-labelledby" in element.attributes
        }
        assert named <= ids, name


def test_pages_are_made_of_known_elements_only(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        assert {element.tag for element in page.all()} <= ALLOWED, name


def test_nothing_runs_and_nothing_styles_itself(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        attributes = {attribute for element in page.all() for attribute in element.attributes}
        assert {attribute for attribute in attributes if attribute.startswith("on")} == set(), name
        assert attributes & {"style", "src", "srcset", "srcdoc", "action", "formaction", "xlink:href"} == set(), name


def test_no_address_leads_out_of_the_site(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        links = [element.attributes["href"] for element in page.all() if "href" in element.attributes]
        assert links
        assert [link for link in links if urlsplit(link).scheme or urlsplit(link).netloc] == [], name
        text = [value for element in page.all() for value in element.attributes.values() if "//" in value]
        assert text == [], name


def test_the_policy_fits_the_style_and_lets_nothing_else_through(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        (style,) = page.all("style")
        digest = base64.b64encode(hashlib.sha256(style.text.encode()).digest()).decode()
        policies = [meta.attributes["content"] for meta in page.all("meta") if "http-equiv" in meta.attributes]
        assert policies == [POLICY.format(digest)], name


def test_the_policy_stands_first_in_the_head(pages: dict[str, Element]) -> None:
    # A policy in a meta element says nothing of what stands before it (Content Security Policy Level 3, section 3.3).
    for name, page in pages.items():
        (head,) = page.all("head")
        assert head.children[0].attributes.get("http-equiv") == "Content-Security-Policy", name


def test_the_encoding_stands_within_the_first_1024_bytes(any_site: Published) -> None:
    # HTML Living Standard, section 4.2.5.4: the declaration must lie within the first 1024 bytes.
    for path in pages_of(any_site.site):
        assert b'<meta charset="utf-8">' in path.read_bytes()[:1024]


def test_every_page_has_its_language_its_title_and_one_first_heading(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        assert page.children[0].attributes == {"lang": "en"}, name
        assert page.all("title")[0].text.strip(), name
        assert len(page.all("h1")) == 1, name
        levels = [int(heading.tag[1]) for heading in page.all("h1", "h2", "h3")]
        assert levels[0] == 1, name
        assert all(later <= earlier + 1 for earlier, later in pairwise(levels)), name


def test_every_table_has_a_caption_and_heads_with_a_scope(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        for table in page.all("table"):
            assert table.children[0].tag == "caption", name
            assert table.children[0].text.strip(), name
            assert {head.attributes.get("scope") for head in table.all("th")} <= {"col", "row"}, name


def test_every_chart_stands_in_a_figure_with_words_and_its_figures(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        for drawing in page.all("svg"):
            assert drawing.is_within("figure"), name
            assert drawing.attributes["role"] == "img", name
        for figure in page.all("figure"):
            assert [child.tag for child in figure.children] == ["figcaption", "svg", "details", "p"], name
            assert len(figure.all("table")) == 1, name
            assert "methods.html#" in figure.children[-1].all("a")[0].attributes["href"], name


def source_of(table: Element) -> Element:
    """The line below a table, which leads to its file."""
    region = table.parent
    assert region is not None
    assert region.parent is not None
    around = region.parent.children
    return around[around.index(region) + 1]


def test_every_table_of_figures_leads_to_its_csv(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        if name in ("methods.html", "dictionary.html"):
            continue
        for table in page.all("table"):
            caption = table.children[0].text.strip()
            if caption == "There is not yet a whole week of data":
                continue
            links = [link.attributes["href"] for link in source_of(table).all("a")]
            assert [link for link in links if re.fullmatch(r"(\.\./)?tables/\w+\.csv", link)], (name, caption)


def test_every_link_leads_to_a_file_and_an_id(any_site: Published, pages: dict[str, Element]) -> None:
    root = any_site.site.resolve()
    for name, page in pages.items():
        for link in page.all("a"):
            path, _, fragment = link.attributes["href"].partition("#")
            target = ((root / name).parent / unquote(path)).resolve() if path else root / name
            assert target.is_relative_to(root), (name, link.attributes["href"])
            assert target.is_file(), (name, link.attributes["href"])
            if fragment:
                ids = {element.attributes.get("id") for element in read_page(target).all()}
                assert unquote(fragment) in ids, (name, link.attributes["href"])


def links_of(root: Path, name: str, page: Element) -> set[str]:
    """The files a page leads to, by their path from the site's root."""
    paths = (unquote(link.attributes["href"].partition("#")[0]) for link in page.all("a"))
    return {str(((root / name).parent / path).resolve().relative_to(root)) for path in paths if path}


def test_a_page_leads_to_every_page(any_site: Published, pages: dict[str, Element]) -> None:
    linked = {link for name, page in pages.items() for link in links_of(any_site.site.resolve(), name, page)}
    assert set(pages) <= linked


def test_a_page_of_the_sample_leads_to_every_table(sample: Published) -> None:
    root = sample.site.resolve()
    linked = {link for path in pages_of(root) for link in links_of(root, str(path.relative_to(root)), read_page(path))}
    assert {f"tables/{path.name}" for path in (root / "tables").iterdir()} - linked == set()


def test_the_page_that_is_open_is_marked(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        current = [link.attributes["href"] for link in page.all("a") if "aria-current" in link.attributes]
        assert current == ([] if name.startswith("branch/") else [name])


def test_the_skip_link_is_the_first_thing_to_focus(pages: dict[str, Element]) -> None:
    for name, page in pages.items():
        first = page.all("a")[0]
        assert first.attributes["href"] == "#content", name
        assert page.all("main")[0].attributes["id"] == "content", name


@pytest.mark.parametrize(
    "broken",
    ["<p><b>x</p></b>", "<p>x", '<a id="x" id="y">z</a>', "x</p>"],
)
def test_the_reader_of_pages_refuses_what_does_not_nest(tmp_path: Path, broken: str) -> None:
    path = tmp_path / "page.html"
    path.write_text(broken)
    with pytest.raises(ValueError, match=r"<|attribute"):
        read_page(path)
