"""Every component in every case is as it was, and none is left out; what the cases show is told whole."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from reports.parts import Cell, Table

from .cases import COMPONENTS, KINDS
from .component import EDGES, Case
from .gallery import gallery
from .listed import charts_of_the_code, macros_of_the_code, sections_of_the_code
from .macros import SMALL
from .renew import kept, path_of, renew
from .texts import shown, written
from .week_charts import bars, weeks

MOST_BYTES = 400_000
"""Of all snapshots together, so that they stay readable."""


def test_every_component_of_the_code_has_cases() -> None:
    assert set(KINDS["charts"]) == charts_of_the_code()
    assert set(KINDS["sections"]) == sections_of_the_code()
    assert set(KINDS["macros"]) == macros_of_the_code()


@pytest.mark.parametrize("name", COMPONENTS)
def test_every_edge_has_a_case_or_a_reason_why_not(name: str) -> None:
    component = COMPONENTS[name]
    assert [edge for edge in EDGES if (edge in component.cases) + (edge in component.without) == 0] == []
    assert set(component.without) <= set(EDGES)
    assert component.cases


@pytest.mark.parametrize("name", COMPONENTS)
def test_a_component_shows_what_it_did(name: str) -> None:
    """`python -m components.renew`, in tests, writes what it shows now; each change is one that readers meet."""
    assert path_of(name).read_text(encoding="utf-8") == written(COMPONENTS[name])


def test_every_snapshot_is_of_a_component_and_all_are_small() -> None:
    assert kept() == set(COMPONENTS)
    assert sum(path_of(name).stat().st_size for name in COMPONENTS) < MOST_BYTES


def of(thing: Any) -> Case:
    """A case that gives something."""
    return lambda _: thing


@pytest.mark.parametrize(
    "other",
    [
        replace(SMALL, caption="Other"),
        replace(SMALL, heads=("Branch", "Piercings", "Ratio", "Other")),
        replace(SMALL, source="other.csv"),
        replace(SMALL, also="other.csv"),
        replace(SMALL, receipts=("other",)),
        replace(SMALL, n_text=2),
        replace(SMALL, ends_in_words=False),
        *(
            replace(SMALL, rows=((cell,),))
            for cell in ("1", Cell("1", "note"), Cell("1", link="a.html"), Cell("1", is_marked=True))
        ),
    ],
)
def test_a_change_of_any_part_of_a_table_is_seen(other: Table) -> None:
    same = replace(SMALL, rows=(("1.0",),)) if len(other.rows) == 1 else SMALL
    assert shown(of(other)) != shown(of(same))


def test_a_change_amid_rows_that_are_cut_is_seen_in_their_sums() -> None:
    counts = [10.0] * 60
    before, after = shown(of(bars(weeks(counts)))), shown(of(bars(weeks([*counts[:30], 11.0, *counts[31:]]))))
    assert before != after
    assert "52 more; sums of all: value 600" in before


def test_snapshots_are_renewed_and_those_of_no_component_taken_away(tmp_path: Path, monkeypatch: Any) -> None:
    first, second = "macros/cautions", "macros/cell"
    for name in set(COMPONENTS) - {first, second}:
        monkeypatch.delitem(COMPONENTS, name)
    gone = path_of("charts/gone", tmp_path)
    gone.parent.mkdir()
    gone.write_text("")
    assert renew(tmp_path) == ["charts/gone", first, second]
    assert kept(tmp_path) == {first, second}
    path_of(second, tmp_path).write_text("other")
    assert renew(tmp_path) == [second]
    assert renew(tmp_path) == []


def test_the_gallery_shows_components_in_every_case(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reports.parts.svg", lambda _, identifier: f"<svg>{identifier}</svg>")  # drawing takes long
    some = {name: COMPONENTS[name] for name in ("charts/weekly_bars", "sections/rate_cells", "macros/to_do")}
    html = gallery(some)
    for name, component in some.items():
        assert f'<h2 id="{name}">{name}</h2>' in html
        own = html.split(f'<h2 id="{name}">')[1].split("<h2 id=")[0]
        assert own.count("<article>") == len(component.cases)
        assert all(f"<h3>{case}</h3>" in own for case in component.cases)
