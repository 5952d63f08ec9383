"""Attacks on the pages by sheer mass: too much, too deep, too slow. See test_attacks."""

from __future__ import annotations

import http.client
import re
import socket
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from cliplib import Library
from cliplib.core.errors import BusyError
from cliplib.library.logging.fights import MOST_UPLOADS
from cliplib_web import create_app
from cliplib_web.site.jobs import Jobs
from tests.trust import attacks
from tests.trust.attacks import HOME, KEY, routes, served


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return attacks.trapped(tmp_path_factory.mktemp("attacks"))


@pytest.fixture(scope="module")
def app(folder: Path) -> Flask:
    return create_app(folder)


@pytest.fixture
def client(app: Flask) -> Any:
    return attacks.at_home(app)


def test_large_bodies_are_refused_everywhere(app: Flask, client: Any) -> None:
    """Upload bombs (CWE-400): more than a mebibyte in one request, and more form fields than any page has."""
    big = b"x" * ((1 << 20) + 1)
    many = "&".join(f"f{n}=1" for n in range(200_000)).encode()
    for endpoint, method, address in routes(app):
        if method == "GET":
            continue
        headers = {"X-Form-Key": KEY, "Upload-Offset": "0"}
        for kind in ("application/json", "application/x-www-form-urlencoded", "application/octet-stream"):
            for body in (big, many):
                with client.open(
                    address, method=method, data=body, content_type=kind, headers=headers, base_url=HOME
                ) as answer:
                    assert 300 <= answer.status_code < 500, (endpoint, kind, answer.status_code)
        bomb = b"".join(
            b'--b\r\nContent-Disposition: form-data; name="f%d"\r\n\r\n1\r\n' % n for n in range(3000)
        )
        with client.post(
            address, data=bomb + b"--b--", content_type="multipart/form-data; boundary=b", base_url=HOME
        ) as answer:
            assert answer.status_code in (403, 405, 413), endpoint


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 100_000, b'{"a":' * 50_000, b'{"frame": 1e400, "action": "jab"}', b'{"frame": ' + b"9" * 5000 + b"}",
        b'{"action": "' + b"jab " * 100_000 + b'", "frame": 1}', b"\xff\xfe", b'"\\ud800"', b"null", b"NaN", b"",
        b'{"kind": "path", "points": [' + b"[0,0]," * 90_000 + b"[1,1]]}",
    ],
    ids=range(11),
)  # fmt: skip
def test_deep_and_odd_json_is_answered(app: Flask, client: Any, body: bytes) -> None:
    for endpoint, method, address in routes(app):
        if method in ("GET", "DELETE") or endpoint in ("forget.forget", "signin.leave"):
            continue
        began = time.process_time()
        with client.open(
            address, method=method, data=body, content_type="application/json", base_url=HOME,
            headers={"X-Form-Key": KEY},
        ) as answer:  # fmt: skip
            assert answer.status_code < 500, (endpoint, answer.get_data(as_text=True)[:300])
        assert time.process_time() - began < 5, endpoint


def test_uploads_are_counted(app: Flask, client: Any, folder: Path) -> None:
    """Announcing files is cheap, so there is an end to it."""
    library = Library(folder)
    keys = [library.logging.new_fights.begin(1).key for _ in range(MOST_UPLOADS)]
    with pytest.raises(BusyError, match="on their way"):
        library.logging.new_fights.begin(1)
    answer = client.post("/api/uploads", json={"size": 5}, headers={"X-Form-Key": KEY}, base_url=HOME)
    assert answer.status_code == 409
    for key in keys:
        library.logging.new_fights.drop(key)
    for size in (-1, 0, 1 << 62, 1 << 70):
        sent = client.post("/api/uploads", json={"size": size}, headers={"X-Form-Key": KEY}, base_url=HOME)
        assert sent.status_code in (400, 507), size


