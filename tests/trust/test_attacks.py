"""Attacks on the pages, one kind after the other, over every route there is: a new one is covered by being there.

Names after OWASP's cheat sheets and MITRE's CWE. Who may do what is in test_sharing, private fights in
test_private_pages, footage in test_hostile_media.
"""

from __future__ import annotations

import logging
import re
import urllib.parse
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from cliplib import Library
from cliplib_web import create_app
from cliplib_web.site import guards
from tests import libraries
from tests.trust import attacks
from tests.trust.attacks import GYM, HOME, KEY, SECRETS, WHO, pages, routes


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return attacks.trapped(tmp_path_factory.mktemp("attacks"))


@pytest.fixture(scope="module")
def app(folder: Path) -> Flask:
    return create_app(folder)


@pytest.fixture
def client(app: Flask) -> Any:
    return attacks.at_home(app)


# --- what every answer says -------------------------------------------------------------------------------


def test_the_walk_sees_all_routes(app: Flask, folder: Path) -> None:
    assert {endpoint for endpoint, _, _ in routes(app)} == set(app.view_functions)
    assert len(routes(app)) > 80
    client = app.test_client()
    there = 0
    for address in pages(app, folder):
        with client.get(address, base_url=HOME) as answer:
            there += answer.status_code == 200
    assert there > 35, "most addresses show something"


def test_every_answer_has_its_headers(app: Flask, client: Any, folder: Path) -> None:
    """Content-Security-Policy without anything inline, and the others; also on errors (OWASP, HTTP headers)."""
    directives = dict(part.strip().split(" ", 1) for part in guards.POLICY.split(";"))
    assert directives["default-src"] == directives["base-uri"] == directives["frame-ancestors"] == "'none'"
    assert directives["script-src"] == directives["style-src"] == "'self'"
    assert "unsafe" not in guards.POLICY
    asked = [("GET", address) for address in pages(app, folder)]
    asked += [(m, address) for _, m, address in routes(app) if m != "GET"]
    asked += [("GET", "/nowhere"), ("TRACE", "/"), ("PUT", "/"), ("GET", "/clip/99999")]
    for method, address in asked:
        with client.open(address, method=method, base_url=HOME) as answer:
            headers, place = answer.headers, f"{method} {address}: {answer.status_code}"
            assert answer.status_code < 500, place
            policy = headers["Content-Security-Policy"]
            if answer.mimetype == "image/svg+xml" and not address.startswith("/static/"):
                # A drawing by itself: it may have styles, and neither scripts nor anything from elsewhere.
                assert policy == "default-src 'none'; style-src 'unsafe-inline'", place
            else:
                assert policy == guards.POLICY, place
            assert headers["X-Content-Type-Options"] == "nosniff", place
            assert headers["Referrer-Policy"] == "same-origin", place
            assert headers["Cross-Origin-Opener-Policy"] == "same-origin", place
            assert headers["Cross-Origin-Resource-Policy"] == "same-origin", place
            assert "Access-Control-Allow-Origin" not in headers, place
            assert "Server" not in headers, place
            if not address.startswith("/static/"):
                assert re.search(r"no-store|private", headers["Cache-Control"]), place


# --- cross-site scripting (CWE-79) ------------------------------------------------------------------------


