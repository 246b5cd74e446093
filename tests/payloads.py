"""Sends 1,000 payloads through a night, each in every text field of the exports and with a branch of its own.

`python tests/payloads.py FOLDER` writes the exports into FOLDER, which must be new, and all that is given out of them;
then says how many files it looked into and what came through as more than text, and ends with 1 if anything did. Every
page is opened in Chromium too. It takes minutes; `tests/site/test_payloads.py` does the same with some of them.
"""

import shutil
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent), str(Path(__file__).parent / "site")]

from browsing import Tab  # noqa: E402
from inert import page_faults  # noqa: E402
from pagehtml import read_page  # noqa: E402
from payload_files import (  # noqa: E402
    GIVEN_OUT,
    OF_PAGES,
    faults,
    give_out,
    pages_for_a_browser,
    seen_by_a_browser,
)
from playwright.sync_api import sync_playwright  # noqa: E402
from test_markup import ALLOWED  # noqa: E402

from pipeline.editions import publish_edition  # noqa: E402
from reports.readers.declared import BRANCH, CHAIN, OUTSIDE, OWNER  # noqa: E402
from support.payload_texts import payloads  # noqa: E402


def faults_outside(folder: Path) -> list[str]:
    """What is wrong in the edition for readers outside, which is counted by the quarter from the store."""
    own = folder / "outside"
    store = folder / "store.duckdb"
    publish_edition(own, OUTSIDE, store=store, settings=None, as_of=None, progress=lambda _: None)
    return page_faults(own.resolve() / "index.html", own, tags=ALLOWED, attributes=OF_PAGES)


def browser_faults(folder: Path) -> Iterator[str]:
    """What Chromium made of a page besides what its own HTML has, and all that happened on it."""
    with sync_playwright() as playwright:
        path = shutil.which("chromium") or shutil.which("chromium-browser")
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        for free in (False, True):
            tab = Tab(browser, under_policy=not free)
            for page in pages_for_a_browser(folder):
                counts, held = seen_by_a_browser(tab.open(page))
                yield from held
                if counts != Counter(element.tag for element in read_page(page).all()):
                    yield f"{page}: other elements than its HTML has"
                if tab.messages or tab.requests != [page.as_uri()]:
                    yield f"{page}: {tab.messages} {tab.requests}"
        browser.close()


def main() -> int:
    folder = Path(sys.argv[1])
    folder.mkdir()
    began = time.perf_counter()
    texts = payloads()
    give_out(folder, texts, to_a_branch=1, readers=(OWNER, CHAIN, BRANCH))
    _tell(f"{len(texts)} payloads given out in {time.perf_counter() - began:.0f} s")
    found = faults(folder) + faults_outside(folder)
    files = Counter(path.suffix for name in GIVEN_OUT for path in (folder / name).resolve().rglob("*.*"))
    _tell(f"files looked into: {dict(files)}")
    found += browser_faults(folder)
    _tell(f"{len(pages_for_a_browser(folder))} pages opened in Chromium, under the policy and without it")
    _tell("\n".join(found) or "nothing came through as more than text")
    _tell(f"{time.perf_counter() - began:.0f} s in all")
    return 1 if found else 0


def _tell(line: str) -> None:
    print(line, flush=True)  # noqa: T201


if __name__ == "__main__":
    sys.exit(main())
