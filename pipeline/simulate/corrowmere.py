"""Corrowmere, the demonstration chain: seven shops in the Varn Isles, seven stories, five decoys. All of it invented.

Month M1 is April 2025, M18 September 2026.

The seed was chosen, as a teaching example may be: 17 is the first of 1, 2, 3, ... with which the bad lot shows 9 to
11 %; P-014 has within a tenth of 310 cartilage piercings and within 10 of 46 infections; the exposures judged on the
last day name each story's own slice and no other; no control chart has a point above its limit; and, judged on the last
Sundays of January to August 2026 as well, nothing but the stories is ever signalled.
"""

from dataclasses import replace
from datetime import date

import polars as pl

from pipeline.contract.vocabulary import SITES
from pipeline.simulate.baskets import exposed_to
from pipeline.simulate.chain import PRODUCTS, STUD_SITES, Alias, Article, Branch, Chain, Practitioner
from pipeline.simulate.draws import is_any
from pipeline.simulate.stories import (
    INFECTIONS,
    Coincidence,
    Effect,
    Mislabelling,
    OfferChange,
    PlantedBatch,
    PlantedLot,
    PriceChange,
    ReachChange,
    Stories,
)

SEED = 17

_FIRST_DAY, _LAST_DAY = date(2025, 3, 31), date(2026, 9, 27)
_NEAR, _FAR = "Atlantic/Faroe", "Atlantic/Azores"
_OLD = date(2019, 4, 1)
_B07_OPENS = date(2025, 10, 1)

_NORTH, _SOUTH, _WEST = "Varn Isles north", "Varn Isles south", "Varn Isles west"
_BRANCHES = (
    Branch("B01", "Ostrevick Market", _NORTH, "jeweller", _NEAR, _OLD, "active", 70, 0.78, 0.22),
    Branch("B02", "Halmarra Arcade", _NORTH, "jeweller", _NEAR, _OLD, "active", 55, 0.65, 0.23),
    Branch("B03", "Pellindon Row", _SOUTH, "pharmacy", _NEAR, _OLD, "active", 35, 0.70, 0.18, supply_group=1),
    Branch("B04", "Quarrowby Halt", _SOUTH, "salon", _NEAR, _OLD, "passive", 45, 0.18, 0.22, supply_group=1),
    Branch("B05", "Sundreval Court", _WEST, "jeweller", _FAR, _OLD, "message", 60, 0.45, 0.22),
    Branch("B06", "Tarnilse Steps", _NORTH, "studio", _NEAR, _OLD, "active", 30, 0.72, 0.55, 0.06, supply_group=2),
    Branch("B07", "Vexmoor Quay", _SOUTH, "pharmacy", _NEAR, _B07_OPENS, "active", 20, 0.60, 0.18, supply_group=1),
)

_TEAMS = {
    "B01": {"P-001": 1.2, "P-002": 1.0, "P-003": 1.0, "P-004": 0.9, "P-005": 0.9, "P-014": 0.16},
    "B02": {"P-006": 1.0, "P-007": 1.0, "P-008": 0.9, "P-014": 1.05, "P-009": 0.6},
    "B03": {"P-010": 1.0, "P-011": 0.9, "P-021": 0.5},
    "B04": {"P-013": 1.0, "P-015": 1.0, "P-016": 0.9, "P-012": 0.8},
    "B05": {"P-017": 1.0, "P-018": 1.0, "P-019": 0.9, "P-020": 0.9, "P-022": 0.8},
    "B06": {"P-023": 1.0, "P-024": 0.9, "P-025": 0.6, "P-009": 0.4},
    "B07": {"P-026": 1.0, "P-028": 0.6, "P-027": 0.7, "P-021": 0.4},
}
"""Whose part in a shop's visits is how large; the last shop that names a person is no more than a second one."""
_HOMES = {"P-014": "B02", "P-009": "B02", "P-021": "B03"}
_STARTED = {"P-012": date(2025, 11, 3), "P-027": date(2026, 1, 12)}
_TRAINEE_UNTIL = date(2026, 5, 3)

