"""What the library says of each of its methods: its formula, its source, and the tests it passes."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Method:
    """A method as it is listed.

    `functions` name what computes it in its module; `says` tells a reader without statistics what it is for and how an
    edge case is decided; `formula` is plain text; `source` gives author, year, title and place; `checks` name the tests
    that hold it against print, a reference library or a simulated truth, as `test_file::test_name`.
    """

    identifier: str
    name: str
    functions: tuple[str, ...]
    says: str
    formula: str
    source: str
    checks: tuple[str, ...]