def get(port: int, path: str = "/", **headers: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer.status, body


def raw(port: int, data: bytes) -> bytes:
    """What comes back on bytes of any kind; empty if the connection is just closed."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
        got = b""
        try:
            line.sendall(data)
            line.shutdown(socket.SHUT_WR)
            while piece := line.recv(1 << 16):
                got += piece
        except OSError:  # it was closed before all was sent
            pass
    return got


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # a connection that the client gave up
def test_oversized_and_odd_requests(app: Flask) -> None:
    """Headers and lines too long, too many, doubled or smuggled (CWE-444, RFC 9112): refused, and then go on."""
    host = b"Host: 127.0.0.1\r\n"
    with served(app, threads=4) as port:
        for head in (
            b"GET / HTTP/1.1\r\n" + host + b"X: " + b"a" * (1 << 20) + b"\r\n\r\n",
            b"GET / HTTP/1.1\r\n" + host + b"".join(b"X-%d: a\r\n" % n for n in range(20_000)) + b"\r\n",
            b"GET / HTTP/1.1\r\n" + host + b"Cookie: cliplib=" + b"a" * 20_000 + b"\r\n\r\n",
            b"GET /?q=" + b"a" * 50_000 + b" HTTP/1.1\r\n" + host + b"\r\n",
            b"POST /signin HTTP/1.1\r\n" + host + b"Content-Length: 99999999999\r\n\r\nx",
            b"POST /signin HTTP/1.1\r\n" + host + b"Content-Length: -1\r\n\r\nx",
            b"POST /signin HTTP/1.1\r\n" + host + b"Content-Length: 3\r\nContent-Length: 4\r\n\r\nabcd",
            b"POST /signin HTTP/1.1\r\n" + host + b"Transfer-Encoding: chunked\r\n\r\nFFFFFFFFFFFFFFFFF\r\n",
            b"POST /signin HTTP/1.1\r\n" + host + b"Transfer-Encoding: chunked, identity\r\n\r\n0\r\n\r\n",
            b"GET / HTTP/1.1\r\n\r\n", b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
            b"CONNECT evil.example:80 HTTP/1.1\r\nHost: evil.example\r\n\r\n", b"\0" * 5000, b"GET\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: a\r\nHost: 127.0.0.1\r\n\r\n", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        ):  # fmt: skip
            answer = raw(port, head)
            status = answer.split(b"\r\n", 1)[0]
            assert not answer or re.match(rb"HTTP/1\.[01] [45]\d\d ", status), (head[:60], status)
            assert b"evil.example" not in answer.partition(b"\r\n\r\n")[0]
        assert get(port)[0] == 200


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_slow_clients_keep_nobody_waiting(app: Flask) -> None:
    """More of them than threads, and than a server's usual hundred connections: half a request each, and a few
    that announce a body and never send it (slow headers and slow posts; CWE-400)."""
    held: list[socket.socket] = []
    with served(app, threads=4) as port:
        try:
            for number in range(150):
                line = socket.create_connection(("127.0.0.1", port), timeout=60)
                held.append(line)
                begun = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "
                if number % 2:
                    begun = b"POST /signin HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 1000\r\n\r\na"
                line.sendall(begun)
            for _ in range(3):
                assert get(port)[0] == 200
        finally:
            for line in held:
                line.close()


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_who_does_not_read_keeps_nobody_waiting(folder: Path) -> None:
    """Twelve ask for a long film and take none of it; the server has four threads."""
    app = create_app(folder)
    library = Library(folder)
    reel = library.making.reels()[0]
    held: list[socket.socket] = []
    content = reel.file.read_bytes()
    with reel.file.open("r+b") as file:
        file.truncate(64 << 20)
    try:
        with served(app, threads=4) as port:
            for _ in range(12):
                line = socket.socket()
                line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                line.connect(("127.0.0.1", port))
                held.append(line)
                line.sendall(f"GET /reels/{reel.name}/reel.mp4 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            assert held[-1].recv(12).startswith(b"HTTP/1.1 200")
            for _ in range(3):
                assert get(port)[0] == 200
            for line in held:
                line.close()
    finally:
        reel.file.write_bytes(content)


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_watching_work_keeps_nobody_waiting(folder: Path) -> None:
    """A dozen pages watch one long piece of work; each gets told how it stands."""
    app = create_app(folder)
    jobs: Jobs = app.extensions["jobs"]
    end = threading.Event()

    def work(progress: Any) -> str:
        progress("counting", 3, 10)
        end.wait(60)
        return "/"

    job = jobs.start("Long work", work)
    held: list[socket.socket] = []
    try:
        with served(app, threads=4) as port:
            for _ in range(12):
                line = socket.create_connection(("127.0.0.1", port), timeout=60)
                held.append(line)
                line.sendall(f"GET /work/{job.key}/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            for line in held:
                got = b""
                while b"data: {" not in got:
                    got += line.recv(4096)
            assert get(port)[0] == 200
            end.set()
            for line in held:
                line.close()
    finally:
        end.set()
