"""How long a night takes as a ratio to bare DuckDB reading the same files.

`python tests/benchmark.py [BRANCHES WEEKS]`

Not a test: machines differ, the ratio says what to compare. Both sides run in fresh processes, in turn; the median of
three pairs counts.
"""

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from pipeline.contract.tables import TABLES
from pipeline.simulate import simulate_chain

PAIRS = 3

_BARE = """
import sys, time, duckdb
start = time.perf_counter()
con = duckdb.connect(sys.argv[2])
for table in sys.argv[3:]:
    files = f"'{sys.argv[1]}/{table}*'"
    con.execute(f"create table {table} as select * from read_csv({files}, header=true, all_varchar=true)")
con.close()
print(time.perf_counter() - start)
"""

_NIGHT = """
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from pipeline.nightly import run_night
from pipeline.settings import Settings
start, marks = time.perf_counter(), {}
def progress(step):
    marks[step.split()[0]] = time.perf_counter() - start
folder = Path(sys.argv[2])
run_night(Path(sys.argv[1]), store=folder / "store.duckdb", site=folder / "site", settings=Settings(), as_of=None,
          clock=lambda: datetime.now(UTC), progress=progress)
print(marks["counting"], time.perf_counter() - start)
"""


def _seconds(code: str, *arguments: str) -> list[float]:
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    return [float(number) for number in done.stdout.split()]


def main(branches: int, weeks: int) -> None:
    """Simulate a chain, time both sides, and print the ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = simulate_chain(folder / "exports", branches=branches, weeks=weeks, seed=1)
        print(f"{made.piercings:,} piercings, {sum(made.rows.values()):,} rows")  # noqa: T201
        intake, night = [], []
        tables = [table.name for table in TABLES]
        for pair in range(PAIRS):
            place = folder / str(pair)
            place.mkdir()
            [bare] = _seconds(_BARE, str(folder / "exports"), str(place / "bare.duckdb"), *tables)
            taken, whole = _seconds(_NIGHT, str(folder / "exports"), str(place))
            intake.append(taken / bare)
            night.append(whole / bare)
            print(f"bare {bare:.1f} s, taken in {taken:.1f} s, whole night {whole:.1f} s")  # noqa: T201
        print(  # noqa: T201
            f"taking in: {statistics.median(intake):.1f} times bare DuckDB; "
            f"whole night: {statistics.median(night):.1f} times"
        )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:] or ("20", "104")))
