"""The sample's night, and mail without real drawings, which take long."""

import json

import pytest

from reports.charts.drawing import Drawable
from reports.mail import letter
from reports.parts import Figure, Figures, Table
from support.editions import Published, sample_night


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Published:
    return sample_night(tmp_path_factory)


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a drawing, and a picture, be all that its chart would be drawn from."""

    def draw(self: Figures, chart: Drawable, *, title: str, subtitle: str, table: Table, method: str) -> Figure:
        identifier = f"figure{next(self._numbers)}"
        drawing = f"<p>{json.dumps(chart.to_dict(), default=str)}</p>"
        return Figure(identifier, title, subtitle, drawing, table, method)

    monkeypatch.setattr(Figures, "draw", draw)
    monkeypatch.setattr(letter, "png", str.encode)
