"""The pages of a small real library, served by waitress on a free port."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from waitress.server import create_server

from cliplib.library import Library
from cliplib_web import create_app
from fixtures import demo


def make_library(folder: Path) -> Path:
    """The short demo fight, drawn, ingested and cut; returns the library's folder."""
    demo.build(folder / "fights", [demo.SHORT])
    library = Library(folder / "library", create=True)
    library.ingest([folder / "fights"])
    library.close()
    return folder / "library"


@contextmanager
def serve(library: Path, **options: object) -> Iterator[str]:
    """The address of a running server."""
    app = create_app(library, **options)  # type: ignore[arg-type]
    server = create_server(app, host="127.0.0.1", port=0, threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        server.close()
        thread.join(10)
