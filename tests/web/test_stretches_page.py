"""The film's parts on the fight's and the clip's page, and the page that changes periods and parts."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library
from cliplib.catalogue.proposals import StoredProposal, Watching
from tests.library.test_parts import TOML, made
from tests.web.test_pages_lists import HOME, client_of, get


@pytest.fixture
def pages(tmp_path: Path) -> Any:
    made(tmp_path).close()
    return client_of(tmp_path / "library")


def form(page: str, name: str) -> dict[str, list[str]]:
    """The fields of one of the page's forms as a browser would send them."""
    inside = page[page.index(f'stretches/{name}"') :]
    inside = inside[: inside.index("</form>")]
    fields: dict[str, list[str]] = {}
    for tag in re.findall(r"<input[^>]*>|<select.*?</select>", inside):
        field = re.search(r'name="([^"]*)"', tag)
        assert field is not None
        if tag.startswith("<select"):
            chosen = re.search(r"<option selected>(.*?)<", tag)
            value = chosen[1] if chosen else ""
        else:
            value = html.unescape(re.search(r'value="([^"]*)"', tag)[1])  # type: ignore[index]
        fields.setdefault(field[1], []).append(value)
    return fields


def test_parts_and_views_are_shown(pages: Any) -> None:
    page = get(pages, "/fights/1")
    assert "Parts of the film" in page
    assert "replay of 0:20 at 0.5 times its speed" in page
    assert "gap, 0:15 on the clock left out" in page
    assert "Logged in replays, and not counted" in page
    found = get(pages, "/?q=jab")
    assert "1 more lies in replays and is not counted" in found
    link = html.unescape(re.search(r'href="(/\?[^"]*views=too[^"]*)"', found)[1])  # type: ignore[index]
    assert "<span data-total>2</span>" in get(pages, link)
    told = pages.get("/api/fights/1", base_url=HOME).get_json()
    assert [part["kind"] for part in told["parts"]] == ["gap", "replay", "stop"]
    ids = {
        c["id"]: c.get("view_of")
        for c in pages.get("/api/find?q=jab&views=too", base_url=HOME).get_json()["clips"]
    }
    (view,) = [i for i, of in ids.items() if of]
    assert "A replay: counted nowhere" in get(pages, f"/clip/{view}")
    assert f'href="/clip/{view}"' in get(pages, f"/clip/{ids[view]}")


def test_parts_and_periods_are_changed_on_the_page(pages: Any, tmp_path: Path) -> None:
    page = get(pages, "/fights/1/stretches")
    fields = form(page, "part")
    assert fields["kind"][:3] == ["gap", "replay", "stop"]
    fields["of"][1] = "0:29.5"  # the replay shows the cross, not the jab
    answer = pages.post("/fights/1/stretches/part", base_url=HOME, data=fields)
    assert answer.status_code == 303
    assert 'of = "0:29.5"' in (tmp_path / "fight" / "fight.toml").read_text()
    fields = form(get(pages, "/fights/1/stretches"), "period")
    fields["name"][0], fields["from"][0], fields["until"][0] = "one hand", "round 1 0:55", "round 1"
    assert pages.post("/fights/1/stretches/period", base_url=HOME, data=fields).status_code == 303
    assert "<strong>one hand</strong>" in get(pages, "/fights/1")


def test_a_part_is_moved_at_both_ends(pages: Any, tmp_path: Path) -> None:
    """One end alone would have been passed over, and the part accepted as it was found."""
    library = Library(tmp_path / "library")
    found = StoredProposal("replay", 3_000_000, 4_000_000, "sure", ("because",), "test")
    library.desk.catalogue.proposals.put(1, [found], Watching("f", "test", "whole", ()))
    key = pages.get("/api/session", base_url=HOME).get_json()["form_key"]
    for ends in ({"first": 3}, {"last": 30}):
        said = {"by": "JL", "decision": "accept", **ends}
        answer = pages.post(
            "/api/fights/1/proposals/1", base_url=HOME, json=said, headers={"X-Form-Key": key}
        )
        assert answer.status_code == 400
        assert "“first” and “last” say together" in answer.get_json()["message"]
    assert [one.decision for one in library.logging.watching.of(1).proposals] == [None]


def test_one_page_reads_the_file_once(pages: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    read, times = Path.read_bytes, []

    def noted(path: Path) -> bytes:
        if path.name == "fight.toml":
            times.append(path)
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", noted)
    get(pages, "/fights/1/stretches")
    assert len(times) == 1


def test_what_cannot_be_is_said_and_what_was_typed_stays(pages: Any, tmp_path: Path) -> None:
    fields = form(get(pages, "/fights/1/stretches"), "part")
    fields["until"][1] = "0:59"
    answer = pages.post("/fights/1/stretches/part", base_url=HOME, data=fields)
    told = html.unescape(answer.text)
    assert answer.status_code == 400
    assert "Nothing was changed." in told
    assert "not after the beginning (1:00)" in told
    assert 'value="0:59"' in told
    assert (tmp_path / "fight" / "fight.toml").read_text() == TOML
