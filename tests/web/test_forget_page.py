"""Taking a fight out on its page: what is told first, and that nothing happens by mistake."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from cliplib import Library, NewFight
from cliplib_web import create_app
from tests import libraries

PLACE = "/fights/1/forget"


@pytest.fixture
def library(tmp_path: Path) -> Library:
    libraries.make_fight(tmp_path / "fights" / "one", kind=None)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    return library


@pytest.fixture
def app(library: Library) -> Flask:
    return create_app(library.folder)


def send(client: Any, **form: str) -> Any:
    page = client.get(PLACE, base_url="http://127.0.0.1").get_data(as_text=True)
    key = re.search(r'name="form_key" value="([^"]+)"', page)
    assert key
    return client.post(PLACE, data={"form_key": key[1], **form}, base_url="http://127.0.0.1")


def test_logs_are_offered_and_can_be_saved(app: Flask, library: Library) -> None:
    log = "time,fighter,action\n0:02,Brandt,shovel hook\n"
    library.logging.live.import_log(1, "<b>RS & co</b>", log, "csv")
    client = app.test_client()
    page = client.get(PLACE, base_url="http://127.0.0.1").get_data(as_text=True)
    assert "&lt;b&gt;RS &amp; co&lt;/b&gt;, 1 line:" in page
    (address,) = re.findall(r'href="(/fights/1/log\.csv(?:\?[^"]*)?)"', page)
    saved = client.get(address.replace("&amp;", "&"), base_url="http://127.0.0.1").get_data(as_text=True)
    assert "shovel hook" in saved
    assert "uppercut" not in saved


@pytest.mark.parametrize("form", [{}, {"sure": ""}, {"sure": "2"}, {"sure": "yes"}])
def test_without_the_tick_nothing_goes(app: Flask, library: Library, form: dict[str, str]) -> None:
    answer = send(app.test_client(), **form)
    assert answer.status_code == 400
    assert "Nothing was taken out" in answer.get_data(as_text=True)
    assert len(library.finding.fights()) == 1


def test_with_it_the_fight_goes(app: Flask, library: Library) -> None:
    client = app.test_client()
    answer = send(client, sure="1")
    assert answer.status_code == 303
    for _ in range(600):
        after = client.get(answer.location, base_url="http://127.0.0.1")
        if after.status_code == 302:
            break
        time.sleep(0.05)
    told = client.get(after.location, base_url="http://127.0.0.1").get_data(as_text=True)
    assert "“Adeyemi v Brandt” is gone" in told
    assert "folder “one”" in told
    assert str(library.folder.parent) not in told
    assert "Still written" not in told
    assert client.get("/fights/forgotten/else", base_url="http://127.0.0.1").status_code == 404
    assert library.finding.fights() == ()
    assert library.finding.find("jab").total == 0
    assert client.get(PLACE, base_url="http://127.0.0.1").status_code == 404


def test_a_fight_made_here_leaves_its_folder_and_says_so(app: Flask, library: Library) -> None:
    """Its folder is in the library, and its footage perhaps nowhere else: somebody has to decide that."""
    made = library.logging.new_fights.make(NewFight("Quirkbury Hall", "Odo Zwentibold", "Jonas Brandt"))
    done = library.care.forget([made])
    own = f"fights/{done.fights[0].folder.name}/fight.toml"
    assert [said.partition(" is still")[0] for said in done.left] == ["“Odo Zwentibold”", "“Quirkbury Hall”"]
    assert all(own in said and said.endswith("yours to delete") for said in done.left)
    assert (library.folder / own).exists()
