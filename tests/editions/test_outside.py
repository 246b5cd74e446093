"""What is given away outside: whole quarters that never change, and no small count that anybody could work out."""

import re
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.editions import publish_edition
from pipeline.judge import quarters
from pipeline.judge.quarters import COMPLICATIONS, GROUPS, judge_quarter, known_on, next_quarter, whole_quarters
from pipeline.results import QUARTERS
from pipeline.settings import Settings
from reports.edition import Edition
from reports.pages import outside
from reports.readers.declared import OUTSIDE
from reports.tables import as_csv
from support.editions import Published

from .reading import dead_links, everything_in, made_for, met, rows_of
from .solver import INFECTIONS, Row, solve

SMALL = 5
TABLES = tuple(result.name for result in QUARTERS)
QUARTER = date(2030, 1, 1)


def published(sample: Published, folder: Path, as_of: date | None, settings: Settings | None = None) -> Path:
    store = sample.site.parent / "store.duckdb"
    publish_edition(folder, OUTSIDE, store=store, settings=settings, as_of=as_of, progress=lambda _: None)
    return folder


@pytest.fixture(scope="module")
def early(sample: Published, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The edition of an earlier day."""
    return published(sample, tmp_path_factory.mktemp("early") / "outside", date(2025, 12, 31))


@pytest.fixture(scope="module")
def late(sample: Published, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The edition of the sample's last day, in a folder of its own."""
    return published(sample, tmp_path_factory.mktemp("late") / "outside", None)


def told(folder: Path) -> tuple[list[Row], list[Row]]:
    piercings, complications = (rows_of(folder, name) for name in TABLES)
    return piercings, complications


def test_no_withheld_count_of_any_quarter_can_be_worked_out(late: Path) -> None:
    found = solve(*told(late))
    assert len(found) > 50
    assert [one for one in found if one.values < SMALL] == []


def test_no_small_count_is_told(late: Path) -> None:
    piercings, complications = told(late)
    counts = [int(row[name]) for row in piercings for name in ("procedures", "reached") if row[name]]
    counts += [int(row["events"]) for row in complications if row["events"]]
    assert [count for count in counts if 0 < count < SMALL] == []
    wholes = {(row["quarter"], row["site_group"]): row["procedures"] for row in piercings}
    for row in complications:
        whole = wholes[row["quarter"], row["site_group"]]
        if whole and row["events"]:
            assert not 0 < int(whole) - int(row["events"]) < SMALL
        assert bool(row["rate"]) == bool(row["wilson_low"]) == bool(row["wilson_high"])
        assert not row["rate"] or (whole and row["events"])


def test_the_page_tells_nothing_that_the_tables_do_not(late: Path) -> None:
    # Each cell of the page is the table's count, with a share where the table has one, or says that it is withheld.
    piercings, complications = told(late)
    page = everything_in(late)["index.html"].replace("\u00a0", " ").partition("</style>")[2]
    withheld = sum(not row["events"] for row in complications) + sum(not row["reached"] for row in piercings)
    cells = page.count("<span>withheld</span>")
    again = sum(
        not row["events"]
        for row in complications
        if row["site_group"] == "all" and row["complication"] in ("any", "infection")
    )
    assert cells == withheld + again
    numbers = {int(found.replace(",", "")) for found in re.findall(r"<span>([\d,]+)(?:<span|</span>)", page)}
    known = {int(row[name]) for row in piercings for name in ("procedures", "reached") if row[name]}
    assert numbers <= known | {int(row["events"]) for row in complications if row["events"]}
    assert "<svg" not in page


def test_a_quarter_is_the_same_from_whichever_night(early: Path, late: Path) -> None:
    for name in TABLES:
        first, second = rows_of(early, name), rows_of(late, name)
        assert {row["quarter"] for row in first} == {"2025-04-01", "2025-07-01"}
        assert [row for row in second if row["quarter"] <= "2025-07-01"] == first
        assert {row["quarter"] for row in second} == {"2025-04-01", "2025-07-01", "2025-10-01", "2026-01-01"}


def test_a_quarter_given_away_stands_whatever_is_set_later(sample: Published, early: Path, tmp_path: Path) -> None:
    folder = tmp_path / "outside"
    (tmp_path / "given").mkdir()
    (tmp_path / "given" / "tables").mkdir()
    for name, text in everything_in(early).items():
        (tmp_path / "given" / name).write_text(text.partition("\n")[2], encoding="utf-8")
    folder.symlink_to("given")
    published(sample, folder, date(2025, 12, 31), Settings(small_count=20, chain_name="Elsewhere"))
    assert folder.resolve().name != "given"
    for name in TABLES:
        assert rows_of(folder, name) == rows_of(early, name)


def test_it_names_nobody_and_no_branch_and_leads_nowhere_else(sample: Published, late: Path) -> None:
    results = sample.edition.results
    names = set(results["branch_practitioners"]["practitioner_id"]) | set(results["branches"]["branch_id"])
    names |= set(results["branches"]["name"]) | set(results["calls"]["visit_id"])
    assert met(late, names) == {}
    assert dead_links(late) == []
    assert set(everything_in(late)) == {"index.html", "summary.json", *(f"tables/{name}.csv" for name in TABLES)}
    page = everything_in(late)["index.html"]
    assert "as it was known 90 days after its end" in page
    assert "medical care today" in page
    assert "Run " not in page


def test_the_counts_are_those_of_the_night_as_of_the_day(sample: Published, late: Path) -> None:
    # Of a quarter that is old enough for it the night's own figures, by branch, come to the same.
    weekly = sample.edition.results["weekly"].drop_nulls("procedures")
    weeks = weekly.filter(pl.col("week").is_between(date(2025, 6, 30), date(2025, 9, 22)))  # 30 June to 28 September
    (whole,) = (
        row for row in rows_of(late, TABLES[0]) if row["site_group"] == "all" and row["quarter"] == "2025-07-01"
    )
    assert abs(int(whole["procedures"]) - weeks["procedures"].sum()) < 0.05 * weeks["procedures"].sum()


def random_counts(seed: int) -> pl.DataFrame:
    """quarter_counts of a random small chain: kinds are drawn for each piercing, and groups are what they come to."""
    rng = np.random.default_rng(seed)
    kinds = [name for name in COMPLICATIONS if name not in ("any", "infection")]
    scale = rng.choice([3, 30, 300])
    rows = []
    for group in GROUPS:
        n = int(rng.poisson(scale * rng.random()))
        has = rng.random((n, len(kinds))) < rng.choice([0.005, 0.05, 0.3]) * rng.random(len(kinds))
        infected = has[:, [kinds.index(kind) for kind in INFECTIONS]].any(axis=1)
        troubled = has[:, [at for at, kind in enumerate(kinds) if kind != "faint"]].any(axis=1)
        events = dict(zip(kinds, has.sum(axis=0), strict=True)) | {"infection": infected.sum(), "any": troubled.sum()}
        reached = int(rng.binomial(n, rng.choice([0.1, 0.6, 0.98])))
        rows += [(QUARTER, group, name, n, reached, int(events[name])) for name in COMPLICATIONS if n]
    texts = {"quarter": pl.Date, "site_group": pl.String, "complication": pl.String}
    return pl.DataFrame(rows, texts | dict.fromkeys(("procedures", "reached", "events"), pl.Int64), orient="row")


def rows_told(frames: dict[str, pl.DataFrame]) -> tuple[list[Row], list[Row]]:
    """Frames as their published files are read."""

    def read(name: str) -> list[Row]:
        lines = [line.split(",") for line in as_csv(frames[name]).splitlines()]
        return [dict(zip(lines[0], line, strict=True)) for line in lines[1:]]

    return read(TABLES[0]), read(TABLES[1])


@pytest.mark.parametrize("seed", range(4))
def test_no_count_of_a_random_small_chain_can_be_worked_out(seed: int) -> None:
    found = solve(*rows_told(judge_quarter(random_counts(seed), QUARTER, SMALL)))
    assert [one for one in found if one.values < SMALL] == []


def test_the_solver_finds_what_only_small_counts_withheld_would_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quarters, "suppress", lambda values, _, small: (values > 0) & (values < small))
    found = [one for seed in range(2) for one in solve(*rows_told(judge_quarter(random_counts(seed), QUARTER, SMALL)))]
    assert any(one.values == 1 for one in found)