_ARTICLES = (
    Article("K1", "implant_titanium", 8.0, "closed cup", "below 0.1", 0.36, 0.46),
    Article("K2", "implant_titanium", 10.0, "closed cup", "below 0.1", 0.06, 0.30),
    Article("K3", "implant_steel", 8.0, "butterfly", "below 0.2", 0.22, 0.22),
    Article("K4", "plated_steel", 7.0, "butterfly", "not tested since 2023", 0.097, 0.0),
    Article("K5", "medical_plastic", 8.0, "flat disc", "none", 0.11, 0.02),
    Article("K6", "gold", 8.0, "closed cup", "nickel-free", 0.153, 0.0),
)

BAD_LOT, BAD_BATCH = "K3-M10-04", "SPRAY-M15-04"
P014_FROM = date(2025, 9, 1)
PRICE_RISE_ON, BUNDLING_BRANCH = date(2026, 2, 1), "B03"
CAMPAIGN = ReachChange("B05", date(2026, 4, 1), date(2026, 5, 31), 0.75)
CHANCE_CLUSTER = Coincidence("B03", date(2025, 11, 10), date(2025, 11, 23), 6)
EARLY_ZERO = Coincidence("B07", _B07_OPENS, date(2025, 10, 26), 0)
_CARTILAGE = is_any("site_group", ("upper_cartilage", "other_cartilage"))


def _practitioner(code: str) -> Practitioner:
    shares = {branch_id: team[code] for branch_id, team in _TEAMS.items() if code in team}
    home = _HOMES.get(code, next(iter(shares)))
    sites = SITES[:-1] if home == "B06" else STUD_SITES
    return Practitioner(code, home, shares, _STARTED.get(code, date(2023, 2, 6)), trained_sites=sites)


CORROWMERE = Chain(
    branches=_BRANCHES,
    practitioners=tuple(_practitioner(f"P-{number:03d}") for number in range(1, 29)),
    articles=_ARTICLES,
    products=tuple(
        product if product.product_id != "LOTION" else replace(product, list_price=15.00) for product in PRODUCTS
    ),
    first_day=_FIRST_DAY,
    last_day=_LAST_DAY,
    aliases=(Alias("P-09", "P-009", 0.25),),
)

_EFFECTS = (
    Effect("bad_lot", INFECTIONS, 4.0, pl.col("lot_no") == BAD_LOT),
    Effect(
        "p014_cartilage",
        INFECTIONS,
        3.0,
        is_any("practitioner_id", ["P-014"]) & _CARTILAGE & (pl.col("performed_on") >= P014_FROM),
    ),
    Effect("k4_allergy", ("contact_allergy",), 6.0, is_any("article_id", ["K4"])),
    Effect("spray_batch", INFECTIONS, 4.6, exposed_to(BAD_BATCH)),
    Effect(
        "trainee",
        INFECTIONS,
        1.5,
        is_any("practitioner_id", ["P-012"]) & (pl.col("performed_on") <= _TRAINEE_UNTIL),
    ),
)

STORIES = Stories(
    effects=_EFFECTS,
    lots=(PlantedLot(BAD_LOT, "K3", {"B01": 150, "B02": 120, "B05": 130}, date(2026, 1, 19), date(2026, 3, 8)),),
    batches=(PlantedBatch(BAD_BATCH, "SPRAY", ("B03", "B05", "B07"), date(2026, 6, 1), date(2026, 6, 30)),),
    reach_changes=(CAMPAIGN,),
    offers=(
        OfferChange(PRICE_RISE_ON, attach=0.375),
        OfferChange(PRICE_RISE_ON, attach=0.04, bundled=0.85, branch_ids=(BUNDLING_BRANCH,)),
    ),
    prices=(PriceChange("LOTION", _FIRST_DAY, 12.00), PriceChange("LOTION", PRICE_RISE_ON, 15.00)),
    mislabelled=(Mislabelling("K4", 0.15),),
    coincidences=(CHANCE_CLUSTER, EARLY_ZERO),
)
