"""Lists that grow with a library: the fights, a long fight's rounds, and filters that nothing fits."""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from typing import Any

import pytest

from cliplib import InputError, Library, Where
from cliplib.core.models import Corner, FightInfo, LogSource
from cliplib_web import create_app
from tests import libraries
from tests.search import archive
from tests.web import served

HOME = "http://127.0.0.1"


def client_of(folder: Path) -> Any:
    return create_app(folder).test_client()


def get(client: Any, path: str) -> str:
    answer = client.get(path, base_url=HOME)
    assert answer.status_code == 200, (path, answer.status_code)
    text: str = answer.get_data(as_text=True)
    return text


def titles(page: str) -> list[str]:
    return re.findall(r'<li><a href="/fights/\d+">([^<]*)</a>', page)


# --- the fights ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fights(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """120 fights: a day later each, from 2021-01-01 on, then one without a date."""
    folder = tmp_path_factory.mktemp("lists") / "library"
    library = Library(folder, create=True)
    for number in range(121):
        day = datetime.date(2021, 1, 1) + datetime.timedelta(days=10 * number)
        info = FightInfo(
            f"Bout {number:03d}",
            Corner(f"Ada Okoro {number % 7}"),
            Corner(f"Bram Visser {number % 5}"),
            date=day if number < 120 else None,
            event="Harbour Hall" if number % 2 else "Town Gym",
            logs=(LogSource("log.csv"),),
        )
        library.desk.catalogue.replace_fight(info, [], folder=Path(f"f{number}"), digest=str(number))
    library.close()
    return client_of(folder)


def test_fights_are_paged_the_latest_first(fights: Any) -> None:
    seen: list[str] = []
    address = "/fights/"
    while address:
        page = get(fights, address)
        assert len(page) < 25_000
        assert "121 fights" in page
        seen += titles(page)
        further = re.search(r'rel="next" href="([^"]*)"', page)
        address = further[1].replace("&amp;", "&") if further else ""
    assert seen == [*(f"Bout {n:03d}" for n in range(119, -1, -1)), "Bout 120"]
    assert titles(get(fights, "/fights/?page=99")) == seen[100:]


def test_fights_are_found_by_name_event_and_year(fights: Any) -> None:
    days = {n: datetime.date(2021, 1, 1) + datetime.timedelta(days=10 * n) for n in range(120)}
    page = get(fights, "/fights/?q=okoro+3+harbour&year=2022")
    wanted = [n for n in range(119, -1, -1) if n % 7 == 3 and n % 2 and days[n].year == 2022]
    # The 3 may also stand in a title, a date or the other name, which is a hit all the same.
    found = [int(title[5:]) for title in titles(page)]
    assert set(wanted) <= set(found)
    assert all(n % 2 and days[n].year == 2022 for n in found)
    assert titles(get(fights, "/fights/?year=none")) == ["Bout 120"]
    assert f"2021 ({sum(day.year == 2021 for day in days.values())})" in page
    assert re.search(r'rel="next" href="/fights/\?q=town&amp;page=2"', get(fights, "/fights/?q=town"))
    assert "No fight fits." in get(fights, "/fights/?q=nobody")


# --- a long fight -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def long_fight(tmp_path_factory: pytest.TempPathFactory) -> tuple[Library, Any]:
    """Ten rounds of thirty exchanges, about 2,400 actions."""
    library = Library(tmp_path_factory.mktemp("long") / "library", create=True)
    archive.write_catalogue(library.desk.catalogue, 1)
    return library, client_of(library.folder)


def test_a_long_fight_is_light_and_lists_a_round_at_a_time(long_fight: tuple[Library, Any]) -> None:
    library, client = long_fight
    view = library.finding.fight_view(1)
    page = get(client, "/fights/1")
    assert len(page) < 200_000
    assert "lane-list" not in page
    ids = [clip.id for lane in view.lanes for clip in lane.clips]
    assert re.findall(r' id="clip-(\d+)"', page) == [str(n) for n in ids]  # links to them find their lane
    link = re.search(r'href="(/fights/1\?round=3)#round-3"', page)
    assert link
    listed = get(client, link[1])
    third = next(lane for lane in view.lanes if lane.round == 3)
    rows = re.findall(r'<li id="clip-(\d+)"><a href="/clip/(\d+)">', listed)
    assert rows == [(str(clip.id), str(clip.id)) for clip in third.clips]
    assert sorted(re.findall(r' id="clip-(\d+)"', listed), key=int) == [str(n) for n in sorted(ids)]
    everything = get(client, "/fights/1?round=all")
    assert len(re.findall(r'<li id="clip-', everything)) == len(ids)
    # From a clip one comes back to its place in the list.
    assert f"/fights/1?round=3#clip-{third.clips[4].id}" in get(client, f"/clip/{third.clips[4].id}")


def test_every_mark_has_its_action(long_fight: tuple[Library, Any]) -> None:
    library, client = long_fight
    actions = [a for lane in library.finding.fight_view(1).lanes for clip in lane.clips for a in clip.actions]
    marks = re.findall(r'<use href="#o-(\w+)" x="[\d.]+%"/>', get(client, "/fights/1"))
    assert sorted(marks) == sorted(a.outcome or "unknown" for a in actions)