def test_the_solver_finds_what_a_share_beside_a_withheld_count_would_tell() -> None:
    counts = random_counts(1)
    piercings, complications = rows_told(judge_quarter(counts, QUARTER, SMALL))
    events = {(one, group): n for group, one, n in counts.select("site_group", "complication", "events").iter_rows()}
    sizes = dict(counts.select("site_group", "procedures").iter_rows())
    given = [
        row | {"rate": str(events[row["complication"], row["site_group"]] / sizes[row["site_group"]])}
        if not row["events"] and row["site_group"] in sizes
        else row
        for row in complications
    ]
    assert any(one.values == 1 for one in solve(piercings, given))


def test_a_quarter_is_told_90_days_after_its_end() -> None:
    assert known_on(date(2031, 1, 1)) == date(2031, 6, 29)  # 31 March and 90 days
    assert next_quarter(date(2031, 10, 1)) == date(2032, 1, 1)
    assert whole_quarters(date(2030, 10, 1), date(2031, 6, 28)) == [date(2030, 10, 1)]
    assert whole_quarters(date(2030, 10, 1), date(2031, 6, 29)) == [date(2030, 10, 1), date(2031, 1, 1)]
    assert whole_quarters(date(2030, 10, 2), date(2031, 6, 28)) == []


def test_without_a_whole_quarter_the_page_says_so(tmp_path: Path) -> None:
    results = {result.name: result.gather([]) for result in QUARTERS}
    folder = made_for(Edition(None, None, results, "", 18, {}), OUTSIDE, tmp_path / "outside")
    assert "There is no quarter to tell of yet" in everything_in(folder)["index.html"]


def test_the_page_says_which_counts_it_withholds() -> None:
    results = judge_quarter(random_counts(2), QUARTER, 8)
    page = outside.build(Edition(None, None, results, "", 18, {}))
    assert "Counts from 1 to 7 are withheld" in page.lead[1]
    assert outside.quarter_name(QUARTER) == "January to March 2030"
