"""One invented chain from start to end: the truth first, then what is written down of it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.simulate.asking import Asking, draw_asking
from pipeline.simulate.baskets import draw_baskets
from pipeline.simulate.bookings import export_revisits
from pipeline.simulate.chain import Chain
from pipeline.simulate.complications import draw_truth
from pipeline.simulate.contacts import export_follow_ups
from pipeline.simulate.draws import as_day, day_number
from pipeline.simulate.hearing import hear
from pipeline.simulate.records import export_procedures
from pipeline.simulate.reference import export_articles, export_branches, export_practitioners, export_products
from pipeline.simulate.stories import Stories
from pipeline.simulate.supplies import assign_lots, count_stock
from pipeline.simulate.till import export_sales
from pipeline.simulate.visits import draw_piercings, draw_visits

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Simulation:
    """A chain's truth, from which its exports are written.

    `baskets` has a row per visit with what it left with, `piercings` one per hole with its true lot, `heard` one per
    complication with whether and how it came to light, `deliveries` one per lot and shop.
    """

    chain: Chain
    stories: Stories
    seed: int
    baskets: pl.DataFrame
    piercings: pl.DataFrame
    deliveries: pl.DataFrame
    asking: Asking
    heard: pl.DataFrame

    @property
    def last_day(self) -> int:
        """The last day of the data, in days since 1970-01-01."""
        return day_number(self.chain.last_day)


def simulate(chain: Chain, stories: Stories, seed: int, progress: Progress) -> Simulation:
    """Draw the truth of a chain and what its branches come to hear of it."""
    progress("visits")
    baskets = draw_baskets(draw_visits(chain, seed), chain, stories, seed)
    progress("piercings")
    piercings, deliveries = assign_lots(draw_piercings(baskets, seed), chain, stories.lots, seed)
    progress("complications")
    truth = draw_truth(piercings, stories, seed)
    asking = draw_asking(baskets, chain, stories, seed)
    heard = hear(truth, piercings, asking, stories.mislabelled, seed)
    return Simulation(chain, stories, seed, baskets, piercings, deliveries, asking, heard)


def export_tables(simulation: Simulation, progress: Progress) -> Iterator[tuple[str, pl.DataFrame]]:
    """Each table of the contract by name, made when it is asked for.

    A frame has the contract's columns and more; tables with dated rows have `day`, the day each row was recorded.
    """
    this, last_day = simulation, simulation.last_day
    chain, seed = this.chain, this.seed
    makers: dict[str, Callable[[], pl.DataFrame]] = {
        "branches": lambda: export_branches(chain),
        "practitioners": lambda: export_practitioners(chain),
        "articles": lambda: export_articles(chain),
        "lots": lambda: export_lots(this.deliveries),
        "products": lambda: export_products(chain),
        "procedures": lambda: export_procedures(this.baskets, this.piercings, this.heard, chain, last_day, seed),
        "follow_ups": lambda: export_follow_ups(this.baskets, this.heard, this.asking, last_day, seed),
        "revisits": lambda: export_revisits(this.baskets, this.asking, this.heard, last_day, seed),
        "sales": lambda: export_sales(this.baskets, chain, this.stories, seed),
        "stock_counts": lambda: count_stock(this.piercings, this.deliveries, chain, seed),
    }
    for name, make in makers.items():
        progress(name)
        yield name, make()


def export_lots(deliveries: pl.DataFrame) -> pl.DataFrame:
    """One row per lot and shop that received it, with the day it came (`day`), in order of that."""
    return deliveries.select(
        "lot_no",
        "branch_id",
        "article_id",
        "quantity",
        "expires_on",
        received_on=as_day("received"),
        recall_status=pl.lit(None, pl.String),
        day=pl.col("received"),
    ).sort("day", "branch_id", "lot_no")
