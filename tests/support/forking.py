"""Programs started as `python -m` would start them, but forked from a process that has imported what a night needs.

Importing takes longer than most of these programs themselves. What is forked is a process of its own all the same: it
can be killed, and computes with libraries that nothing has computed with before. So the one that forks must itself
compute nothing: the libraries' threads would not come along.
"""

import codecs
import json
import os
import runpy
import select
import signal
import subprocess
import sys
import traceback
from pathlib import Path

TESTS = Path(__file__).parents[1]
MOST_SECONDS = 300


def import_all() -> None:
    """Import all that a night needs, also what it imports late."""
    import altair  # noqa: F401
    import scipy.stats  # noqa: F401
    import statsmodels.api  # noqa: F401
    import vl_convert  # noqa: F401

    import pipeline.cli
    import pipeline.nightly
    import pipeline.settings  # noqa: F401

    for encoding in ("ascii", "utf-8-sig", "idna"):  # a user without rights may find the interpreter closed
        codecs.lookup(encoding)
    from reports.rendering import _environment

    for template in _environment().list_templates(extensions=["html"]):
        _environment().get_template(template)


class Forking:
    """A process that has imported everything, and starts programs."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "support.forking"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=TESTS.parent,
            env=os.environ
            | {"PYTHONPATH": os.pathsep.join([str(TESTS), str(TESTS.parent)]), "OPENBLAS_NUM_THREADS": "1"},
            start_new_session=True,
        )

    def run(self, folder: Path, module: str, *arguments: object, stdin: str = "") -> subprocess.CompletedProcess[str]:
        """Run a module as a program to its end, with its streams in a folder; the exit code is minus a signal."""
        pipe = self._process
        assert pipe.stdin is not None
        assert pipe.stdout is not None
        (folder / "stdin").write_text(stdin, encoding="utf-8")
        command = [module, *map(str, arguments)]
        pipe.stdin.write(json.dumps([str(folder), command]) + "\n")
        pipe.stdin.flush()
        if not select.select([pipe.stdout], [], [], MOST_SECONDS)[0]:
            self.end()
            raise TimeoutError(f"{command} takes longer than {MOST_SECONDS} seconds")
        status = int(pipe.stdout.readline())
        told = [(folder / stream).read_text(encoding="utf-8") for stream in ("stdout", "stderr")]
        return subprocess.CompletedProcess(command, status, *told)

    def end(self) -> None:
        """End it, with all that it started."""
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.communicate()


def serve() -> None:
    """Start a program for each line read, one after another, and answer with how it ended."""
    import_all()
    while line := sys.stdin.readline():
        folder, command = json.loads(line)
        pid = os.fork()
        if pid == 0:
            os._exit(_run(Path(folder), command))
        sys.stdout.write(f"{os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])}\n")
        sys.stdout.flush()


def _run(folder: Path, command: list[str]) -> int:
    """Be the program, with streams of its own; the exit code."""
    for name, flags, number in (("stdin", os.O_RDONLY, 0), ("stdout", _NEW, 1), ("stderr", _NEW, 2)):
        os.dup2(os.open(folder / name, flags), number)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 - that before had read ahead
    sys.argv = command
    code: object = 0
    try:
        runpy.run_module(command[0], run_name="__main__", alter_sys=True)
    except SystemExit as ended:
        code = ended.code
    except BaseException:
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    return code if isinstance(code, int) else int(code is not None)


_NEW = os.O_WRONLY | os.O_CREAT | os.O_TRUNC


if __name__ == "__main__":
    serve()
