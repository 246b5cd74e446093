"""What users and contributors are told: every command, option, exit code, setting, page, measure and result."""

import re
from collections.abc import Iterator

import click
import pytest

from pipeline.cli import main
from pipeline.results import RESULTS
from pipeline.settings import Settings
from reports.rendering import NAVIGATION

from .sources import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8") if (ROOT / "README.md").exists() else ""
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8") if (ROOT / "DEVELOPERS.md").exists() else ""
EXIT_CODES = (0, 1, 2, 3, 4, 5)
MEASURES = sorted(path.stem for path in (ROOT / "sql" / "3_measures").glob("*.sql"))


@pytest.mark.parametrize("name", main.commands)
def test_every_command_is_in_the_readme(name: str) -> None:
    assert re.search(rf"`scapha {name}\b", README)


def test_every_command_in_the_readme_is_one() -> None:
    assert set(re.findall(r"`scapha ([a-z]+)", README)) == set(main.commands)


def every_command(group: click.Group) -> Iterator[click.Command]:
    """Every command, also those that are named after another."""
    for command in group.commands.values():
        yield command
        if isinstance(command, click.Group):
            yield from every_command(command)


def test_every_option_in_the_documents_is_one() -> None:
    known = {option for command in every_command(main) for one in command.params for option in one.opts}
    told = set(re.findall(r"`(--[a-z-]+)", README)) | set(re.findall(r"scapha [^\n`]*?(--[a-z-]+)", README))
    assert told <= known | {"--help", "--version"}
    assert told


@pytest.mark.parametrize("code", EXIT_CODES)
def test_every_exit_code_is_in_the_readme(code: int) -> None:
    assert re.search(rf"^\| {code} \| \S", README, re.M)


@pytest.mark.parametrize("name", Settings.model_fields)
def test_every_setting_is_in_the_readme(name: str) -> None:
    assert name in README


@pytest.mark.parametrize("page", [*(page.link for page in NAVIGATION), "branch/<branch_id>.html"])
def test_every_page_is_in_the_readme(page: str) -> None:
    assert f"`{page}`" in README


@pytest.mark.parametrize("page", [*(page.link for page in NAVIGATION), "branch/*.html"])
def test_every_page_is_in_the_guide(page: str) -> None:
    assert f"`{page}`" in DEVELOPERS


@pytest.mark.parametrize("name", MEASURES)
def test_every_measure_is_in_the_guide(name: str) -> None:
    assert f"`{name}`" in DEVELOPERS


@pytest.mark.parametrize("name", [result.name for result in RESULTS])
def test_every_result_is_in_the_guide(name: str) -> None:
    assert f"`{name}`" in DEVELOPERS


def test_every_file_named_in_the_guide_is_there() -> None:
    named = set(re.findall(r"`((?:pipeline|sql|reports|tests|sample_exports)/[\w./]+)`", DEVELOPERS + README))
    missing = {name for name in named if not (ROOT / name).exists()}
    assert missing == {"pipeline/store/migrations/000N.sql"}  # the next one, whichever that is
    assert len(named) > 10


@pytest.mark.parametrize("document", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_link_leads_to_a_file(document: str) -> None:
    links = re.findall(r"\]\(([^)#]+)\)", document)
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_commands_have_help() -> None:
    assert all(isinstance(command, click.Command) and command.help for command in every_command(main))
