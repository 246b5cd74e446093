"""The demonstration chain tells its seven stories in the sizes it is said to, and its decoys stay within chance."""

from typing import Any

import polars as pl
import pytest
from scipy.stats import poisson

from pipeline.contract.vocabulary import INFECTION, SITE_GROUPS
from pipeline.simulate import SimulationReport

from .exports import events, latest, piercings, reached, read, versions
from .intake import TakenIn

Key = dict[str, Any]


@pytest.fixture(scope="module")
def holes(corrowmere: SimulationReport) -> pl.DataFrame:
    """Completed piercings of the exports, with site group, whether infected as told, and whether reached."""
    folder = corrowmere.directory
    infected = events(folder, INFECTION.members, 30).with_columns(infected=pl.lit(1))
    seen = reached(folder, 30).with_columns(reached=pl.lit(1))
    rows = piercings(folder).join(infected, on="procedure_id", how="left").join(seen, on="visit_id", how="left")
    return rows.with_columns(pl.col("infected", "reached").fill_null(0), site_group=pl.col("site").replace(SITE_GROUPS))


def rate(rows: pl.DataFrame) -> float:
    return float(rows["infected"].sum()) / len(rows)


def chance_of_as_many(rows: pl.DataFrame, expected: float) -> float:
    """Probability of as many infections or more at the expected rate."""
    return float(poisson.sf(int(rows["infected"].sum()) - 1, expected * len(rows)))


def by_branch(rows: pl.DataFrame) -> dict[str, float]:
    return {branch_id: rate(part) for (branch_id,), part in rows.partition_by("branch_id", as_dict=True).items()}


def test_the_chain_is_as_large_as_told(corrowmere: SimulationReport, holes: pl.DataFrame) -> None:
    assert corrowmere.visits == pytest.approx(24_000, rel=0.03)
    assert corrowmere.piercings == pytest.approx(41_000, rel=0.03)
    told = {"B01": 70, "B02": 55, "B03": 35, "B04": 45, "B05": 60, "B06": 30, "B07": 20 * 361 / 546}
    weekly = holes.group_by("branch_id").agg(pl.col("visit_id").n_unique() / 78)
    for branch_id, visits in weekly.rows():
        assert visits == pytest.approx(told[branch_id], rel=0.06), branch_id
    studio = holes.filter(pl.col("branch_id") == "B06")
    assert (studio["site_group"] != "lobe").mean() == pytest.approx(0.55, abs=0.03)


def test_1_the_bad_lot(corrowmere: SimulationReport, corrowmere_key: Key, holes: pl.DataFrame) -> None:
    lot = holes.filter(pl.col("lot_no") == "K3-M10-04")
    assert set(lot["branch_id"]) == {"B01", "B02", "B05"}
    assert lot.select(pl.col("day").max() - pl.col("day").min()).item().days <= 49
    delivered = versions(corrowmere.directory, "lots").filter(pl.col("lot_no") == "K3-M10-04")
    assert delivered["quantity"].cast(pl.Int64).sum() == 400
    story = corrowmere_key["stories"]["1_bad_lot"]
    assert story["observed_rate"] == pytest.approx(0.10, abs=0.01)
    assert rate(lot) == pytest.approx(story["observed_rate"], abs=0.02)
    others = holes.filter(pl.col("lot_no") != "K3-M10-04")
    assert rate(others) == pytest.approx(0.025, abs=0.004)


def test_2_one_persons_cartilage(corrowmere_key: Key, holes: pl.DataFrame) -> None:
    story = corrowmere_key["stories"]["2_p014_cartilage"]
    assert story["piercings"] == pytest.approx(310, abs=30)
    assert story["observed"] == pytest.approx(46, abs=10)
    own = holes.filter((pl.col("practitioner_id") == "P-014") & (pl.col("performed_at") >= "2025-09-01"))
    cartilage = own.filter(pl.col("site_group") != "lobe")
    assert (cartilage["branch_id"] == "B02").mean() > 0.75  # type: ignore[operator]
    assert rate(cartilage) > 0.11
    lobes = holes.filter(pl.col("site_group") == "lobe")
    own_lobes = own.filter(pl.col("site_group") == "lobe")
    assert chance_of_as_many(own_lobes, rate(lobes)) > 0.01


