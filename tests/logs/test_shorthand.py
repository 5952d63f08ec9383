"""Short letters for an exchange: what they stand for, who does what, and what is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib import Library, LogError
from cliplib.core.settings import read_settings
from cliplib.logs.shorthand import CODES, expand
from tests import libraries

PUNCHES = {"jab", "cross", "right hook", "left hook", "right uppercut"}


def kind(phrase: str) -> str:
    return "punch" if phrase in PUNCHES else "other" if phrase in ("clinch", "step in") else "defence"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("j- so rhb+", "A jab missed, B slip outside, B right hook to the body landed"),
        ("j j- c=", "A jab, A jab missed, A cross blocked"),
        ("j- pa c+ /j- cl", "A jab missed, B parry, B cross landed, A jab missed, A clinch"),
        ("jb~", "A jab to the body partial"),
        ("in j so si", "A step in, A jab, B slip outside, B slip inside"),
        ("k^", None),
        ("j", None),
        ("jab", None),
        ("j zz", None),
        ("so+", None),
        ("", None),
        ("1-2", None),
    ],
)
def test_what_they_stand_for(typed: str, said: str | None) -> None:
    assert expand(typed, ("A", "B"), 0, kind) == said


def test_a_gym_has_its_own() -> None:
    own = {"k": "check hook", "j": "stiff jab"}
    assert expand("k^ j", ("A", "B"), 1, lambda _: "punch", own) == "B check hook knockdown, B stiff jab"


def test_every_code_is_read_and_means_one_action(tmp_path: Path) -> None:
    """As a log reads it, with the library's own codes of settings.toml."""
    libraries.make_fight(tmp_path / "fight", kind=None)
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "settings.toml").write_text('shorthand = { k = "check hook" }\n')
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([tmp_path / "fight"])
    for code in CODES:
        checked = library.logging.live.check(1, f"{code} {code}")
        assert not checked.unread, code
        assert len(checked.actions) == 2, code
    checked = library.logging.live.check(1, "k^ /so", "Jonas Brandt")
    assert checked.instead[1].startswith("Brandt check hook knockdown, Adeyemi slip outside")
    assert [who for who, _ in checked.actions] == ["Jonas Brandt", "Emeka Adeyemi"]
    assert library.logging.live.check(1, "jab missed").instead == ()
    library.close()


@pytest.mark.parametrize("text", ['shorthand = { K = "jab" }', "shorthand = 3", 'shorthand = { k = "" }'])
def test_codes_that_cannot_be(tmp_path: Path, text: str) -> None:
    (tmp_path / "settings.toml").write_text(text)
    with pytest.raises(Exception, match="one to four small letters"):
        read_settings(tmp_path / "settings.toml")


def test_a_moment_is_marked_without_an_action(tmp_path: Path) -> None:
    """It is a mark with its note, and no exchange; a line with neither is refused."""
    libraries.make_fight(tmp_path / "fight", rows=())
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([tmp_path / "fight"], cut=False)
    line = library.logging.live.add(1, "JL", 50, "", note="look later")
    assert (line.action, line.note) == ("", "look later")
    assert [m.mark.note for m in library.desk.catalogue.marks_of(1)] == ["look later"]
    assert library.desk.catalogue.exchanges(1) == []
    with pytest.raises(LogError, match="tells no action"):
        library.logging.live.add(1, "JL", 50, "")
    library.close()
