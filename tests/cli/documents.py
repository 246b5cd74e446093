"""Reading what `--json` prints."""

import json
from typing import Any, NoReturn

from click.testing import Result


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is no JSON (RFC 8259, section 3)")


def document(result: Result) -> dict[str, Any]:
    """The one JSON object on a run's stdout, by the strict reading: no NaN, nothing beside it."""
    found = json.loads(result.stdout, parse_constant=_refuse)
    assert isinstance(found, dict)
    return found
