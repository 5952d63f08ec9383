"""A private fight is for those who log: no page, file or answer tells somebody who may only look of it."""

from __future__ import annotations

import pytest
from flask import Flask

from cliplib.library import Library
from cliplib_web import create_app
from tests import libraries
from tests.test_sharing import HOME, LOG, LOOK, requests_of, signed_in

SECRET = ("Odo Zwentibold", "Quiet sparring", "quirkword", "zwentibold", "quiet-sparring")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Flask:
    place = tmp_path_factory.mktemp("private")
    # First, so that the numbers 1 which the walk asks for are the private ones.
    hidden = libraries.make_fight(
        place / "fights" / "a",
        title="Quiet sparring",
        rows=("0:02,Zwentibold,jab,missed,quirkword", "0:06,Zwentibold,cross,,"),
    )
    toml = hidden / "fight.toml"
    text = toml.read_text(encoding="utf-8").replace(libraries.RED, "Odo Zwentibold")
    toml.write_text("private = true\n" + text, encoding="utf-8")
    libraries.make_fight(place / "fights" / "b")
    library = Library(place / "library", create=True)
    assert library.ingest([place / "fights"]).exit_code == 0
    assert library.fight(1).info.private
    library.make_reel("jab", title="Quiet sparring")
    library.passphrases.set("look", LOOK)
    library.passphrases.set("log", LOG)
    return create_app(place / "library", hosts=("gym.local",), share=True)


def test_no_page_tells_of_it(app: Flask) -> None:
    """Walks every address that can be read, with the private fight's numbers and names."""
    looker, logger = signed_in(app, LOOK), signed_in(app, LOG)
    asked = [address for _, method, address in requests_of(app) if method == "GET"]
    asked = [address for address in asked if address != "/signout"]
    asked += [f"/?q={q}" for q in ("", "jab", "Zwentibold", "quirkword", "cross+Quiet+sparring")]
    asked += [
        "/api/find?q=jab",
        "/api/find?q=quirkword",
        "/api/complete?q=Zw",
        "/clips/2.mp4",
        "/clips/1.jpg",
    ]
    asked += ["/reels/quiet-sparring", "/counts/?q=jab&by=fighter", "/counts/compare?q=jab", "/api/fights"]
    told = 0
    for address in asked:
        with looker.get(address, base_url=HOME) as answer:
            text = answer.get_data().decode("utf-8", "replace")
            if answer.mimetype.startswith(("video", "image")) and "svg" not in answer.mimetype:
                assert not address.startswith(("/clips/1", "/clips/2"))
        said = [
            word
            for word in SECRET
            if word in text and word not in address and word not in address.replace("+", " ")
        ]
        assert not said, (address, answer.status_code, said)
        with logger.get(address, base_url=HOME) as answer:
            told += any(word in answer.get_data().decode("utf-8", "replace") for word in SECRET)
    assert told >= 8, "those who log see it, or this test sees nothing"


def test_those_who_look_find_the_rest(app: Flask) -> None:
    looker, logger = signed_in(app, LOOK), signed_in(app, LOG)
    totals = [c.get("/api/find?q=jab", base_url=HOME).get_json()["total"] for c in (looker, logger)]
    assert totals == [1, 2]
