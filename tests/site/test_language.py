"""What pages say and do not say: no claim that figures cannot bear, and no method where the owner reads."""

import re

import pytest
from pagehtml import Element, body_text, pages_of, read_page

from support.editions import Published

METHODS = re.compile(
    r"wilson|poisson|binomial|\bfunnel|standardis|standardiz|\bsigma\b|p[ -]value|confidence|quantile|bayes", re.I
)
CLAIMS = re.compile(
    r"\bprov(?:es?|ed|en)\b|\bproof (?!of a cause)|\bsafe(?:ly|ty|st|r)?\b|\bunsafe\b|\bworst\b|\bbest\b|\bguarantee",
    re.I,
)
RATE_HEADS = ("Share of piercings", "Share among those reached", "Infection in the year", "Infected")
WORST_ENDINGS = ("None", "nan", "NaN", "inf")


def test_the_owners_page_speaks_of_no_method(any_site: Published) -> None:
    assert METHODS.findall(body_text(any_site.site.resolve() / "index.html")) == []


def test_no_page_claims_what_figures_cannot_bear(any_site: Published) -> None:
    for path in pages_of(any_site.site):
        assert CLAIMS.findall(body_text(path)) == [], path.name


@pytest.mark.parametrize("text", ["this proves it", "It is safe.", "the worst branch", "safety first", "proof that"])
def test_claims_are_found(text: str) -> None:
    assert CLAIMS.search(text)


def cells_under(page: Element, heads: tuple[str, ...]) -> list[tuple[str, str]]:
    """Cells of a page's tables that stand under one of the heads: the head, and the cell's text."""
    found = []
    for table in page.all("table"):
        names = [head.text for head in table.all("thead")[0].all("th", "td")]
        for line in table.all("tbody")[0].all("tr"):
            cells = [child for child in line.children if child.tag in ("th", "td")]
            if len(cells) == len(names):
                found += [
                    (name, cell.all("span")[1].text.replace("\u00a0", " "))
                    for name, cell in zip(names, cells, strict=True)
                    if name in heads
                ]
    return found


def test_no_rate_of_a_complication_is_a_bare_nought(any_site: Published) -> None:
    for path in pages_of(any_site.site):
        bare = [cell for cell in cells_under(read_page(path), RATE_HEADS) if re.match(r"0(\.0+)? ?%", cell[1])]
        assert bare == [], path.name


def test_rates_of_complications_are_looked_at(sample: Published) -> None:
    looked = {head for path in pages_of(sample.site) for head, _ in cells_under(read_page(path), RATE_HEADS)}
    assert looked == set(RATE_HEADS)


def test_no_value_of_a_programming_language_is_read(any_site: Published) -> None:
    for path in pages_of(any_site.site):
        assert re.findall(r"\b(?:None|nan|NaN|inf|Infinity|null|undefined|True|False)\b", body_text(path)) == []


def test_every_page_of_figures_tells_how_far_its_data_reaches(sample: Published) -> None:
    day = "27 September 2026"
    for path in pages_of(sample.site):
        if path.name not in ("methods.html", "dictionary.html"):
            assert re.search(rf"[Dd]ata through {day}", body_text(path)), path.name
        assert f"As known on {day}." in body_text(path), path.name


def test_an_empty_site_says_so_on_every_page(nothing: Published) -> None:
    for path in pages_of(nothing.site):
        assert "No data yet." in body_text(path), path.name
    assert "No piercing has come in yet." in body_text(nothing.site.resolve() / "index.html")
    assert "nothing to watch" in body_text(nothing.site.resolve() / "safety.html")
    assert "nothing to compare" in body_text(nothing.site.resolve() / "compare.html")


def test_what_figures_say_of_causes_is_no_finding(any_site: Published) -> None:
    for name in ("index.html", "safety.html", "compare.html"):
        text = body_text(any_site.site.resolve() / name)
        if any_site.edition.data_from:
            assert "A signal is a reason to look, not a finding" in text, name
            assert "no medical and no legal advice" in text, name


def test_methods_name_every_method_and_its_source(any_site: Published) -> None:
    text = body_text(any_site.site.resolve() / "methods.html")
    for word in ("Wilson EB (1927)", "Garwood F (1936)", "Spiegelhalter DJ", "Bonferroni", "Lagakos", "Marshall"):
        assert word in text