def test_a_number_of_a_table_leads_to_its_exchanges(long_fight: tuple[Library, Any]) -> None:
    library, client = long_fight
    info = library.finding.fight(1).info
    page = get(client, "/fights/1")
    cell = re.search(r'href="(1/red/jab/2)">(\d+)', page)
    assert cell
    answer = client.get(f"/fights/{cell[1]}", base_url=HOME)
    assert answer.status_code == 302
    found = get(client, answer.location)
    thrown = [
        clip.id
        for lane in library.finding.fight_view(1).lanes
        for clip in lane.clips
        if lane.round == 2 and any(a.technique == "jab" and a.fighter == info.red.name for a in clip.actions)
    ]
    assert f"<span data-total>{len(thrown)}</span>" in found
    assert client.get("/fights/1/green/jab/2", base_url=HOME).status_code == 404


# --- filters ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def filtered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Library, Any]:
    place = tmp_path_factory.mktemp("filters")
    libraries.make_fight(place / "fight", kind=None)
    library = Library(place / "library", create=True)
    assert library.logging.ingest([place / "fight"]).exit_code == 0
    return library, client_of(library.folder)


@pytest.mark.parametrize(
    ("filters", "said"),
    [
        ("fighter=Zed", "nobody called “Zed” has a fight in this library"),
        ("fighter=Adeyemy", "did you mean “Emeka Adeyemi”?"),
        ("opponent=Brand+Jonas", "did you mean “Jonas Brandt”?"),
        ("outcome=foo", "“foo” is no outcome; there are landed"),
        ("outcome=landet", "did you mean “landed”?"),
        ("technique=jabb", "“jabb” is no technique; did you mean “jab”?"),
        ("stance=southpow", "did you mean “southpaw”?"),
        ("opponent_stance=left", "is no opponent’s stance; there are orthodox, southpaw"),
        ("place=moon", "“moon” is no place; there are"),
        ("fight=Adeyemi+v+Brant", "there is no fight “Adeyemi v Brant” in this library; did you mean"),
        ("round=x", "“x” is not a round"),
    ],
)
def test_a_filter_that_nothing_has_is_said(filtered: tuple[Library, Any], filters: str, said: str) -> None:
    _, client = filtered
    page = get(client, f"/?q=punch&{filters}")
    assert said in page.replace("&#39;", "'")
    assert 'role="alert"' in page
    assert "Nothing matches" not in page
    assert "take this filter off" in page
    answer = client.get(f"/api/find?q=punch&{filters}", base_url=HOME)
    assert answer.status_code == 400
    assert said in answer.json["message"]
    key = client.get("/api/session", base_url=HOME).json["form_key"]
    form = {"phrase": "punch", "form_key": key, **dict([filters.replace("+", " ").split("=")])}
    assert client.post("/reels/", data=form, base_url=HOME).status_code == 400


@pytest.mark.parametrize(
    ("filters", "total"),
    [
        ("fighter=adeyemi", 1), ("fighter=Jonas+Brandt", 2), ("opponent=BRANDT", 1), ("outcome=Blocked", 1),
        ("fight=v+brandt", 2), ("outcome=unknown", 0), ("round=1", 2), ("round=unknown", 0),
    ],
)  # fmt: skip
def test_names_are_taken_as_people_give_them(filtered: tuple[Library, Any], filters: str, total: int) -> None:
    _, client = filtered
    assert f"<span data-total>{total}</span>" in get(client, f"/?q=punch&{filters}")


def test_filters_come_back_as_the_library_has_them(filtered: tuple[Library, Any]) -> None:
    library, _ = filtered
    given = Where(fighter=" emeka ", outcome="LANDED", technique="lead hook", fight="adeyemi v", rounds=(1,))
    with pytest.raises(InputError, match="“lead hook” is no technique; did you mean “hook”"):
        library.finding.checked(given)
    assert library.finding.checked(
        Where(fighter=" emeka ", outcome="LANDED", fight="adeyemi v", rounds=(1,))
    ) == Where(fighter=libraries.RED, outcome="landed", fight="Adeyemi v Brandt", rounds=(1,))


def test_the_first_page_opens_with_pictures(tmp_path: Path) -> None:
    """Phrases that find something, the latest film and reels, each with a picture; an empty library says what to
    do, and looking at the page is no search that somebody made."""
    Library(tmp_path / "empty", create=True).close()
    empty = create_app(tmp_path / "empty").test_client().get("/").get_data(as_text=True)
    assert "still empty" in empty
    assert "new fight" in empty
    folder = served.busy_library(tmp_path)
    library = Library(folder)
    library.making.make_reel([2], title="One of them")
    before = library.finding.complete("sl")
    page = create_app(folder).test_client().get("/").get_data(as_text=True)
    for heading in ("Say it as you would in the gym", "Latest film", "Latest reels"):
        assert heading in page
    assert page.count("/clips/") >= 3
    assert "counter to the body after a missed jab" in page
    assert "lead hook on the ropes" not in page, "a phrase that finds nothing here is no example"
    assert library.finding.complete("sl") == before