class _Seen(HTMLParser):
    """What of a page could run: kept as sentences."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag == "xss-probe":
            self.wrong.append("a name became an element")
        if tag in ("script", "style") and not (values.get("src") or "").startswith("/static/"):
            self.wrong.append(f"<{tag}> inline or from elsewhere")
        if tag in ("iframe", "object", "embed", "base", "meta") and "http-equiv" in values:
            self.wrong.append(f"<{tag}>")
        for name, value in attrs:
            address = (value or "").strip().casefold()
            if name.startswith("on") or name == "style":
                self.wrong.append(f"{tag} {name}={value!r}")
            if name in ("href", "src", "action", "formaction", "poster") and re.match(
                r"(?!https?://127|data:image|mailto:)[a-z]+:|//", address
            ):
                self.wrong.append(f"{tag} {name}={value!r}")


def _look(answer: Any, place: str) -> None:
    text = answer.get_data().decode("utf-8", "replace")
    if answer.mimetype == "text/html":
        seen = _Seen()
        seen.feed(text)
        assert seen.wrong == [], (place, seen.wrong)
    elif answer.mimetype == "image/svg+xml":
        assert "<xss-probe" not in text, place


def test_names_are_never_markup(app: Flask, client: Any, folder: Path) -> None:
    shown = 0
    for address in pages(app, folder):
        with client.get(address, base_url=HOME) as answer:
            if answer.mimetype in ("text/html", "image/svg+xml"):
                _look(answer, address)
                shown += "&lt;xss-probe" in answer.get_data(as_text=True)
    assert shown >= 8, "the names are shown, or this test sees nothing"


@pytest.mark.parametrize("payload", [WHO, "javascript:alert(1)", "</script><xss-probe>", "{{ 7 * 191 }}"])
def test_what_is_asked_is_never_markup(app: Flask, client: Any, folder: Path, payload: str) -> None:
    """Reflected, in every parameter that some page reads, and in addresses; templates are not evaluated."""
    names = {
        name
        for path in Path(__file__).parents[2].glob("web/**/*.py")
        for name in re.findall(r"args\.get(?:list)?\(\s*[\"'](\w+)[\"']", path.read_text())
    }
    assert {"q", "next", "by"} <= names
    query = urllib.parse.urlencode(dict.fromkeys([*sorted(names), "fighter", "fight", "outcome"], payload))
    for address in [*pages(app, folder), *(a for _, m, a in routes(app, texts=payload) if m == "GET")]:
        if "/work/" in address:
            continue
        for asked in (f"{address}?{query}", f"{address}?q={urllib.parse.quote(payload)}"):
            with client.get(asked, base_url=HOME) as answer:
                assert answer.status_code < 500, asked
                _look(answer, asked)
                assert b"1337" not in answer.get_data(), asked


def test_scripts_make_no_markup_of_texts() -> None:
    """DOM-based: the pages' scripts set texts and attributes, and never parse HTML or code."""
    scripts = sorted(Path(__file__).parents[2].glob("web/static/*.js"))
    assert len(scripts) > 8
    bad = (
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|setTimeout\(\s*[\"'`]"
    )
    for script in scripts:
        assert not re.search(bad, script.read_text(encoding="utf-8")), script.name


# --- requests from other sites (CWE-352), other hosts, other places ---------------------------------------


@pytest.mark.parametrize("key", ["", "wrong", KEY[:-1], KEY + "x", "ключ"])
def test_nothing_is_changed_without_the_sessions_key(app: Flask, client: Any, key: str) -> None:
    """By a form, by a header, or in the address, where it would be logged and must not count."""
    quoted = urllib.parse.quote(key or KEY)
    for endpoint, method, address in routes(app):
        if method == "GET":
            continue
        place = f"{method} {address} ({endpoint})"
        form = {"form_key": key} if key else {}
        for ask in (
            lambda a=address, m=method, f=form: client.open(a, method=m, data=f, base_url=HOME),
            lambda a=address, m=method: client.open(f"{a}?form_key={quoted}", method=m, base_url=HOME),
            lambda a=address, m=method: client.open(a, method=m, json={"form_key": KEY}, base_url=HOME),
        ):
            with ask() as answer:
                assert answer.status_code == 403, place
        if key and key.isascii():
            with client.open(address, method=method, headers={"X-Form-Key": key}, base_url=HOME) as answer:
                assert answer.status_code == 403, place


def test_reading_changes_nothing(app: Flask, folder: Path) -> None:
    """GET is safe (RFC 9110, 9.2.1): walking every address leaves the catalogue as it was."""
    before = Library(folder).desk.catalogue.revision(), libraries.dump(folder)
    for address in pages(app, folder):
        app.test_client().get(address, base_url=HOME).close()
    assert (Library(folder).desk.catalogue.revision(), libraries.dump(folder)) == before


@pytest.mark.parametrize(
    "host",
    ["evil.example", "127.0.0.1.evil.example", "evil.example:8321", "localhost.evil.example", "8.8.8.8", ""],
)
def test_other_hosts_are_refused_everywhere(app: Flask, folder: Path, host: str) -> None:
    """DNS rebinding, poisoned caches and links (CWE-644)."""
    client = app.test_client()
    for _, method, address in routes(app):
        with client.open(address, method=method, headers={"Host": host}) as answer:
            assert answer.status_code == 400, f"{method} {address}"
            assert "evil.example" not in answer.get_data(as_text=True).replace(address, "")


def test_forwarded_headers_count_only_behind_a_proxy(folder: Path) -> None:
    """Who is not a proxy cannot choose the host, the scheme or the address that guesses are counted by."""
    forged = {"X-Forwarded-Host": "evil.example", "X-Forwarded-For": "1.2.3.4", "X-Forwarded-Proto": "https"}
    app = create_app(folder)
    for address in pages(app, folder):
        with app.test_client().get(address, headers=forged, base_url=HOME) as answer:
            assert "evil.example" not in answer.headers.get("Location", "")
            assert b"only under its own address" not in answer.get_data(), address
    shared = create_app(folder, share=True)
    client = shared.test_client()
    client.environ_base["REMOTE_ADDR"] = "192.168.1.50"
    with client.session_transaction(base_url=GYM) as session:
        session["form_key"] = KEY
    for number in range(12):
        sent = {"form_key": KEY, "phrase": "a wild guess", "by": "x"}
        more = {"X-Forwarded-For": f"10.0.0.{number}"}
        last = client.post("/signin", data=sent, headers=more, base_url=GYM)
    assert last.status_code == 429


@pytest.mark.parametrize(
    "target",
    ["https://evil.example/", "//evil.example/", "/\\evil.example", "http:evil.example", "\t//evil.example"],
)
def test_no_answer_leads_elsewhere(app: Flask, client: Any, folder: Path, target: str) -> None:
    """Open redirects (CWE-601): whatever is asked, and wherever, every Location is a place here."""
    query = urllib.parse.urlencode(dict.fromkeys(("next", "to", "url", "back", "return", "q"), target))
    for endpoint, method, address in routes(app):
        if endpoint in ("work.events", "forget.forget"):
            continue
        more = {"data": {"next": target, "form_key": KEY}} if method != "GET" else {}
        with client.open(f"{address}?{query}", method=method, base_url=HOME, **more) as answer:
            _is_here(answer.headers.get("Location", "/"))
    for address in ("//evil.example/", "//evil.example/fights", "///evil.example", "/%2f/evil.example"):
        with client.get(HOME + address) as answer:
            _is_here(answer.headers.get("Location", "/"))


def _is_here(location: str) -> None:
    parts = urllib.parse.urlsplit(location)
    assert parts.netloc in ("", "127.0.0.1:8321"), location
    assert parts.scheme in ("", "http"), location
    assert not location.startswith(("//", "/\\")), location


# --- the file system (CWE-22) -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "../../../../../../etc/passwd", "..%2f..%2fcatalogue.db", "..%5c..%5ccatalogue.db",
        "%252e%252e%252fcatalogue.db", "%2fetc%2fpasswd", "x%00.mp4", "../session.key", "file:%2f%2f%2fetc%2fpasswd",
        "%c0%ae%c0%ae%c0%afcatalogue.db", "..", "catalogue", "x" * 3000,
    ],
)  # fmt: skip
def test_no_address_reaches_the_file_system(app: Flask, client: Any, folder: Path, text: str) -> None:
    key = (folder / "session.key").read_bytes()
    for endpoint, method, address in routes(app, texts=text):
        if endpoint == "work.events":
            continue
        headers = {"X-Form-Key": KEY, "Upload-Offset": "0"}
        with client.open(address, method=method, headers=headers, base_url=HOME) as answer:
            data = answer.get_data()
            assert answer.status_code < 500, address
            assert not any(secret in data for secret in SECRETS), address
            assert key not in data, address
    assert (folder / "session.key").read_bytes() == key
    assert (folder / "catalogue.db").is_file()


