"""What each reader's edition holds, looked for in every byte of every file: nobody and nothing that is not for them."""

import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from reports.numbers import page_name
from reports.readers.declared import CHAIN, OUTSIDE, OWNER, QUALITY_LEAD, Reader
from reports.site import first_page
from support.editions import Published, written

from .hostile import BRANCHES, PEOPLE, digest, hostile, slices
from .reading import branch, dead_links, everything_in, made_for, met, of_all_kinds, rows_of

HASH = re.compile(r"\b[0-9a-f]{64}\b")
SECRETS = {"Cordelia", "Quillfeather", "aaaaaaaa"}
LINE_LISTS = {"procedure_id", "visit_id", "line", "sha256", "value"}


@pytest.fixture(scope="module", params=["sample", "hostile"])
def editions(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[Reader, Path]:
    """The editions of a chain for every reader; of its branches for two."""
    edition = hostile() if request.param == "hostile" else request.getfixturevalue("sample").edition
    readers = of_all_kinds(edition.results["branches"]["branch_id"].to_list()[:2])
    root = tmp_path_factory.mktemp(request.param)
    return {reader: made_for(edition, reader, root / reader.title.replace(" ", "-")) for reader in readers}


@pytest.fixture(scope="module")
def whole(request: pytest.FixtureRequest, editions: dict[Reader, Path]) -> dict[str, set[str]]:
    """What the chain's results name: its practitioners and branches, each with where they are, and single records."""
    is_hostile = "Br-Ash" in {reader.branch_id for reader in editions}
    results = (hostile() if is_hostile else request.getfixturevalue("sample").edition).results
    people: dict[str, set[str]] = {}
    for home, code in results["branch_practitioners"].select("branch_id", "practitioner_id").iter_rows():
        if code != "(missing)":
            people.setdefault(home, set()).add(code)
    for home, name in results["branches"].select("branch_id", "name").iter_rows():
        people.setdefault(f"names of {home}", set()).update({home, name})
        for result, column in (("record_gaps", "procedure_id"), ("calls", "visit_id")):
            own = results[result].filter(branch_id=home)[column]
            people.setdefault(f"records of {home}", set()).update(own)
    return people


def named(whole: dict[str, set[str]], *, but: str = "", kinds: str = "people names records") -> set[str]:
    """All that is named of some kinds, but for what one branch may hear."""
    of_branch = {but, f"names of {but}", f"records of {but}"}
    found = {
        "people": set().union(*(names for key, names in whole.items() if " of " not in key and key not in of_branch)),
        "names": set().union(*(names for key, names in whole.items() if key[:5] == "names" and key not in of_branch)),
        "records": set().union(
            *(names for key, names in whole.items() if key[:7] == "records" and key not in of_branch)
        ),
    }
    own = whole.get(but, set())
    return set().union(*(found[kind] for kind in kinds.split())) - own


@pytest.mark.parametrize("reader", [OWNER, CHAIN], ids=lambda reader: reader.name)
def test_who_hears_of_no_one_meets_no_practitioner_and_no_single_record(
    editions: dict[Reader, Path], whole: dict[str, set[str]], reader: Reader
) -> None:
    secrets = named(whole, kinds="people records")
    assert len(secrets) > 10
    assert met(editions[reader], secrets) == {}
    for table in (path.stem for path in (editions[reader] / "tables").iterdir()):
        for row in rows_of(editions[reader], table)[:1]:
            assert not set(row) & LINE_LISTS, table


def test_a_branch_meets_no_other_branch_its_practitioners_or_its_records(
    editions: dict[Reader, Path], whole: dict[str, set[str]]
) -> None:
    for reader, folder in editions.items():
        if reader.branch_id:
            found = met(folder, named(whole, but=reader.branch_id))
            if reader.branch_id == "B02":  # examples on that page, the same for every chain, name a branch B01
                assert found.pop("methods.html", {"B01"}) == {"B01"}
            assert found == {}, reader.branch_id


def test_a_branch_meets_its_own(editions: dict[Reader, Path], whole: dict[str, set[str]]) -> None:
    for reader, folder in editions.items():
        if reader.branch_id:
            own = whole[reader.branch_id] | {reader.branch_id} | whole[f"records of {reader.branch_id}"]
            found = set().union(*met(folder, own).values())
            assert found == own


def test_the_quality_leads_site_would_fail_all_of_it(tmp_path: Path) -> None:
    # So that the checks above are known to find what they look for.
    site = made_for(hostile(), QUALITY_LEAD, tmp_path / "site")
    assert set().union(*met(site, set(PEOPLE)).values()) == set(PEOPLE)
    assert set().union(*met(site, set(BRANCHES)).values()) == set(BRANCHES)
    assert any(HASH.search(text) for text in everything_in(site).values())
    assert set().union(*met(site, SECRETS).values()) == SECRETS


def test_no_edition_holds_a_hash_or_what_was_refused_or_undeclared(editions: dict[Reader, Path]) -> None:
    for reader, folder in editions.items():
        assert [path for path, text in everything_in(folder).items() if HASH.search(text)] == [], reader.title
        assert met(folder, SECRETS) == {}


def test_no_identifier_can_be_tried_against_codes(tmp_path: Path) -> None:
    # An identifier is a digest of what it is about: who knows how codes look finds the one that fits.
    about = [pair for pair in slices() if "practitioner" in pair[0]]
    about.append(("practitioner", "W-Gone5"))
    secrets = {digest(letter, *pair)[2:] for pair in about for letter in "SI"}
    for reader in (OWNER, CHAIN):
        text = "".join(everything_in(made_for(hostile(), reader, tmp_path / reader.name)).values())
        assert [secret for secret in secrets if secret in text] == []
    others = {digest("S", *pair) for pair in slices()} - {digest("S", *pair) for pair in about}
    kept = {row["signal_id"] for row in rows_of(tmp_path / "owner", "signals")}
    assert others < kept


def test_the_owner_hears_of_one_practitioner_without_a_name(tmp_path: Path) -> None:
    edition = hostile()
    of_people = edition.results["incidents"].filter(pl.col("dimension") == "practitioner")
    alone = replace(edition, results=edition.results | {"incidents": of_people.head(2)})  # of many, not all are named
    page = everything_in(made_for(alone, OWNER, tmp_path / "alone"))["index.html"]
    assert "one practitioner’s piercings" in page
    folder = made_for(edition, OWNER, tmp_path / "owner")
    rows = [row for row in rows_of(folder, "incidents") if "practitioner" in row["dimension"]]
    assert len(rows) == 3 * len(PEOPLE)
    assert {part for row in rows for part in row["level"].split(":")} == {
        *(f"(unnamed {number})" for number in range(1, 1 + len(PEOPLE))), "lobe", "gold",
    }  # fmt: skip
    people = [row for row in rows_of(folder, "cause_branches") if "practitioner" in row["dimension"]]
    assert people
    assert {(row["branch_id"], row["procedures"], row["events"]) for row in people} == {("", "", "")}


def test_every_link_leads_somewhere_in_the_edition(editions: dict[Reader, Path]) -> None:
    for reader, folder in editions.items():
        assert dead_links(folder) == [], reader.title
        assert (folder / first_page(reader)).is_file()


def test_pages_and_navigation_are_the_readers_own(editions: dict[Reader, Path]) -> None:
    about = {"methods.html", "dictionary.html"}
    for reader, folder in editions.items():
        pages = {path for path in everything_in(folder) if path.endswith(".html")}
        own = {"owner": {"index.html", "compare.html"}, "chain": {"compare.html"}}.get(
            reader.name, {f"branch/{page_name(reader.branch_id)}"}
        )
        assert pages == own | about
        navigation = everything_in(folder)[first_page(reader)].partition("</nav>")[0]
        assert len(re.findall(r"<li>", navigation)) == len(pages)


def test_lines_are_told_in_counts(tmp_path: Path) -> None:
    folder = made_for(hostile(), OWNER, tmp_path / "owner")
    gaps = {(row["branch_id"], row["gap"]): row["rows"] for row in rows_of(folder, "record_gaps")}
    assert gaps == {(one, gap): "3" for one in BRANCHES for gap in ("consent_missing", "lot_missing")}
    assert [row["rows"] for row in rows_of(folder, "rejected_rows")] == [str(2 * len(PEOPLE))]
    assert "8 rows or files set aside" in everything_in(folder)["index.html"]
    assert {row["rows"] for row in rows_of(folder, "calls")} == {"3"}


def test_of_two_branches_one_learns_nothing_that_rests_on_both(tmp_path: Path) -> None:
    # What is expected is the chain's: less its own it would be the other's.
    two = dict(list(BRANCHES.items())[:2])
    folder = made_for(hostile(two), branch("Br-Ash"), tmp_path / "two")
    assert rows_of(folder, "comparison") == rows_of(folder, "completion") == []
    assert "infections_expected" not in rows_of(folder, "weekly")[0]
    page = everything_in(folder)[f"branch/{page_name('Br-Ash')}"]
    assert "Visits a week" in page
    assert "xpected by now" not in page


def test_of_more_branches_what_is_expected_is_told_as_pages_write_it(tmp_path: Path) -> None:
    folder = made_for(hostile(), branch("Br-Ash"), tmp_path / "four")
    assert {row["infections_expected"] for row in rows_of(folder, "weekly")} == {"1.2"}
    assert "Expected by now" in everything_in(folder)[f"branch/{page_name('Br-Ash')}"]
    assert [(row["expected"], row["ratio"], row["limit_high_998"]) for row in rows_of(folder, "comparison")] == [
        ("18.1", "1.1", "1.81")
    ]
    assert [(row["known_share"], row["expected_final"]) for row in rows_of(folder, "completion")] == [("0.12", "2.3")]
    assert set(rows_of(folder, "exposures")[0]) == {"dimension", "level", "complication", "signal"}


def test_an_edition_without_data_says_so(tmp_path: Path) -> None:
    nothing = written(as_of=None, data_from=None)
    for reader in (OWNER, CHAIN):
        folder = made_for(nothing, reader, tmp_path / reader.name)
        assert "No data yet." in everything_in(folder)[first_page(reader)]
        assert dead_links(folder) == []


def test_editions_of_one_night_are_the_same_bytes(tmp_path: Path, sample: Published) -> None:
    for reader in (CHAIN, branch("B01")):
        first, second = (made_for(sample.edition, reader, tmp_path / f"{reader.name}{at}") for at in range(2))
        assert everything_in(first) == everything_in(second)
    assert OUTSIDE not in of_all_kinds([])
