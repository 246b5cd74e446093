"""Who may be read of where: practitioners on the watch and at their branch only, a branch on its own page only."""

import re

import polars as pl
import pytest
from hostile import CANARY, IDS
from pagehtml import Element, body_text, pages_of, read_page

from reports.numbers import page_name
from support.editions import Published

CODE = re.compile(r"\bP-?0\d\d\b")


def codes_at(published: Published, branch_id: str) -> set[str]:
    """The practitioners who pierced at a branch."""
    rows = published.edition.results["branch_practitioners"].filter(pl.col("branch_id") == branch_id)
    return {code for code in rows["practitioner_id"] if CODE.fullmatch(code)}


@pytest.mark.parametrize("page", ["index.html", "compare.html", "intake.html", "methods.html", "dictionary.html"])
def test_no_practitioner_is_read_of_elsewhere(sample: Published, page: str) -> None:
    html = (sample.site / page).read_text(encoding="utf-8")
    assert CODE.findall(html) == []


def test_the_watch_names_practitioners(sample: Published) -> None:
    everyone = {code for row in sample.edition.results["branches"]["branch_id"] for code in codes_at(sample, row)}
    assert set(CODE.findall(body_text(sample.site.resolve() / "safety.html"))) == everyone
    assert len(everyone) > 10


def test_a_branchs_page_names_those_who_pierced_there(sample: Published) -> None:
    for branch_id in sample.edition.results["branches"]["branch_id"]:
        path = sample.site.resolve() / "branch" / page_name(branch_id)
        assert set(CODE.findall(path.read_text(encoding="utf-8"))) == codes_at(sample, branch_id) != set()


def outside_navigation(element: Element) -> str:
    """All text of an element but that of the navigation."""
    if element.tag == "nav":
        return ""
    return "".join(piece if isinstance(piece, str) else f" {outside_navigation(piece)} " for piece in element.pieces)


def test_a_branchs_page_tells_of_no_other_branch(sample: Published) -> None:
    branches = sample.edition.results["branches"]
    reasons = set(sample.edition.results["comparison"]["reason"].drop_nulls())
    for branch_id, name in branches.select("branch_id", "name").iter_rows():
        (body,) = read_page(sample.site.resolve() / "branch" / page_name(branch_id)).all("body")
        text = outside_navigation(body)
        for reason in reasons:
            text = text.replace(reason, "")
        others = [other for row in branches.select("branch_id", "name").iter_rows() for other in row]
        met = [other for other in others if other not in (branch_id, name) and re.search(rf"\b{other}\b", text)]
        assert met == [], branch_id


def test_no_client_no_undeclared_and_no_refused_value_is_published(hostile: Published) -> None:
    files = [path for path in hostile.site.resolve().rglob("*") if path.is_file()]
    assert [
        path.name for path in files if re.search("Quillfeather|07700900461", path.read_text(encoding="utf-8"))
    ] == []
    assert CANARY in (hostile.site.parent / "inbox" / "procedures.csv").read_text(encoding="utf-8")


def test_pages_of_a_chain_with_hostile_ids_name_no_practitioner_of_it_elsewhere(hostile: Published) -> None:
    # In this chain practitioners bear the same names as lots and branches; only the page's own words can be held to it.
    assert set(hostile.edition.results["branch_practitioners"]["practitioner_id"]) <= set(IDS)
    for page in ("index.html", "compare.html", "intake.html"):
        assert "practitioner '" not in body_text(hostile.site.resolve() / page)


def test_pages_are_all_looked_at(sample: Published) -> None:
    n_branches = sample.edition.results["branches"].height
    assert len(pages_of(sample.site)) == 6 + n_branches
