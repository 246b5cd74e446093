"""Help, version and completion: quick, with examples, and before anything heavy is imported."""

import re
import subprocess
import sys
import time

import click
import pytest

from pipeline import __version__
from pipeline.cli import main

from .conftest import Scapha

COMMANDS = sorted(main.commands)
SCAPHA = [sys.executable, "-m", "pipeline"]


def test_the_jobs_that_stand_are_there() -> None:
    assert {"nightly", "report", "simulate"} <= set(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_s_help_has_an_example_of_it(scapha: Scapha, command: str) -> None:
    for option in ("--help", "-h"):
        result = scapha(command, option)
        assert result.exit_code == 0
        assert result.stderr == ""
        _, _, example = result.stdout.partition("Example")
        assert f"scapha {command}" in example


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_and_argument_is_explained(command: str) -> None:
    for parameter in main.commands[command].params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
        else:
            assert str(parameter.name).upper() in (main.commands[command].help or "")


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "completion"])
def test_a_command_can_answer_in_json(command: str) -> None:
    assert "--json" in {option for parameter in main.commands[command].params for option in parameter.opts}


def test_the_help_of_all_names_every_command_and_every_exit_code(scapha: Scapha) -> None:
    text = scapha("--help").stdout
    assert all(f"\n  {command} " in text for command in COMMANDS)
    assert all(re.search(rf"^ +{code}  \w", text, re.MULTILINE) for code in range(6))
    assert "Example" in text


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_comes_within_a_second(command: str) -> None:
    took: list[float] = []
    while not took or (took[-1] > 1 and len(took) < 3):
        started = time.perf_counter()
        subprocess.run([*SCAPHA, *command.split(), "--help"], check=True, capture_output=True)
        took.append(time.perf_counter() - started)
    assert min(took) < 1


HEAVY = ("altair", "duckdb", "jinja2", "polars", "pydantic", "scipy", "statsmodels")


def test_help_waits_for_no_heavy_library() -> None:
    code = f"""
import sys
from pipeline.cli import main
main(["nightly", "--help"], standalone_mode=False)
print([name for name in {HEAVY} if name in sys.modules])
"""
    result = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert result.stdout.splitlines()[-1] == "[]"


def test_the_version_is_the_package_s(scapha: Scapha) -> None:
    result = scapha("--version")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.split() == ["scapha,", "version", __version__]


@pytest.mark.parametrize(
    ("shell", "mark"), [("bash", "complete -o"), ("zsh", "compdef"), ("fish", "complete --no-files")]
)
def test_completion_prints_a_script_for_the_shell(scapha: Scapha, shell: str, mark: str) -> None:
    result = scapha("completion", shell)
    assert (result.exit_code, result.stderr) == (0, "")
    assert mark in result.stdout
    assert f"_SCAPHA_COMPLETE={shell}_complete" in result.stdout


def test_completion_of_an_unknown_shell_is_wrong_usage(scapha: Scapha) -> None:
    assert scapha("completion", "csh").exit_code == 2


def test_without_a_command_the_commands_are_shown(scapha: Scapha) -> None:
    result = scapha()
    assert "nightly" in result.output
    assert result.exit_code in (0, 2)
