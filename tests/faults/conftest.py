"""The fault programs run as programs: they fork, which a test session with its threads cannot; see `warm`."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
Ran = subprocess.CompletedProcess[str]


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "faults: kills nights and fills disks, which takes a while")


@pytest.fixture(scope="session")
def program() -> Callable[..., Ran]:
    """Run one of this folder's programs with arguments."""

    def run(name: str, *arguments: object) -> Ran:
        paths = os.pathsep.join([str(ROOT / "tests"), str(ROOT)])
        ran = subprocess.run(
            [sys.executable, "-m", f"faults.{name}", *map(str, arguments)],
            env=os.environ | {"PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1"},
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )
        if "Traceback" in ran.stderr:
            raise RuntimeError(ran.stderr)  # of the program itself: it passes on none of its nights'
        return ran

    return run
