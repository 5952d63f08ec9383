"""Run the pages with waitress."""

from __future__ import annotations

import contextlib
import ctypes
import ipaddress
import logging
import socket
from pathlib import Path
from typing import Any

from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer, create_server

from ..app import create_app
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

OF_ONE_ADDRESS = 100
"""Connections that one address may hold at once, which leaves room for others. This machine may hold any
number: a proxy speaks for everybody."""


class Channel(HTTPChannel):  # type: ignore[misc]
    """A connection that gives a whole request `channel_timeout` seconds from its first byte. waitress itself
    counts from the last one, so that a byte now and then would hold a connection for ever (CWE-400)."""

    last_activity: float

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None):
        super().__init__(server, sock, addr, adj, map=map)
        self._began = 0.0
        held = sum(other.addr[0] == addr[0] for other in list(server.active_channels.values()))
        if held > OF_ONE_ADDRESS and not _here(addr[0]):
            self.will_close = True

    def handle_read(self) -> None:
        before = self.request
        super().handle_read()
        if self.request is None or self.request is not before:
            self._began = self.last_activity
        else:
            self.last_activity = self._began


def _few_heaps() -> None:
    """Have the C library keep two heaps, not one a thread (mallopt(3), M_ARENA_MAX). Searches free large
    arrays in whichever thread they ran; with a heap each, memory grew for thousands of requests."""
    with contextlib.suppress(OSError, AttributeError, TypeError):  # another C library has no such setting
        ctypes.CDLL(None).mallopt(-8, 2)


def _here(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def server(app: Any, host: str, port: int, **changes: Any) -> Any:
    """A waitress server with our limits, `changes` made to them; `run` it, `close` it."""
    _few_heaps()
    sockets: dict[int, Any] = {}
    made = create_server(app, map=sockets, host=host, port=port, **{**LIMITS, **changes})
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
    server(app, host, port).run()


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
