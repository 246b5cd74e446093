"""What lies where: nothing unexpected at the top, nothing large in the sample, no address in any file."""

import re
from pathlib import Path

from .sources import ROOT, tracked

AT_THE_TOP = {
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"),
    *("pipeline", "sql", "reports", "tests", "sample_exports"),
}
MOST_SAMPLE_BYTES = 10_000_000
ADDRESS = re.compile(r"\bht" + r"tps?:\S+", re.I)
NAMESPACES = {"2000/svg", "1999/xlink"}
"""Names of XML vocabularies, which nothing fetches."""
ADDRESSES = {Path("LICENSE"): 1}
"""Files that may hold an address, and how many: the licence names where it is published."""
HOSTS = re.compile(
    r"\b(?:py" + r"pi|pyth" + r"onhosted|np" + r"mjs)\.\w|--(?:extra-)?index-" + r"url|--find-" + r"links", re.I
)
MACHINE_PATHS = re.compile(r"(?:^|[\s\"'(=])/(?:wo" + r"rk|ho" + r"me|ro" + r"ot|fa" + r"rm|t" + r"mp)/\w")


def texts() -> dict[Path, str]:
    """Every text file of the checkout but the sample's, by its path."""
    found = {}
    for path in tracked():
        if path.parts[0] != "sample_exports" and path.suffix not in (".png", ".gz"):
            found[path] = (ROOT / path).read_text(encoding="utf-8")
    return found


def test_nothing_unexpected_lies_at_the_top() -> None:
    names = {path.parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} == AT_THE_TOP


def test_the_sample_is_small() -> None:
    sizes = [(ROOT / path).stat().st_size for path in tracked() if path.parts[0] == "sample_exports"]
    assert len(sizes) > 100
    assert sum(sizes) <= MOST_SAMPLE_BYTES


def addresses_in(text: str) -> list[str]:
    return [found for found in ADDRESS.findall(text) if not any(name in found for name in NAMESPACES)]


def test_no_file_holds_an_address() -> None:
    found = {path: len(addresses) for path, text in texts().items() if (addresses := addresses_in(text))}
    assert found == ADDRESSES


def test_addresses_are_found() -> None:
    scheme = "ht" + "tp"
    assert addresses_in(f'<a href="{scheme}s://example.org">') == [f'{scheme}s://example.org">']
    assert addresses_in(f'xmlns="{scheme}://www.w3.org/2000/svg"') == []
    assert addresses_in("the " + scheme + " protocol; equiv") == []


def test_no_file_names_a_package_host() -> None:
    assert [path for path, text in texts().items() if HOSTS.search(text)] == []
    assert HOSTS.search("files.pyth" + "onhosted.org")


def test_machine_paths_are_found() -> None:
    assert MACHINE_PATHS.search("cd /wo" + "rk/main")
    assert not MACHINE_PATHS.search("%h/exports/main and 3/4")


def test_no_file_names_a_path_of_one_machine() -> None:
    assert [path for path, text in texts().items() if MACHINE_PATHS.search(text)] == []


def test_no_test_folder_is_without_tests() -> None:
    folders = {path.parts[1] for path in tracked() if path.parts[0] == "tests" and len(path.parts) > 2}
    tested = {path.parts[1] for path in tracked() if path.parts[0] == "tests" and path.name.startswith("test_")}
    assert folders - tested == {"support"}