def test_3_the_passive_branch_only_looks_safe(holes: pl.DataFrame) -> None:
    raw, among_reached = by_branch(holes), by_branch(holes.filter(pl.col("reached") == 1))
    assert min(raw, key=raw.__getitem__) == "B04"
    assert raw["B04"] < 0.6 * rate(holes)
    others = rate(holes.filter((pl.col("reached") == 1) & (pl.col("branch_id") != "B04")))
    assert among_reached["B04"] == pytest.approx(others, rel=0.35)
    b04 = holes.filter(pl.col("branch_id") == "B04")
    assert b04["reached"].mean() == pytest.approx(0.18, abs=0.02)


def test_4_the_plated_studs(corrowmere: SimulationReport, corrowmere_key: Key, holes: pl.DataFrame) -> None:
    story = corrowmere_key["stories"]["4_k4_allergy"]
    assert story["piercings"] == pytest.approx(3000, rel=0.05)
    assert story["observed_rate"] == pytest.approx(0.025, abs=0.005)
    assert story["others"]["observed_rate"] == pytest.approx(0.005, abs=0.001)
    allergic = holes.join(events(corrowmere.directory, ("contact_allergy",), 90), on="procedure_id", how="semi")
    k4 = allergic.filter(pl.col("article_id") == "K4").height / holes.filter(pl.col("article_id") == "K4").height
    assert k4 == pytest.approx(story["observed_rate"], abs=0.005)
    truth = pl.read_csv(corrowmere.answer_key / "complications.csv.gz", try_parse_dates=True)
    mine = truth.filter(pl.col("true_complication") == "contact_allergy").join(holes, on="procedure_id")
    mine = mine.filter(pl.col("article_id") == "K4")
    days = (mine["onset_on"] - mine["day"]).dt.total_days()
    assert days.is_between(10, 40).mean() > 0.6  # type: ignore[operator]
    assert 0.05 < (mine["told_as"] == "minor_infection").mean() < 0.25  # type: ignore[operator]


def test_5_the_price_rise_and_the_bundle(corrowmere: SimulationReport, corrowmere_key: Key) -> None:
    shares = corrowmere_key["stories"]["5_price_rise"]["shares_of_visits"]
    # As rung up; refunds, voids and receipts without a visit take a point off, which leaves the 46 % told.
    assert shares["chain_before"]["paid"] == pytest.approx(0.47, abs=0.015)
    assert shares["chain_after"]["paid"] == pytest.approx(0.33, abs=0.015)
    assert shares["B03_before"]["paid"] > 0.4
    assert shares["B03_after"]["paid"] < 0.1
    assert shares["B03_after"]["provided"] > shares["B03_before"]["provided"] + 0.2
    sales = latest(corrowmere.directory, "sales")
    bundled = sales.filter(pl.col("line_type") == "bundle_part")
    assert set(bundled["branch_id"]) == {"B03"}
    assert bundled["sold_at"].min() >= "2026-02-01"  # type: ignore[operator]
    lotion = sales.filter((pl.col("product_id") == "LOTION") & (pl.col("line_type") == "sale"))
    dearest = lotion.group_by(later=pl.col("sold_at") >= "2026-02-01").agg(pl.col("net_amount").cast(pl.Float64).max())
    assert dict(dearest.rows()) == {False: 12.0, True: 15.0}


def test_6_the_broken_monday(corrowmere: SimulationReport, corrowmere_taken_in: TakenIn) -> None:
    monday = corrowmere.directory / "2_nights" / "2026-05-25"
    assert (monday / "sales_B05.csv").stat().st_size == 0
    assert len(read(monday.with_name("2026-05-27") / "sales_B05_2026-05-25.csv")) > 5
    for table, column, rule in (("procedures", "performed_at", "time.form"), ("sales", "net_amount", "decimal.form")):
        path = f"2_nights/2026-05-25/{table}_B05_again.csv"
        is_it = (pl.col("path") == path) & (pl.col("column_name") == column) & (pl.col("rule") == rule)
        refused = corrowmere_taken_in.broken.filter(is_it)["line"].n_unique()
        assert refused == corrowmere_taken_in.loads[path].counts.rows > 50
    again = read(monday / "procedures_B05_again.csv")["procedure_id"]
    assert set(again) <= set(versions(corrowmere.directory, "procedures")["procedure_id"])


