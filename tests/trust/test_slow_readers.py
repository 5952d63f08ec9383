"""Clients that ask and take nothing: whatever they ask for, and as whomever, others are answered (CWE-400)."""

from __future__ import annotations

import contextlib
import http.client
import re
import socket
import time
import urllib.parse
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask

from cliplib import Library
from cliplib_web import create_app
from cliplib_web.site import connections, guards
from tests import libraries
from tests.trust.attacks import served

PHRASES = {"look": "quiet southpaw corner", "log": "louder orthodox corner"}
LONG = 64 << 20  # of films, most of it a hole
FIRM_S = 20  # so long nobody waits who is not held up


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("readers")
    libraries.make_fight(place / "fight")
    library = Library(place / "library", create=True)
    library.logging.ingest([place / "fight"])
    library.making.make_reel("jab", title="long")
    library.logging.live.add(1, "MK", 60, "Brandt jab landed")
    for role, phrase in PHRASES.items():
        library.care.passphrases.set(role, phrase)
    film = library.finding.clip(1).file
    assert film is not None
    for path in (film, library.making.reels()[0].file, place / "fight" / "fight.mp4"):
        with path.open("r+b") as file:
            file.truncate(LONG)
    library.close()
    return place / "library"


@pytest.fixture
def app(folder: Path) -> Flask:
    return create_app(folder, hosts=guards.LOCAL_HOSTS, share=True)


def ask(port: int, path: str, cookie: str = "", body: str | None = None) -> http.client.HTTPResponse:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=FIRM_S)
    headers = {"Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded"}
    line.request("GET" if body is None else "POST", path, body, headers)
    answer = line.getresponse()
    answer.text = answer.read().decode("utf-8", "replace")  # type: ignore[attr-defined]
    line.close()
    return answer


def cookie_of(port: int, role: str) -> str:
    if not role:
        return ""
    page = ask(port, "/signin")
    key = re.search(r'name="form_key" value="([^"]+)"', page.text)  # type: ignore[attr-defined]
    assert key
    form = urllib.parse.urlencode({"form_key": key[1], "phrase": PHRASES[role], "by": "MK"})
    entered = ask(port, "/signin", (page.getheader("Set-Cookie") or "").partition(";")[0], form)
    assert entered.status == 303
    return (entered.getheader("Set-Cookie") or "").partition(";")[0]


def idle(port: int, request: bytes, count: int) -> Iterator[socket.socket]:
    for _ in range(count):
        line = socket.socket()
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        line.settimeout(FIRM_S)
        line.connect(("127.0.0.1", port))
        line.sendall(request)
        yield line


def taken(line: socket.socket, most: int = LONG) -> int:
    """Bytes that come on a connection, up to its end."""
    size = 0
    with contextlib.suppress(ConnectionResetError):
        while size < most and (piece := line.recv(1 << 20)):
            size += len(piece)
    return size


PLACES = {
    "film": "/fights/1/footage.mp4", "clip": "/clips/1.mp4", "reel": "/reels/long/reel.mp4",
    "export": "/fights/1/log.csv", "page": "/signin",
}  # fmt: skip


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("role", ["look", "log", ""])
@pytest.mark.parametrize("asked", ["", "Range: bytes=-67108864\r\n"])
def test_who_takes_nothing_holds_nobody_up(app: Flask, role: str, asked: str) -> None:
    """Ten connections with six requests each in one packet, and none of the answers taken."""
    with served(app, threads=4) as port:
        cookies = {who: cookie_of(port, who) for who in ("look", "log", "")}
        cookie = cookies[role]

        def slowest() -> float:
            """Seconds; of one page each, as everybody."""
            taken = []
            for who, kept in cookies.items():
                began = time.monotonic()
                assert ask(port, "/", kept).status == (200 if who else 302)
                taken.append(time.monotonic() - began)
            return max(taken)

        alone = max(slowest(), slowest())
        held: list[socket.socket] = []
        try:
            for place in PLACES.values():
                one = f"GET {place} HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {cookie}\r\n{asked}\r\n"
                held += idle(port, one.encode() * 6, 10)
            for line in held[:3]:
                assert line.recv(9).startswith(b"HTTP/1.1 ")
            beside = max(slowest() for _ in range(3))
        finally:
            for line in held:
                line.close()
    print(
        f"{len(held)} idle readers as {role or 'nobody'}: the slowest page took {beside:.2f} s, without them {alone:.2f} s"
    )


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_requests_in_one_packet_are_all_answered(app: Flask) -> None:
    """Pipelining (RFC 9112, 9.3.2), for those who take their answers; also cut in the middle of one."""
    with served(app) as port, socket.create_connection(("127.0.0.1", port), timeout=FIRM_S) as line:
        one = b"GET /static/style.css HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        line.sendall(one * 5 + one[:20])
        time.sleep(0.1)
        line.sendall(one[20:-2] + b"Connection: close\r\n\r\n")
        got = b""
        while piece := line.recv(1 << 16):
            got += piece
        assert len(re.findall(rb"HTTP/1\.1 \d\d\d ", got)) == 6


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_what_waits_is_bounded(app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    """By client: the one that has taken nothing for longest is dropped, others stay."""
    monkeypatch.setattr(connections, "ANSWERS_OF_ONE", 5)
    with served(app) as port:
        cookie = cookie_of(port, "look")
        one = f"GET /clips/1.mp4 HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {cookie}\r\n\r\n".encode()
        held = []
        for line in idle(port, one, 8):
            assert line.recv(9) == b"HTTP/1.1 "
            held.append(line)
        sizes = [taken(line) for line in held]
        assert sum(size < LONG for size in sizes) == 3
        assert sizes[-1] >= LONG
        for line in held:
            line.close()


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_bytes_kept_for_clients_are_bounded(monkeypatch: pytest.MonkeyPatch, app: Flask) -> None:
    """What is made on request waits in memory, or in a file of the server's; that is bounded too."""
    monkeypatch.setattr(connections, "BYTES_OF_ONE", 40 << 20)
    app.view_functions["signin.show"] = lambda: b"x" * (16 << 20)
    with served(app) as port:
        one = b"GET /signin HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        held = []
        for line in idle(port, one, 6):
            assert line.recv(9) == b"HTTP/1.1 "
            held.append(line)
        closed = 0
        for line in held:
            closed += taken(line, 16 << 20) < 16 << 20
            line.close()
        assert closed >= 3
        assert ask(port, "/static/style.css").status == 200


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_an_answer_that_nobody_takes_ends(app: Flask) -> None:
    """A full socket is never ready to be written to; its connection ends all the same."""
    with served(app, channel_timeout=1, cleanup_interval=1) as port:
        cookie = cookie_of(port, "look")
        one = f"GET /clips/1.mp4 HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {cookie}\r\n\r\n".encode()
        (line,) = idle(port, one, 1)
        assert line.recv(9) == b"HTTP/1.1 "
        time.sleep(4)
        assert taken(line) < LONG
        line.close()
