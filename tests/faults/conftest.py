"""The fault programs run as programs: they fork, which a test session with its threads cannot; see `warm`."""

from collections.abc import Callable
from subprocess import CompletedProcess

import pytest

Ran = CompletedProcess[str]


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "faults: kills nights and fills disks, which takes a while")


@pytest.fixture
def fault_program(program: Callable[..., Ran]) -> Callable[..., Ran]:
    """Run one of this folder's programs with arguments."""

    def run(name: str, *arguments: object) -> Ran:
        ran = program(f"faults.{name}", *arguments)
        if "Traceback" in ran.stderr:
            raise RuntimeError(ran.stderr)  # of the program itself: it passes on none of its nights'
        return ran

    return run
