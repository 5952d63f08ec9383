"""Who asks, behind a real nginx with the README's configuration, and without one."""

from __future__ import annotations

import http.client
import http.cookies
import re
import shutil
import socket
import ssl
import subprocess
import threading
import time
import urllib.parse
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library
from cliplib_web import create_app
from cliplib_web.site import guards, serve, signin
from tests.trust.attacks import served

# Private parts: a certificate of the test's own, which the standard library lets pass only so.

LOOK = "quiet southpaw corner"
NAME = "films.gym.example"
README = Path(__file__).parents[2] / "README.md"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    library = Library(tmp_path_factory.mktemp("proxied") / "library", create=True)
    library.care.passphrases.set("look", LOOK)
    library.close()
    return library.folder


@contextmanager
def running(folder: Path, *, proxy: bool) -> Iterator[int]:
    """The port of a server as `serve --share` runs it."""
    hosts = (*guards.LOCAL_HOSTS, NAME)
    app = create_app(folder, hosts=hosts, share=True, behind_proxy=proxy)
    with served(app, **(serve.proxied("127.0.0.1") if proxy else {})) as port:
        yield port


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def nginx(place: Path, to: int) -> Iterator[int]:
    """The TLS port of an nginx before the server at port `to`, set up as the README says."""
    program = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
    openssl = shutil.which("openssl")
    if program is None or openssl is None:
        pytest.skip("nginx and openssl are needed (apt-get install nginx-light openssl)")
    place.mkdir()
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={NAME}",
         "-keyout", place / "key.pem", "-out", place / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    found = re.search(r"```nginx\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert found
    port = free_port()
    said = found[1].replace("443", f"127.0.0.1:{port}").replace("127.0.0.1:8321", f"127.0.0.1:{to}")
    said = said.replace("/etc/ssl/films.pem", f"{place}/cert.pem").replace(
        "/etc/ssl/films.key", f"{place}/key.pem"
    )
    kept = "".join(
        f"{kind}_temp_path {place}/{kind};\n" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (place / "nginx.conf").write_text(
        f"daemon off;\nmaster_process off;\npid {place}/pid;\nerror_log {place}/error.log;\nevents {{}}\n"
        f"http {{\naccess_log off;\n{kept}\n{said}\n}}\n"
    )
    process = subprocess.Popen(
        [program, "-p", str(place), "-c", str(place / "nginx.conf")], stderr=subprocess.PIPE
    )
    try:
        for _ in range(200):
            if process.poll() is not None:
                assert process.stderr is not None
                pytest.fail(process.stderr.read().decode())
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.communicate(timeout=20)


class Visitor:
    """A browser at an address of its own (all of 127.0.0.0/8 is this machine's; RFC 1122, 3.2.1.3)."""

    def __init__(self, port: int, address: str, *, tls: bool, **headers: str):
        self.port, self.address, self.tls, self.headers = port, address, tls, headers
        self.cookies: http.cookies.SimpleCookie = http.cookies.SimpleCookie()

    def ask(self, method: str, path: str, form: dict[str, str] | None = None) -> tuple[int, str]:
        source = (self.address, 0)
        line: Any
        if self.tls:
            context = ssl._create_unverified_context()
            line = http.client.HTTPSConnection(
                "127.0.0.1", self.port, timeout=60, source_address=source, context=context
            )
        else:
            line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60, source_address=source)
        cookie = "; ".join(f"{kept.key}={kept.value}" for kept in self.cookies.values())
        headers = {"Host": NAME, "Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded"}
        body = urllib.parse.urlencode(form) if form is not None else None
        line.request(method, path, body, headers | {k.replace("_", "-"): v for k, v in self.headers.items()})
        answer = line.getresponse()
        for value in answer.headers.get_all("Set-Cookie", []):
            self.cookies.load(value)
        text = answer.read().decode("utf-8", "replace")
        line.close()
        return answer.status, text

    def form(self) -> str:
        status, page = self.ask("GET", "/signin")
        assert status == 200, page
        found = re.search(r'name="form_key" value="([^"]+)"', page)
        assert found
        return found[1]

    def sign_in(self, phrase: str, key: str = "") -> int:
        form = {"form_key": key or self.form(), "phrase": phrase, "by": "MK"}
        return self.ask("POST", "/signin", form)[0]


def test_behind_nginx_everybody_is_counted_alone(folder: Path, tmp_path: Path) -> None:
    """Six typos of one member lock out that member, not the gym."""
    with running(folder, proxy=True) as inner, nginx(tmp_path / "nginx", inner) as port:
        clumsy = Visitor(port, "127.0.0.5", tls=True)
        assert [clumsy.sign_in("a wild guess") for _ in range(signin.TRIES)] == [403] * signin.TRIES
        assert clumsy.sign_in(LOOK) == 429
        other = Visitor(port, "127.0.0.6", tls=True)
        assert other.sign_in(LOOK) == 303
        assert other.ask("GET", "/")[0] == 200


def test_behind_nginx_nobody_is_somebody_else(folder: Path, tmp_path: Path) -> None:
    """What a client says of itself is no more than what nginx says of it."""
    with running(folder, proxy=True) as inner, nginx(tmp_path / "nginx", inner) as port:
        statuses = []
        for number in range(signin.TRIES + 1):
            liar = Visitor(
                port, "127.0.0.7", tls=True, X_Forwarded_For=f"203.0.113.{number}",
                Forwarded=f"for=203.0.113.{number}", X_Forwarded_Host=f"evil{number}.example",
            )  # fmt: skip
            statuses.append(liar.sign_in("a wild guess"))
        assert statuses == [403] * signin.TRIES + [429]


def test_behind_nginx_the_name_and_the_scheme_are_seen(folder: Path, tmp_path: Path) -> None:
    with running(folder, proxy=True) as inner, nginx(tmp_path / "nginx", inner) as port:
        visitor = Visitor(port, "127.0.0.8", tls=True)
        visitor.form()
        assert visitor.cookies["cliplib"]["secure"]
        wrong = Visitor(inner, "127.0.0.1", tls=False, X_Forwarded_Host="evil.example")
        assert wrong.ask("GET", "/signin")[0] == 400  # the proxy's word for the name is what counts


@pytest.mark.parametrize("proxy", [False, True])
def test_who_is_no_proxy_cannot_say_who_asks(folder: Path, proxy: bool) -> None:
    """Without --behind-proxy nobody is believed; with it, only this machine's proxy."""
    with running(folder, proxy=proxy) as port:
        statuses = []
        for number in range(signin.TRIES + 1):
            liar = Visitor(port, "127.0.0.9", tls=False, X_Forwarded_For=f"203.0.113.{number}")
            liar.cookies.load("")
            key = liar.form()
            for kept in liar.cookies.values():
                kept["secure"] = ""
            statuses.append(liar.sign_in("a wild guess", key))
        assert statuses == [403] * signin.TRIES + [429]
        named = Visitor(port, "127.0.0.10", tls=False, X_Forwarded_Host="evil.example")
        assert named.ask("GET", "/signin")[0] == 200  # not looked at: it came under its own name


def test_thirty_guesses_at_once_are_six(folder: Path) -> None:
    """All of them are on their way before the first one is known to be wrong."""
    with running(folder, proxy=False) as port:
        visitors = [Visitor(port, "127.0.0.11", tls=False) for _ in range(30)]
        keys = [visitor.form() for visitor in visitors]
        gate = threading.Barrier(30)

        def guess(number: int) -> int:
            gate.wait()
            return visitors[number].sign_in(f"wild guess {number}", keys[number])

        with ThreadPoolExecutor(30) as crowd:
            answered = Counter(crowd.map(guess, range(30)))
        assert answered == {403: signin.TRIES, 429: 30 - signin.TRIES}
