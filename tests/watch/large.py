"""Measures a night's watch over a large chain: seconds, and the most memory it held.

`python tests/watch/large.py FOLDER [BRANCHES]` draws a chain of so many branches (1,000) into FOLDER, unless it is
there, in a process of its own, and watches its last night, given the measures that a night counts. Each branch makes 60
piercings a week for 60 weeks; the complications followed all have the usual events and answers of infection.
"""

import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from pipeline.contract import vocabulary as v  # noqa: E402
from pipeline.watch.frames import day_number  # noqa: E402
from pipeline.watch.night import Memory, watch  # noqa: E402
from watch.worlds import AGE_SHARES, World, draw  # noqa: E402

NIGHT = date(2032, 6, 30)
BRANCHES = 1000
MEASURES = ("cohort_piercings", "cohort_answers", "cohort_events", "traced_batches")
SITE_GROUPS = ("lobe", "upper_cartilage")
MATERIALS = ("niobium", "implant_titanium", "gold")
WINDOWS = {one.name: one.window_days for one in v.COMPLICATIONS if one.name in v.FOLLOWED}


def write_measures(folder: Path, branches: int) -> None:
    """Draws a chain and writes its measures as the night after its last day counts them."""
    world = World(branches=branches, after=0)
    drawn = draw(world, 1)
    last = world.history - 1
    cohort, codes = drawn.cohort.known_on(last), drawn.codes
    number = np.arange(len(cohort.performed))
    first = day_number(NIGHT) - last

    def days(of: NDArray[np.int64]) -> pl.Series:
        return pl.Series(of + first, dtype=pl.Int32).cast(pl.Date)

    measures = {
        "cohort_piercings": [
            pl.DataFrame(
                {
                    "procedure_id": named("P", number),
                    "visit_id": named("V", cohort.visit),
                    "performed_on": days(cohort.performed),
                    "branch_id": named("B", codes["branch"]),
                    "site": named("S", cohort.site),
                    "site_group": pl.Series(SITE_GROUPS).gather(codes["site_group"]),
                    "age_band": pl.Series([band for band, *_ in v.AGE_BANDS]).gather(cohort.stratum % len(AGE_SHARES)),
                    "article_id": named("K", codes["article"]),
                    "material": pl.Series(MATERIALS).gather(codes["article"] % len(MATERIALS)),
                    "practitioner_id": named("W", codes["practitioner"]),
                    "lot_no": named("L", codes["lot"]),
                }
            )
        ],
        "cohort_answers": [
            pl.DataFrame({"procedure_id": named("P", at), "answered_on": days(cohort.answered[at])}).with_columns(
                pl.lit(window, dtype=pl.Int32).alias("window_days")
            )
            for at in [np.flatnonzero(cohort.answered <= last)]
            for window in sorted(set(WINDOWS.values()))
        ],
        "cohort_events": [
            pl.DataFrame({"procedure_id": named("P", at), "recorded_on": days(cohort.recorded[at])}).with_columns(
                pl.lit(name).alias("complication")
            )
            for at in [np.flatnonzero(cohort.recorded <= last)]
            for name in WINDOWS
        ],
        "traced_batches": [
            pl.DataFrame({"procedure_id": named("P", at), "batch_no": named("X", codes["batch"][at])})
            for at in [np.flatnonzero(codes["batch"] >= 0)]
        ],
    }
    for name, frames in measures.items():
        pl.concat(frames).write_parquet(folder / f"{name}.parquet")


def named(letter: str, codes: NDArray[np.int64]) -> pl.Series:
    """Codes as names of one length."""
    return letter + pl.Series(codes).cast(pl.String).str.zfill(len(str(codes.max())))


def most_memory() -> float:
    """The most memory this process has held, in GiB."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 2**20


def main() -> None:
    """Draws the chain, or watches it."""
    folder, branches = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else BRANCHES
    if "--draw" in sys.argv:
        write_measures(folder, branches)
        return
    folder.mkdir(exist_ok=True)
    if not (folder / f"{MEASURES[-1]}.parquet").exists():
        subprocess.run([sys.executable, __file__, str(folder), str(branches), "--draw"], check=True)
    measures = {name: pl.read_parquet(folder / f"{name}.parquet") for name in MEASURES}
    piercings = measures["cohort_piercings"].height
    sys.stdout.write(f"{piercings:,} piercings; {most_memory():.2f} GiB with the measures read\n")
    began, worked = time.perf_counter(), time.process_time()
    results = watch(measures, NIGHT, Memory(), None)
    sys.stdout.write(
        f"watched in {time.process_time() - worked:.1f} s of computing, {time.perf_counter() - began:.1f} s by the "
        f"clock; {most_memory():.2f} GiB at most; {results['signals'].height} signals of "
        f"{results['watched_slices'].height:,} slices listed\n"
    )


if __name__ == "__main__":
    main()
