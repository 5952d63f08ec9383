"""Debian's Chromium through Playwright, for every test that needs a real browser."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

needs_chromium = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's Chromium at /usr/bin/chromium"),
]


@contextmanager
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()
