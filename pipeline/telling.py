"""How commands tell what they do: steps and warnings on stderr, results on stdout, and exit codes."""

import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.errors import UserError

if TYPE_CHECKING:
    from pipeline.nightly import Outcome

REJECTED, NEW_SIGNAL = 3, 4
"""Exit codes of a run that is done and has something to say, given only where `--strict` or `--alert` asks."""

Progress = Callable[[str], None]


@contextmanager
def telling(as_json: bool) -> Iterator[None]:
    """Turn an error that the user can mend into one line on stderr, a JSON document if asked for, and its exit code."""
    try:
        yield
    except UserError as error:
        click.echo(f"scapha: {error}", err=True)
        if as_json:
            click.echo(json.dumps({"error": error.problem, "remedy": error.remedy, "exit_code": error.exit_code}))
        sys.exit(error.exit_code)


@contextmanager
def showing(quiet: bool) -> Iterator[Progress]:
    """Show steps on stderr: one living line on a terminal, else a line each."""
    if quiet:
        yield lambda _: None
    elif sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
        from rich.console import Console

        with Console(stderr=True).status("") as status:
            yield status.update
    else:
        yield lambda step: click.echo(f"scapha: {step}", err=True)


def tell(outcome: "Outcome", site: Path, *, as_json: bool) -> None:
    """Say on stdout what a run did, and on stderr what it warns of."""
    new = list(outcome.new_signals)
    for warning in outcome.warnings:
        click.echo(f"scapha: {printable(warning)}", err=True)
    if as_json:
        others = outcome.taken.others if outcome.taken else 0
        said = {"new_signals": new, "site_changed": outcome.is_site_changed, "files_of_no_table": others}
        click.echo(json.dumps({**outcome.summary, **said}))
        return
    counts, as_of = outcome.summary["counts"], outcome.summary["as_of"]
    done = "is published" if outcome.is_site_changed else "stands as it was"
    click.echo(f"{site}/index.html {done}{f', as of {as_of}' if as_of else '; there is no data yet'}.")
    if outcome.taken is not None:
        rows = outcome.taken.counts
        click.echo(
            f"{len(outcome.taken.loads)} new files: {rows.accepted:,} rows accepted, {rows.rejected:,} rejected, "
            f"{rows.duplicate:,} duplicate, {rows.superseded:,} superseded; "
            f"{outcome.taken.others} files of no table passed over."
        )
    click.echo(
        f"{counts['rejected_standing']:,} rows or files stand rejected; "
        f"{len(outcome.summary['open_signals'])} signals open, {len(new)} of them new."
    )


def aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Rows of cells, the header among them, as lines whose columns stand below each other; nothing is cut."""
    rows = [[printable(cell.replace("\N{NO-BREAK SPACE}", " ")) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def printable(text: str) -> str:
    """A line that no file's name can break or colour."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def end(outcome: "Outcome", *, strict: bool, alert: bool) -> None:
    """End with the exit code of a run that has something to say, where that was asked for."""
    if alert and outcome.new_signals:
        sys.exit(NEW_SIGNAL)
    if strict and outcome.n_rejected:
        sys.exit(REJECTED)
