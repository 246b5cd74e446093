"""The answer key of the demonstration chain: each story and decoy, where it shows, and how large it came out."""

import polars as pl

from pipeline.contract.vocabulary import INFECTION, KINDS
from pipeline.simulate.corrowmere import (
    BAD_BATCH,
    BAD_LOT,
    BUNDLING_BRANCH,
    CAMPAIGN,
    CHANCE_CLUSTER,
    EARLY_ZERO,
    P014_FROM,
    PRICE_RISE_ON,
)
from pipeline.simulate.draws import is_any
from pipeline.simulate.nights import BROKEN_BRANCH, BROKEN_MONDAY, MENDED_ON
from pipeline.simulate.simulation import Simulation
from pipeline.simulate.stories import Coincidence

_ALLERGY_WINDOW = next(kind.window_days for kind in KINDS if kind.name == "contact_allergy")


def _heard_in_window(simulation: Simulation, complications: tuple[str, ...], window: int) -> pl.DataFrame:
    """Piercings with a complication, as told, that came to light by the last day: piercing and true or told."""
    told = pl.col("heard") & is_any("complication", complications) & (pl.col("report") <= simulation.last_day)
    return simulation.heard.filter(pl.col("onset") <= window).select(
        "piercing", true=is_any("kind", complications), told=told
    )


def _size(
    simulation: Simulation, where: pl.Expr, complications: tuple[str, ...], window: int
) -> dict[str, int | float]:
    """Completed piercings picked, those truly harmed within the window, and those of which it came to light."""
    picked = simulation.piercings.filter(where & (pl.col("status") == "completed"))
    events = _heard_in_window(simulation, complications, window)
    harmed = picked.select("piercing").join(events, on="piercing")
    true, told = (harmed.filter(column)["piercing"].n_unique() for column in ("true", "told"))
    return {"piercings": len(picked), "true": true, "observed": told, "observed_rate": round(told / len(picked), 4)}


def _infections(simulation: Simulation, where: pl.Expr) -> dict[str, int | float]:
    return _size(simulation, where, INFECTION.members, INFECTION.window_days)


def _of_effect(simulation: Simulation, name: str) -> pl.Expr:
    return next(effect.where for effect in simulation.stories.effects if effect.name == name)


def _attach(simulation: Simulation) -> dict[str, object]:
    """Shares of visits that paid for aftercare, and that left with any, before and after the price rise."""
    visits = simulation.baskets.with_columns(
        has_any=pl.any_horizontal(pl.col(name).is_not_null() for name in ("paid", "gift", "part"))
    )
    before = pl.col("performed_on") < PRICE_RISE_ON
    in_bundling = is_any("branch_id", [BUNDLING_BRANCH])
    slices = {
        "chain_before": before,
        "chain_after": ~before,
        f"{BUNDLING_BRANCH}_before": before & in_bundling,
        f"{BUNDLING_BRANCH}_after": ~before & in_bundling,
    }
    shares: dict[str, object] = {}
    for name, rows in slices.items():
        part = visits.filter(rows)
        paid, provided = part["paid"].is_not_null().sum() / len(part), part["has_any"].sum() / len(part)
        shares[name] = {"paid": round(paid, 4), "provided": round(provided, 4)}
    return shares


def _by_branch(simulation: Simulation) -> dict[str, dict[str, int | float]]:
    return {
        branch_id: _infections(simulation, is_any("branch_id", [branch_id]))
        for branch_id in simulation.chain.branch_ids
    }


def _coincidence(simulation: Simulation, planted: Coincidence) -> dict[str, object]:
    there = is_any("branch_id", [planted.branch_id]) & pl.col("performed_on").is_between(
        planted.first_on, planted.last_on
    )
    return {
        "dimension": "branch",
        "level": planted.branch_id,
        "first_on": planted.first_on.isoformat(),
        "last_on": planted.last_on.isoformat(),
        **_infections(simulation, there),
    }


def _k4(simulation: Simulation) -> dict[str, object]:
    """Allergy among piercings with the plated studs and with all others."""
    k4, allergy = _of_effect(simulation, "k4_allergy"), ("contact_allergy",)
    return {
        "dimension": "article",
        "level": "K4",
        "complication": "contact_allergy",
        **_size(simulation, k4, allergy, _ALLERGY_WINDOW),
        "others": _size(simulation, ~k4, allergy, _ALLERGY_WINDOW),
        "told_as_infection": simulation.stories.mislabelled[0].share,
    }


def _stories(simulation: Simulation) -> dict[str, object]:
    def infections_of(effect: str, dimension: str, level: str) -> dict[str, object]:
        place = {"dimension": dimension, "level": level, "complication": "infection"}
        return {**place, **_infections(simulation, _of_effect(simulation, effect))}

    return {
        "1_bad_lot": infections_of("bad_lot", "lot", BAD_LOT) | {"branches": ["B01", "B02", "B05"]},
        "2_p014_cartilage": infections_of("p014_cartilage", "practitioner:site_group", "P-014:upper_cartilage")
        | {"from_on": P014_FROM.isoformat()},
        "3_b04_looks_safe": {"level": "B04", "reason": "passive", "infections": _by_branch(simulation)},
        "4_k4_allergy": _k4(simulation),
        "5_price_rise": {
            "from_on": PRICE_RISE_ON.isoformat(),
            "bundling_branch": BUNDLING_BRANCH,
            "shares_of_visits": _attach(simulation),
        },
        "6_broken_monday": {
            "branch": BROKEN_BRANCH,
            "night": BROKEN_MONDAY.isoformat(),
            "sales_come_on": MENDED_ON.isoformat(),
        },
        "7_spray_batch": infections_of("spray_batch", "batch", BAD_BATCH) | {"branches": ["B03", "B05", "B07"]},
    }


def _decoys(simulation: Simulation) -> dict[str, object]:
    summer = pl.col("performed_on").dt.month().is_in((6, 7, 8))
    campaign = {"first_on": CAMPAIGN.first_on.isoformat(), "last_on": CAMPAIGN.last_on.isoformat()}
    b06 = _infections(simulation, is_any("branch_id", ["B06"]))
    return {
        "b06_case_mix": {"dimension": "branch", "level": "B06", **b06},
        "b07_early_zero": _coincidence(simulation, EARLY_ZERO),
        "m8_chance_cluster": _coincidence(simulation, CHANCE_CLUSTER),
        "summer": {"summer": _infections(simulation, summer), "rest": _infections(simulation, ~summer)},
        "m13_reminder_campaign": {"dimension": "branch", "level": "B05", "reach": CAMPAIGN.reach, **campaign},
    }


def story_key(simulation: Simulation) -> dict[str, object]:
    """Stories and decoys with where they show and their sizes over all the data."""
    return {"scenario": "corrowmere", "stories": _stories(simulation), "decoys": _decoys(simulation)}
