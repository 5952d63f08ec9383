"""A library served to others: who gets in, what each role may do, and what an attacker's page cannot."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from werkzeug.routing import IntegerConverter, Rule

from cliplib import InputError, Library, SettingsError
from cliplib.library.care.passphrases import Passphrases
from cliplib_web import create_app
from cliplib_web.pages import only_for_logs
from cliplib_web.site import signin
from tests import libraries
from tests.libraries import RED

# Private parts: Werkzeug tells what an address may hold nowhere else.

LOOK, LOG = "quiet southpaw corner", "louder orthodox corner"
HOME = "http://192.168.1.20:8321"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sharing")
    libraries.make_fight(folder / "fight")
    library = Library(folder / "library", create=True)
    library.logging.ingest([folder / "fight"])
    library.care.passphrases.set("look", LOOK)
    library.care.passphrases.set("log", LOG)
    return folder / "library"


@pytest.fixture
def app(folder: Path) -> Flask:
    return create_app(folder, hosts=("gym.local",), share=True)


def client_of(app: Flask) -> Any:
    client = app.test_client()
    client.environ_base["REMOTE_ADDR"] = "192.168.1.50"
    return client


def key_of(page: str) -> str:
    found = re.search(r'name="form_key" value="([^"]+)"', page)
    assert found
    return found[1]


def enter(client: Any, phrase: str, by: str = "MK", **more: str) -> Any:
    page = client.get("/signin", base_url=HOME).get_data(as_text=True)
    form = {"form_key": key_of(page), "phrase": phrase, "by": by, **more}
    return client.post("/signin", data=form, base_url=HOME)


def signed_in(app: Flask, phrase: str, by: str = "MK") -> Any:
    client = client_of(app)
    assert enter(client, phrase, by).status_code == 303
    return client


# --- roles on every route --------------------------------------------------------------------------------


def requests_of(app: Flask) -> list[tuple[str, str, str]]:
    """(endpoint, method, address) for every route and method there is."""
    found = []
    for rule in app.url_map.iter_rules():
        assert isinstance(rule, Rule)
        values = {
            name: 1
            if isinstance(rule._converters[name], IntegerConverter)
            else next(iter(getattr(rule._converters[name], "items", ("x",))))
            for name in rule.arguments
        }
        with app.test_request_context(base_url=HOME):
            address = app.url_map.bind("192.168.1.20").build(rule.endpoint, values, force_external=False)
        methods = sorted((rule.methods or set()) - {"OPTIONS", "HEAD"})
        found += [(rule.endpoint, method, address) for method in methods]
    return found


def test_every_route_keeps_its_role(app: Flask) -> None:
    """Walks the route table: only the way in is open, and who may only look changes nothing."""
    walked = requests_of(app)
    assert len(walked) > 30
    nobody, looker, logger = client_of(app), signed_in(app, LOOK), signed_in(app, LOG)
    key = {}
    for name, client in (("nobody", nobody), ("look", looker), ("log", logger)):
        with client.session_transaction(base_url=HOME) as session:
            session["form_key"] = key[name] = "k" * 24
    for endpoint, method, address in walked:
        if endpoint == "signin.leave":
            continue

        def ask(client: Any, who: str, method: str = method, address: str = address) -> int:
            with client.open(
                address, method=method, base_url=HOME, headers={"X-Form-Key": key[who]}
            ) as answer:
                return int(answer.status_code)

        place = f"{method} {address} ({endpoint})"
        if endpoint in ("static", "signin.show", "signin.enter"):
            assert ask(nobody, "nobody") not in (401,), place
            continue
        outside = ask(nobody, "nobody")
        expected = (302,) if method == "GET" and not address.startswith("/api/") else (401,)
        assert outside in expected, place
        within = ask(looker, "look")
        if method == "GET" and endpoint not in only_for_logs():
            assert within not in (401, 403), place
        else:
            assert within == 403, place
        assert ask(logger, "log") not in (401, 403), place


def test_a_looker_cannot_log(app: Flask, folder: Path) -> None:
    client = signed_in(app, LOOK)
    with client.session_transaction(base_url=HOME) as session:
        session["form_key"] = "k" * 24
    said = {"frame": 60, "action": "bolo", "fighter": RED}
    answer = client.post("/api/fights/1/lines", json=said, base_url=HOME, headers={"X-Form-Key": "k" * 24})
    assert answer.status_code == 403
    assert Library(folder).logging.live.logs(1) == ()


def test_a_log_is_kept_under_the_name_of_who_signed_in(app: Flask, folder: Path) -> None:
    client = signed_in(app, LOG, "TB")
    with client.session_transaction(base_url=HOME) as session:
        session["form_key"] = "k" * 24

    def log(**more: str) -> Any:
        said = {"frame": 60, "action": "bolo", "fighter": RED, **more}
        return client.post("/api/fights/1/lines", json=said, base_url=HOME, headers={"X-Form-Key": "k" * 24})

    assert log(by="JL").status_code == 400
    assert log().status_code == 201
    assert [entry.by for entry in Library(folder).logging.live.logs(1)] == ["TB"]


# --- signing in ------------------------------------------------------------------------------------------


def test_signing_in_and_out(app: Flask) -> None:
    client = client_of(app)
    outside = client.get("/?q=jab", base_url=HOME)
    assert outside.status_code == 302
    assert outside.location == "/signin?next=/?q%3Djab"
    answer = enter(client, LOOK, next="/?q=jab")
    assert (answer.status_code, answer.location) == (303, "/?q=jab")
    assert client.get("/", base_url=HOME).status_code == 200
    key = None
    with client.session_transaction(base_url=HOME) as session:
        key = session["form_key"] = "k" * 24
    assert client.post("/signout", data={"form_key": key}, base_url=HOME).status_code == 303
    assert client.get("/", base_url=HOME).status_code == 302


def test_a_new_session_begins_with_signing_in(app: Flask) -> None:
    """Session fixation (OWASP): nothing that was in the session before holds afterwards."""
    client = client_of(app)
    page = client.get("/signin", base_url=HOME).get_data(as_text=True)
    before = key_of(page)
    assert enter(client, LOOK).status_code == 303
    with client.session_transaction(base_url=HOME) as session:
        assert session.get("form_key") != before


def test_wrong_phrases_are_refused_and_then_made_to_wait(app: Flask) -> None:
    client = client_of(app)
    for _ in range(signin.TRIES):
        assert enter(client, "a wild guess").status_code == 403
    answer = enter(client, LOOK)  # even the right one
    assert answer.status_code == 429
    assert 0 < int(answer.headers["Retry-After"]) <= signin.WINDOW_S
    other = client_of(app)
    other.environ_base["REMOTE_ADDR"] = "192.168.1.51"
    assert enter(other, LOOK).status_code == 303


def test_who_may_look_cannot_guess_without_end(app: Flask) -> None:
    """Signing in with a phrase that one knows does not wipe out wrong guesses at the other one."""
    answered = []
    for _ in range(signin.TRIES // 2 + 1):
        answered += [enter(client_of(app), "a wild guess").status_code for _ in range(2)]
        answered.append(enter(client_of(app), LOOK).status_code)
    assert answered[:3] == [403, 403, 303]
    assert answered.count(403) == signin.TRIES
    assert answered[-1] == 429


def test_waiting_ends_and_many_addresses_wait_together() -> None:
    now = [1000.0]
    tries = signin.Tries(lambda: now[0])
    for _ in range(signin.TRIES):
        assert tries.begin("a") == 0
        now[0] += 1
    assert tries.begin("a") == signin.WINDOW_S - signin.TRIES
    assert tries.begin("b") == 0
    now[0] += signin.WINDOW_S
    assert tries.begin("a") == 0
    for number in range(signin.EVERYBODY):
        tries.begin(f"c{number}")
    assert tries.begin("never seen") > 0


def test_a_right_guess_is_taken_back() -> None:
    tries = signin.Tries(lambda: 1000.0)
    for _ in range(signin.EVERYBODY * 2):
        assert tries.begin("a") == 0
        tries.right("a", all_own=False)
    for _ in range(signin.TRIES):
        assert tries.begin("a") == 0
    tries.right("a", all_own=True)
    assert tries.begin("a") == 0


def test_a_new_pass_phrase_ends_sessions(folder: Path, app: Flask) -> None:
    client = signed_in(app, LOOK)
    passphrases = Passphrases(folder)
    passphrases.set("look", "another quiet corner")
    try:
        assert client.get("/", base_url=HOME).status_code == 302
        assert enter(client_of(app), LOOK).status_code == 403
    finally:
        passphrases.set("look", LOOK)


@pytest.mark.parametrize(
    "target",
    [
        "https://evil.example/", "//evil.example/", "///evil.example", "/\\evil.example", "\\\\evil.example",
        "http:evil.example", "javascript:alert(1)", "/\tevil", "\n//evil.example", "evil.example", "",
        "/signin?next=/", "/%0d%0aLocation:x\r\n",
    ],
)  # fmt: skip
def test_signing_in_leads_nowhere_else(app: Flask, target: str) -> None:
    """Open redirects (CWE-601)."""
    answer = enter(client_of(app), LOOK, next=target)
    assert (answer.status_code, answer.location) == (303, "/")


# --- cookies, other sites, other hosts -------------------------------------------------------------------


@pytest.mark.parametrize("proxy", [False, True])
def test_cookie_flags(folder: Path, proxy: bool) -> None:
    app = create_app(folder, hosts=("gym.local",), share=True, behind_proxy=proxy)
    cookie = client_of(app).get("/signin", base_url=HOME).headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Path=/" in cookie
    assert "Domain" not in cookie
    assert ("Secure" in cookie) == proxy


def test_a_form_of_another_site_changes_nothing(app: Flask) -> None:
    client = signed_in(app, LOG)
    said = {"frame": 60, "action": "bolo", "fighter": RED}
    assert client.post("/api/fights/1/lines", json=said, base_url=HOME).status_code == 403
    assert client.post("/signout", base_url=HOME).status_code == 403
    assert client_of(app).post("/signin", data={"phrase": LOG, "by": "x"}, base_url=HOME).status_code == 403


@pytest.mark.parametrize(
    ("host", "answered"),
    [
        ("gym.local", True), ("GYM.local:8321", True), ("192.168.1.20", True), ("10.0.0.7:80", True),
        ("172.16.3.4", True), ("[fd00::7]:8321", True), ("127.0.0.1", True),
        ("evil.example", False), ("192.168.1.20.evil.example", False), ("8.8.8.8", False),
        ("0x7f.evil", False), ("[2606:4700::1111]", False), ("gym.local.evil.example", False),
    ],
)  # fmt: skip
def test_hosts_that_are_answered(folder: Path, host: str, answered: bool) -> None:
    from cliplib_web.site.guards import LOCAL_HOSTS

    app = create_app(folder, hosts=(*LOCAL_HOSTS, "gym.local"), share=True)
    status = client_of(app).get("/signin", headers={"Host": host}).status_code
    assert status == (200 if answered else 400)


def test_without_sharing_only_this_machine_is_answered(folder: Path) -> None:
    client = create_app(folder).test_client()
    assert client.get("/", base_url="http://127.0.0.1").status_code == 200
    assert client.get("/", base_url="http://localhost:8321").status_code == 200
    assert client.get("/", base_url=HOME).status_code == 400
    assert client.get("/signin", base_url="http://127.0.0.1").status_code == 302


# --- pass phrases ----------------------------------------------------------------------------------------


def test_only_a_hash_is_kept_and_only_for_its_owner(tmp_path: Path) -> None:
    kept = Passphrases(tmp_path)
    assert kept.roles() == ()
    assert kept.check(LOOK) is None
    kept.set("look", LOOK)
    path = tmp_path / "passphrases.json"
    assert LOOK not in path.read_text(encoding="utf-8")
    assert path.stat().st_mode & 0o077 == 0
    opened = kept.check(LOOK)
    assert opened is not None
    assert (opened.role, opened.seal) == ("look", kept.seal("look"))
    assert kept.check(LOOK + " ") is None
    assert kept.check("") is None
    assert kept.check("x" * 10_000) is None
    kept.set("look", LOOK)
    assert kept.seal("look") != opened.seal  # salted anew
    kept.remove("look")
    assert kept.check(LOOK) is None
    assert kept.seal("look") == ""


def test_scrypt_is_that_of_the_standard() -> None:
    """RFC 7914, section 12, the third test vector; what our hashes are made with."""
    made = hashlib.scrypt(
        b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, maxmem=64 << 20, dklen=64
    )
    assert made.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")


def test_pass_phrases_that_are_refused(tmp_path: Path) -> None:
    kept = Passphrases(tmp_path)
    with pytest.raises(InputError, match="8 to 200"):
        kept.set("look", "short")
    with pytest.raises(InputError, match="roles"):
        kept.set("admin", LOOK)
    kept.set("look", LOOK)
    with pytest.raises(InputError, match="is the pass phrase of the role"):
        kept.set("log", LOOK)
    with pytest.raises(InputError, match="no pass phrase"):
        kept.remove("log")
    for damage in ("{", "[]", json.dumps({"look": {"salt": "x"}}), json.dumps({"look": 3})):
        (tmp_path / "passphrases.json").write_text(damage, encoding="utf-8")
        with pytest.raises(SettingsError, match="damaged"):
            kept.check(LOOK)


def test_the_commands(folder: Path) -> None:
    def run(*arguments: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "cliplib", "--library", str(folder), *arguments],
            input=stdin, capture_output=True, text=True, check=False,
        )  # fmt: skip

    assert run("passphrase", "list").stdout.split() == ["look", "log"]
    assert run("passphrase", "set", "--role", "log", stdin="short\n").returncode == 2
    assert run("passphrase", "set", "--role", "log", stdin=LOG + "\n").returncode == 0
    opened = Passphrases(folder).check(LOG)
    assert opened is not None
    assert opened.role == "log"
    refused = run("serve", "--host", "0.0.0.0", "--port", "1")
    assert refused.returncode == 2
    assert "--share" in refused.stderr
    bare = folder.parent / "bare"
    Library(bare, create=True).close()
    lacking = subprocess.run(
        [sys.executable, "-m", "cliplib", "--library", str(bare), "serve", "--share"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert lacking.returncode == 2
    assert "passphrase set" in lacking.stderr


def test_a_log_file_by_command(folder: Path, tmp_path: Path) -> None:
    log = tmp_path / "mine.csv"
    log.write_text("time,fighter,action\n3.0,Brandt,shovel hook landed\n", encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "cliplib",
        "--library",
        str(folder),
        "log-import",
        "1",
        str(log),
        "--by",
        "RS",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.split()[0]) == (0, "1")
    assert subprocess.run(command, capture_output=True, check=False).returncode == 2  # there is one already
    assert Library(folder).finding.find("shovel hook", second_opinions=True).total == 1
