"""Who and what a chain is: its shops, people, stud models and products, and the days its data cover."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

SITE_SHARES: dict[str, dict[str, float]] = {
    "lobe": {"lobe": 0.86, "upper_lobe": 0.14},
    "upper_cartilage": {"helix": 0.74, "scapha": 0.26},
    "other_cartilage": {"tragus": 0.3, "conch": 0.3, "forward_helix": 0.2, "daith": 0.1, "rook": 0.1},
}  # fmt: skip
"""How often a hole of a site group is at each of its sites (assumption)."""

STUD_SITES = ("lobe", "upper_lobe", "helix", "scapha")
"""Sites that stud instruments serve; what most people are trained for."""


@dataclass(frozen=True)
class Branch:
    """A shop, how busy it is, and what share of its visits it reaches when it asks after them.

    `cartilage` and `other_cartilage` are shares of its holes; the rest are lobes. Shops of one `supply_group` share
    their deliveries of studs and aftercare.
    """

    branch_id: str
    name: str
    region: str
    premises: str
    timezone: str
    opened_on: date
    follow_up_policy: str
    visits_per_week: float
    reach: float
    cartilage: float
    other_cartilage: float = 0.01
    supply_group: int = 0


@dataclass(frozen=True)
class Practitioner:
    """A person who pierces; `shares` weighs the person's part in each shop's visits."""

    practitioner_id: str
    home_branch_id: str
    shares: Mapping[str, float]
    started_on: date
    ended_on: date | None = None
    trained_sites: tuple[str, ...] = STUD_SITES


@dataclass(frozen=True)
class Article:
    """A stud model, and how often it is chosen for lobes and for cartilage."""

    article_id: str
    material: str
    post_length_mm: float
    clasp: str
    nickel_release: str
    lobe_share: float
    cartilage_share: float


@dataclass(frozen=True)
class Product:
    """A thing the till sells; `share` is its part of the paid lines of its category."""

    product_id: str
    category: str
    list_price: float
    share: float = 0.0
    bundle_of: str = ""


@dataclass(frozen=True)
class Alias:
    """Another spelling of a person's code, and the share of the person's piercings that carry it."""

    code: str
    practitioner_id: str
    share: float


@dataclass(frozen=True)
class Chain:
    """A whole invented chain over `first_day` (a Monday) to `last_day` (a Sunday), both inclusive."""

    branches: tuple[Branch, ...]
    practitioners: tuple[Practitioner, ...]
    articles: tuple[Article, ...]
    products: tuple[Product, ...]
    first_day: date
    last_day: date
    aliases: tuple[Alias, ...] = field(default=())

    @property
    def branch_ids(self) -> list[str]:
        """Codes of the shops in order."""
        return [branch.branch_id for branch in self.branches]

    @property
    def weeks(self) -> int:
        """Whole weeks of data."""
        return ((self.last_day - self.first_day).days + 1) // 7


PRODUCTS: tuple[Product, ...] = (
    Product("PIERCING", "service", 25.00),
    Product("CARE-PIERCING", "service", 33.00),
    Product("LOTION", "aftercare", 12.00, 0.42),
    Product("SPRAY", "aftercare", 9.50, 0.33),
    Product("WIPES", "aftercare", 6.00, 0.10),
    Product("CLEANING-KIT", "aftercare", 16.00, 0.09),
    Product("COVER-DISCS", "aftercare", 5.00, 0.06),
    Product("LOTION-PART", "aftercare", 4.00, bundle_of="CARE-PIERCING"),
    Product("SPRAY-PART", "aftercare", 4.00, bundle_of="CARE-PIERCING"),
    Product("RINGS", "jewellery", 28.00, 0.55),
    Product("GOLD-STUDS", "jewellery", 45.00, 0.30),
    Product("CHAIN-DROPS", "jewellery", 36.00, 0.15),
)
