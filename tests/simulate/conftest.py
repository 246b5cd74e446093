"""The demonstration chain and a plain chain, simulated once for all tests."""

import json
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.simulate import SimulationReport, simulate_chain, simulate_scenario

from .intake import TakenIn, taken_in


@pytest.fixture(scope="session")
def corrowmere(tmp_path_factory: pytest.TempPathFactory) -> SimulationReport:
    return simulate_scenario(tmp_path_factory.mktemp("scenario") / "corrowmere")


@pytest.fixture(scope="session")
def corrowmere_key(corrowmere: SimulationReport) -> dict[str, Any]:
    key: dict[str, Any] = json.loads((corrowmere.answer_key / "key.json").read_text(encoding="utf-8"))
    return key


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> SimulationReport:
    """A plain chain of all policies and both time zones."""
    return simulate_chain(tmp_path_factory.mktemp("small") / "exports", branches=10, weeks=10, seed=8)


def night_after(report: SimulationReport) -> datetime:
    """The clock of a run in the night after the last day, at the shops in the west."""
    return datetime.combine(report.last_day, time.min) + timedelta(hours=26)


@pytest.fixture(scope="session")
def corrowmere_taken_in(corrowmere: SimulationReport, tmp_path_factory: pytest.TempPathFactory) -> TakenIn:
    return taken_in(corrowmere.directory, tmp_path_factory.mktemp("store") / "store.duckdb", night_after(corrowmere))


@pytest.fixture(scope="session")
def small_taken_in(small: SimulationReport, tmp_path_factory: pytest.TempPathFactory) -> TakenIn:
    return taken_in(small.directory, tmp_path_factory.mktemp("store") / "store.duckdb", night_after(small))


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> SimulationReport:
    return simulate_chain(tmp_path_factory.mktemp("plain") / "exports", branches=10, weeks=104, seed=5)


@pytest.fixture(scope="session")
def truth(plain: SimulationReport) -> pl.DataFrame:
    """Every completed piercing of the plain chain."""
    holes = pl.read_csv(plain.answer_key / "piercings.csv.gz", try_parse_dates=True)
    return holes.filter(pl.col("status") == "completed")


@pytest.fixture(scope="session")
def harm(plain: SimulationReport, truth: pl.DataFrame) -> pl.DataFrame:
    """Every complication that truly came about in the plain chain, with its piercing and days to onset."""
    rows = pl.read_csv(plain.answer_key / "complications.csv.gz", try_parse_dates=True)
    joined = rows.join(truth, on="procedure_id")
    return joined.with_columns(days=(pl.col("onset_on") - pl.col("performed_on")).dt.total_days())


@pytest.fixture(params=["corrowmere", "small"])
def any_chain(request: pytest.FixtureRequest) -> SimulationReport:
    report: SimulationReport = request.getfixturevalue(request.param)
    return report


@pytest.fixture(scope="session")
def sample_exports() -> Path:
    return Path(__file__).parents[2] / "sample_exports"
