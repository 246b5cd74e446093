"""All published tables."""

from datetime import date

from .by_client import client_shares
from .case_mix import calibration
from .charts import control_charts
from .comparison import comparison
from .completion import completion
from .exposures import all_found, exposures
from .gaps import record_gaps
from .intake import Taken
from .known import Known, Settings, as_of_default
from .moves import week_moves
from .onsets import onsets
from .rates import complication_rates, material_sites
from .slices import Facts
from .trade import attach, revisits
from .volumes import file_volumes
from .weekly import weekly
from .words import Row

COUNTED = (
    "complication_rates",
    "material_sites",
    "onsets",
    "client_shares",
    "attach",
    "revisits",
    "weekly",
    "completion",
    "control_charts",
    "comparison",
    "calibration",
    "exposures",
    "record_gaps",
    "file_volumes",
    "week_moves",
)


def tables(taken: Taken, *, as_of: date | None = None, settings: Settings | None = None) -> dict[str, list[Row]]:
    """Give every published table as rows of Python values, as known on `as_of` (None: the default date).

    intake and file_volumes are without loaded_at, rejected_rows without remedy: the one is the clock, the other prose.
    """
    settings = settings or Settings()
    day = as_of if as_of is not None else as_of_default(taken, settings)
    counted = counted_tables(taken, day, settings) if day is not None else {name: [] for name in COUNTED}
    return {**counted, "intake": intake(taken), "rejected_rows": rejected_rows(taken)}


def counted_tables(taken: Taken, as_of: date, settings: Settings) -> dict[str, list[Row]]:
    facts = Facts(Known(taken, as_of, settings))
    return {
        "complication_rates": complication_rates(facts),
        "material_sites": material_sites(facts),
        "onsets": onsets(facts),
        "client_shares": client_shares(facts),
        "attach": attach(facts),
        "revisits": revisits(facts),
        "weekly": weekly(facts),
        "completion": completion(facts),
        "control_charts": control_charts(facts),
        "comparison": comparison(facts),
        "calibration": calibration(facts),
        "exposures": exposures(all_found(facts)),
        "record_gaps": record_gaps(facts),
        "file_volumes": file_volumes(taken, facts.known),
        "week_moves": week_moves(taken, facts),
    }


def intake(taken: Taken) -> list[Row]:
    return [
        {"file": file, "table": table, "sha256": sha256, **vars(counts)}
        for (file, table, sha256), counts in sorted(taken.counts.items())
    ]


def rejected_rows(taken: Taken) -> list[Row]:
    ordered = sorted(taken.rejections, key=lambda one: (one.file, one.sha256, one.line, one.column, one.rule))
    return [
        {
            "file": one.file,
            "table": one.table,
            "line": one.line,
            "rule": one.rule,
            "column": one.column or None,
            "value": one.value or None,
            "sha256": one.sha256,
        }
        for one in ordered
    ]