def test_7_the_spray_batch(corrowmere: SimulationReport, corrowmere_key: Key, holes: pl.DataFrame) -> None:
    sales = latest(corrowmere.directory, "sales").filter(pl.col("batch_no") == "SPRAY-M15-04")
    assert set(sales["branch_id"]) == {"B03", "B05", "B07"}
    assert sales["sold_at"].str.slice(0, 7).unique().to_list() == ["2026-06"]
    given = sales.filter(pl.col("line_type").is_in(["sale", "gift", "bundle_part"]))
    exposed = holes.join(given, on="visit_id", how="semi")
    elsewhere = holes.filter(
        pl.col("branch_id").is_in(["B03", "B05", "B07"]) & pl.col("performed_at").str.starts_with("2026-06")
    ).join(given, on="visit_id", how="anti")
    assert rate(exposed) > 2.5 * rate(elsewhere)
    assert exposed["lot_no"].n_unique() > 8  # whatever the stud lot
    assert corrowmere_key["stories"]["7_spray_batch"]["observed"] >= 15


def test_decoy_the_studio_is_high_by_case_mix_alone(holes: pl.DataFrame) -> None:
    raw = by_branch(holes)
    assert max(raw, key=raw.__getitem__) == "B06"
    groups = holes.group_by("site_group").agg(pl.col("infected").mean().alias("risk"))
    studio = holes.filter(pl.col("branch_id") == "B06").join(groups, on="site_group")
    ratio = studio.select(pl.col("infected").sum() / pl.col("risk").sum()).item()
    assert ratio == pytest.approx(1.0, abs=0.3)


def test_decoy_the_new_branch_had_no_infection_at_first(holes: pl.DataFrame) -> None:
    new = holes.filter(pl.col("branch_id") == "B07")
    assert new["performed_at"].min()[:7] == "2025-10"  # type: ignore[index]
    first = new.filter(pl.col("performed_at") < "2025-10-27")
    assert 60 < len(first) < 200
    assert first["infected"].sum() == 0


def test_decoy_the_cluster_is_within_what_chance_does(holes: pl.DataFrame) -> None:
    weeks = holes.filter(
        (pl.col("branch_id") == "B03") & pl.col("performed_at").is_between(pl.lit("2025-11-10"), pl.lit("2025-11-24"))
    )
    assert 4 <= weeks["infected"].sum() <= 6
    chance = chance_of_as_many(weeks, rate(holes))
    assert chance * 7 * 39 > 0.2  # of seven branches over 39 fortnights: one chain in five has such a one by itself


def test_decoy_the_campaign_lifts_reach_and_reports_but_not_risk(
    corrowmere: SimulationReport, holes: pl.DataFrame
) -> None:
    b05 = holes.filter(pl.col("branch_id") == "B05")
    during = pl.col("performed_at").is_between(pl.lit("2026-04-01"), pl.lit("2026-06-01"))
    campaign, before = b05.filter(during), b05.filter(pl.col("performed_at") < "2026-01-01")
    assert campaign["reached"].mean() == pytest.approx(0.75 * 0.93, abs=0.05)
    assert before["reached"].mean() == pytest.approx(0.45 * 0.93, abs=0.04)
    truth = pl.read_csv(corrowmere.answer_key / "complications.csv.gz")
    infected = truth.filter(pl.col("true_complication").is_in(INFECTION.members)).select("procedure_id")
    risk = [part.join(infected, on="procedure_id", how="semi").height / len(part) for part in (campaign, before)]
    assert risk[0] == pytest.approx(risk[1], rel=0.4)


def test_decoy_summer_is_everywhere(holes: pl.DataFrame) -> None:
    in_summer = pl.col("performed_at").str.slice(5, 2).is_in(["06", "07", "08"])
    ratio = rate(holes.filter(in_summer)) / rate(holes.filter(~in_summer))
    assert 1.05 < ratio < 1.5
