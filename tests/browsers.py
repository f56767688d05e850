"""A browser without a screen, and the rules that a page is held against, for tests of pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""Of axe-core: the Web Content Accessibility Guidelines 2.0 to 2.2, levels A and AA, and good practice."""


@dataclass
class Opened:
    """A page in the browser, and all that it said or asked for since it was opened."""

    page: Any
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)

    def violations(self, rule: str = "") -> list[str]:
        """What axe-core finds wrong by all rules, or by one: the rule, and the first elements."""
        from axe_playwright_python.sync_playwright import Axe

        only = {"type": "rule", "values": [rule]} if rule else {"type": "tag", "values": RULES}
        found = Axe().run(self.page, options={"runOnly": only}).response
        assert rule or len(found["passes"]) > 15  # it did look
        return [f"{one['id']}: {[node['target'] for node in one['nodes']][:3]}" for one in found["violations"]]

    def wait(self, milliseconds: int = 150) -> None:
        """Let the page draw."""
        self.page.wait_for_timeout(milliseconds)

    def seen_through(self) -> None:
        """Scroll from top to bottom, as a reader does, so that each chart becomes one to explore."""
        for top in range(0, self.page.evaluate("document.documentElement.scrollHeight"), 500):
            self.page.evaluate(f"scrollTo({{top: {top}, behavior: 'instant'}})")
            self.wait(40)
        self.wait()


@contextmanager
def chromium() -> Iterator[Any]:
    """The browser that the machine has; a test is skipped where it has none."""
    playwright = pytest.importorskip("playwright.sync_api")
    pytest.importorskip("axe_playwright_python")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no Chromium is installed")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=program, args=FLAGS)
        yield opened
        opened.close()


@contextmanager
def shown(browser: Any, path: Path, *, dark: bool = False, width: int = 1100, scripts: bool = True) -> Iterator[Opened]:
    """A page of a file, in a window of its own."""
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme="dark" if dark else "light", java_script_enabled=scripts
    )
    found = Opened(context.new_page())
    found.page.on("console", lambda message: found.said.append(message.text))
    found.page.on("pageerror", lambda error: found.said.append(str(error)))
    found.page.on("request", lambda request: found.asked.append(request.url))
    found.page.on("requestfailed", lambda request: found.refused.append((request.url, request.failure)))
    found.page.goto(path.as_uri())
    yield found
    context.close()
