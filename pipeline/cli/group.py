"""The program: the group that its commands belong to."""

import json
import sys
from collections.abc import Sequence
from typing import Any

import click

from pipeline import __version__
from pipeline.cli.options import EXITS


class _Commands(click.Group):
    """The commands; where `--json` is given, a usage error is a JSON document on stdout too."""

    def main(self, args: Sequence[str] | None = None, *others: Any, **options: Any) -> Any:
        """Run the command of the arguments, and end with its exit code."""
        arguments = list(sys.argv[1:] if args is None else args)
        if "--json" not in arguments:
            return super().main(arguments, *others, **options)
        try:
            return super().main(arguments, *others, **options | {"standalone_mode": False})
        except click.ClickException as error:
            error.show()
            click.echo(json.dumps({"error": error.format_message(), "remedy": "", "exit_code": error.exit_code}))
            sys.exit(error.exit_code)
        except click.Abort:  # the user's own interruption
            click.echo("Aborted!", err=True)
            click.echo(json.dumps({"error": "aborted", "remedy": "Run it again.", "exit_code": 1}))
            sys.exit(1)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]}, epilog=EXITS)
@click.version_option(__version__, prog_name="scapha")
def main() -> None:
    """An ear-piercing business's figures and complication surveillance, every night, from its own exports.

    \b
    Examples:
      scapha nightly sample_exports
      scapha report --as-of 2026-05-31 --site as_known_in_may
      scapha simulate exports --branches 3 --weeks 52 --seed 7
    """
