"""The pipeline and the second implementation agree on control charts of chains long enough to have baselines.

Three branches, each with another kind of chart, whose infections rise for some weeks; with phases and without.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import polars as pl
import pytest

from pipeline.judge.charts import judge_control_charts
from pipeline.judge.expected import Reference
from pipeline.settings import DeclaredPhase
from pipeline.settings import Settings as PipelineSettings

from . import Settings, read_inbox
from .charts import control_charts
from .comparing import differences, pipeline_tables
from .drawing import NOW
from .known import Known
from .slices import Facts
from .words import Row
from .worked import PIERCINGS

KEY = b"a key"
FIRST = date(2030, 12, 2)
LAST = date(2032, 6, 27)
Phases = tuple[tuple[date, str, str | None], ...]
PHASES: Phases = (
    (date(2031, 9, 4), "new studs", None),
    (date(2031, 9, 6), "a new lead", "B2"),
    (date(2031, 1, 15), "too soon for a baseline of the first weeks", "B3"),
    (date(2032, 4, 1), "has no baseline yet", "B1"),
)
"""The first two lie in one week."""


@dataclass(frozen=True)
class Branch:
    """Piercings a week, and the share infected: usually, in every other week, and while infections rise."""

    zone: str
    n: int
    usual: float
    other: float
    risen: float


def branches(*, uneven: bool) -> dict[str, Branch]:
    return {
        "B1": Branch("Pacific/Auckland", 16, 0.45, 0.9 if uneven else 0.45, 0.8),
        "B2": Branch("Pacific/Honolulu", 8, 0.1, 0.1, 0.5),
        "B3": Branch("UTC", 2, 0.1, 0.1, 0.6),
    }


def exports(rng: Random, *, uneven: bool) -> dict[str, str]:
    procedures, follow_ups = [PIERCINGS], ["follow_up_id,procedure_id,contacted_at,outcome,complication"]
    for day_number in range((LAST - FIRST).days + 1):
        day, week = FIRST + timedelta(days=day_number), day_number // 7
        for name, branch in branches(uneven=uneven).items():
            for number in range(sum(rng.random() < branch.n / 70 for _ in range(10))):
                key = f"{name}-{day_number:03d}-{rng.randrange(100):02d}{number}"
                at = f"{day}T{rng.randint(8, 19):02d}:{rng.randrange(60):02d}"
                procedures.append(f"{key},V{key},{name},{at},lobe")
                share = branch.risen if 55 <= week < 62 else branch.other if week % 2 else branch.usual
                reported = day + timedelta(days=rng.randint(1, 20))
                if rng.random() < share and reported <= LAST:
                    follow_ups.append(f"F{key},{key},{reported}T07:00,complication,minor_infection")
    follow_ups.append(f"F-last,P-none,{LAST}T12:00Z,no_answer,")
    zones = [f"{name},{branch.zone}" for name, branch in branches(uneven=uneven).items()]
    return {
        "procedures": "\n".join(procedures),
        "follow_ups": "\n".join(follow_ups),
        "branches": "\n".join(["branch_id,timezone", *zones]),
    }


def charts_of(seed: int, phases: Phases) -> pl.DataFrame:
    """The pipeline's points."""
    declared = tuple(
        DeclaredPhase.model_validate({"from": from_on, "reason": reason, "branch": branch})
        for from_on, reason, branch in phases
    )
    with inbox(seed) as folder:
        settings = PipelineSettings(phases=declared)
        found = pipeline_tables(folder, folder.parent / "store", now=NOW, key=KEY, settings=settings)
    return found["control_charts"]


