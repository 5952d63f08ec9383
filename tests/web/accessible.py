"""Every page against WCAG 2.2 A and AA by axe-core, at three sizes, light and dark, as everybody may see it:
`python -m tests.web.accessible`.

Each page is loaded once by each of those who open it (nobody needs to sign in; signed in to look; signed in to
log), and looked at again in each size and scheme, with all that is folded opened. The tests do the same with
fewer looks for those who signed in.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from axe_playwright_python.base import AXE_FILE_PATH

from cliplib import Library
from cliplib_web import pages
from tests.web import served
from tests.web.browser import chromium, new_page

# https://github.com/dequelabs/axe-core/blob/develop/doc/API.md#axe-core-tags
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PAGES = (*(address for page in pages.PAGES for address in page.samples), "/nowhere")
"""By the table of pages, so that none is forgotten; and one that is not there."""
ONLY_LOGS = {address for page in pages.PAGES if page.logs for address in page.samples}

WIDTHS, SCHEMES = (360, 820, 1280), ("light", "dark")
LOOKS = tuple(itertools.product(WIDTHS, SCHEMES))
PHRASES = {"look": "quiet southpaw corner", "log": "louder orthodox corner"}

BREAKDOWN = """# Made

## The pattern

It landed [1 of 99](<count:jab>), then [2 of 3](<count:hook>), of [many](count:jab).

- [one](clip:1 "slow 0.5")
- [both](beside:1,2)
- [gone](clip:99999)
- [often](<picture:counts?phrase=jab>)

## The pattern

A [link](https://example.org) that means nothing.
"""
"""With something of everything, also of what is wrong."""


def library() -> Path:
    """The demo library with all that the table of pages speaks of."""
    folder = served.demo_library()
    if not Library(folder).making.breakdowns.all():
        assert Library(folder).making.breakdowns.put(None, BREAKDOWN) == "made"
    if not any(reel.name == "made" for reel in Library(folder).making.reels()):
        assert Library(folder).making.make_reel([1, 2], title="Made") == "made"
    return folder


@contextmanager
def signed_in(browser: Any, folder: Path, role: str, **options: Any) -> Iterator[tuple[Any, str]]:
    """A page and the server's address; `role`: look, log, or nothing where nobody needs to sign in."""
    if role:
        Library(folder).care.passphrases.set(role, PHRASES[role])
    try:
        with served.serve(folder, share=bool(role)) as address, new_page(browser, **options) as page:
            if role:
                page.goto(address)
                page.get_by_label("Your name").fill("Ana")
                page.get_by_label("Pass phrase").fill(PHRASES[role])
                page.keyboard.press("Enter")
                page.wait_for_selector(".who")
            yield page, address
    finally:
        if role:
            Library(folder).care.passphrases.remove(role)


def problems(page: Any, address: str, paths: Iterable[str], looks: Iterable[tuple[int, str]]) -> list[str]:
    """A sentence for each fault that axe-core finds."""
    axe, looks, found = Path(AXE_FILE_PATH).read_text(encoding="utf-8"), tuple(looks), []
    for path in paths:
        page.goto(address + path)
        page.evaluate(axe)
        page.evaluate("() => document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        for width, scheme in looks:
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)
            told = page.evaluate(
                "(tags) => axe.run(document, { runOnly: tags, resultTypes: ['violations'] })", RULES
            )
            found += [
                f"{path} {width} {scheme}: {v['id']}: {v['help']}: {n['html'][:160]} "
                f"{n.get('failureSummary', '')[:200]}"
                for v in told["violations"]
                for n in v["nodes"]
            ]
    return found


def main() -> int:
    folder, wrong = library(), 0
    with chromium() as browser:
        for role in ("", *PHRASES):
            began = time.monotonic()
            paths = [path for path in PAGES if role != "look" or path not in ONLY_LOGS]
            with signed_in(browser, folder, role, allow="404") as (page, address):
                found = problems(page, address, paths, LOOKS)
            wrong += len(found)
            print(
                f"{'signed in to ' + role if role else 'nobody needs to sign in'}: {len(paths)} pages, "
                f"{len(LOOKS)} looks each, {len(found)} faults ({time.monotonic() - began:.0f} s)",
                *found[:20],
                sep="\n  ",
                flush=True,
            )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
