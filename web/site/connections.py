"""Connections of the server: what one may hold, and what becomes of those who take nothing (CWE-400)."""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from waitress.buffers import ReadOnlyFileBasedBuffer
from waitress.channel import ClientDisconnected, HTTPChannel
from waitress.parser import HTTPRequestParser

WSGI = Callable[[dict[str, Any], Any], Iterable[bytes]]

OF_ONE_ADDRESS = 100
"""Connections that one address may hold at once, which leaves room for others. This machine may hold any
number: a proxy speaks for everybody."""

ANSWERS_OF_ONE, ANSWERS_IN_ALL = 60, 300
"""Answers that may wait to be taken, of one client (behind a proxy, too) and of all together."""

BYTES_OF_ONE, BYTES_IN_ALL = 64 << 20, 256 << 20
"""Bytes of theirs that the server may have to keep. Films stay in their files until they are taken."""

PATIENT = threading.BoundedSemaphore(2)
"""Threads that may wait for a client to take the beginning of an answer that is still being made."""


class Request(HTTPRequestParser):  # type: ignore[misc]
    """One request; `keep` gets what came behind it in the same packet."""

    keep: Callable[[bytes], None]

    def received(self, data: bytes) -> int:
        used = int(super().received(data))
        if self.completed and used < len(data):
            self.keep(data[used:])
        return len(data) if self.completed else used


class Channel(HTTPChannel):  # type: ignore[misc]
    """A connection, answered one request at a time: what is asked further waits until the answer was taken.

    A whole request has `channel_timeout` seconds from its first byte (waitress itself counts from the last
    one, so that a byte now and then would hold a connection for ever), and so has a client that takes nothing
    of its answer. Where too many answers wait, the one that nobody has taken anything of for longest is
    dropped; a player asks again.
    """

    last_activity: float
    client = ""
    """Who asks; behind a proxy that is not who connected."""
    _began = 0.0
    _rest = b""

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None):
        super().__init__(server, sock, addr, adj, map=map)
        self.client = str(addr[0])
        held = sum(other.addr[0] == addr[0] for other in list(server.active_channels.values()))
        if held > OF_ONE_ADDRESS and not _here(addr[0]):
            self.will_close = True

    def parser_class(self, adj: Any) -> Request:
        request = Request(adj)
        request.keep = self._keep
        return request

    def _keep(self, rest: bytes) -> None:
        self._rest = rest

    def handle_read(self) -> None:
        before = self.request
        super().handle_read()
        if self.request is None or self.request is not before:
            self._began = self.last_activity
        else:
            self.last_activity = self._began

    def readable(self) -> bool:
        while self._rest and super().readable():
            rest, self._rest, self._began = self._rest, b"", time.time()
            self.received(rest)
        return bool(super().readable())

    def writable(self) -> bool:
        unsent = self.total_outbufs_len
        if unsent and (self.will_close or time.time() - self.last_activity > self.adj.channel_timeout):
            self.drop()
        return bool(super().writable())

    def drop(self) -> None:
        """End a connection whose client takes nothing, from any thread. A full socket never becomes writable;
        shut, it is seen by the server's loop, which closes it."""
        self.will_close = True
        with contextlib.suppress(OSError, AttributeError):  # it may be closed already
            self.socket.shutdown(socket.SHUT_RDWR)

    def service(self) -> None:
        super().service()
        if self.total_outbufs_len:
            _make_room(list(self.server.active_channels.values()), self.client)

    def kept(self) -> int:
        """Bytes that the server holds for the client."""
        with contextlib.suppress(IndexError):  # buffers go as they are taken
            return sum(b.__len__() for b in self.outbufs if not isinstance(b, ReadOnlyFileBasedBuffer))
        return 0

    def _flush_outbufs_below_high_watermark(self) -> None:
        if self.total_outbufs_len <= self.adj.outbuf_high_watermark:
            return
        if not PATIENT.acquire(blocking=False):
            self.drop()
            raise ClientDisconnected
        try:
            super()._flush_outbufs_below_high_watermark()
        finally:
            PATIENT.release()


def _make_room(channels: list[Channel], client: str) -> None:
    """Drop those whose answers nobody takes, the longest first, until what waits is within bounds."""
    waiting = [channel for channel in channels if channel.total_outbufs_len and not channel.will_close]
    waiting.sort(key=lambda channel: channel.last_activity)
    own = [channel for channel in waiting if channel.client == client]
    for group, answers, most in (
        (own, ANSWERS_OF_ONE, BYTES_OF_ONE),
        (waiting, ANSWERS_IN_ALL, BYTES_IN_ALL),
    ):
        kept = [channel.kept() for channel in group]
        left, held = len(group), sum(kept)
        for channel, size in zip(group, kept, strict=True):
            if left <= answers and held <= most:
                break
            channel.drop()
            left, held = left - 1, held - size


def known_to_channel(app: WSGI) -> WSGI:
    """Tell a request's connection who asks, as the proxy says if there is one."""

    def told(environ: dict[str, Any], start: Any) -> Iterable[bytes]:
        # waitress gives a method of the connection; there is no other way to it from here
        environ["waitress.client_disconnected"].__self__.client = environ.get("REMOTE_ADDR", "")
        return app(environ, start)

    return told


def _here(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
