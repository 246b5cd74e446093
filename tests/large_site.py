"""Measures the publishing of a large chain's site: seconds, processor time, memory, the largest page, files written.

`python tests/large_site.py FOLDER [BRANCHES]` draws a chain of 25 branches over 165 weeks into FOLDER, unless it is
there, judges its last two nights, and repeats its branches, each a little different, up to so many (1,000). Three
nights are then published, each by a process of its own: the first; one on which ten branches alone sent anything; and
one on which all did.
"""

import os
import pickle
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

from pipeline import nightly  # noqa: E402
from pipeline.publish import built_aside, check_site_path  # noqa: E402
from pipeline.settings import Settings  # noqa: E402
from pipeline.simulate import simulate_chain  # noqa: E402
from pipeline.store.database import read_store  # noqa: E402
from reports.edition import Edition  # noqa: E402
from reports.site import build_site  # noqa: E402

DRAWN, WEEKS = 25, 165
BRANCHES = 1000
SENT = 10
NIGHTS = ("the first night", f"a night on which {SENT} branches sent", "a night on which all sent")
SHARED = ("all", "ear", "site", "site_group", "age_band", "material", "article")
"""Dimensions whose levels are the same at every branch; levels of all others are the branches' own."""
OWN = ("branch_id", "practitioner_id", "lot_no", "batch_no", "procedure_id", "visit_id")
VARIED = ("visits", "rate", "infections_expected", "expected_final", "statistic", "ratio", "coverage")
"""Columns that differ a little from copy to copy, so that no two branches have the same page or chart."""


def judged_nights(folder: Path) -> tuple[Edition, Edition]:
    """The last night but one of the drawn chain, and the last; judged once and kept in the folder."""
    kept = folder / "editions.pickle"
    if not kept.exists():
        simulate_chain(folder / "exports", branches=DRAWN, weeks=WEEKS, seed=1)
        store, settings = folder / "store.duckdb", Settings()
        nightly.run_night(
            folder / "exports",
            store=store,
            site=folder / "small",
            settings=settings,
            as_of=None,
            clock=lambda: datetime.now(UTC),
            progress=print,
        )
        with read_store(store) as con:
            last, _ = nightly.count_and_judge(con, settings, None, print)
            assert last.as_of is not None
            before, _ = nightly.count_and_judge(con, settings, last.as_of - timedelta(days=1), print)
        kept.write_bytes(pickle.dumps((before, last)))
    before, last = pickle.loads(kept.read_bytes())  # noqa: S301 - written above
    return before, last


def repeated(edition: Edition, branches: int) -> Edition:
    """The edition of a chain with its branches repeated, up to so many."""
    times = -(-branches // DRAWN)
    results = {name: pl.concat(_copies(frame, times)) for name, frame in edition.results.items()}
    known = results["branches"]["branch_id"].head(branches)
    for name, frame in results.items():
        if "branch_id" in frame.columns:
            results[name] = frame.filter(pl.col("branch_id").is_in(known.implode()) | pl.col("branch_id").is_null())
    return replace(edition, results=results)


def _copies(frame: pl.DataFrame, times: int) -> Iterator[pl.DataFrame]:
    """A result and its copies for further branches: of what is the whole chain's there is one."""
    yield frame
    own = [name for name in OWN if name in frame.columns]
    if "dimension" in frame.columns and "level" in frame.columns and "branch_id" not in frame.columns:
        frame = frame.filter(~pl.col("dimension").is_in(SHARED))
        own.append("level")
    elif "branch_id" not in frame.columns:
        return
    for copy in range(1, times):
        suffix = f"-{copy:02}"
        names = (pl.col(name) + suffix for name in own)
        varied = (
            (pl.col(name) * (1 - copy / 1000)).cast(frame.schema[name]) for name in VARIED if name in frame.columns
        )
        yield frame.with_columns(*names, *varied)


def where_few_sent(before: Edition, last: Edition) -> Edition:
    """The night before, but for the first branches, which are as on the last night."""
    sent = last.results["branches"]["branch_id"].head(SENT).implode()
    results = {}
    for name, frame in before.results.items():
        if "branch_id" in frame.columns:
            is_sent = pl.col("branch_id").is_in(sent).fill_null(value=False)
        elif "level" in frame.columns:
            is_sent = (pl.col("dimension") == "branch") & pl.col("level").is_in(sent)
        else:
            is_sent = pl.lit(value=False)
        results[name] = pl.concat([frame.filter(~is_sent), last.results[name].filter(is_sent)])
    return replace(before, results=results, run=before.run | {"run_id": before.run["run_id"] + 1})


def night(folder: Path, at: int, branches: int) -> None:
    """Publish a night of `NIGHTS` and tell what it took."""
    before, last = (repeated(edition, branches) for edition in judged_nights(folder))
    edition = (before, where_few_sent(before, last), last)[at]
    site = folder / "site"
    check_site_path(site)
    old = files(site)
    started, cpu = time.perf_counter(), processor_seconds()
    with built_aside(site, lambda building: build_site(edition, building)) as put_in_place:
        put_in_place()
    taken, cpu = time.perf_counter() - started, processor_seconds() - cpu
    new = files(site)
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    pages = {path: size for path, (_, size) in new.items() if path.endswith(".html")}
    largest = max(pages, key=lambda path: pages[path])
    written = sum(old.get(path) != file for path, file in new.items())
    print(  # noqa: T201
        f"{NIGHTS[at]}: {taken:.0f} s, {cpu:.0f} s of processors, {peak / 1024:,.0f} MB at most in a process; "
        f"{written:,} of {len(new):,} files written; largest page {largest}, {pages[largest] / 1e6:.2f} MB"
    )


def files(site: Path) -> dict[str, tuple[int, int]]:
    """A site's files: by path, the number of its inode, which a file that is written again does not keep, and size."""
    folder = site.resolve()
    found = (Path(at, name) for at, _, names in os.walk(folder) for name in names)
    return {path.relative_to(folder).as_posix(): (path.stat().st_ino, path.stat().st_size) for path in found}


def processor_seconds() -> float:
    """Seconds of processors that this process and those it waited for have used."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def main(folder: Path, branches: int) -> None:
    """Measure every night in a process of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    judged_nights(folder)
    (folder / "site").unlink(missing_ok=True)
    for at in range(len(NIGHTS)):
        subprocess.run([sys.executable, __file__, str(folder), str(branches), str(at)], check=True)


if __name__ == "__main__":
    if len(sys.argv) > 3:
        night(Path(sys.argv[1]), int(sys.argv[3]), int(sys.argv[2]))
    else:
        main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else BRANCHES)
