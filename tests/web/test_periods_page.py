"""Periods and marks on pages: shown on the fight's, filters in addresses, and inferred outcomes that say so."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library
from tests.library.test_periods import TOML, rows
from tests.web.test_pages_lists import HOME, client_of, get


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Any:
    root = tmp_path_factory.mktemp("pages")
    fight: Path = root / "fight"
    fight.mkdir()
    (fight / "fight.toml").write_text(TOML)
    slipped = ("1,0:03,Adeyemi,cross,,", "1,0:02.5,Brandt,slips,,")
    (fight / "log.csv").write_text("\n".join([*rows(), *slipped]) + "\n")
    library = Library(root / "library", create=True)
    assert library.logging.ingest([fight]).exit_code == 0
    library.close()
    return client_of(root / "library")


def test_the_fight_shows_its_periods_and_marks(pages: Any) -> None:
    page = get(pages, "/fights/1")
    assert "<strong>one hand</strong>" in page
    assert "from round 2, 1:30 left, to the end of round 3" in page
    assert page.count("corner calls for the body") == 3
    assert "0:05 left" in page
    links = [html.unescape(link) for link in re.findall(r'href="(/\?[^"]*one\+hand[^"]*)"', page)]
    assert len(links) == 3
    counts = [int(re.search(r"data-total>(\d+)", get(pages, link))[1]) for link in links]  # type: ignore[index]
    assert counts == [14, 14, 0]


def test_a_period_in_an_address(pages: Any) -> None:
    page = get(pages, "/?q=jab&during=One+hand")
    assert "<span data-total>14</span>" in page
    assert "only during: one hand" in page
    assert "did you mean “one hand”" in get(pages, "/?q=jab&during=on+hand")
    found = pages.get("/api/find?q=jab+before+one+hand", base_url=HOME).get_json()
    assert (found["total"], found["reading"]["where"]["before"]) == (13, "one hand")
    assert pages.get("/api/find?q=jab&during=one+hand", base_url=HOME).get_json()["total"] == 14
    told = pages.get("/api/tally?q=jab&by=period", base_url=HOME).get_json()
    assert {row["values"]["period"]: row["tried"] for row in told["rows"]} == {
        "one hand": 14,
        "no period": 13,
    }
    fight = pages.get("/api/fights/1", base_url=HOME).get_json()
    assert fight["periods"] == [{"name": "one hand", "from": "round 2 1:30", "until": "round 3"}]
    assert [(mark["round"], mark["left"]) for mark in fight["marks"]] == [(1, 5.0), (2, 5.0), (3, 5.0)]


def test_the_facet_says_who_did_it(pages: Any) -> None:
    page = get(pages, "/?q=jab")
    assert "<h2>Who did it</h2>" in page


def test_inferred_outcomes_say_so(pages: Any) -> None:
    """A cross without an outcome, then a slip: missed, and nobody wrote that."""
    (number,) = [
        clip["id"] for clip in pages.get("/api/find?q=cross&limit=99", base_url=HOME).get_json()["clips"]
        if clip["actions"][0]["technique"] == "cross"
    ]  # fmt: skip
    for address in (f"/clip/{number}", "/?q=cross+missed", "/fights/1"):
        assert "(inferred)" in get(pages, address), address
    clip = pages.get(f"/api/clips/{number}", base_url=HOME).get_json()
    assert [action.get("inferred") for action in clip["actions"]] == [["outcome"], None]


def test_a_period_is_a_side_that_the_form_keeps(pages: Any) -> None:
    """What an address compares stands in the form too, so that looking anew compares the same."""
    page = get(pages, "/counts/compare?q=jab&this=before%3Done+hand&that=during%3Done+hand")
    chosen = re.findall(r'<option value="([^"]+)" selected>', page)
    assert chosen == ["before=one hand", "during=one hand"]
    assert 'value="after=one hand"' in page


def test_the_outcomes_of_a_result_say_what_they_count(pages: Any) -> None:
    """The cross of the log was slipped, and nobody said how it went: it stands under missed."""
    page = get(pages, "/?q=cross")
    narrow = page[page.index("<h2>Outcome</h2>") :]
    assert "only a defence tells (inferred)" in narrow[: narrow.index("</section>")]