@contextmanager
def inbox(seed: int) -> Iterator[Path]:
    """A folder of a chain's exports; of odd seeds weeks vary by more than chance."""
    with TemporaryDirectory() as place:
        folder = Path(place) / "inbox"
        folder.mkdir()
        for name, text in exports(Random(seed), uneven=seed % 2 == 1).items():
            (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        yield folder


@cache
def both(seed: int, *, with_phases: bool) -> tuple[pl.DataFrame, list[Row]]:
    """The points of the pipeline and of the second implementation."""
    phases = PHASES if with_phases else ()
    with inbox(seed) as folder:
        taken = read_inbox(folder, now=NOW, key=KEY)
    facts = Facts(Known(taken, LAST, Settings(phases=phases)))
    return charts_of(seed, phases), control_charts(facts)


CASES = [(1, True), (2, False)]


@pytest.mark.parametrize(("seed", "with_phases"), CASES)
def test_long_chains_agree(seed: int, with_phases: bool) -> None:
    ours, theirs = both(seed, with_phases=with_phases)
    assert theirs
    assert differences("control_charts", ours, theirs) == []


def test_every_column_of_ours_is_held_against_the_second() -> None:
    ours, theirs = both(1, with_phases=True)
    assert set(ours.columns) - theirs[0].keys() == {"why"}


def test_the_edges_are_hit() -> None:
    points = [row for seed, with_phases in CASES for row in both(seed, with_phases=with_phases)[1]]
    assert {row["chart"].split(":")[0] for row in points} == {"p", "per_five", "g"}
    assert {row["chart"].split(":")[0] for row in points if row["signal"]} == {"p", "per_five"}
    assert {row["rule"] for row in points} == {None, "beyond a limit", "two of three near a limit", "eight on one side"}
    assert {row["rule_side"] for row in points} == {None, "above", "below"}
    assert {row["phase"] for row in points} == {1, 2}
    assert "new studs; a new lead" in {row["reason"] for row in points}
    assert {row["mature"] for row in points if row["chart"].startswith("p:")} == {True, False}
    assert {row["mature"] for row in points if row["chart"].startswith("per_five:")} == {True, False}
    assert {row["in_baseline"] for row in points} == {True, False}
    assert {(row["sigma_z"] or 1) > 1 for row in points} == {True, False}


def test_a_phase_that_waits_is_told_with_its_reason() -> None:
    charts = both(1, with_phases=True)[0].filter(level="B1")
    told = charts["why"].unique().to_list()
    assert told == [told[0]]
    assert told[0].endswith(
        "The phase from 2032-03-29 (has no baseline yet) has no baseline yet; until then the one before stays in force."
    )


def piercings(rng: Random) -> pl.DataFrame:
    """The measure infection_sequence of four branches, from many piercings a week to few."""
    rows = [
        (
            f"{branch}-{day:03d}-{number}",
            branch,
            FIRST + timedelta(days=day),
            rng.random() < (0.1 if day < 400 else 0.2),
        )
        for branch, usual in (("B1", 12), ("B2", 3), ("B3", 1), ("B4", 0.3))
        for day in range(560)
        for number in range(int(usual + rng.random()))
    ]
    frame = pl.DataFrame(rows, schema=["procedure_id", "branch_id", "performed_on", "is_infected"], orient="row")
    return frame.with_columns(
        pl.col("performed_on").cast(pl.Datetime("us")).alias("performed_at"),
        pl.col("performed_on").dt.truncate("1w").alias("week"),
    )


@pytest.mark.parametrize("seed", range(4))
def test_what_was_judged_stays_as_the_weeks_go_by(seed: int) -> None:
    sequence = piercings(Random(seed))
    weekly = sequence.group_by("week", "branch_id").agg(
        pl.len().alias("procedures"), pl.col("is_infected").sum().alias("infections_observed")
    )
    days = [FIRST + timedelta(days=days) for days in (300, 363, 470, 559)]
    nights = [judge_control_charts(weekly, sequence, Reference(day, FIRST), ()) for day in days]
    for earlier, later in pairwise(night.filter("mature") for night in nights):
        assert later.height > earlier.height > 50
        assert earlier.join(later, on=earlier.columns, how="anti", nulls_equal=True).is_empty()
