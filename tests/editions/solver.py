"""An outsider with a pencil: every number of an outside edition in one linear system, solved for what is withheld.

Written from what the page says of its figures alone. A count is a variable; what is told fixes it. Totals are sums of
their sites; a kind is part of its group and of any complication; a group is no more than its kinds together; all are
part of the piercings. A share or a limit that is told beside a withheld count bounds that count too.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

SITES = ("lobe", "upper_cartilage", "other_cartilage", "other")
INFECTIONS = ("minor_infection", "perichondritis", "systemic_infection")
OTHERS = (
    *("contact_allergy", "embedded_stud", "excess_bleeding", "hypertrophic_scar", "keloid", "tear", "migration"),
    *("misplacement", "lost_stud", "other"),
)
ROOM = 1000
"""How much larger than anything told a count could be: nobody outside knows a bound."""

NARROW = 4
"""A range no wider than this is looked at twice."""

Row = dict[str, str]
Cell = tuple[str, str, str]
"""A quarter, what is counted in it, and of which sites."""


@dataclass(frozen=True)
class Withheld:
    """A count that is withheld, and the least and the most it may be."""

    quarter: str
    what: str
    site: str
    least: int
    most: int

    @property
    def values(self) -> int:
        return self.most - self.least + 1


def solve(piercings: list[Row], complications: list[Row]) -> list[Withheld]:
    """What each count that is withheld may be, given everything that is told; no figure spans two quarters."""
    cells, shares = _cells(piercings, complications)
    return [one for quarter in sorted({cell[0] for cell in cells}) for one in _solve(quarter, cells, shares)]


def _solve(quarter: str, all_cells: dict[Cell, str], shares: dict[Cell, float]) -> list[Withheld]:
    cells = {cell: text for cell, text in all_cells.items() if cell[0] == quarter}
    places = {cell: at for at, cell in enumerate(cells)}
    known = {cell: int(text) for cell, text in cells.items() if text}
    top = max(known.values(), default=0) + ROOM
    low = np.array([known.get(cell, 0) for cell in cells], dtype=float)
    high = np.array([known.get(cell, top) for cell in cells], dtype=float)
    for cell, share in shares.items():
        whole = known.get((cell[0], "piercings", cell[2]))
        if cell in cells and whole is not None and cell not in known:
            low[places[cell]], high[places[cell]] = np.ceil(share * whole - 0.5), np.floor(share * whole + 0.5)
    system = _system(places)
    return [Withheld(*cell, *_range(places[cell], low, high, system)) for cell in cells if cell not in known]


def _cells(piercings: list[Row], complications: list[Row]) -> tuple[dict[Cell, str], dict[Cell, float]]:
    """Every count as it is told, empty where it is not, and the shares, by quarter, what is counted, and site."""
    cells, shares = {}, {}
    for row in piercings:
        for what, column in (("piercings", "procedures"), ("reached", "reached")):
            cells[row["quarter"], what, row["site_group"]] = row[column]
        if row["coverage"]:
            shares[row["quarter"], "reached", row["site_group"]] = float(row["coverage"])
    for row in complications:
        cell = (row["quarter"], row["complication"], row["site_group"])
        cells[cell] = row["events"]
        if row["rate"]:
            shares[cell] = float(row["rate"])
    return cells, shares


def _system(places: dict[Cell, int]) -> LinearConstraint:
    """What holds whatever the counts are, as rows of which each lies from 0 to a most."""
    rows, most = [], []

    def add(terms: dict[Cell, int], *, is_equal: bool = False) -> None:
        row = np.zeros(len(places))
        for cell, factor in terms.items():
            row[places[cell]] += factor
        rows.append(row)
        most.append(0 if is_equal else np.inf)

    for quarter in {cell[0] for cell in places}:
        for what in {cell[1] for cell in places}:
            add({(quarter, what, site): 1 for site in SITES} | {(quarter, what, "all"): -1}, is_equal=True)
        for site in ("all", *SITES):

            def at(what: str, quarter: str = quarter, site: str = site) -> Cell:
                return quarter, what, site

            for what in ("reached", "any", "faint"):
                add({at("piercings"): 1, at(what): -1})
            for kind in ("infection", *OTHERS):
                add({at("any"): 1, at(kind): -1})
            for kind in INFECTIONS:
                add({at("infection"): 1, at(kind): -1})
            add({at(kind): 1 for kind in INFECTIONS} | {at("infection"): -1})
            add({at(kind): 1 for kind in ("infection", *OTHERS)} | {at("any"): -1})
    return LinearConstraint(csr_array(np.array(rows)), 0, np.array(most))


def _range(place: int, low: np.ndarray, high: np.ndarray, system: LinearConstraint) -> tuple[int, int]:
    """The least and the most that a count may be, each met in a whole table that agrees with all that is told.

    The solver's own presolve now and then misses tables, or all of them: a narrow range is looked at without it too.
    """
    met: list[int] = []
    for does_presolve in (True, False):
        for sign in (1, -1):
            aim = np.zeros(len(low))
            aim[place] = sign
            found = milp(
                aim, integrality=np.ones(len(low), dtype=int), bounds=Bounds(low, high), constraints=system,
                options={"presolve": does_presolve},
            )  # fmt: skip
            if found.x is not None:
                table = np.round(found.x)
                assert (low <= table).all() and (table <= high).all()
                assert (system.A @ table >= 0).all() and (system.A @ table <= system.ub).all()
                met.append(int(table[place]))
        if len(met) == 2 and max(met) - min(met) > NARROW:
            break
    assert met, "no table agrees with what is told"
    return min(met), max(met)
