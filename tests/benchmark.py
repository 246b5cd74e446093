"""How long a night takes as a ratio to bare DuckDB reading the same files into tables of the contract's types.

`python tests/benchmark.py [BRANCHES WEEKS]`

Not a test: machines differ, the ratio says what to compare. Both sides run in fresh processes, in turn; the median of
three pairs counts.
"""

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from pipeline.contract.columns import Kind, Table
from pipeline.contract.tables import TABLES
from pipeline.simulate import simulate_chain

PAIRS = 3

_BARE = """
import sys, time, duckdb
start = time.perf_counter()
con = duckdb.connect(sys.argv[2])
for table, columns in zip(sys.argv[3::2], sys.argv[4::2]):
    files = f"'{sys.argv[1]}/{table}[_.]*'"
    con.execute(f"create table {table} as from read_csv({files}, auto_detect=false, header=true, columns={columns})")
con.close()
print(time.perf_counter() - start)
"""

_INTAKE = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.store.database import open_store
from pipeline.store.originals import Originals
start = time.perf_counter()
store = Path(sys.argv[2]) / "intake.duckdb"
with open_store(store, bytes(32)) as con:
    take_in(con, look_into(Path(sys.argv[1])), now=datetime.now(UTC).replace(tzinfo=None), zone="UTC", key=bytes(32),
            progress=lambda step: None, originals=Originals(store))
    con.execute("commit")
    con.close()
print(time.perf_counter() - start)
"""

_NIGHT = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from pipeline.nightly import run_night
from pipeline.settings import Settings
start = time.perf_counter()
folder = Path(sys.argv[2])
run_night(Path(sys.argv[1]), store=folder / "store.duckdb", site=folder / "site", settings=Settings(), as_of=None,
          clock=lambda: datetime.now(UTC), progress=lambda step: None)
print(time.perf_counter() - start)
"""


def _seconds(code: str, *arguments: str) -> float:
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    *_, told = done.stdout.splitlines()  # above it DuckDB may draw its progress
    return float(told)


def _typed(table: Table) -> str:
    """A table's columns and their types as DuckDB's reader takes them; the simulated times all read as timestamps."""
    types = {column.name: "timestamp" if column.kind is Kind.TIME else column.sql_type for column in table.columns}
    return str(types)


def main(branches: int, weeks: int) -> None:
    """Simulate a chain, time both sides, and print the ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = simulate_chain(folder / "exports", branches=branches, weeks=weeks, seed=1)
        rows = sum(made.rows.values())
        print(f"{made.piercings:,} piercings, {rows:,} rows")  # noqa: T201
        intake, night = [], []
        tables = [text for table in TABLES for text in (table.name, _typed(table))]
        for pair in range(PAIRS):
            place = folder / str(pair)
            place.mkdir()
            bare = _seconds(_BARE, str(folder / "exports"), str(place / "bare.duckdb"), *tables)
            taken, whole = (_seconds(code, str(folder / "exports"), str(place)) for code in (_INTAKE, _NIGHT))
            intake.append(taken / bare)
            night.append(whole / bare)
            print(f"bare {bare:.1f} s, taken in {taken:.1f} s, whole night {whole:.1f} s")  # noqa: T201
        print(  # noqa: T201
            f"{rows:,} rows, taking in: {statistics.median(intake):.1f} times bare DuckDB; "
            f"whole night: {statistics.median(night):.1f} times"
        )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:] or ("20", "130")))
