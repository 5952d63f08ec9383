"""Pages that say what is missing and what to do about it: words not understood, a fight still to choose, a frame
outside the rounds."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library, Unread
from cliplib_web import create_app
from cliplib_web.finding.find import without_word
from tests import libraries
from tests.web import served


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app(served.demo_library()).test_client()


def shown(client: Any, address: str) -> str:
    return html.unescape(client.get(address).get_data(as_text=True))


def left_out(client: Any, address: str) -> list[tuple[str, str]]:
    """(word, address) of each link that leaves a word out."""
    found = re.findall(r'href="([^"]*)"[^>]*>leave “([^”]*)” out</a>', shown(client, address))
    return [(word, link) for link, word in found]


def test_a_word_not_understood_can_be_left_out(client: Any) -> None:
    ((word, link),) = left_out(client, "/?q=mimsy+jab&order=date")
    assert (word, link) == ("mimsy", "/?q=jab&order=date")
    page = shown(client, link)
    assert "Not understood" not in page
    assert f"<span data-total>{Library(served.demo_library()).finding.find('jab').total}</span>" in page


def test_of_two_words_each_goes_from_its_own_place(client: Any) -> None:
    assert left_out(client, "/?q=mimsy+jab+mimsy+frumious") == [
        ("mimsy", "/?q=jab+mimsy+frumious"),
        ("mimsy", "/?q=mimsy+jab+frumious"),
        ("frumious", "/?q=mimsy+jab+mimsy"),
    ]


def test_what_hung_on_the_word_goes_along(client: Any) -> None:
    """“when” is read together with what follows; without it, it would be the next word not understood."""
    ((word, link),) = left_out(client, "/?q=jab+when+he+barrels+in")
    assert word == "barrels"
    assert "Not understood" not in shown(client, link)


def test_nothing_is_left_of_one_word(client: Any) -> None:
    assert "Not understood" in shown(client, "/?q=mimsy")
    assert left_out(client, "/?q=mimsy") == []


@pytest.mark.parametrize(
    ("phrase", "word", "rest"),
    [
        ("jab mimsy, hook", Unread("mimsy", 4, 9), "jab , hook"),
        ("jab mimsy mimsy", Unread("mimsy", 10, 15), "jab mimsy"),
        ("jab mimsy mimsy", Unread("mimsy", 0, 3), "jab mimsy"),  # a place that is not its own: the first
        ("jab, mimsy", Unread("mimsy", 5, 10), "jab"),
        ("mimsy", Unread("mimsy", 0, 5), ""),
        ("jab", Unread("mimsy", 0, 3), ""),
    ],
)
def test_the_phrase_without_a_word(phrase: str, word: Unread, rest: str) -> None:
    assert without_word(phrase, word) == rest


# --- when it changed ----------------------------------------------------------------------------------------


def test_a_change_in_the_only_fight_is_shown_at_once(client: Any) -> None:
    page = shown(client, "/counts/change?q=jab")
    assert "Still needed" not in page
    assert "Counted: <strong>a jab</strong>" in page
    assert re.search(r'<option value="1" selected>', page)


def test_with_several_fights_it_asks_for_one(tmp_path: Path) -> None:
    """Two fights of one title and one without the action: tries are told apart by the date."""
    hook = ("0:02,Brandt,lead hook,landed,",)
    for name, date, rows in (
        ("a", "2024-05-11", libraries.ROWS),
        ("b", "2025-01-02", (*libraries.ROWS, "0:05,Adeyemi,jab,landed,")),
        ("c", "2025-02-03", hook),
    ):
        title = "Return" if name == "c" else "Adeyemi v Brandt"
        libraries.make_fight(tmp_path / "fights" / name, kind=None, rows=rows, date=date, title=title)
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([tmp_path / "fights"]).exit_code == 0
    client = create_app(library.folder).test_client()
    page = shown(client, "/counts/change?q=jab&of=frequency")
    assert "Still needed: which fight?" in page
    offered = re.findall(r'<li><a href="([^"]*)">([^<]*)</a>: (\d+ \w+)</li>', page)
    assert [(text, tries) for _, text, tries in offered] == [
        ("Adeyemi v Brandt, 2025-01-02", "2 tries"),
        ("Adeyemi v Brandt, 2024-05-11", "1 try"),
    ]
    chosen = shown(client, offered[0][0])
    assert "Counted: <strong>a jab</strong>" in chosen
    assert 'value="frequency" checked' in chosen
    # Only one of the fights has a jab that landed.
    assert "Counted: <strong>" in shown(client, "/counts/change?q=jab+landed")
    assert "was tried in no fight" in shown(client, "/counts/change?q=bolo")
    assert "Still needed: say what to look at" in shown(client, "/counts/change")


# --- logging outside the rounds -----------------------------------------------------------------------------


def test_a_line_outside_the_rounds_is_refused_with_what_to_do(tmp_path: Path) -> None:
    """Footage of 8 s at 25 frames a second; a round of 5 s from 0:01, so that it ends at 0:06."""
    fight = libraries.make_fight(tmp_path / "fight", rows=libraries.ROWS[:2])
    told = (fight / "fight.toml").read_text(encoding="utf-8")
    (fight / "fight.toml").write_text(
        told.replace("round_seconds = 7", "round_seconds = 5"), encoding="utf-8"
    )
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([fight], cut=False).exit_code == 0
    client = create_app(library.folder).test_client()
    with client.session_transaction() as session:
        session.update(form_key="k" * 24, by="MK")

    def refused(frame: int, action: str) -> str:
        answer = client.post(
            "/api/fights/1/lines",
            json={"by": "MK", "frame": frame, "action": action},
            headers={"X-Form-Key": "k" * 24},
        )
        assert answer.status_code == 400
        return str(answer.get_json()["message"])

    for frame, why in ((10, "is before the first bell (0:01)"), (175, "lies after the last bell (0:06)")):
        message = refused(frame, "Brandt jab missed")
        assert re.match(rf"Not logged: 0:0\d(\.\d)? {re.escape(why)}\. Move the film into a round", message)
        assert "fight.toml" in message
    # A line that cannot be read is not told to move.
    assert refused(60, "Brandt mimsy").startswith("Not logged: ")
    assert "Move the film" not in refused(60, "Brandt mimsy")
    assert library.logging.live.lines(1, "MK") == ()
