"""What tests of several folders share."""

from collections.abc import Callable, Iterator
from subprocess import CompletedProcess

import pytest

from support.forking import Forking

Program = Callable[..., CompletedProcess[str]]


@pytest.fixture(scope="session")
def _forking() -> Iterator[Forking]:
    forking = Forking()
    yield forking
    forking.end()


@pytest.fixture
def program(_forking: Forking, tmp_path_factory: pytest.TempPathFactory) -> Program:
    """Run a module as a program, with arguments and what it reads from `stdin`; see `support.forking`."""

    def run(module: str, *arguments: object, stdin: str = "") -> CompletedProcess[str]:
        return _forking.run(tmp_path_factory.mktemp("streams"), module, *arguments, stdin=stdin)

    return run
