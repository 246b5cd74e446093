"""What a simulation wrote."""

from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

from pipeline.simulate.answer_key import key_folder
from pipeline.simulate.simulation import Simulation


@dataclass(frozen=True)
class SimulationReport:
    """Where the exports and their answer key stand, the days they cover, and how much they hold.

    `rows` counts, for each table, the rows drawn, every version of a row apart; `exports_bytes` the exports alone.
    """

    directory: Path
    answer_key: Path
    first_day: date
    last_day: date
    visits: int
    piercings: int
    rows: dict[str, int]
    exports_bytes: int

    def as_dict(self) -> dict[str, object]:
        """The report as values that JSON can hold."""
        plain = {"directory": str(self.directory), "answer_key": str(self.answer_key)}
        days = {"first_day": self.first_day.isoformat(), "last_day": self.last_day.isoformat()}
        return asdict(self) | plain | days

    def sentence(self) -> str:
        """The report in words."""
        return (
            f"{self.piercings:,} piercings in {self.visits:,} visits from {self.first_day} to {self.last_day}: "
            f"exports in {self.directory}, their answer key in {self.answer_key}"
        )


def report_on(simulation: Simulation, rows: dict[str, int], directory: Path) -> SimulationReport:
    """Report on a simulation whose exports stand in a folder."""
    return SimulationReport(
        directory=directory,
        answer_key=key_folder(directory),
        first_day=simulation.chain.first_day,
        last_day=simulation.chain.last_day,
        visits=len(simulation.baskets),
        piercings=len(simulation.piercings),
        rows=rows,
        exports_bytes=sum(file.stat().st_size for file in directory.rglob("*") if file.is_file()),
    )
