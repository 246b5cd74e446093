"""Whether the tests of `pipeline/stats` notice a change: each mutant is one small change, and a test must fail.

`python tests/mutants.py [MODULE ...] [--sample N] [--seed S]`

Not a test: it takes seconds for each mutant. A mutant lives in memory only: a forked process puts it in the module's
place and runs the test files that import the module, the module's own first. What survives is printed; it wants a test,
or, where no test can tell it from the original, a line in `EQUIVALENT`. One that hangs counts as killed.
"""

import argparse
import ast
import multiprocessing
import os
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).parent.parent
STATS = ROOT / "pipeline" / "stats"
TESTS = ROOT / "tests" / "stats"

ALSO_TESTED_BY = {"arguments": ("cusum", "likelihood_cusum", "shewhart", "survival", "intervals", "funnel")}
"""Modules that are tested by what is made of them."""

Change = tuple[int, str, str]
Position = Callable[[ast.expr], int]

EITHER_WAY = "< <= > >= == != + - += -= * / & | and or maximum minimum max min ceil floor any all cdf sf ppf isf"
_ONE, _OTHER = EITHER_WAY.split()[::2], EITHER_WAY.split()[1::2]
SWAPS = dict(zip(_ONE, _OTHER, strict=True)) | dict(zip(_OTHER, _ONE, strict=True))
SWAPS |= {"is": "is not", "is not": "is", "//": "/", "**": "*"}

_NAN_ANYWAY = "only stands in for sizes of 0, for which the result is NaN whatever it is"
_SAME_AT_1 = "a size of 1 is replaced by 1"
_SAME_MAXIMUM = "the search begins elsewhere and ends at the same maximum, to more digits than it is good for"
_WIDER = "the search only begins with a wider range"
_NEARNESS = "how near counts as there: any number well above rounding serves"

EQUIVALENT: tuple[tuple[str, str, str, str], ...] = (
    ("intervals", "size, 1.0)", "size, 2.0)", _NAN_ANYWAY),
    ("intervals", "some = np.where(size > 0", "some = np.where(size > 1", _SAME_AT_1),
    ("case_mix", "COEFFICIENT_TOLERANCE = 1e-10", "COEFFICIENT_TOLERANCE = 2e-10", _NEARNESS),
    ("case_mix", "EQUAL_RISK_DECIMALS = 9", "EQUAL_RISK_DECIMALS = 10", _NEARNESS),
    ("chart_choice", "floor(100 * expected) / 100", "floor(100 * expected) / 101", "below 0.25 both read the same"),
    ("cohort_evidence", "range(2, 29, 2)", "range(2, 30, 2)", "the same windows"),
    ("cohort_evidence", "range(35, 183, 7)", "range(35, 184, 7)", "the same windows"),
    ("cohort_evidence", "seen > usual", "seen >= usual", "O ln(O / E) - (O - E) is 0 where they are equal"),
    ("cohort_evidence", "np.where(is_known, 1.0", "np.where(is_known, 2.0", "stands for what is not taken"),
    ("funnel", "reshape(-1, 4)", "reshape(-2, 4)", "NumPy takes any negative length as the one to be found"),
    ("gamma_poisson", "start = np.array([0.0,", "start = np.array([1.0,", _SAME_MAXIMUM),
    ("gamma_poisson", "start + np", "start - np", _SAME_MAXIMUM),
    ("gamma_poisson", "([[0.0, 0.0]", "([[0.0, 1.0]", _SAME_MAXIMUM),
    ("gamma_poisson", "[1.0, 0.0]", "[2.0, 0.0]", _SAME_MAXIMUM),
    ("gamma_poisson", "[1.0, 0.0]", "[1.0, 1.0]", _SAME_MAXIMUM),
    ("gamma_poisson", "[0.0, 0.5]", "[1.0, 0.5]", _SAME_MAXIMUM),
    ("gamma_poisson", "[0.0, 0.5]", "[0.0, 1.0]", _SAME_MAXIMUM),
    ("gamma_poisson", "1e-7", "2e-07", _SAME_MAXIMUM),
    ("gamma_poisson", "1e-9,", "2e-09,", _SAME_MAXIMUM),
    ("survival", "ROUNDING = 1e-12", "ROUNDING = 2e-12", _NEARNESS),
    ("survival", "share > ROUNDING", "share >= ROUNDING", _NEARNESS),
    ("survival", "share < 1", "share <= 1", _NEARNESS),
    ("lattice_run_length", "last >=", "last >", "a bound of time and memory"),
    ("lattice_run_length", ") + 2)", ") + 3)", "counts that signal anyway"),
    ("run_rules", "z > rule.beyond", "z >= rule.beyond", "zones are looked at in their middle, never on a line"),
    ("run_rules", "edges[0] - 1", "edges[0] - 2", "any point of the outer zone stands for it"),
    ("run_rules", "edges[-1] + 1", "edges[-1] + 2", "any point of the outer zone stands for it"),
    ("run_rules", "(states) >", "(states) >=", "a bound of time and memory"),
    ("arguments", "np.floor", "np.ceil", "a whole number is both"),
    ("clustered", "effect > 0", "effect >= 0", "it is 1 or more, or NaN"),
    ("control_chart", "1e-9", "2e-09", _NEARNESS),
    ("run_length", "5000", "5001", "a bound of time and memory"),
    ("run_length", "number >", "number >=", "a bound of time and memory"),
    ("run_length", "100 *", "101 *", "any bound far above the longest serves"),
    ("run_length", "steps > 0", "steps >= 0", "a chain takes one step at least"),
    ("run_length", "steps < cap", "steps <= cap", "what equals the bound is replaced by it"),
    ("run_length", "steps < LONGEST", "steps <= LONGEST", "no run length is computed to be exactly that"),
    ("run_length", "ceil(2 *", "ceil(3 *", "more points than are needed"),
    ("run_length", "b) < 1e-6", "b) <= 1e-6", "both formulas hold there"),
    ("run_length", "b) < 1e-6", "b) < 2e-06", "both formulas hold there"),
    ("run_length", "weight - shift", "weight + shift", "the chart is symmetric and starts in its middle"),
    ("run_length", "highest = 1", "highest = 2", _WIDER),
    ("run_length", "*= 2", "*= 3", _WIDER),
    ("run_length", "* step) < wanted", "* step) <= wanted", _WIDER),
    ("scan", "c > mean", "c >= mean", "as many as expected are no evidence either way"),
    ("delay", "days + 1, 0", "days + 1, 1", "days before the piercing are 0 anyway"),
    ("delay", "*np.ceil(steps", "*np.floor(steps", "that late nothing is left of the assumed distribution"),
    ("delay", "steps[-1:]", "steps[1:]", "the last is the greatest"),
    ("delay", "steps[-1:]", "steps[-2:]", "the last is the greatest"),
    ("delay", "([0.0], assumed", "([1.0], assumed", "nothing is known before the first step anyway"),
)
"""Mutants that no test can tell from the original, as was read: module, part of its line, the same changed, and why."""


