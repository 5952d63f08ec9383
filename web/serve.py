"""Run the pages with waitress."""

from __future__ import annotations

from pathlib import Path

import waitress

from .app import create_app
from .guards import LOCAL_HOSTS


def run(folder: Path, host: str = "127.0.0.1", port: int = 8321) -> None:
    """Serve until interrupted. Only this machine is served; other addresses wait for sign-in (see README)."""
    app = create_app(folder, hosts=LOCAL_HOSTS)
    waitress.serve(
        app,
        host=host,
        port=port,
        threads=8,
        ident=None,
        max_request_body_size=2 << 20,
        max_request_header_size=16 << 10,
        channel_timeout=60,
    )
