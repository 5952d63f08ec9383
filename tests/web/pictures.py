"""Pictures of every page at three sizes, light and dark: `python -m tests.web.pictures` (or `make pictures`).

They go into build/pictures; two of them, compressed, into web/static for the README.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from PIL import Image

from cliplib import Library
from cliplib_web import pages as table
from fixtures import argument, demo
from tests.web import served
from tests.web.browser import chromium, new_page

ROOT = Path(__file__).parents[2]
OUT = ROOT / "build" / "pictures"
README = {"find": "find-find-2-wide-light", "breakdown": "breakdowns-edit-wide-light"}
LARGEST = 120_000  # bytes of a picture in the README

QUERY = "counter+to+the+body+after+a+missed+jab"
SIZES = {
    "wide": {"width": 1280, "height": 860},
    "tablet": {"width": 820, "height": 1180},
    "phone": {"width": 390, "height": 844},
}


def library() -> Path:
    """The demo fights as a library with a reel and the demo's breakdown, kept for the next time."""
    demo.build(OUT / "fights")
    lib = Library(OUT / "library", create=True)
    lib.logging.ingest([OUT / "fights"])
    if not lib.making.reels():
        lib.making.make_reel(QUERY.replace("+", " "), title="Counters to the body")
    if not lib.making.breakdowns.all():
        lib.making.breakdowns.put(None, argument.document(_asks(OUT / "library"))[0])
    lib.close()
    return OUT / "library"


def _asks(folder: Path) -> argument.Ask:
    def ask(words: list[str]) -> Any:
        command = [sys.executable, "-m", "cliplib", "--library", str(folder), *words, "--json"]
        return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)

    return ask


def pages(folder: Path) -> dict[str, str]:
    """Addresses by the names of their pictures: what the table of pages has, of this library."""
    lib = Library(folder)
    reel, breakdown = lib.making.reels()[0].name, lib.making.breakdowns.all()[0].name
    point = lib.making.breakdowns.read(breakdown).points[0].key
    lib.close()
    found = {"missing": "/clip/999999"}
    for row in table.rows():
        for number, sample in enumerate(row.samples, 1):
            at = sample.replace("/reel/made/", f"/reel/{reel}/").replace("/reels/made/", f"/reels/{reel}/")
            at = at.replace("/breakdowns/made/", f"/breakdowns/{breakdown}/").replace(
                "/the-pattern/", f"/{point}/"
            )
            found[row.endpoint.replace(".", "-") + (f"-{number}" if len(row.samples) > 1 else "")] = at
    return found


def take(page: Any, address: str, path: str, out: Path) -> None:
    page.goto(address + path)
    page.wait_for_load_state("networkidle")
    if page.locator(".stage .at.matched").count():
        page.wait_for_selector(".stage[data-ready]")
        page.locator(".at.matched").last.click()  # the moment the clip is about
        page.wait_for_function("() => !document.querySelector('video.player').seeking")
        page.wait_for_timeout(200)
    page.screenshot(path=out)


def compress(png: Path, out: Path) -> None:
    """WebP of at most LARGEST bytes, as good as that allows."""
    picture = Image.open(png).convert("RGB")
    for quality in range(86, 20, -6):
        data = io.BytesIO()
        picture.save(data, "WEBP", quality=quality, method=6)
        if data.tell() < LARGEST:
            out.write_bytes(data.getvalue())
            return
    raise SystemExit(f"{png} cannot be made smaller than {LARGEST} bytes")


def main() -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    folder = library()
    with served.serve(folder) as address, chromium() as browser:
        for size, viewport in SIZES.items():
            for scheme in ("light", "dark"):
                with new_page(browser, allow="404", viewport=viewport, color_scheme=scheme) as page:
                    for name, path in pages(folder).items():
                        take(page, address, path, OUT / f"{name}-{size}-{scheme}.png")
    for name, picture in README.items():
        compress(OUT / f"{picture}.png", ROOT / "web" / "static" / f"picture-{name}.webp")
    print(f"{len(list(OUT.glob('*.png')))} pictures in {OUT}")


if __name__ == "__main__":
    main()
