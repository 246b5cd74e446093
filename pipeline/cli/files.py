"""Commands that write files or tell about the program."""

import json
from dataclasses import asdict
from pathlib import Path

import click

from pipeline.cli.group import main
from pipeline.cli.options import EXITS, JSON, PATH, QUIET, SETTINGS, STORE
from pipeline.errors import UsageError
from pipeline.telling import printable, showing, telling


@main.command()
@click.argument("directory", type=PATH)
@click.option("--branches", type=click.IntRange(1, 2000), default=4, show_default=True, help="How many branches.")
@click.option("--weeks", type=click.IntRange(1, 520), default=104, show_default=True, help="How many weeks of history.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same files.")
@click.option("--scenario", type=click.Choice(["corrowmere"]), help="Write this invented chain, stories and all.")
@QUIET
@JSON
def simulate(
    directory: Path, branches: int, weeks: int, seed: int, scenario: str | None, quiet: bool, as_json: bool
) -> None:
    """Write an invented chain's exports into DIRECTORY, and what is true of it beside it.

    The answer key goes to DIRECTORY.answer_key, apart from the exports. Nothing in it is about real people.

    \b
    Example:
      scapha simulate exports --branches 3 --weeks 52 --seed 7
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"inventing a chain in {directory}")
        from pipeline.simulate import simulate_chain, simulate_scenario

        if scenario:
            made = simulate_scenario(directory, scenario, progress=progress)
        else:
            made = simulate_chain(directory, branches=branches, weeks=weeks, seed=seed, progress=progress)
    click.echo(json.dumps(made.as_dict()) if as_json else made.sentence())


@main.command()
@click.argument("directory", type=PATH)
@JSON
def schema(directory: Path, as_json: bool) -> None:
    """Write a Table Schema file for each table of the exports into DIRECTORY.

    They say what every column holds, for whoever sets up an export or checks one.

    \b
    Example:
      scapha schema table_schemas
    """
    with telling(as_json):
        from pipeline.contract.tableschema import write_schemas

        names = write_schemas(directory)
    click.echo(json.dumps({"written": names}) if as_json else "\n".join(names))


@main.command(epilog=EXITS)
@click.argument("folder", type=PATH)
@STORE
@SETTINGS
@QUIET
@JSON
def fixlist(folder: Path, store: Path, settings_path: Path | None, quiet: bool, as_json: bool) -> None:
    """Write what each branch can mend into FOLDER: refused rows and gaps, as a spreadsheet and CSV to send again.

    Each branch has a folder of its own that tells of no other. The store is only read.

    \b
    Example:
      scapha fixlist to_mend --store shop.duckdb
    """
    with telling(as_json), showing(quiet) as progress:
        progress(f"reading {store}")
        from pipeline.fixlist import write_fix_lists
        from pipeline.settings import find_settings, read_settings

        named = settings_path or find_settings(None)
        settings = read_settings(named) if named else None
        written = write_fix_lists(folder, store=store, settings=settings, progress=progress)
    if as_json:
        click.echo(json.dumps({"branches": [one.as_dict() for one in written]}))
        return
    for one in written:
        rows = f"{one.rows:,} rows to mend, {one.without_values:,} without values, {one.gaps:,} gaps"
        click.echo(printable(f"{one.branch or 'Of no branch'}: {rows}."))


@main.command()
@click.argument("file", type=PATH)
@JSON
def workbook(file: Path, as_json: bool) -> None:
    """Write a spreadsheet FILE to fill in by hand, for a shop without a till or booking export.

    It has a sheet for each table and one that explains every column. Saved into the inbox it is an export.

    \b
    Example:
      scapha workbook exports/shop.xlsx
    """
    with telling(as_json):
        from pipeline.places import owner_only
        from pipeline.workbook import write_workbook

        with owner_only():
            sheets = write_workbook(file)
    said = {"written": str(file), "sheets": sheets}
    click.echo(json.dumps(said) if as_json else f"{file} is written: {', '.join(sheets)}.")


@main.command()
@click.option("--show", is_flag=True, help="Show every setting that holds, and where it comes from.")
@SETTINGS
@JSON
def settings(show: bool, settings_path: Path | None, as_json: bool) -> None:
    """Read the settings and say whether they hold; --show prints each with where it comes from.

    \b
    Example:
      scapha settings --show
    """
    with telling(as_json):
        from pipeline.settings import find_settings, read_settings, shown

        path = settings_path or find_settings(None)
        rows = shown(read_settings(path), path)
    if as_json:
        told = [{"name": name, "value": value, "from": origin} for name, value, origin in rows]
        click.echo(json.dumps({"file": str(path) if path else None, "settings": told}))
    elif show:
        for name, value, origin in rows:
            click.echo(f"{name} = {value}  # {origin}")
    else:
        click.echo(f"{path} holds." if path else "There is no scapha.toml here; the defaults hold.")


@main.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@JSON
def completion(shell: str, as_json: bool) -> None:
    """Print what makes SHELL complete scapha's commands and options.

    \b
    Example:
      scapha completion bash >> ~/.bashrc
    """
    from click.shell_completion import get_completion_class

    completer = get_completion_class(shell)
    if completer is None:
        raise UsageError(f"There is no completion for {shell}.")
    script = completer(main, {}, "scapha", "_SCAPHA_COMPLETE").source()
    click.echo(json.dumps({"script": script}) if as_json else script)


@main.command()
@JSON
def methods(as_json: bool) -> None:
    """List every statistical method with its formula, its source and the tests it passes.

    \b
    Example:
      scapha methods --json
    """
    from pipeline.stats.catalogue import catalogue

    if as_json:
        click.echo(json.dumps([asdict(method) for method in catalogue()]))
        return
    for method in catalogue():
        lines = (f"{method.name} ({method.identifier})", method.says, method.formula, f"Source: {method.source}")
        click.echo("\n  ".join(lines))
