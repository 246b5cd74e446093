"""Published sites, and a real browser to open them in.

This folder is no package: the standard library has a module of its name. So the tests' root is put on the path here.
"""

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))

from browsing import Tab
from hostile import hostile_night

from support.editions import Published, empty_night, first_weeks_night, sample_night

NO_BROWSER = "no Chromium on the path: pages were not opened in a browser"


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Published:
    return sample_night(tmp_path_factory)


@pytest.fixture(scope="session")
def nothing(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """Of an empty inbox."""
    return empty_night(tmp_path_factory)


@pytest.fixture(scope="session")
def first_weeks(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """Of one branch with a piercing a day for three weeks."""
    return first_weeks_night(tmp_path_factory)


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """Of a chain whose every text is written to break a page."""
    return hostile_night(tmp_path_factory)


@pytest.fixture(params=["sample", "nothing", "first_weeks", "hostile"])
def any_site(request: pytest.FixtureRequest) -> Published:
    published: Published = request.getfixturevalue(request.param)
    return published


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """A headless Chromium, one for a session; without one its tests are skipped, or fail where one is required."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        if os.environ.get("SCAPHA_REQUIRE_BROWSER") == "1":
            pytest.fail(NO_BROWSER, pytrace=False)
        pytest.skip(NO_BROWSER)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def tab(chromium: Browser) -> Tab:
    """A tab that keeps to the pages' policy, as every reader's does."""
    return Tab(chromium, under_policy=True)


@pytest.fixture(scope="session")
def free_tab(chromium: Browser) -> Tab:
    """A tab that keeps to no policy: a check of accessibility can run in it, and so could an attack."""
    return Tab(chromium, under_policy=False)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say once, not for each test, that no browser was found."""
    skipped = [report for report in terminalreporter.stats.get("skipped", []) if NO_BROWSER in str(report.longrepr)]
    if skipped:
        terminalreporter.write_line(f"{len(skipped)} tests skipped: {NO_BROWSER}")