def test_no_answer_tells_where_files_lie(app: Flask, client: Any, folder: Path) -> None:
    """Nor are there tracebacks (CWE-209)."""
    place = str(folder.parent)
    for address in [
        *pages(app, folder),
        *(a for _, m, a in routes(app) if m == "GET"),
        "/clip/99999",
        "/%ff",
    ]:
        if "/events" in address or address.startswith(
            "/fights/new"
        ):  # whoever logs chooses among files there
            continue
        with client.get(address, base_url=HOME) as answer:
            data = answer.get_data()
            if answer.mimetype.startswith(("text", "application")):
                assert place.encode() not in data, address
            assert b"Traceback" not in data, address


# --- secrets (CWE-532, CWE-598) ---------------------------------------------------------------------------


def test_secrets_are_in_no_log_and_no_address(
    folder: Path, caplog: pytest.LogCaptureFixture, capfd: Any
) -> None:
    """Signing in wrong, right and out; nothing of it is logged, printed, reflected or put into an address."""
    caplog.set_level(logging.DEBUG)
    phrase, wrong = "louder orthodox corner", "almost the right corner"
    app = create_app(folder, share=True)
    client = app.test_client()
    client.environ_base["REMOTE_ADDR"] = "192.168.1.60"
    said: list[str] = []

    def ask(method: str, address: str, **more: Any) -> Any:
        answer = client.open(address, method=method, base_url=GYM, **more)
        said.append(answer.get_data().decode("utf-8", "replace"))
        said.append(answer.headers.get("Location", ""))
        answer.close()
        return answer

    page = ask("GET", "/signin").get_data(as_text=True)
    form = re.search(r"<form[^>]*signin[^>]*>", page)
    assert form
    assert 'method="post"' in form[0]
    assert re.search(r'<input[^>]*name="phrase"[^>]*type="password"|type="password"[^>]*name="phrase"', page)
    key = re.search(r'name="form_key" value="([^"]+)"', page)
    assert key
    assert (
        ask("GET", f"/signin?phrase={urllib.parse.quote(phrase)}&by=x").status_code == 200
    )  # not how to get in
    said.clear()  # the address was ours
    assert ask("GET", "/").status_code == 302
    assert ask("POST", "/signin", data={"form_key": key[1], "phrase": wrong, "by": "x"}).status_code == 403
    entered = ask(
        "POST", "/signin", data={"form_key": key[1], "phrase": phrase, "by": "x", "next": "/?q=jab"}
    )
    assert entered.status_code == 303
    for address in pages(app, folder):
        ask("GET", address)
    cookie = client.get_cookie("cliplib", domain="192.168.1.20")
    assert cookie is not None
    secret = (folder / "session.key").read_bytes()
    printed = capfd.readouterr()
    for place in (*said, caplog.text, printed.out, printed.err):
        assert phrase not in place
        assert wrong not in place
        assert cookie.value not in place
        assert secret.hex() not in place
    assert (folder / "session.key").stat().st_mode & 0o077 == 0


def test_an_error_is_logged_without_what_was_sent(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A fault of ours answers 500 and leaves a traceback for the owner, without the form's contents."""
    app = create_app(folder, share=True)
    app.view_functions["signin.enter"] = lambda: 1 / 0
    client = app.test_client()
    with client.session_transaction(base_url=GYM) as session:
        session["form_key"] = KEY
    sent = {"form_key": KEY, "phrase": "louder orthodox corner", "by": "x"}
    answer = client.post("/signin", data=sent, base_url=GYM)
    assert answer.status_code == 500
    assert "ZeroDivisionError" not in answer.get_data(as_text=True)
    assert "ZeroDivisionError" in caplog.text
    assert "louder" not in caplog.text
