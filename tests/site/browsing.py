"""Opening pages from disk in a browser, and listening to all that happens."""

from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser, Page

Scheme = Literal["light", "dark"]
Size = tuple[int, int]

PHONE: Size = (360, 640)
DESK: Size = (1280, 800)
NARROW: Size = (320, 640)
A4: Size = (718, 1046)
"""Between margins of 10 mm, at 96 pixels to the inch: 210 by 297 mm less 20 each way."""
SCHEMES: tuple[Scheme, ...] = ("light", "dark")


class Tab:
    """A tab of a browser that opens one page after another, each afresh, and hears what the page says and asks for."""

    def __init__(self, browser: Browser, *, under_policy: bool) -> None:
        """A tab without the policy lets run and load whatever a page asks for."""
        self.page: Page = browser.new_context(bypass_csp=not under_policy).new_page()
        self.messages: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.messages.append(message.text))
        self.page.on("pageerror", lambda error: self.messages.append(str(error)))
        self.page.on("dialog", self._hear)
        self.page.on("request", lambda request: self.requests.append(request.url))

    def _hear(self, dialog: object) -> None:
        self.messages.append(f"dialog: {dialog.message}")  # type: ignore[attr-defined]
        dialog.dismiss()  # type: ignore[attr-defined]

    def open(self, path: Path, size: Size = DESK, scheme: Scheme = "light", *, printed: bool = False) -> Page:
        """Open a page at a window's size, in a scheme, on the screen or as printed."""
        self.page.goto("about:blank")
        self.page.set_viewport_size({"width": size[0], "height": size[1]})
        self.page.emulate_media(color_scheme=scheme, media="print" if printed else "screen")
        self.messages.clear()
        self.requests.clear()
        self.page.goto(path.as_uri())
        return self.page
