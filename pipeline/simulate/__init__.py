"""An invented chain's exports, seeded: the truth first, then what the branches come to hear of it.

`simulate_chain` makes a chain of any size in which nothing is wrong; `simulate_scenario` the demonstration chain, with
its planted stories. The answer key stands beside the exports, never in them.
"""

from collections.abc import Callable
from datetime import date
from pathlib import Path

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.errors import UsageError
from pipeline.simulate.answer_key import base_key, write_key
from pipeline.simulate.corrowmere import CORROWMERE, SEED, STORIES
from pipeline.simulate.nights import write_with_nights
from pipeline.simulate.plain import plain_chain
from pipeline.simulate.report import SimulationReport, report_on
from pipeline.simulate.simulation import export_tables, simulate
from pipeline.simulate.stories import Stories
from pipeline.simulate.story_key import story_key
from pipeline.simulate.write import declared, write_csv, write_years

__all__ = ["SimulationReport", "simulate_chain", "simulate_scenario"]

_LAST_DAY = date(2026, 9, 27)
_SUNDAY = 6


def _silent(_: str) -> None:
    """Progress that nobody watches."""


def _refuse_used(directory: Path) -> None:
    """Exports of two chains in one folder would be read as one."""
    if directory.exists() and any(directory.rglob("*.csv*")):
        raise UsageError(f"{directory} holds exports already.", remedy="Name a folder that holds none.")


def simulate_chain(
    directory: Path,
    *,
    branches: int,
    weeks: int,
    seed: int,
    last_day: date = _LAST_DAY,
    progress: Callable[[str], None] | None = None,
) -> SimulationReport:
    """Write the exports of an invented chain in which nothing is wrong, and its answer key beside them.

    A chain has some 75 to 80 piercings per branch and week. `last_day`, a Sunday, is the last day of the data. The same
    arguments give the same bytes. Raises UsageError where the size or the day cannot be.
    """
    if branches < 1 or weeks < 1 or seed < 0:
        raise UsageError("A chain needs at least one branch, one week, and a seed from 0 up.")
    _refuse_used(directory)
    if last_day.weekday() != _SUNDAY:
        raise UsageError(f"The last day, {last_day}, is no Sunday.", remedy="Data end with a whole week.")
    tell = progress or _silent
    simulation = simulate(plain_chain(branches, weeks, seed, last_day), Stories(), seed, tell)
    rows: dict[str, int] = {}
    for table, frame in export_tables(simulation, tell):
        rows[table] = len(frame)
        if TABLE_BY_NAME[table].event_times:
            write_years(frame, table, directory)
        else:
            write_csv(declared(frame, table), directory / f"{table}.csv")
    write_key(simulation, base_key(simulation), directory)
    return report_on(simulation, rows, directory)


def simulate_scenario(
    directory: Path, name: str = "corrowmere", *, progress: Callable[[str], None] | None = None
) -> SimulationReport:
    """Write the exports of the demonstration chain, and its answer key with every planted story beside them.

    They come as history, a fortnight of nightly folders, and history again, so that the order of their paths is the
    order of time. Raises UsageError for a scenario there is none of.
    """
    if name != "corrowmere":
        raise UsageError(f"There is no scenario {name!r}.", remedy="The one there is is called corrowmere.")
    _refuse_used(directory)
    tell = progress or _silent
    simulation = simulate(CORROWMERE, STORIES, SEED, tell)
    tables = dict(export_tables(simulation, tell))
    write_with_nights(tables, directory)
    write_key(simulation, base_key(simulation) | story_key(simulation), directory)
    return report_on(simulation, {table: len(frame) for table, frame in tables.items()}, directory)
