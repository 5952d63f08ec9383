"""Takes over HTTP without a browser: who may, what is refused, sound as one file, sound files brought in."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask import Flask

from cliplib import Library
from cliplib_web import create_app
from tests import libraries
from tests.breakdowns import sessions
from tests.web.test_sharing import HOME, LOG, LOOK, signed_in

AT = "/api/breakdowns/the-jab/points/a-point"
PAGE = "/breakdowns/the-jab/points/a-point/talk"
KEY = {"X-Form-Key": "k" * 24}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("talk")
    libraries.make_fight(place / "fight")
    library = Library(place / "library", create=True)
    library.logging.ingest([place / "fight"])
    name = library.making.breakdowns.put(
        None, "# The jab\n\n## A point\n\nOne. Two <b>x</b>.\n\n- [it](clip:1)\n\n## Bare\n\nNothing.\n"
    )
    assert name == "the-jab"
    library.care.passphrases.set("look", LOOK)
    library.care.passphrases.set("log", LOG)
    return place / "library"


@pytest.fixture
def app(folder: Path) -> Flask:
    return create_app(folder, hosts=("gym.local",), share=True)


@pytest.fixture
def client(app: Flask) -> Any:
    return with_key(signed_in(app, LOG))


def with_key(client: Any) -> Any:
    with client.session_transaction(base_url=HOME) as session:
        session["form_key"] = KEY["X-Form-Key"]
    return client


def ask(client: Any, method: str, address: str, **more: Any) -> Any:
    return client.open(
        address, method=method, base_url=HOME, headers={**KEY, **more.pop("headers", {})}, **more
    )


def begun(client: Any, kind: str = "audio/webm;codecs=opus") -> str:
    take = ask(client, "POST", f"{AT}/takes", json={}).get_json()["take"]
    made = ask(client, "POST", f"{AT}/takes/{take}/recordings", json={"at": 0, "kind": kind})
    assert made.get_json() == {"recording": 0}
    return f"{AT}/takes/{take}/recordings/0"


def test_who_may_only_look_does_not_record(app: Flask) -> None:
    """Nor hears what others recorded: a take is a draft."""
    looker = with_key(signed_in(app, LOOK))
    assert ask(looker, "GET", PAGE).status_code == 403
    for method, what in (("POST", "takes"), ("GET", "takes"), ("GET", "shots"), ("DELETE", "takes/1")):
        assert ask(looker, method, f"{AT}/{what}", json={}).status_code == 403
    assert "microphone=()" in ask(looker, "GET", "/").headers["Permissions-Policy"]


def test_the_microphone_is_for_that_page_alone(client: Any) -> None:
    page = ask(client, "GET", PAGE)
    assert page.status_code == 200
    assert "microphone=(self)" in page.headers["Permissions-Policy"]
    assert "<b>x" not in page.get_data(as_text=True)
    for address in ("/", "/breakdowns/the-jab/", f"{AT}/shots"):
        assert "microphone=()" in ask(client, "GET", address).headers["Permissions-Policy"]


@pytest.mark.parametrize(
    ("what", "status"),
    [
        ({"lines": [{"t": 0, "shot": 0, "frame": 0}] * 5001}, 400),
        ({"lines": [{"t": 0, "shot": 7, "frame": 0}]}, 400),
        ({"lines": "all"}, 400),
        ({"first": 3, "lines": []}, 400),
        ({"first": -1, "lines": []}, 400),
        ({"lines": [{"t": 0, "drawing": "a", "values": {"kind": "arrow", "points": "x" * 300_000}}]}, 400),
        ({"lines": [{"t": 0, "drawing": "a", "values": {"x": "y" * (1 << 20)}}]}, 413),
    ],
)
def test_pictures_that_are_none(client: Any, what: Any, status: int) -> None:
    at = begun(client)
    assert ask(client, "POST", f"{at}/picture", json=what).status_code == status
    assert ask(client, "GET", f"{at}/picture").get_data() == b""


def test_deep_nesting(client: Any) -> None:
    at = begun(client)
    for depth in (300, 900, 5000):
        line = '{"t":0,"drawing":"a","values":' + '{"x":' * depth + "1" + "}" * depth + "}"
        answer = ask(
            client, "POST", f"{at}/picture", data=f'{{"lines":[{line}]}}', content_type="application/json"
        )
        assert answer.status_code == 400, depth


@pytest.mark.parametrize(
    ("where", "data", "status"),
    [
        ("piece=1&clock=0", b"x", 400),
        ("piece=-1&clock=0", b"x", 400),
        ("piece=0&clock=99999999999999", b"x", 400),
        ("piece=0&clock=0", b"", 400),
        ("piece=0&clock=0", b"x" * ((1 << 20) + 1), 413),
    ],
)
def test_sound_that_is_none(client: Any, where: str, data: bytes, status: int) -> None:
    at = begun(client)
    assert ask(client, "POST", f"{at}/sound?{where}", data=data).status_code == status
    assert ask(client, "GET", f"{at}/sound").status_code == 404


def test_sound_as_one_file(client: Any) -> None:
    """Whole and in parts (RFC 9110, section 14); what was sent as something else is never a page."""
    at = begun(client, "text/html")
    pieces = [bytes([n]) * (1000 + n) for n in range(5)]
    for n, data in enumerate(pieces):
        told = ask(client, "POST", f"{at}/sound?piece={n}&clock={n}", data=data).get_json()
        assert told == {"stored": n + 1}
    whole = b"".join(pieces)
    answer = ask(client, "GET", f"{at}/sound")
    assert (answer.status_code, answer.get_data(), answer.mimetype) == (
        200,
        whole,
        "application/octet-stream",
    )
    for first, last in ((0, 0), (999, 1001), (2500, 4100), (5000, 9999)):
        part = ask(client, "GET", f"{at}/sound", headers={"Range": f"bytes={first}-{last}"})
        assert part.status_code == 206
        assert part.get_data() == whole[first : last + 1]
    assert ask(client, "GET", f"{at}/sound", headers={"Range": "bytes=9000-"}).status_code == 416
    with_sound = begun(client)
    ask(client, "POST", f"{with_sound}/sound?piece=0&clock=0", data=b"x")
    assert ask(client, "GET", f"{with_sound}/sound").mimetype == "audio/webm"


def test_a_point_without_shots(client: Any) -> None:
    answer = ask(client, "POST", "/api/breakdowns/the-jab/points/bare/takes", json={})
    assert answer.status_code == 400
    assert "put a clip into it first" in answer.get_json()["message"]


@pytest.mark.parametrize(("rate", "channels"), [(44_100, 1), (44_100, 2), (48_000, 1), (48_000, 2)])
def test_a_sound_file_is_brought_in(client: Any, folder: Path, rate: int, channels: int) -> None:
    data = sessions.wav(sessions.clicks(2.5, [0.5, 1.5], rate=rate, channels=channels), rate)
    take = brought(client, data, "voice.wav")
    assert take.status_code == 201, take.get_json()
    found = Library(folder).making.breakdowns.takes("the-jab", "a-point").take(take.get_json()["take"])
    assert found.given
    assert abs(found.us - 2_500_000) < 1000
    sound = ask(client, "GET", f"{AT}/takes/{found.name}/recordings/0/sound")
    assert (sound.get_data(), sound.mimetype) == (data, "audio/wav")


@pytest.mark.parametrize("name", ["voice.wav", "../../etc/passwd", "voice.exe", ""])
def test_a_file_that_is_no_sound(client: Any, folder: Path, name: str) -> None:
    takes = Library(folder).making.breakdowns.takes("the-jab", "a-point")
    before = [one.name for one in takes.all()]
    answer = brought(client, b"no sound at all" * 100, name)
    assert answer.status_code == 400
    assert str(folder) not in answer.get_json()["message"]
    assert [one.name for one in takes.all()] == before


def brought(client: Any, data: bytes, name: str) -> Any:
    key = ask(client, "POST", "/api/uploads", json={"size": len(data)}).get_json()["key"]
    file = io.BytesIO(data)
    while piece := file.read(1 << 20):
        offset = str(file.tell() - len(piece))
        sent = ask(client, "PATCH", f"/api/uploads/{key}", data=piece, headers={"Upload-Offset": offset})
        assert sent.status_code == 200
    return ask(client, "POST", f"{AT}/takes", json={"upload": key, "file": name})


def test_five_thousand_scrubs(client: Any) -> None:
    """In pieces as the page sends them; what is read back is what was sent."""
    at = begun(client)
    rng = np.random.default_rng(1)
    lines = [{"t": n * 20_000, "shot": 0, "frame": int(rng.integers(0, 100))} for n in range(5000)]
    for first in range(0, 5000, 50):
        told = ask(client, "POST", f"{at}/picture", json={"first": first, "lines": lines[first : first + 50]})
        assert told.get_json() == {"stored": first + 50}
    assert ask(client, "POST", f"{at}/end", json={"length": 100_000_000}).status_code == 204
    text = ask(client, "GET", f"{at}/picture").get_data(as_text=True)
    assert text.count("\n") == 5000
    take = ask(client, "GET", at.rpartition("/recordings")[0]).get_json()
    assert take["used"] == [[0, 100_000_000, 0]]
    assert take["shots"][0]["panes"][0]["video"] == "/clips/1.mp4"
