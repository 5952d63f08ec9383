"""The pages of small real libraries, served by waitress on a free port."""

from __future__ import annotations

import atexit
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from cliplib import Library
from cliplib_web import create_app
from cliplib_web.site import serve as web_serve
from fixtures import demo
from tests import libraries
from tests.media import footage


def make_library(folder: Path) -> Path:
    """The short demo fight, drawn, ingested and cut; returns the library's folder."""
    demo.build(folder / "fights", [demo.SHORT])
    return ingested(folder)


def ingested(folder: Path) -> Path:
    library = Library(folder / "library", create=True)
    report = library.logging.ingest([folder / "fights"])
    assert report.exit_code == 0, report.fights
    library.close()
    return folder / "library"


@cache
def demo_library() -> Path:
    """The same, made once in a test process. Tests may keep reels in it, but change nothing else."""
    folder = Path(tempfile.mkdtemp(prefix="cliplib-pages-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return make_library(folder)


def kinds_library(folder: Path, kinds: tuple[str, ...]) -> Path:
    """A library of a fight of two exchanges for each kind of footage (see tests/media/footage.py), so titled."""
    for kind in kinds:
        libraries.make_fight(folder / "fights" / kind.replace(" ", "-"), kind=kind, title=kind)
    return ingested(folder)


CODE = (footage.CODE_X, footage.CODE_Y)
"""Where the frame number stands in the footage of `kinds_library`."""


@contextmanager
def serve(library: Path, **options: object) -> Iterator[str]:
    """The address of a running server."""
    app = create_app(library, **options)  # type: ignore[arg-type]
    server = web_serve.server(app, "127.0.0.1", 0, threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        server.close()
        thread.join(10)


def busy_library(folder: Path) -> Path:
    """A fight of 30 exchanges, each a jab that misses and Brandt's counter to it, a third to the body."""
    fight = libraries.make_fight(folder / "fights" / "busy", title="Busy night")
    rows = ["time,exchange,fighter,action,outcome,note"]
    for n in range(30):
        micros = 1_000_000 + n * 200_000
        at, then = f"{micros / 1e6:.2f}", f"{micros / 1e6 + 0.08:.2f}"
        rows.append(f"{at},{n},Adeyemi,jab,missed,")
        what = "counter cross to the body" if n % 3 == 0 else "counter lead hook"
        note = "Elbow drops and he feels it." if n == 7 else f"number {n} of the night"
        rows.append(f"{then},{n},Brandt,{what},landed,{note}")
    (fight / "log.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return ingested(folder)
