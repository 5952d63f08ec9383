"""A private fight is for those who log: no page, file or answer tells somebody who may only look of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask import Flask

from cliplib import Library
from cliplib_web import create_app
from tests import libraries
from tests.web.test_sharing import HOME, LOG, LOOK, requests_of, signed_in

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
    assert library.logging.ingest([place / "fights"]).exit_code == 0
    assert library.finding.fight(1).info.private
    library.making.make_reel("jab", title="Quiet sparring")
    open_one = [clip.id for clip in library.finding.find("jab").clips if clip.fight_id != 1]
    library.making.make_reel(open_one, title="As Zwentibold should")
    library.making.make_reel(open_one, title="For everybody")
    for title in ("Zwentibold", "In Quiet sparring", "Odo's way", "Anybody"):
        name = library.making.themes.put(f'phrase = "jab"\ntitle = "{title}"\n')
        library.making.themes.build(name)
    library.making.themes.put('phrase = "jab"\ntitle = "A third"\nsubtitle = "from Zwentibold\'s book"\n')
    for phrase in ("jab by Zwentibold", "jab in Quiet sparring"):
        assert library.finding.find(phrase).total
    library.care.passphrases.set("look", LOOK)
    library.care.passphrases.set("log", LOG)
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
    asked += [f"/api/complete?q={q}" for q in ("jab+by", "jab+in", "Quiet", "z", "o", "i")]
    asked += [f"/themes/{name}/" for name in ("zwentibold", "in-quiet-sparring", "odo-s-way", "a-third")]
    asked += ["/handover/theme/zwentibold/", "/themes/zwentibold/reel.mp4", "/?q=quirkwords", "/?q=Odo"]
    asked += ["/reels/as-zwentibold-should/", "/?q=jab+by+Zwentibolt", "/counts/next?q=jab"]
    asked += ["/reels/quiet-sparring/", "/counts/?q=jab&by=fighter", "/counts/compare?q=jab", "/api/fights"]
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


def test_what_names_nobody_hidden_is_shown(app: Flask) -> None:
    looker, logger = signed_in(app, LOOK), signed_in(app, LOG)
    shown = [c.get("/themes/", base_url=HOME).get_data(as_text=True) for c in (looker, logger)]
    assert ["Anybody" in page for page in shown] == [True, True]
    assert ["/themes/zwentibold/" in page for page in shown] == [False, True]
    assert looker.get("/themes/anybody/", base_url=HOME).status_code == 200
    assert looker.get("/themes/anybody/reel.mp4", base_url=HOME).status_code == 404, "it shows hidden clips"
    shown = [c.get("/reels/", base_url=HOME).get_data(as_text=True) for c in (looker, logger)]
    assert ["For everybody" in page for page in shown] == [True, True]
    assert ["As Zwentibold should" in page for page in shown] == [False, True]


def test_what_is_private_answers_like_what_is_not_there(app: Flask) -> None:
    """Neither a status nor a sentence tells a number of a private fight or clip from one that nobody has
    (CWE-203)."""
    looker = signed_in(app, LOOK)

    def ask(address: str, number: int) -> tuple[int, str]:
        with looker.get(address.replace("/1", f"/{number}", 1), base_url=HOME) as answer:
            return answer.status_code, answer.get_data(as_text=True).replace(f" {number} ", " N ")

    walked = [a for _, method, a in requests_of(app) if method == "GET" and re.search(r"/1(?=\W|$)", a)]
    assert len(walked) > 20
    for address in walked:
        assert ask(address, 1) == ask(address, 987_654), address
        assert ask(address, 1)[0] in (400, 403, 404), address
    names = ("quiet-sparring", "as-zwentibold-should", "nobody-made-it")
    for form in ("/reels/{}/", "/reels/{}/reel.mp4", "/themes/{}/", "/handover/reel/{}/"):
        said = []
        for name in names:
            answer = looker.get(form.format(name), base_url=HOME)
            said.append((answer.status_code, answer.get_data(as_text=True).replace(name, "N")))
        assert said[0] == said[1] == said[2], form


def test_a_fight_that_becomes_private_is_gone_at_once(tmp_path: Path) -> None:
    """For a server that has shown it, and has its own index of it."""
    fight = libraries.make_fight(tmp_path / "fights" / "a", title="Quiet sparring")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    name = library.making.make_reel("jab", title="Jabs")
    library.care.passphrases.set("look", LOOK)
    app = create_app(tmp_path / "library", hosts=("gym.local",), share=True)
    looker = signed_in(app, LOOK)
    asked = ["/?q=jab", "/?q=nice", "/clip/1", "/clips/1.mp4", "/clips/1.jpg", "/fights/1", f"/reels/{name}/"]
    asked += [
        f"/reels/{name}/reel.mp4",
        "/api/complete?q=Q",
        "/fights/",
        "/api/find?q=jab",
        "/fights/1/log.csv",
    ]

    def told() -> list[str]:
        found = []
        for address in asked:
            with looker.get(address, base_url=HOME) as answer:
                text = answer.get_data().decode("utf-8", "replace")
                film = answer.status_code == 200 and answer.mimetype in (
                    "video/mp4",
                    "image/jpeg",
                    "text/csv",
                )
                found += [address] if film or "Quiet sparring" in text or "nice and low" in text else []
        return found

    assert len(told()) >= 9, "it was shown, or this test sees nothing"
    toml = fight / "fight.toml"
    toml.write_text("private = true\n" + toml.read_text(encoding="utf-8"), encoding="utf-8")
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    assert told() == []
