"""Sessions end where they end: on the server, whoever still has a copy of the cookie (OWASP, session management)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from cliplib import Library, NotFoundError
from cliplib.library.care.signedin import DAYS, SignedIn
from cliplib_web import create_app
from tests.web.test_sharing import HOME, LOG, LOOK, client_of, key_of, signed_in

# Private parts: a server that starts anew remembers nothing.


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    library = Library(tmp_path / "library", create=True)
    library.care.passphrases.set("look", LOOK)
    library.care.passphrases.set("log", LOG)
    library.close()
    return library.folder


@pytest.fixture
def app(folder: Path) -> Flask:
    return create_app(folder, hosts=("gym.local",), share=True)


def copied(app: Flask, client: Any) -> Any:
    """Somebody else, with a copy of the cookie."""
    thief = client_of(app)
    cookie = client.get_cookie("cliplib", domain="192.168.1.20")
    assert cookie is not None
    thief.set_cookie("cliplib", cookie.value, domain="192.168.1.20")
    return thief


def inside(client: Any) -> bool:
    return int(client.get("/", base_url=HOME).status_code) == 200


def sign_out(client: Any) -> None:
    key = key_of(client.get("/", base_url=HOME).get_data(as_text=True))
    assert client.post("/signout", data={"form_key": key}, base_url=HOME).status_code == 303


def test_a_copied_cookie_is_worthless_after_signing_out(app: Flask) -> None:
    client = signed_in(app, LOG)
    thief = copied(app, client)
    assert inside(thief)
    sign_out(client)
    assert not inside(client)
    assert not inside(thief)
    assert thief.get("/api/find?q=jab", base_url=HOME).status_code == 401


def test_a_new_pass_phrase_ends_those_of_its_role(app: Flask, folder: Path) -> None:
    looker, logger = signed_in(app, LOOK), signed_in(app, LOG)
    thief = copied(app, looker)
    library = Library(folder)
    library.care.passphrases.set("look", "another quiet corner")
    assert [inside(one) for one in (looker, thief, logger)] == [False, False, True]
    assert [s.role for s in library.care.signed_in.all()] == ["log"]
    library.care.passphrases.set("look", LOOK)  # the same words again are another pass phrase
    assert not inside(thief)


def test_signing_in_anew_ends_the_session_before(app: Flask) -> None:
    client = signed_in(app, LOOK)
    thief = copied(app, client)
    page = client.get("/", base_url=HOME).get_data(as_text=True)
    form = {"form_key": key_of(page), "phrase": LOG, "by": "MK"}
    assert client.post("/signin", data=form, base_url=HOME).status_code == 303
    assert inside(client)
    assert not inside(thief)


def test_the_cookie_says_nothing_and_a_made_up_key_opens_nothing(app: Flask, folder: Path) -> None:
    client = signed_in(app, LOG, "Mariana Kowalczyk")
    with client.session_transaction(base_url=HOME) as session:
        assert set(session) - {"_permanent", "form_key"} == {"key"}
    stored = b"".join(path.read_bytes() for path in (folder / "signed-in").iterdir())
    with client.session_transaction(base_url=HOME) as session:
        assert session["key"].encode() not in stored
        session["key"] = next((folder / "signed-in").iterdir()).stem
    assert not inside(client)
    other = client_of(app)
    for made_up in ("../passphrases", "", "x", 7, ["a"], None):
        with other.session_transaction(base_url=HOME) as session:
            session["key"] = made_up
        assert not inside(other)
    assert all(path.stat().st_mode & 0o077 == 0 for path in (folder / "signed-in").iterdir())


def test_who_is_signed_in_is_seen_and_ended_by_command(app: Flask, folder: Path) -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "cliplib", "--library", str(folder), "signed-in", *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=False)

    assert run("list").stdout == "nobody is signed in\n"
    ana, ben, cy = (signed_in(app, LOG, name) for name in ("Ana", "Ben", "Cy"))
    listed = json.loads(run("list", "--json").stdout)
    assert {(row["by"], row["role"]) for row in listed} == {("Ana", "log"), ("Ben", "log"), ("Cy", "log")}
    assert "last there" in run("list").stdout
    assert run("end").returncode == 2
    assert run("end", "zzz").returncode == 2
    number = next(row["number"] for row in listed if row["by"] == "Ben")
    assert run("end", number).stdout == "signed out: Ben (log)\n"
    assert [inside(one) for one in (ana, ben, cy)] == [True, False, True]
    assert run("end", "--all").stdout == "signed out: 2\n"
    assert not inside(ana)


def test_a_session_ends_when_it_is_not_used(app: Flask, folder: Path) -> None:
    client = signed_in(app, LOOK)
    (path,) = (folder / "signed-in").iterdir()
    for days, within in ((DAYS - 1, True), (DAYS + 1, False)):
        then = time.time() - days * 86_400
        os.utime(path, (then, then))
        assert inside(client) == within
    signed_in(app, LOOK)
    assert not path.exists()  # swept


def test_there_is_an_end_to_sessions(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from cliplib.library.care import signedin

    monkeypatch.setattr(signedin, "MOST", 3)
    library = Library(folder)
    opened = library.care.passphrases.check(LOOK)
    assert opened is not None
    keys = []
    for number in range(5):
        keys.append(library.care.signed_in.begin("look", opened.seal, f"P{number}"))
        then = time.time() - 1000 + number
        for path in (folder / "signed-in").iterdir():
            if path.stat().st_mtime > then + 500:
                os.utime(path, (then, then))
    library.care.signed_in.begin("look", opened.seal, "last")
    assert [s.by for s in library.care.signed_in.all()] == ["last", "P4", "P3"]
    with pytest.raises(NotFoundError):
        library.care.signed_in.end_number("")


def test_where_nothing_can_be_written_sessions_are_in_memory(folder: Path) -> None:
    library = Library(folder)
    opened = library.care.passphrases.check(LOOK)
    assert opened is not None
    (folder / "signed-in").write_text("a file where the folder should be", encoding="utf-8")
    kept = SignedIn(folder, library.care.passphrases)
    key = kept.begin("look", opened.seal, "MK")
    found = kept.of(key)
    assert found is not None
    assert (found.by, found.role) == ("MK", "look")
    kept._memory.clear()
    assert kept.of(key) is None