@dataclass(frozen=True)
class Mutant:
    """One change of a module's source: `old` at byte `start` becomes `new`."""

    module: str
    start: int
    old: str
    new: str

    @property
    def path(self) -> Path:
        return STATS / f"{self.module}.py"

    @property
    def number(self) -> int:
        """Number of the line, from 1."""
        return self.path.read_bytes()[: self.start].count(b"\n") + 1

    @property
    def line(self) -> str:
        return self.path.read_text(encoding="utf-8").splitlines()[self.number - 1].strip()

    @property
    def changed_line(self) -> str:
        return self.source().splitlines()[self.number - 1].strip()

    @property
    def is_equivalent(self) -> bool:
        """Whether it is listed as equivalent."""
        return any(
            self.module == module and part in self.line and self.line.replace(part, changed) == self.changed_line
            for module, part, changed, _ in EQUIVALENT
        )

    def source(self) -> str:
        """The changed source of the module."""
        whole = self.path.read_bytes()
        return (whole[: self.start] + self.new.encode() + whole[self.start + len(self.old.encode()) :]).decode()


def _left_alone(node: ast.AST) -> bool:
    """Whether a part of the source makes no mutants: the list of methods, what is raised, and `strict` of a zip."""
    targets = node.targets if isinstance(node, ast.Assign) else []
    if any(isinstance(to, ast.Name) and to.id == "METHODS" for to in targets):
        return True
    return isinstance(node, ast.Raise) or (isinstance(node, ast.keyword) and node.arg == "strict")


def _parts(node: ast.AST) -> Iterator[ast.AST]:
    """The node and all below it that may be changed; type hints and decorators may not."""
    yield node
    for field, value in ast.iter_fields(node):
        if field not in ("annotation", "returns", "decorator_list"):
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST) and not _left_alone(child):
                    yield from _parts(child)


def _moved(value: object) -> str | None:
    """Another constant: the other truth, the next whole number, twice a fraction."""
    if isinstance(value, bool):
        return str(not value)
    if isinstance(value, int):
        return str(value + 1)
    return repr(value * 2 or 1.0) if isinstance(value, float) else None


def _operands(node: ast.AST) -> list[ast.expr]:
    """The operands of a node, between which its operators stand."""
    match node:
        case ast.Compare():
            return [node.left, *node.comparators]
        case ast.BinOp():
            return [node.left, node.right]
        case ast.AugAssign():
            return [node.target, node.value]
        case ast.BoolOp():
            return node.values
    return []


