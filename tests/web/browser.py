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

SPOKEN = """() => { window.spoken = 0;
  const live = '[role=status], [role=alert], output, [aria-live=polite], [aria-live=assertive]';
  const seen = new MutationObserver((all) => all.forEach((one) => { spoken += 1; }));
  for (const one of document.querySelectorAll(live)) seen.observe(one, { childList: true, characterData: true, subtree: true }); }"""
"""Counts from now on what a screen reader is given to say (WAI-ARIA 1.2: live regions)."""

needs_chromium = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's Chromium at /usr/bin/chromium"),
]


@contextmanager
def chromium(*more: str) -> Iterator[Any]:
    """`more`: flags of the command line."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=[*FLAGS, *more])
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def new_page(browser: Any, *, allow: str = "", **options: Any) -> Iterator[Any]:
    """A page of its own. It fails if anything went wrong in it unnoticed: an error in a script, a resource
    that could not be had, something the Content-Security-Policy had to stop. `allow`: a word of messages that
    are expected."""
    options.setdefault("viewport", {"width": 1280, "height": 900})
    options.setdefault("reduced_motion", "reduce")
    context = browser.new_context(**options)
    page = context.new_page()
    faults: list[str] = []

    def said(message: Any) -> None:
        if message.type in ("error", "warning") and not (allow and allow in message.text):
            faults.append(f"{message.text} ({message.location.get('url')})")

    page.on("console", said)
    page.on("pageerror", lambda error: faults.append(str(error)))
    try:
        yield page
    finally:
        context.close()
    assert not faults, faults
