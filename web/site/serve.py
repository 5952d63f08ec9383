"""Run the pages with waitress."""

from __future__ import annotations

import contextlib
import ctypes
import logging
import socket
from pathlib import Path
from typing import Any

from waitress.server import BaseWSGIServer, create_server

from ..app import create_app
from .connections import Channel, known_to_channel
from .guards import LOCAL_HOSTS

LIMITS: dict[str, Any] = {
    "threads": 8,
    "ident": None,
    "max_request_body_size": 2 << 20,
    "max_request_header_size": 16 << 10,
    # Who is slow costs a connection, not a thread; so many slow ones leave room for others.
    "connection_limit": 500,
    "channel_timeout": 60,
    "asyncore_use_poll": True,
}
"""How waitress serves: what one client may send, and how long it may take."""


def _few_heaps() -> None:
    """Have the C library keep two heaps, not one a thread (mallopt(3), M_ARENA_MAX). Searches free large
    arrays in whichever thread they ran; with a heap each, memory grew for thousands of requests."""
    with contextlib.suppress(OSError, AttributeError, TypeError):  # another C library has no such setting
        ctypes.CDLL(None).mallopt(-8, 2)


def server(app: Any, host: str, port: int, **changes: Any) -> Any:
    """A waitress server with our limits, `changes` made to them; `run` it, `close` it."""
    _few_heaps()
    sockets: dict[int, Any] = {}
    made = create_server(known_to_channel(app), map=sockets, host=host, port=port, **{**LIMITS, **changes})
    for one in sockets.values():
        if isinstance(one, BaseWSGIServer):
            one.channel_class = Channel
    return made


def run(
    folder: Path,
    host: str = "127.0.0.1",
    port: int = 8321,
    *,
    share: bool = False,
    names: tuple[str, ...] = (),
    behind_proxy: bool = False,
) -> None:
    """Serve until interrupted. `share`: also others, who need a pass phrase, under this machine's private
    addresses, its own name and `names`. Without it only this machine is served, whatever `host` is."""
    hosts = (*LOCAL_HOSTS, *names)
    if share:
        hosts += own_names()
    app = create_app(folder, hosts=hosts, behind_proxy=behind_proxy, share=share)
    # A line for each request that waits a moment tells nobody anything.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    logging.basicConfig()
    server(app, host, port, **(proxied(host) if behind_proxy else {})).run()


def proxied(host: str) -> dict[str, Any]:
    """How waitress is told to believe one proxy of this machine in who asks, under what name and over TLS.
    It believes nobody else: it takes such headers of others away."""
    return {
        "trusted_proxy": "::1" if host == "::1" else "127.0.0.1",
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"},
    }


def own_names() -> tuple[str, ...]:
    """What this machine is called on its network, with and without the multicast suffix (RFC 6762)."""
    name = socket.gethostname().partition(".")[0].lower()
    return (socket.gethostname().lower(), name, f"{name}.local")


def addresses(host: str, port: int) -> tuple[str, ...]:
    """Where a browser finds the pages."""
    if host not in ("0.0.0.0", "::"):  # noqa: S104 - compared, not bound
        return (f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}",)
    found = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # Nothing is sent: connecting a datagram socket only makes the system choose its own address
        # (192.0.2.1 is for documentation, RFC 5737).
        probe.connect(("192.0.2.1", 9))
        found.append(f"http://{probe.getsockname()[0]}:{port}")
    return (*found, f"http://{own_names()[2]}:{port}", f"http://127.0.0.1:{port}")
