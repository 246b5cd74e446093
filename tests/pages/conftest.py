"""Editions of nights, and a look at every chart that is drawn beside its table."""

from dataclasses import dataclass
from typing import Any

import pytest

from reports.charts.drawing import Drawable
from reports.edition import Edition
from reports.parts import Figure, Figures, Table
from support.editions import empty_night, first_weeks_night, sample_night


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    return sample_night(tmp_path_factory).edition


@pytest.fixture(scope="session")
def nothing(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    """Of an empty inbox."""
    return empty_night(tmp_path_factory).edition


@pytest.fixture(scope="session")
def first_weeks(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    """Of one branch with a piercing a day for three weeks."""
    return first_weeks_night(tmp_path_factory).edition


@dataclass(frozen=True)
class Drawn:
    """A figure that was drawn: its chart as a specification, its words and its table."""

    spec: dict[str, Any]
    title: str
    subtitle: str
    table: Table


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Drawn]:
    """What pages draw during the test; the drawing itself, which takes long, is left out."""
    seen: list[Drawn] = []

    def draw(_: Figures, chart: Drawable, *, title: str, subtitle: str, table: Table, method: str) -> Figure:
        seen.append(Drawn(chart.to_dict(), title, subtitle, table))
        return Figure(f"figure{len(seen)}", title, subtitle, "", table, method)

    monkeypatch.setattr(Figures, "draw", draw)
    return seen
