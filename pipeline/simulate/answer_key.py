"""What a reader of the exports cannot see: the truth row by row, kept in a folder of its own beside the exports."""

import json
from pathlib import Path

import polars as pl

from pipeline.simulate.complications import KINDS
from pipeline.simulate.draws import as_day
from pipeline.simulate.hearing import HEARD_IF_MILD, HEARD_IF_REACHED, HEARD_IF_SERIOUS
from pipeline.simulate.simulation import Simulation
from pipeline.simulate.write import write_csv


def key_folder(exports: Path) -> Path:
    """Where the answer key of an exports folder stands: beside it, never in it."""
    folder = exports.resolve()
    return folder.with_name(f"{folder.name}.answer_key")


def base_key(simulation: Simulation) -> dict[str, object]:
    """What every chain's key tells: days, base rates, and how complications come to light."""
    return {
        "seed": simulation.seed,
        "first_day": simulation.chain.first_day.isoformat(),
        "last_day": simulation.chain.last_day.isoformat(),
        "true_risk_per_hole": {
            name: {"lobe": kind.lobe, "upper_cartilage": kind.upper_cartilage, "other_cartilage": kind.other_cartilage}
            for name, kind in KINDS.items()
        },
        "heard_if": {"reached": HEARD_IF_REACHED, "mild": HEARD_IF_MILD, "serious": HEARD_IF_SERIOUS},
        "reach": {branch.branch_id: branch.reach for branch in simulation.chain.branches},
        "effects": [
            {"name": effect.name, "complications": list(effect.complications), "factor": effect.factor}
            for effect in simulation.stories.effects
        ],
    }


def true_complications(simulation: Simulation) -> pl.DataFrame:
    """Every complication that truly came about, heard of or not."""
    named = simulation.piercings.select("piercing", "visit_id", procedure_id=pl.format("{}-{}", "visit_id", "hole_no"))
    return simulation.heard.join(named, on="piercing", how="left", maintain_order="left").select(
        "procedure_id",
        "visit_id",
        true_complication="kind",
        told_as="complication",
        onset_on=as_day(pl.col("day") + pl.col("onset")),
        severity="severity",
        immediate="immediate",
        heard="heard",
        heard_on=pl.when("heard").then(pl.when("immediate").then(as_day("day")).otherwise(as_day("report"))),
        planted="forced",
    )


def true_piercings(simulation: Simulation) -> pl.DataFrame:
    """Every piercing as it truly was: who did it with what, and which aftercare its visit left with."""
    return simulation.piercings.select(
        pl.format("{}-{}", "visit_id", "hole_no").alias("procedure_id"),
        "visit_id",
        "branch_id",
        "practitioner_id",
        "performed_on",
        "site_group",
        "age_years",
        "status",
        "article_id",
        "lot_no",
        "paid_batch",
        "gift_batch",
        "part_batch",
    )


def write_key(simulation: Simulation, key: dict[str, object], exports: Path) -> Path:
    """Write key.json and the truth beside an exports folder; returns the key's folder."""
    folder = key_folder(exports)
    write_csv(true_piercings(simulation), folder / "piercings.csv.gz")
    write_csv(true_complications(simulation), folder / "complications.csv.gz")
    (folder / "key.json").write_text(json.dumps(key, indent=2) + "\n", encoding="utf-8")
    return folder
