"""The colours of the style sheet by name, for what must do without variables: pictures, and mail."""

import re
from functools import cache
from importlib.resources import files

_COLOUR = re.compile(r"--([a-z]+): (#[0-9a-f]{6})\b")
_VARIABLE = re.compile(r"var\(--([a-z]+)\)")


@cache
def palettes() -> tuple[dict[str, str], dict[str, str]]:
    """The colours on light and on dark ground, by the variables' names."""
    text = (files("reports") / "templates" / "style.css").read_text(encoding="utf-8")
    light, _, rest = text.partition("@media (prefers-color-scheme: dark)")
    return dict(_COLOUR.findall(light)), dict(_COLOUR.findall(rest.partition("}")[0]))


def filled(text: str, colours: dict[str, str]) -> str:
    """A text with every variable's colour in its place."""
    return _VARIABLE.sub(lambda variable: colours[variable[1]], text)
