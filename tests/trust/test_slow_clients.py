"""Clients that take their time: a server with a small share of its connections held goes on answering others."""

from __future__ import annotations

import http.client
import socket
from pathlib import Path

import pytest
from flask import Flask

from cliplib import Library
from cliplib_web import create_app
from cliplib_web.site import connections
from tests.trust.attacks import served

# Private parts: this machine stands in for another one.


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Flask:
    folder: Path = tmp_path_factory.mktemp("slow") / "library"
    Library(folder, create=True).close()
    return create_app(folder)


def get(port: int) -> int:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", "/")
    status = connection.getresponse().status
    connection.close()
    return status


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize(
    "begun", [b"GET / HTTP/1.1\r\nX: ", b"POST /signin HTTP/1.1\r\nContent-Length: 999\r\n\r\n"]
)
def test_a_byte_now_and_then_holds_no_connection(app: Flask, begun: bytes) -> None:
    """A request gets its time from the first byte; while one drips on, it is ended (CWE-400)."""
    with served(app, channel_timeout=1, cleanup_interval=1) as port:
        with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
            line.sendall(begun)
            line.settimeout(0.2)
            for _ in range(300):
                try:
                    line.sendall(b"a")
                    if line.recv(4096) == b"":
                        break
                except TimeoutError:
                    continue
                except OSError:
                    break
            else:
                pytest.fail("it held its connection for a minute")
        assert get(port) == 200


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_one_address_cannot_take_every_connection(app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "OF_ONE_ADDRESS", 10)
    held: list[socket.socket] = []
    with served(app) as port:
        try:
            for _ in range(30):  # this machine's own, for which there is no such limit
                held.append(socket.create_connection(("127.0.0.1", port), timeout=60))
                held[-1].sendall(b"GET / HTTP/1.1\r\n")
            assert get(port) == 200
            monkeypatch.setattr(connections, "_here", lambda address: False)
            line = socket.create_connection(("127.0.0.1", port), timeout=60)
            held.append(line)
            try:
                line.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                came = line.recv(12)
            except OSError:  # closed before it was sent
                came = b""
            assert came == b""
        finally:
            for line in held:
                line.close()