def _changes(node: ast.AST, text: Callable[[int, int], str], begin: Position, end: Position) -> Iterator[Change]:
    """What can be changed of a node itself: from which byte, what, and to what."""
    if isinstance(node, ast.Constant) and (new := _moved(node.value)):
        yield begin(node), text(begin(node), end(node)), new
    if isinstance(node, ast.UnaryOp):
        yield begin(node), text(begin(node), begin(node.operand)).rstrip("( "), ""
    if isinstance(node, ast.Attribute | ast.Name):
        name = node.attr if isinstance(node, ast.Attribute) else node.id
        if name in SWAPS:
            yield end(node) - len(name), name, SWAPS[name]
    for before, after in pairwise(_operands(node)):
        between = text(end(before), begin(after))
        if (operator := between.strip("() \n")) in SWAPS:
            yield end(before) + between.index(operator), operator, SWAPS[operator]


def mutants(module: str) -> list[Mutant]:
    """All mutants of a module, in the order of its source."""
    whole = (STATS / f"{module}.py").read_bytes()
    lines = [0, *(at + 1 for at, byte in enumerate(whole) if byte == ord("\n"))]

    def begin(node: ast.expr) -> int:
        return lines[node.lineno - 1] + node.col_offset

    def end(node: ast.expr) -> int:
        return lines[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)

    def text(start: int, stop: int) -> str:
        return whole[start:stop].decode()

    changes = (change for node in _parts(ast.parse(whole)) for change in _changes(node, text, begin, end))
    return [Mutant(module, *change) for change in sorted(changes)]


def _tests_of(module: str) -> list[str]:
    """The test files that import a module, its own first."""
    own = TESTS / f"test_{module}.py"
    importing = [TESTS / f"test_{other}.py" for other in ALSO_TESTED_BY.get(module, ())]
    for path in sorted(TESTS.glob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.ImportFrom) and (
                node.module == f"pipeline.stats.{module}"
                or (node.module == "pipeline.stats" and module in [name.name for name in node.names])
            ):
                importing.append(path)
    return [str(path) for path in dict.fromkeys(sorted(importing, key=lambda path: path != own))]


def _run(module: str, path: Path, source: str, tests: list[str]) -> None:
    """In a process of its own: puts the source in the module's place and ends with what pytest ends with."""
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    name = f"pipeline.stats.{module}"
    package, changed = import_module("pipeline.stats"), ModuleType(name)
    changed.__file__, sys.modules[name] = str(path), changed
    setattr(package, module, changed)
    exec(compile(source, path, "exec"), changed.__dict__)  # noqa: S102
    import pytest

    imported_before = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
    os._exit(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *imported_before, "--rootdir", str(ROOT), *tests]))


def survives(mutant: Mutant, tests: list[str], bound: float | None) -> bool:
    """Whether all tests pass in time."""
    process = multiprocessing.get_context("fork").Process(
        target=_run, args=(mutant.module, mutant.path, mutant.source(), tests)
    )
    process.start()
    process.join(bound)
    if process.is_alive():
        process.kill()
        process.join()
    return process.exitcode == 0


def judge(module: str, sample: int, seed: int) -> Counter[str]:
    """Runs a module's mutants, prints those that survive, and counts."""
    tests, made = _tests_of(module), mutants(module)
    start = time.monotonic()
    if not survives(Mutant(module, 0, "", ""), tests, None):
        raise SystemExit(f"the tests of {module} fail without any change")
    bound = 5 * (time.monotonic() - start) + 10
    unlisted = [mutant for mutant in made if not mutant.is_equivalent]
    chosen = random.Random(seed).sample(unlisted, sample) if 0 < sample < len(unlisted) else unlisted
    told = Counter(made=len(made), equivalent=len(made) - len(unlisted), run=len(chosen), killed=0, survived=0)
    for mutant in chosen:
        alive = survives(mutant, tests, bound)
        told["survived" if alive else "killed"] += 1
        if alive:
            print(f"{mutant.path.relative_to(ROOT)}:{mutant.number}")  # noqa: T201
            print(f"  - {mutant.line}\n  + {mutant.changed_line}", flush=True)  # noqa: T201
    print(module, *(f"{what} {number}" for what, number in told.items()), flush=True)  # noqa: T201
    return told


def main() -> None:
    """Reads the command line and judges the modules it names, or all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", default=sorted(path.stem for path in STATS.glob("[a-z]*.py")))
    parser.add_argument("--sample", type=int, default=0, help="mutants of each module, at most; all by default")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(ROOT))
    for slow in ("scipy.stats", "scipy.optimize", "statsmodels.api", "hypothesis"):
        import_module(slow)  # once, before the processes fork
    settings, phase = import_module("hypothesis").settings, import_module("hypothesis").Phase
    # That an example fails is enough: it is neither kept nor made small.
    settings.register_profile("mutants", database=None, derandomize=True, phases=(phase.explicit, phase.generate))
    settings.load_profile("mutants")
    total: Counter[str] = sum((judge(module, asked.sample, asked.seed) for module in asked.modules), Counter())
    print("total", *(f"{what} {number}" for what, number in total.items()))  # noqa: T201


if __name__ == "__main__":
    main()
