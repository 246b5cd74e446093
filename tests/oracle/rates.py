"""complication_rates.csv and material_sites.csv."""

from collections import defaultdict

from .intervals import share, wilson
from .slices import Facts, Level
from .visits import Piercing
from .words import WINDOW_OF, Row


def complication_rates(facts: Facts) -> list[Row]:
    """Give every level that a completed piercing has, mature or not, with every complication and group."""
    every_level = sorted({level for levels in facts.levels.values() for level in levels})
    rows = []
    with_window = {window: complication for complication, window in WINDOW_OF.items()}
    in_window = {window: mature_by_level(facts, complication) for window, complication in with_window.items()}
    reached_in = {window: reached_ids(facts, complication) for window, complication in with_window.items()}
    for complication, window in WINDOW_OF.items():
        for level in every_level:
            piercings = in_window[window].get(level, [])
            rows.append(rate_row(facts, complication, level, piercings, reached_in[window]))
    return rows


def mature_by_level(facts: Facts, complication: str) -> dict[Level, list[Piercing]]:
    by_level = defaultdict(list)
    for piercing in facts.mature(complication):
        for level in facts.levels[piercing.procedure_id]:
            by_level[level].append(piercing)
    return by_level


def reached_ids(facts: Facts, complication: str) -> set[str]:
    window = WINDOW_OF[complication]
    return {p.procedure_id for p in facts.mature(complication) if facts.outcomes.reached(p, window)}


def rate_row(facts: Facts, complication: str, level: Level, piercings: list[Piercing], reached: set[str]) -> Row:
    reports_of = facts.outcomes.events[complication]
    events = [p.procedure_id for p in piercings if p.procedure_id in reports_of]
    attributed = [one for one in events if not any(report.names_piercing for report in reports_of[one])]
    n_reached = sum(p.procedure_id in reached for p in piercings)
    events_reached = sum(one in reached for one in events)
    start, end = facts.period(complication)
    low, high = wilson(len(events), len(piercings))
    reached_low, reached_high = wilson(events_reached, n_reached)
    return {
        "dimension": level[0],
        "level": level[1],
        "complication": complication,
        "window_days": WINDOW_OF[complication],
        "period_start": start,
        "period_end": end,
        "procedures": len(piercings),
        "events": len(events),
        "rate": share(len(events), len(piercings)),
        "wilson_low": low,
        "wilson_high": high,
        "reached": n_reached,
        "coverage": share(n_reached, len(piercings)),
        "rate_reached": share(events_reached, n_reached),
        "reached_low": reached_low,
        "reached_high": reached_high,
        "events_reached": events_reached,
        "attributed": len(attributed),
        "data_from": facts.known.data_from,
    }


def material_sites(facts: Facts) -> list[Row]:
    rows = []
    for complication in ("infection", "contact_allergy", "embedded_stud", "excess_bleeding"):
        reached = reached_ids(facts, complication)
        pairs = defaultdict(list)
        for piercing in facts.mature(complication):
            levels = dict(facts.levels[piercing.procedure_id])
            pairs[levels["material"], levels["site_group"]].append(piercing)
        for (material, group), piercings in sorted(pairs.items()):
            row = rate_row(facts, complication, ("", ""), piercings, reached)
            kept = ("procedures", "events", "rate", "wilson_low", "wilson_high")
            among = ("reached", "events_reached", "rate_reached", "reached_low", "reached_high")
            named = {"complication": complication, "material": material, "site_group": group}
            rows.append(named | {name: row[name] for name in (*kept, *among)})
    return rows
